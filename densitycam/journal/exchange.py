"""The whole journal as CSV tables or JSON, and back: a round trip loses nothing."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import os
import secrets
import shutil
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from densitycam.atomic_file import write_whole
from densitycam.errors import DensitycamError
from densitycam.journal.row_checks import can_be_kept, check_row, whole_number
from densitycam.journal.schema import SCHEMA_VERSION
from densitycam.journal.store import Journal
from densitycam.json_text import read_json

#: Version of the export's own form; the tables and columns are those of the journal's schema.
#: The first knew no settings.
FORMAT = 2

#: What says in a folder what the export holds, and the keeper's settings there.
CONTENTS, SETTINGS = "export.json", "settings.ini"

Value = str | int | float | None
Row = dict[str, Value]

#: Every table, each after those it refers to, with the columns by which a row is the same one in
#: another journal. Rows without a key of their own are the same where all they say is.
KEYS: dict[str, tuple[str, ...] | None] = {
    "vessels": ("name",),
    "tags": ("marker_id",),
    "prints": ("sources",),
    "blanks": None,
    "photos": ("vessel", "sha256"),
    "photo_copies": ("vessel", "sha256"),
    "slides": None,
    "splits": ("vessel", "done_at"),
    "log": ("vessel", "kind", "done_at"),
    "calibrations": None,
    "bottles": None,
    "bottle_uses": None,
}

#: Columns that refer to a row of another table, by its number there.
_REFERENCES = {
    "photo_copies": {"photo_id": "photos"},
    "calibrations": {"shape_of": "calibrations"},
    "bottle_uses": {"bottle_id": "bottles"},
}

#: Columns that may differ between two journals that hold the same row: numbers, and what is
#: reckoned anew from the rest.
_LOOSE = frozenset({"id", "entry", "estimate", "shape_of", "photo_id"})

#: Tables of which the newest row counts, by its number: after a merge numbers follow this column.
_IN_ORDER = {"blanks": "made_at", "calibrations": "made_at"}


@dataclass(frozen=True)
class Export:
    """What an export holds.

    Parameters
    ----------
    schema : int
        Version of the journal's schema it was made with.
    tables : mapping of str to sequence of mapping
        Rows by table, in their order; a vessel is named, not numbered.
    settings : str or None
        The keeper's settings file, to the last sign; None where there was none.
    """

    schema: int
    tables: Mapping[str, Sequence[Row]]
    settings: str | None = None


@dataclass(frozen=True)
class Merged:
    """What an import did.

    Parameters
    ----------
    added : dict of str to int
        New rows by table.
    known : int
        Rows that the journal held already.
    differed : tuple of str
        Rows of which the journal holds another version, which stays; each in a few words.
    bottles : tuple of (int, int)
        Bottles whose number was taken: the number on their label, and the one they have here.
    """

    added: dict[str, int] = field(default_factory=dict)
    known: int = 0
    differed: tuple[str, ...] = ()
    bottles: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class _Column:
    """A column of the journal's file as an export shows it."""

    name: str
    kind: str
    required: bool
    default: str | None = None  # of a text column; no other has one


def _columns(db: sqlite3.Connection, table: str) -> list[_Column]:
    """Return a table's columns; the vessel's number gives way to its name."""
    columns = []
    for _, name, kind, not_null, default, primary in db.execute(f"PRAGMA table_info({table})"):
        required = bool(not_null or primary) and default is None
        text = None if default is None else str(default).strip("'")
        if name == "vessel_id":
            columns.append(_Column("vessel", "TEXT", required))
        else:
            columns.append(_Column(str(name), str(kind).upper(), required, text))
    return columns


def read_journal(journal: Journal, settings: str | None = None) -> Export:
    """Return all that a journal holds, as of one moment.

    Nothing private is among it: where a photo was taken and which camera took it are not kept in
    a journal in the first place.

    Parameters
    ----------
    journal : Journal
        Which.
    settings : str or None
        The text of the settings file beside it; None where there is none.

    Raises
    ------
    DensitycamError
        When another program holds the journal for too long.
    """
    db = journal.connection
    tables: dict[str, list[Row]] = {}
    with journal.transaction():
        vessels = dict(db.execute("SELECT id, name FROM vessels").fetchall())
        for table in KEYS:
            key = "marker_id" if table == "tags" else "id"
            cursor = db.execute(f"SELECT * FROM {table} ORDER BY {key}")
            names = [d[0] for d in cursor.description]
            tables[table] = []
            for values in cursor:
                row = dict(zip(names, values, strict=True))
                tables[table].append(
                    {
                        "vessel" if name == "vessel_id" else name: vessels.get(value)
                        if name == "vessel_id"
                        else value
                        for name, value in row.items()
                    }
                )
    return Export(SCHEMA_VERSION, tables, settings)


