"""vessels.csv, slides.csv and splits.csv of a photo folder: checked in whole, then kept at once."""

from __future__ import annotations

import difflib
import hashlib
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import NoReturn, TypeVar

from densitycam.calibration.species import load_species
from densitycam.counting.chambers import chamber_by_name, unit_by_name
from densitycam.counting.slide import SlideCount, count_slide
from densitycam.csv_text import read_csv
from densitycam.errors import DensitycamError
from densitycam.journal.store import Journal, SplitRecord
from densitycam.vessel.record import SHAPES, VesselRecord

T = TypeVar("T")

#: Columns of each table with what stands in for an empty or missing one; None must be given.
TABLES: dict[str, dict[str, str | None]] = {
    "vessels.csv": {
        "name": None,
        "species": None,
        "working_volume_ml": None,
        "path_mm": None,
        "shape": "cylinder",
        "width_mm": "",
    },
    "slides.csv": {
        "vessel": None,
        "when": None,
        "photo": "",
        "chamber": "improved-neubauer",
        "unit": "large",
        "cells": None,
        "squares": None,
        "dilution": "1",
        "fixative_fraction": "0",
    },
    "splits.csv": {"vessel": None, "when": None, "kept_ml": None, "total_ml": None},
}


@dataclass(frozen=True)
class Imported:
    """What tables brought into the journal.

    Parameters
    ----------
    vessels, slides, splits : int
        How many rows of each kind were new or changed.
    """

    vessels: int
    slides: int
    splits: int


@dataclass(frozen=True)
class _Row:
    """One row of a table, which can name itself in an error."""

    file: Path
    line: int
    cells: Mapping[str, str]

    def fail(self, column: str, why: str, advice: str = "Mend it and run again.") -> NoReturn:
        raise DensitycamError(
            f"{self.file}, line {self.line}, column {column}: {why.rstrip('.')}.", advice
        )

    def number(self, column: str, *, above: float | None = None, least: float = 0.0) -> float:
        text = self.cells[column]
        rule = f"above {above:g}" if above is not None else f"at least {least:g}"
        try:
            value = float(text)
        except ValueError:
            comma = "; write the decimal point as ." if "," in text else ""
            self.fail(column, f"{text!r} is not a number{comma}")
        good = value > above if above is not None else value >= least
        if not (good and value < 1e15):  # nan fails both comparisons
            self.fail(column, f"must be {rule}, not {text}")
        return value

    def time(self, column: str) -> datetime:
        text = self.cells[column]
        try:
            when = datetime.fromisoformat(text)
        except ValueError:
            self.fail(column, f"{text!r} is not a time; write it as 2026-05-09 07:41")
        if when.tzinfo is not None:
            self.fail(column, f"{text!r} has a time zone; write local time without one")
        return when.replace(microsecond=0)

    def known(self, column: str, look_up: Callable[[str], T]) -> T:
        try:
            return look_up(self.cells[column])
        except DensitycamError as error:
            self.fail(column, error.problem, error.advice)


@dataclass(frozen=True)
class _Slide:
    vessel: str
    photo_sha256: str | None
    counted_at: datetime
    count: SlideCount


def read_folder_tables(folder: Path, journal: Journal) -> Imported:
    """Read a folder's tables into the journal; a second time changes nothing.

    Parameters
    ----------
    folder : Path
        Folder that may hold vessels.csv, slides.csv and splits.csv.
    journal : Journal
        Where they are kept.

    Returns
    -------
    Imported
        Rows that were new or changed.

    Raises
    ------
    DensitycamError
        For a bad row, with file, line and column named; nothing of any table is then kept.
    """
    with journal.transaction():
        vessels = _vessels(folder, journal)
        known = {v.name: v for v in journal.vessels()}
        changed = [v for v in vessels if known.get(v.name) != v]
        for vessel in changed:
            journal.add_vessel(vessel)
        slides = _slides(folder, journal)
        fresh = _not_yet_kept(slides, journal)
        for slide in fresh:
            journal.add_slide(
                slide.vessel,
                slide.count,
                counted_at=slide.counted_at,
                photo_sha256=slide.photo_sha256,
            )
        splits = [s for s in _splits(folder, journal) if s not in journal.splits(s.vessel)]
        for split in splits:
            journal.add_split(split)
    return Imported(len(changed), len(fresh), len(splits))


def _not_yet_kept(slides: list[_Slide], journal: Journal) -> list[_Slide]:
    """Two sides of a slide may give the same number, so equal rows are counted, not merged."""
    kept = Counter(
        _Slide(s.vessel, s.photo_sha256, s.counted_at, s.count) for s in journal.slides()
    )
    fresh = []
    for slide in slides:
        if kept[slide]:
            kept[slide] -= 1
        else:
            fresh.append(slide)
    return fresh


