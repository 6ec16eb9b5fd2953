"""Whether a row of an export is one that a journal could have written and can read back."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from densitycam.card.profile import profile_from_json
from densitycam.card.tags import TAG_IDS
from densitycam.journal.encode import blank_from_json
from densitycam.json_text import UNFIT
from densitycam.vessel.record import VesselRecord

__all__ = ["can_be_kept", "check_row", "whole_number"]

_WHOLE = re.compile(r"-?[0-9]{1,18}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
#: Columns that hold a moment, and those that hold a hash of a file.
_MOMENTS = frozenset({"taken_at", "counted_at", "done_at", "made_at", "registered_at", "filled_at"})
_HASHES = frozenset({"sha256", "photo_sha256"})
#: The one number that may be unbounded: the upper limit of a density.
_UNBOUNDED = frozenset({"high"})
#: No number of ours is larger.
_LARGEST = 1e18
#: As the command line has it: volumes, widths.
_LARGEST_MEASURE = 1e9


def whole_number(value: object) -> int:
    """Return a whole number that was written as a number or as text.

    Parameters
    ----------
    value : object
        As it stands in a file.

    Raises
    ------
    ValueError
        For anything else, and for one that the journal's file cannot hold.
    """
    if isinstance(value, bool) or not isinstance(value, (int, str)):
        raise ValueError("no whole number")
    if not _WHOLE.fullmatch(str(value)):
        raise ValueError("no whole number")
    return int(value)


def check_row(table: str, row: Mapping[str, Any]) -> None:
    """Refuse a row that the journal could not read back.

    Parameters
    ----------
    table : str
        Of the journal.
    row : mapping
        Its values by column, of the columns' types.

    Raises
    ------
    ValueError
        With what cannot be.
    DensitycamError
        For a print's profile or a calibration that cannot be read.
    """
    for column, value in row.items():
        if isinstance(value, float):
            _check_number(column, value)
        elif isinstance(value, str):
            if not can_be_kept(value):
                raise ValueError(f"{column} holds signs that no text file can hold")
            if column in _MOMENTS or (table == "calibrations" and column == "since"):
                _check_moment(column, value)
            if column in _HASHES and not _SHA256.fullmatch(value):
                raise ValueError(f"{column} is {value[:20]!r}, which is no SHA-256")
    check = _CHECKS.get(table)
    if check is not None:
        check(row)


def _check_number(column: str, value: float) -> None:
    if column in _UNBOUNDED and value == math.inf:
        return
    if not abs(value) <= _LARGEST:  # also nan
        raise ValueError(f"{column} is {value:g}")


def can_be_kept(text: str) -> bool:
    """Return whether a text can stand in a journal and in every form of its export.

    NUL cannot: no table of CSV holds it (Python 3.10 neither writes nor reads it), and some of
    SQLite's functions end a text there. JSON may hold halves of letters (RFC 8259, 8.2), for
    which UTF-8 has no bytes.

    Parameters
    ----------
    text : str
        A name, a note, settings or the like.

    Returns
    -------
    bool
        False for what holds either.
    """
    if "\0" in text:
        return False
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _check_moment(column: str, text: str) -> None:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        when = None
    # Moments are compared as texts, so they are all written alike.
    if when is None or when.tzinfo or when.isoformat(sep=" ", timespec="seconds") != text:
        raise ValueError(f"{column} is {text[:30]!r}, not a time such as 2026-05-09 07:41:00")


def _check_vessel(row: Mapping[str, Any]) -> None:
    fields = ("name", "species", "working_volume_ml", "path_mm", "shape", "width_mm")
    VesselRecord(*(row[name] for name in fields))
    for name in fields[2:4]:
        if row[name] > _LARGEST_MEASURE:
            raise ValueError(f"{name} is {row[name]:g}")


def _check_tag(row: Mapping[str, Any]) -> None:
    if row["marker_id"] not in TAG_IDS:
        raise ValueError(f"marker_id is {row['marker_id']}, which is no tag of a vessel")


def _check_blank(row: Mapping[str, Any]) -> None:
    try:
        blank = blank_from_json(row["blank"])
    except UNFIT:
        blank = None
    numbers = () if blank is None else (*blank.attenuation[:2], *blank.absorbance[:2])
    if (
        blank is None
        or not all(abs(v) < 10 for v in numbers)
        or not (0 < blank.se < 10 and 0 < blank.scatter < 10 and blank.photos >= 0)
    ):
        raise ValueError("blank is none that a photo of water can give")


def _check_photo(row: Mapping[str, Any]) -> None:
    if not all(_WHOLE.fullmatch(tag) for tag in row["tags"].split()):
        raise ValueError(f"tags are {row['tags'][:30]!r}")


def _check_slide(row: Mapping[str, Any]) -> None:
    if not row["low"] <= row["cells_per_ml"] <= row["high"]:
        raise ValueError("cells_per_ml lies outside its limits")
    if (row["relative_sd"] or 0.0) < 0 or (row["cells"] > 0) != (row["cells_per_ml"] > 0):
        raise ValueError("cells, cells_per_ml and relative_sd contradict each other")


def _check_calibration(row: Mapping[str, Any]) -> None:
    from densitycam.calibration.model import calibration_from_json

    calibration_from_json(row["calibration"])


_CHECKS: dict[str, Callable[[Mapping[str, Any]], object]] = {
    "vessels": _check_vessel,
    "tags": _check_tag,
    "prints": lambda row: profile_from_json(row["profile"]),
    "blanks": _check_blank,
    "photos": _check_photo,
    "slides": _check_slide,
    "calibrations": _check_calibration,
}