# Writing


def _head(export: Export) -> dict[str, object]:
    from densitycam import __version__

    return {
        "densitycam": "journal",
        "format": FORMAT,
        "schema": export.schema,
        "software": __version__,
    }


def write_json(export: Export, path: Path) -> None:
    """Write an export as one JSON file, whole or not at all.

    Parameters
    ----------
    export : Export
        Numbers that are not finite become null.
    path : Path
        The file; an older one is replaced.

    Raises
    ------
    DensitycamError
        When it cannot be written, or the journal holds what could not be read back.
    """
    _check_texts(export)
    tables = {
        name: [{k: _finite(v) for k, v in row.items()} for row in rows]
        for name, rows in export.tables.items()
    }
    text = json.dumps(
        {**_head(export), "settings": export.settings, "tables": tables},
        indent=1,
        ensure_ascii=False,
        allow_nan=False,
    )
    write_whole(path, (text + "\n").encode("utf-8"))


def _finite(value: Value) -> Value:
    """Write infinity as text: JSON has none (RFC 8259, section 6)."""
    if isinstance(value, float) and math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return value


def write_folder(export: Export, folder: Path, journal: Journal) -> None:
    """Write an export as a folder of CSV tables, whole or not at all.

    Parameters
    ----------
    export : Export
        What to write.
    folder : Path
        A new or empty folder.
    journal : Journal
        Names the columns of tables without rows.

    Raises
    ------
    DensitycamError
        When the folder holds anything, or cannot be written, or the journal holds what could not
        be read back.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise DensitycamError(
            f"{folder} is there already and not empty.", "Name a folder that is not there yet."
        )
    _check_texts(export)
    half = folder.with_name(f".{folder.name}.{secrets.token_hex(6)}.part")
    try:
        half.mkdir()
        files: dict[str, dict[str, object]] = {}
        for table, rows in export.tables.items():
            columns = [c.name for c in _columns(journal.connection, table)]
            content = _csv(columns, rows)
            (half / f"{table}.csv").write_bytes(content)
            files[f"{table}.csv"] = {
                "rows": len(rows),
                "sha256": hashlib.sha256(content).hexdigest(),
            }
        if export.settings is not None:
            (half / SETTINGS).write_bytes(export.settings.encode())
            files[SETTINGS] = {"sha256": hashlib.sha256(export.settings.encode()).hexdigest()}
        head = json.dumps({**_head(export), "files": files}, indent=1)
        write_whole(half / CONTENTS, (head + "\n").encode("utf-8"))
        if folder.exists():
            folder.rmdir()
        os.replace(half, folder)
    except OSError as error:
        raise DensitycamError(
            f"Cannot write {folder}: {error.strerror or error}.",
            "Check that the folder above it exists, may be written to and has room.",
        ) from error
    finally:
        shutil.rmtree(half, ignore_errors=True)


def _check_texts(export: Export) -> None:
    """Refuse what could not be read back: a journal of before NUL was refused may hold it."""
    for table, rows in export.tables.items():
        for number, row in enumerate(rows, start=1):
            for column, value in row.items():
                if isinstance(value, str) and not can_be_kept(value):
                    raise DensitycamError(
                        f"{table}, row {number}: {column} is {value[:30]!r}, which holds a sign "
                        "that no export can hold.",
                        "Take a backup in its place: that copies the journal as it is.",
                    )


def _csv(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")  # RFC 4180
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in columns])
    return stream.getvalue().encode("utf-8")


def _cell(value: Value) -> str:
    """Return a value as a CSV cell: nothing is an empty cell, an empty text two quotes."""
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str) and not value.strip('"'):
        return f'{value}""'
    return str(value)


# Reading


def read_export(place: Path) -> Export:
    """Read and check an export, of either form.

    Parameters
    ----------
    place : Path
        A JSON file, or a folder of CSV tables.

    Returns
    -------
    Export
        As it was written, the values not yet held against the journal's columns.

    Raises
    ------
    DensitycamError
        When it is missing, cut short, changed since it was written, of another kind, or newer
        than this software.
    """
    if not place.exists():
        raise DensitycamError(f"There is no {place}.", "Check the name.")
    head = _read_head(place / CONTENTS if place.is_dir() else place)
    try:
        version, schema = whole_number(head["format"]), whole_number(head["schema"])
        if head["densitycam"] != "journal":
            raise KeyError("densitycam")
    except (KeyError, TypeError, ValueError):
        raise DensitycamError(
            f"{place} is not an export of a journal.", "Name one that densitycam export wrote."
        ) from None
    if version > FORMAT or schema > SCHEMA_VERSION:
        raise DensitycamError(
            f"{place} was written by a newer densitycam, {head.get('software')}.",
            "Upgrade densitycam, then import it.",
        )
    tables, settings = head.get("tables"), head.get("settings")
    if place.is_dir():
        tables, settings = _folder_tables(place, head)
    if not isinstance(settings, str | None) or not can_be_kept(settings or ""):
        raise DensitycamError(f"{place} holds settings that are no text.", "Export again.")
    if not isinstance(tables, dict) or not all(
        isinstance(rows, list) and all(isinstance(row, dict) for row in rows)
        for rows in tables.values()
    ):
        raise DensitycamError(f"{place} holds no tables.", "Name another export.")
    unknown = sorted(set(tables) - set(KEYS))
    if unknown:
        raise DensitycamError(
            f"{place} holds a table {unknown[0]!r} that no journal has.", "Name another export."
        )
    return Export(schema, tables, settings)


def _read_head(file: Path) -> dict[str, Any]:
    if file.name == CONTENTS and not file.exists():
        raise DensitycamError(
            f"{file.parent} holds no {CONTENTS}: it is no export, or half of one.",
            "Name the folder that densitycam export wrote.",
        )
    try:
        head = read_json(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise DensitycamError(
            f"{file} cannot be read ({error.strerror}).", "Check its permissions."
        ) from error
    except ValueError as error:
        raise DensitycamError(
            f"{file} is no JSON, or was cut short ({error}).",
            "Copy it again whole, or export the journal again. A backup is no export: put it in "
            "the journal's place.",
        ) from error
    return head if isinstance(head, dict) else {}


def _folder_tables(
    folder: Path, head: Mapping[str, Any]
) -> tuple[dict[str, list[dict[str, Any]]], str | None]:
    """Read the CSV tables that the contents name, each whole, and the settings."""
    tables, settings = {}, None
    files = head.get("files")
    for name, about in (files if isinstance(files, dict) else {}).items():
        if Path(name).name != name or not (name.endswith(".csv") or name == SETTINGS):
            raise DensitycamError(f"{folder / CONTENTS} names no table: {name}.", "Export again.")
        try:
            content = (folder / name).read_bytes()
        except OSError as error:
            raise DensitycamError(
                f"{folder / name} is missing or cannot be read ({error.strerror}).",
                "Copy the whole folder again, or export the journal again.",
            ) from error
        told = about.get("sha256") if isinstance(about, dict) else None
        if hashlib.sha256(content).hexdigest() != told:
            raise DensitycamError(
                f"{folder / name} was cut short or changed since it was exported.",
                "Copy the folder again. A spreadsheet changes a table by saving it: to add rows "
                "of your own, use the commands, or the tables of a photo folder.",
            )
        try:
            if name == SETTINGS:
                settings = content.decode("utf-8")
            else:
                tables[name.removesuffix(".csv")] = _rows(content)
        except (csv.Error, ValueError) as error:
            raise DensitycamError(
                f"{folder / name} is no table in UTF-8 ({error}).", "Export the journal again."
            ) from error
    return tables, settings


def _rows(content: bytes) -> list[dict[str, Any]]:
    """Read a table; ValueError for a line that has not as many cells as the first."""
    lines = csv.reader(io.StringIO(content.decode("utf-8"), newline=""))
    usual = csv.field_size_limit(1 << 30)  # a reading's rows are one cell
    try:
        columns = next(lines, [])
        if len(set(columns)) < len(columns):
            raise ValueError("two columns have one name")
        rows = []
        for cells in lines:
            if len(cells) != len(columns):
                raise ValueError(
                    f"line {lines.line_num} has {len(cells)} cells, not {len(columns)}"
                )
            rows.append(dict(zip(columns, map(_text, cells), strict=True)))
    finally:
        csv.field_size_limit(usual)  # it is the whole program's: a keeper's own tables need none
    return rows


def _text(cell: str) -> str | None:
    """Undo `_cell` as far as the column's type is not needed."""
    if cell == "":
        return None
    return cell[:-2] if not cell.strip('"') else cell