def _vessels(folder: Path, journal: Journal) -> list[VesselRecord]:
    widths = {v.name: v.width_mm for v in journal.vessels() if v.shape != "bag"}
    vessels: dict[str, VesselRecord] = {}
    for row in _rows(folder, "vessels.csv"):
        name = row.cells["name"]
        if name in vessels:
            row.fail("name", f"vessel {name!r} stands in this table twice")
        species = row.known("species", load_species).id
        if row.cells["shape"] not in SHAPES:
            row.fail("shape", f"must be one of {', '.join(SHAPES)}, not {row.cells['shape']!r}")
        shape = row.cells["shape"]
        # Where the table does not say it, what the journal knows stays.
        width = None if shape == "bag" else widths.get(name)
        if row.cells["width_mm"]:
            width = row.number("width_mm", above=0)
        try:
            vessels[name] = VesselRecord(
                name=name,
                species=species,
                working_volume_ml=row.number("working_volume_ml", above=0),
                path_mm=row.number("path_mm", above=0),
                shape=shape,
                width_mm=width,
            )
        except ValueError as error:
            row.fail("width_mm", str(error))
    return list(vessels.values())


def _slides(folder: Path, journal: Journal) -> list[_Slide]:
    slides = []
    for row in _rows(folder, "slides.csv"):
        vessel = row.known("vessel", journal.vessel)
        chamber = row.known("chamber", chamber_by_name)
        unit = row.known("unit", partial(unit_by_name, chamber))
        cells = row.number("cells")
        if not cells.is_integer():
            row.fail("cells", f"must be a whole number, not {row.cells['cells']}")
        squares = row.number("squares", above=0)
        dilution = row.number("dilution", least=1)
        fixative = row.number("fixative_fraction")
        try:
            count = count_slide(
                cells=int(cells),
                squares=squares,
                chamber=chamber.id,
                unit=unit.id,
                dilution=dilution,
                fixative_fraction=fixative,
            )
        except ValueError as error:
            about = "fixative_fraction" if "fixative" in str(error) else "squares"
            row.fail(about, str(error))
        photo = row.cells["photo"]
        slides.append(
            _Slide(
                vessel.name,
                _sha256_of(folder / photo, row) if photo else None,
                row.time("when"),
                count,
            )
        )
    return slides


def _splits(folder: Path, journal: Journal) -> list[SplitRecord]:
    splits = []
    for row in _rows(folder, "splits.csv"):
        kept, total = row.number("kept_ml", above=0), row.number("total_ml", above=0)
        if not kept < total:
            row.fail("kept_ml", f"must be below total_ml ({total:g}), not {kept:g}")
        vessel = row.known("vessel", journal.vessel)
        splits.append(SplitRecord(vessel.name, row.time("when"), kept, total))
    return splits


def _sha256_of(photo: Path, row: _Row) -> str:
    try:
        return hashlib.sha256(photo.read_bytes()).hexdigest()
    except OSError as error:
        row.fail(
            "photo",
            f"{photo} cannot be read ({error.strerror})",
            f"Write the photo's place as seen from {row.file.parent}, or leave it empty.",
        )


def _rows(folder: Path, table: str) -> list[_Row]:
    """Read one table; an absent one has no rows."""
    file = folder / table
    if not file.is_file():
        return []
    try:
        # newline="" keeps line ends as they are, also those inside a name.
        with file.open(encoding="utf-8-sig", newline="") as stream:
            text = stream.read()
    except (OSError, UnicodeDecodeError) as error:
        raise DensitycamError(
            f"{file} cannot be read: {error}.", "Save it as CSV in UTF-8 from your spreadsheet."
        ) from error
    header, _, _ = text.partition("\n")
    delimiter = ";" if ";" in header and "," not in header else ","
    lines = read_csv(text, str(file), delimiter=delimiter)
    columns = [name.strip() for name in lines[0][1]] if lines else []
    wanted = TABLES[table]
    for name in columns:
        if name not in wanted:
            close = difflib.get_close_matches(name, wanted, n=1)
            hint = f"did you mean {close[0]}" if close else f"known are {', '.join(wanted)}"
            raise DensitycamError(
                f"{file}, line 1, column {name or '(empty)'}: not a known column; {hint}.",
                "Mend it and run again.",
            )
    for name, default in wanted.items():
        if default is None and name not in columns:
            raise DensitycamError(
                f"{file}, line 1: the column {name} is missing.",
                f"The first line must name {', '.join(wanted)}.",
            )
    rows = []
    for number, values in lines[1:]:
        values = [value.strip() for value in values]
        if not any(values):
            continue
        cells = {name: default or "" for name, default in wanted.items()}
        cells.update({k: v for k, v in zip(columns, values, strict=False) if v})
        row = _Row(file, number, cells)
        if len(values) > len(columns):
            row.fail(columns[-1], f"there are {len(values)} values for {len(columns)} columns")
        for name, default in wanted.items():
            if default is None and not cells[name]:
                row.fail(name, "is empty")
        rows.append(row)
    return rows
