"""Readings and estimates as JSON text and back, with nan and infinity kept and numpy left out."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from datetime import datetime
from typing import Any

from densitycam.calibration.estimate import Estimate
from densitycam.counting.tally import Filling, Tally
from densitycam.json_text import read_json
from densitycam.vessel.blank import Blank
from densitycam.vessel.reading import RGB, BarRow, Outline, Reading


def plain(value: Any, *, keep_infinite: bool = False) -> Any:
    """Turn dataclasses, tuples, dates and numpy scalars into what JSON can hold.

    Parameters
    ----------
    value : object
        Dataclass, mapping, sequence, date, number, bool, str or None, nested as you like.
    keep_infinite : bool
        True writes infinity as the text "inf", so that it can be rebuilt; False writes null,
        which is what a program reading the output expects. nan is null in both.

    Returns
    -------
    object
        dict, list, str, int, float, bool or None.

    Raises
    ------
    TypeError
        For anything else.
    """
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        if math.isnan(value):
            return None
        if math.isinf(value):
            return ("inf" if value > 0 else "-inf") if keep_infinite else None
        return float(value)
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="seconds")
    if is_dataclass(value) and not isinstance(value, type):
        return {
            f.name: plain(getattr(value, f.name), keep_infinite=keep_infinite)
            for f in fields(value)
        }
    if isinstance(value, dict):
        return {str(k): plain(v, keep_infinite=keep_infinite) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v, keep_infinite=keep_infinite) for v in value]
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist(), keep_infinite=keep_infinite)
    raise TypeError(f"cannot write a {type(value).__name__} as JSON")


def to_json(value: Any) -> str:
    """Return `value` as JSON text from which it can be rebuilt.

    Parameters
    ----------
    value : object
        As in `plain`.

    Raises
    ------
    TypeError
        As in `plain`.
    """
    return json.dumps(plain(value, keep_infinite=True), allow_nan=False, separators=(",", ":"))


def _number(value: float | str | None) -> float:
    return math.nan if value is None else float(value)


def _rgb(values: Sequence[float | str | None]) -> RGB:
    r, g, b = (_number(v) for v in values)
    return r, g, b


def reading_from_json(text: str) -> Reading:
    """Rebuild a `Reading` from the text `to_json` gave.

    Parameters
    ----------
    text : str
        What was not known (null) becomes nan.

    Returns
    -------
    Reading
        The same, infinity too.

    Raises
    ------
    KeyError, TypeError, ValueError
        For text that is not a reading.
    """
    d = read_json(text)
    unset = {"width_mm", "read_left_mm", "read_right_mm"}  # these may not be known
    outline: dict[str, Any] = {
        key: None if v is None and key in unset else _number(v) for key, v in d["outline"].items()
    }
    red, green, blue = d["usable"]
    values: dict[str, Any] = {
        "outline": Outline(**outline),
        "rows": tuple(
            BarRow(
                height_mm=_number(row["height_mm"]),
                contrast_t=_rgb(row["contrast_t"]),
                mean_t=_rgb(row["mean_t"]),
                veil=_rgb(row["veil"]),
            )
            for row in d["rows"]
        ),
        "usable": (bool(red), bool(green), bool(blue)),
        "flags": tuple(str(flag) for flag in d["flags"]),
    }
    for field in fields(Reading):  # all others are one number or one for each channel
        if field.name in d and field.name not in values:
            value = d[field.name]
            values[field.name] = _rgb(value) if isinstance(value, list) else _number(value)
    return Reading(**values)


def blank_from_json(text: str) -> Blank:
    """Rebuild a `Blank` from the text `to_json` gave.

    Parameters
    ----------
    text : str
        One blank.

    Returns
    -------
    Blank
        The same.

    Raises
    ------
    KeyError, TypeError, ValueError
        For text that is not a blank.
    """
    d = read_json(text)
    return Blank(
        attenuation=_rgb(d["attenuation"]),
        absorbance=_rgb(d["absorbance"]),
        se=_number(d["se"]),
        scatter=_number(d["scatter"]),
        photos=int(d["photos"]),
    )


def tally_from_json(text: str) -> Tally:
    """Rebuild a `Tally` from the text `to_json` gave.

    Parameters
    ----------
    text : str
        One tally.

    Returns
    -------
    Tally
        The same.

    Raises
    ------
    KeyError, TypeError, ValueError
        For text that is not a tally.
    """
    d = read_json(text)
    return Tally(
        fillings=tuple(
            Filling(tuple(int(n) for n in f["counts"]), _number(f["squares"]))
            for f in d["fillings"]
        ),
        chamber=str(d["chamber"]),
        unit=str(d["unit"]),
        dilution_steps=tuple(_number(step) for step in d["dilution_steps"]),
        fixative_fraction=_number(d["fixative_fraction"]),
        fresh_dilutions=bool(d["fresh_dilutions"]),
        dead=None if d["dead"] is None else int(d["dead"]),
        clumps=None if d["clumps"] is None else int(d["clumps"]),
        machine_assisted=bool(d["machine_assisted"]),
    )


def estimate_from_json(text: str) -> Estimate:
    """Rebuild an `Estimate` from the text `to_json` gave.

    Parameters
    ----------
    text : str
        One estimate.

    Returns
    -------
    Estimate
        The same.

    Raises
    ------
    KeyError, TypeError, ValueError
        For text that is not an estimate.
    """
    d = read_json(text)
    return Estimate(
        status=str(d["status"]),
        cells_per_ml=_number(d["cells_per_ml"]),
        low=_number(d["low"]),
        high=_number(d["high"]),
        relative_sd=_number(d["relative_sd"]),
        calibration_id=str(d["calibration_id"]),
        checked_by_counts=int(d["checked_by_counts"]),
        inside_range=bool(d["inside_range"]),
        notes=tuple(str(n) for n in d["notes"]),
    )