def _typed(value: Any, column: _Column, where: str) -> Value:
    """Return a value as the journal's column takes it."""
    if value is None:
        if column.required:
            raise DensitycamError(f"{where}: {column.name} is empty.", "Export the journal again.")
        return column.default
    try:
        if column.kind == "INTEGER":
            return whole_number(value)
        if column.kind == "REAL":
            if isinstance(value, bool):
                raise ValueError
            return float(value)
    except (OverflowError, TypeError, ValueError):
        raise DensitycamError(
            f"{where}: {column.name} is {value!r}, which is no number.", "Export the journal again."
        ) from None
    if not isinstance(value, str):
        raise DensitycamError(
            f"{where}: {column.name} is {value!r}, which is no text.", "Export the journal again."
        )
    return value


# Merging


def merge(journal: Journal, export: Export) -> Merged:
    """Bring an export into a journal: all of it, or nothing.

    Parameters
    ----------
    journal : Journal
        Empty or not. What it holds stays as it is.
    export : Export
        From `read_export`.

    Returns
    -------
    Merged
        What was new, known, and held otherwise. An empty journal becomes what was exported, to
        the last number.

    Raises
    ------
    DensitycamError
        Where the export contradicts itself or the journal's rules, with the row.
    """
    db = journal.connection
    with journal.transaction():
        try:
            return _merge(db, export)
        except sqlite3.IntegrityError as error:
            raise DensitycamError(
                f"The export breaks a rule of the journal: {error}. Nothing was imported.",
                "Export the journal again.",
            ) from error


def _merge(db: sqlite3.Connection, export: Export) -> Merged:
    added: dict[str, int] = {}
    known = 0
    differed: list[str] = []
    numbers: dict[str, dict[int, int]] = {}
    (offset,) = db.execute(
        "SELECT max(coalesce((SELECT max(entry) FROM splits), 0), "
        "coalesce((SELECT max(entry) FROM log), 0), coalesce((SELECT max(entry) FROM bottles), 0), "
        "coalesce((SELECT max(entry) FROM bottle_uses), 0))"
    ).fetchone()
    for table, key in KEYS.items():
        columns = _columns(db, table)
        names = {c.name for c in columns}
        rows = [
            _checked(table, row, columns, f"{table}, row {n}")
            for n, row in enumerate(export.tables.get(table, ()), start=1)
        ]
        held = _held(db, table)
        vessels = dict(db.execute("SELECT name, id FROM vessels").fetchall())
        by_key = {_key(row, key): row for row in held} if key else {}
        same: dict[tuple[Value, ...], list[Row]] = {}
        for row in held:
            same.setdefault(_said(row), []).append(row)
        taken = {int(row["id"] or 0) for row in held} if "id" in names else set()
        # Numbers that the export's own rows keep are not given to others.
        wanted = {int(row["id"] or 0) for row in rows} if "id" in names else set()
        fresh = max(taken | wanted, default=0)
        mine = numbers.setdefault(table, {})
        pending: list[tuple[int, int]] = []
        for row in rows:
            number = int(row.get("id") or 0)
            for column, other in _REFERENCES.get(table, {}).items():
                value = row[column]
                if value is None or column == "shape_of":
                    continue
                if int(value) not in numbers[other]:
                    raise DensitycamError(
                        f"The export's {table} refer to {other} number {value}, which it does not "
                        "hold. Nothing was imported.",
                        "Export the journal again.",
                    )
                row[column] = numbers[other][int(value)]
            twin: Row | None = None
            if key is not None:
                twin = by_key.get(_key(row, key))
                if twin is not None and _said(twin) != _said(row):
                    differed.append(_in_words(table, row, key))
            elif same.get(_said(row)):
                twin = same[_said(row)].pop(0)
            if twin is not None:
                known += 1
                if "id" in names:
                    mine[number] = int(twin["id"] or 0)
                continue
            if table == "tags" and _has_tag(held, row):
                differed.append(_in_words(table, row, ("vessel",)))
                continue
            if "id" in names:
                if number in taken:
                    fresh += 1
                    mine[number] = fresh
                else:
                    mine[number] = number
                taken.add(mine[number])
                row["id"] = mine[number]
            if row.get("entry") is not None:
                row["entry"] = int(row["entry"] or 0) + offset
            if row.get("shape_of") is not None:
                pending.append((mine[number], int(row["shape_of"] or 0)))
                row["shape_of"] = None
            _insert(db, table, row, vessels)
            added[table] = added.get(table, 0) + 1
        for number, shape in pending:
            db.execute(
                "UPDATE calibrations SET shape_of = ? WHERE id = ?", (mine.get(shape), number)
            )
        if held and added.get(table) and table in _IN_ORDER:
            _renumber(db, table, _IN_ORDER[table])
    moved = tuple((a, b) for a, b in numbers["bottles"].items() if a != b)
    return Merged(added, known, tuple(differed), moved)


def _checked(table: str, row: Mapping[str, Any], columns: Sequence[_Column], where: str) -> Row:
    """Return a row with the journal's columns and types; older exports lack some."""
    strange = sorted(set(row) - {c.name for c in columns})
    if strange:
        raise DensitycamError(
            f"{where}: {strange[0]!r} is no column of the journal.", "Export the journal again."
        )
    typed = {c.name: _typed(row.get(c.name), c, where) for c in columns}
    try:
        check_row(table, typed)
    except DensitycamError as error:
        raise DensitycamError(f"{where}: {error.problem}", "Export the journal again.") from error
    except ValueError as error:
        raise DensitycamError(f"{where}: {error}.", "Export the journal again.") from error
    return typed


def _held(db: sqlite3.Connection, table: str) -> list[Row]:
    cursor = db.execute(f"SELECT * FROM {table}")
    names = ["vessel" if d[0] == "vessel_id" else d[0] for d in cursor.description]
    vessels = dict(db.execute("SELECT id, name FROM vessels").fetchall())
    return [
        {
            name: vessels.get(value) if name == "vessel" else value
            for name, value in zip(names, values, strict=True)
        }
        for values in cursor.fetchall()
    ]


def _key(row: Row, key: Sequence[str]) -> tuple[Value, ...]:
    found = tuple(row[name] for name in key)
    # A vessel may have several notes of one moment.
    return (*found, row["text"]) if row.get("kind") == "note" else found


def _said(row: Row) -> tuple[Value, ...]:
    """Return what a row says, less what may differ between journals."""
    return tuple(value for name, value in sorted(row.items()) if name not in _LOOSE)


def _has_tag(held: Iterable[Row], row: Row) -> bool:
    return any(other["vessel"] == row["vessel"] for other in held)


def _in_words(table: str, row: Row, key: Sequence[str]) -> str:
    name = {"photos": "photo", "photo_copies": "copy"}.get(table, table.removesuffix("s"))
    shown = row.get("file_name") or ", ".join(str(row[k]) for k in key)
    return f"{name} {shown}"


def _insert(db: sqlite3.Connection, table: str, row: Row, vessels: Mapping[str, int]) -> None:
    values = dict(row)
    if "vessel" in values:
        vessel = values.pop("vessel")
        if vessel is not None and vessel not in vessels:
            raise DensitycamError(
                f"The export's {table} name the vessel {vessel!r}, which it does not hold. Nothing "
                "was imported.",
                "Export the journal again.",
            )
        values["vessel_id"] = None if vessel is None else vessels[str(vessel)]
    names = ", ".join(values)
    places = ", ".join(f":{name}" for name in values)
    db.execute(f"INSERT INTO {table} ({names}) VALUES ({places})", values)


def _renumber(db: sqlite3.Connection, table: str, column: str) -> None:
    """Give the rows of a table new numbers in order of time: the newest counts, by its number."""
    db.execute("PRAGMA defer_foreign_keys = ON")  # until the end of the transaction
    order = [row[0] for row in db.execute(f"SELECT id FROM {table} ORDER BY {column}, id")]
    new = dict(zip(order, sorted(order), strict=True))
    shapes = (
        db.execute("SELECT id, shape_of FROM calibrations WHERE shape_of IS NOT NULL").fetchall()
        if table == "calibrations"
        else []
    )
    # By way of numbers that are free: no two rows may share one meanwhile.
    db.executemany(f"UPDATE {table} SET id = -? WHERE id = ?", [(n, o) for o, n in new.items()])
    db.execute(f"UPDATE {table} SET id = -id")
    for number, shape in shapes:
        db.execute("UPDATE calibrations SET shape_of = ? WHERE id = ?", (new[shape], new[number]))
