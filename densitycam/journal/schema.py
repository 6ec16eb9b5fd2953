"""The journal's tables, their versions, and opening a file that may be older, newer or foreign."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from densitycam.errors import DensitycamError

#: Marks the file as ours (SQLite's application_id), so that no other program's file is touched.
APPLICATION_ID = 0x44434A31

_VERSION_1 = """
CREATE TABLE vessels (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    species TEXT NOT NULL,
    working_volume_ml REAL NOT NULL CHECK (working_volume_ml > 0),
    path_mm REAL NOT NULL CHECK (path_mm > 0),
    shape TEXT NOT NULL
);
CREATE TABLE photos (
    id INTEGER PRIMARY KEY,
    vessel_id INTEGER NOT NULL REFERENCES vessels (id),
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    file_name TEXT NOT NULL,
    taken_at TEXT,
    time_source TEXT CHECK (time_source IN ('exif', 'name', 'file')),
    path_mm REAL NOT NULL CHECK (path_mm > 0),
    shape TEXT NOT NULL,
    dilution REAL NOT NULL CHECK (dilution >= 1),
    own_optics INTEGER NOT NULL CHECK (own_optics IN (0, 1)),
    status TEXT NOT NULL CHECK (status IN ('measured', 'refused')),
    flag TEXT,
    message TEXT,
    reading TEXT,
    estimate TEXT,
    software_version TEXT NOT NULL,
    UNIQUE (vessel_id, sha256),
    CHECK ((status = 'measured') = (reading IS NOT NULL)),
    CHECK ((status = 'measured') = (taken_at IS NOT NULL AND time_source IS NOT NULL)
           OR status = 'refused'),
    CHECK ((status = 'refused') = (message IS NOT NULL))
);
CREATE TABLE slides (
    id INTEGER PRIMARY KEY,
    vessel_id INTEGER NOT NULL REFERENCES vessels (id),
    photo_sha256 TEXT CHECK (length(photo_sha256) = 64),
    counted_at TEXT NOT NULL,
    chamber TEXT NOT NULL,
    unit TEXT NOT NULL,
    cells INTEGER NOT NULL CHECK (cells >= 0),
    squares REAL NOT NULL CHECK (squares > 0),
    dilution REAL NOT NULL CHECK (dilution >= 1),
    fixative_fraction REAL NOT NULL CHECK (fixative_fraction >= 0),
    cells_per_ml REAL NOT NULL CHECK (cells_per_ml >= 0),
    low REAL NOT NULL,
    high REAL NOT NULL,
    relative_sd REAL
);
CREATE TABLE splits (
    id INTEGER PRIMARY KEY,
    vessel_id INTEGER NOT NULL REFERENCES vessels (id),
    done_at TEXT NOT NULL,
    kept_ml REAL NOT NULL CHECK (kept_ml > 0),
    total_ml REAL NOT NULL CHECK (total_ml > kept_ml),
    UNIQUE (vessel_id, done_at)
);
CREATE TABLE calibrations (
    id INTEGER PRIMARY KEY,
    calibration_id TEXT NOT NULL,
    species TEXT NOT NULL,
    vessel_id INTEGER REFERENCES vessels (id),
    slides INTEGER NOT NULL,
    points TEXT NOT NULL,
    made_by TEXT NOT NULL CHECK (made_by IN ('calibrate', 'batch')),
    made_at TEXT NOT NULL,
    calibration TEXT NOT NULL
);
CREATE INDEX photos_by_time ON photos (vessel_id, taken_at);
CREATE INDEX slides_by_vessel ON slides (vessel_id, counted_at);
CREATE INDEX calibrations_by_species ON calibrations (species, vessel_id);
"""

_VERSION_2 = """
ALTER TABLE photos ADD COLUMN prints TEXT NOT NULL DEFAULT '';
ALTER TABLE photos ADD COLUMN utc_offset TEXT;
CREATE TABLE prints (
    id INTEGER PRIMARY KEY,
    sources TEXT NOT NULL UNIQUE,
    registered_at TEXT NOT NULL,
    profile TEXT NOT NULL,
    software_version TEXT NOT NULL
);
CREATE TABLE blanks (
    id INTEGER PRIMARY KEY,
    vessel_id INTEGER NOT NULL REFERENCES vessels (id),
    made_at TEXT NOT NULL,
    blank TEXT NOT NULL
);
CREATE INDEX blanks_by_vessel ON blanks (vessel_id, id);
"""

_VERSION_3 = """
ALTER TABLE slides ADD COLUMN tally TEXT;
ALTER TABLE calibrations ADD COLUMN since TEXT;
ALTER TABLE calibrations ADD COLUMN shape_of INTEGER REFERENCES calibrations (id);
"""

# `entry` counts what was logged in the order in which it was, whatever day it is dated: the last
# can be taken back. `capture` is a hash of when and with which camera a photo was taken, `pixels`
# one of the decoded picture: a copy of a photo is known by either; `tags` are
# the markers of vessel tags seen in it.
_VERSION_4 = """
ALTER TABLE vessels ADD COLUMN width_mm REAL CHECK (width_mm > 0);
ALTER TABLE photos ADD COLUMN capture TEXT;
ALTER TABLE photos ADD COLUMN pixels TEXT;
ALTER TABLE photos ADD COLUMN tags TEXT NOT NULL DEFAULT '';
ALTER TABLE splits ADD COLUMN entry INTEGER;
CREATE TABLE photo_copies (
    id INTEGER PRIMARY KEY,
    photo_id INTEGER NOT NULL REFERENCES photos (id),
    vessel_id INTEGER NOT NULL REFERENCES vessels (id),
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    file_name TEXT NOT NULL,
    UNIQUE (vessel_id, sha256)
);
CREATE TABLE log (
    id INTEGER PRIMARY KEY,
    vessel_id INTEGER NOT NULL REFERENCES vessels (id),
    kind TEXT NOT NULL
        CHECK (kind IN ('inoculation', 'end', 'top-up', 'loss', 'dose', 'note')),
    done_at TEXT NOT NULL,
    ml REAL CHECK (ml >= 0),
    part_b_ml REAL CHECK (part_b_ml >= 0),
    total_ml REAL CHECK (total_ml > 0),
    cells_per_ml REAL CHECK (cells_per_ml > 0),
    evaporated INTEGER CHECK (evaporated IN (0, 1)),
    text TEXT,
    entry INTEGER NOT NULL,
    CHECK ((kind IN ('top-up', 'loss', 'dose')) = (ml IS NOT NULL)),
    CHECK ((kind = 'dose') = (part_b_ml IS NOT NULL)),
    CHECK ((kind = 'loss') = (evaporated IS NOT NULL)),
    CHECK ((kind IN ('inoculation', 'end', 'note')) = (text IS NOT NULL))
);
CREATE TABLE bottles (
    id INTEGER PRIMARY KEY,
    vessel_id INTEGER REFERENCES vessels (id),
    species TEXT NOT NULL,
    filled_at TEXT NOT NULL,
    volume_ml REAL NOT NULL CHECK (volume_ml > 0),
    cells_per_ml REAL CHECK (cells_per_ml >= 0),
    low REAL,
    high REAL,
    suspect INTEGER NOT NULL CHECK (suspect IN (0, 1)),
    entry INTEGER NOT NULL
);
CREATE TABLE bottle_uses (
    id INTEGER PRIMARY KEY,
    bottle_id INTEGER NOT NULL REFERENCES bottles (id),
    done_at TEXT NOT NULL,
    ml REAL NOT NULL CHECK (ml > 0),
    kind TEXT NOT NULL CHECK (kind IN ('used', 'discarded')),
    entry INTEGER NOT NULL
);
CREATE TABLE tags (
    marker_id INTEGER PRIMARY KEY,
    vessel_id INTEGER NOT NULL UNIQUE REFERENCES vessels (id)
);
CREATE INDEX log_by_vessel ON log (vessel_id, kind, done_at);
CREATE INDEX bottle_uses_by_bottle ON bottle_uses (bottle_id);
CREATE INDEX photos_by_capture ON photos (vessel_id, capture);
CREATE INDEX photos_by_pixels ON photos (vessel_id, pixels);
"""

#: One script a version, in order; a file at version n still needs those from index n on.
MIGRATIONS: tuple[str, ...] = (_VERSION_1, _VERSION_2, _VERSION_3, _VERSION_4)

SCHEMA_VERSION = len(MIGRATIONS)

#: How long a second program waits for a first one that is writing [s].
_BUSY_TIMEOUT_S = 15.0


def open_database(path: Path) -> sqlite3.Connection:
    """Open or make a journal's file and bring its tables up to date.

    Before an older journal is changed, a copy of it is kept beside it, named after its version:
    journal.version-1.sqlite. The classic rollback journal is used, not write-ahead logging:
    between two transactions the journal is then one single file, which a keeper may copy, sync or
    carry on a stick.

    Parameters
    ----------
    path : Path
        The file; its folder is made when missing.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode, foreign keys on.

    Raises
    ------
    DensitycamError
        When the place cannot be written, another program holds the file, it is no SQLite file
        or another program's, or its schema is newer than this software.
    """
    if path.is_dir():
        raise DensitycamError(
            f"The journal {path} is a folder, not a file.",
            "Name a file in it, for example with --journal FOLDER/journal.sqlite.",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _cannot_write(path, error) from error
    try:
        connection = sqlite3.connect(path, timeout=_BUSY_TIMEOUT_S)
        return prepare(connection, name=str(path), file=path)
    except sqlite3.DatabaseError as error:
        raise trouble_of(error, str(path)) from error
    except OSError as error:
        raise _cannot_write(path, error) from error


def open_to_read(path: Path, *, wait_s: float | None = None) -> sqlite3.Connection:
    """Open a journal's file to read it as it is; it is neither made nor brought up to date.

    A run that was killed in the middle of a change leaves SQLite something to undo, which a
    connection that may only read cannot do: where the file may be written, this one may.

    Parameters
    ----------
    path : Path
        An existing file.
    wait_s : float or None
        How long a program that is writing is waited for [s]; None for as long as usual.

    Returns
    -------
    sqlite3.Connection
        To be closed by whoever asked.

    Raises
    ------
    sqlite3.DatabaseError
        As SQLite raises them.
    """
    uri = f"{path.resolve().as_uri()}?mode=rw"
    return sqlite3.connect(
        uri, uri=True, timeout=_BUSY_TIMEOUT_S if wait_s is None else wait_s, isolation_level=None
    )


def prepare(
    connection: sqlite3.Connection, *, name: str, file: Path | None = None
) -> sqlite3.Connection:
    """Check an open database and run the migrations it still needs; close it when it is refused.

    Parameters
    ----------
    connection : sqlite3.Connection
        Open database.
    name : str
        What an error calls it.
    file : Path or None
        The file it is, of which a copy is kept before it is migrated; None for one in memory.

    Returns
    -------
    sqlite3.Connection
        The same, of the newest schema.

    Raises
    ------
    DensitycamError
        When it is another program's or newer than this software.
    sqlite3.DatabaseError
        As SQLite raises them.
    """
    try:
        _prepare(connection, name, file)
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection, name: str, file: Path | None) -> None:
    connection.isolation_level = None  # transactions are opened by hand, one a change
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    _check_ours(connection, name)
    if file is not None:
        check_whole(connection, file)
    version = _version(connection)
    if version == SCHEMA_VERSION:
        return
    # The version is read again under the lock: two programs may open a new journal at once.
    connection.execute("BEGIN IMMEDIATE")
    try:
        found = _version(connection)
        if file is not None and 0 < found < SCHEMA_VERSION:
            _keep_copy(file, found)
        for number in range(found, SCHEMA_VERSION):
            for statement in MIGRATIONS[number].split(";"):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk makes SQLite roll back by itself
            connection.execute("ROLLBACK")
        raise


def _keep_copy(path: Path, version: int) -> None:
    """Copy a journal's file beside it, whole or not at all; no earlier copy is overwritten."""
    copy = path.with_name(f"{path.stem}.version-{version}{path.suffix}")
    again = 2
    while copy.exists():
        copy = path.with_name(f"{path.stem}.version-{version}-{again}{path.suffix}")
        again += 1
    half = copy.with_name(f"{copy.name}.part")
    half.unlink(missing_ok=True)
    # A connection of its own reads the last committed state while ours holds the lock.
    uri = f"{path.resolve().as_uri()}?mode=ro"
    try:
        with (
            closing(sqlite3.connect(uri, uri=True)) as source,
            closing(sqlite3.connect(half)) as out,
        ):
            source.backup(out)
        os.replace(half, copy)
    finally:
        half.unlink(missing_ok=True)


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def check_whole(connection: sqlite3.Connection, path: Path) -> None:
    """See that a file does not end within a page, as one that was copied in part may.

    SQLite takes such a page's missing bytes for zeros, and its own check may find nothing wrong.

    Parameters
    ----------
    connection : sqlite3.Connection
        Has the file open, and has read from it, so that nothing of a killed run is left to undo.
    path : Path
        The file.

    Raises
    ------
    sqlite3.DatabaseError
        Where it does.
    """
    (page,) = connection.execute("PRAGMA page_size").fetchone()
    if path.stat().st_size % page == 0:
        return
    connection.execute("BEGIN IMMEDIATE")  # while another program makes it longer, it may
    try:
        cut = path.stat().st_size % page
    finally:
        connection.execute("ROLLBACK")
    if cut:
        raise sqlite3.DatabaseError("malformed: the file ends in the middle of a page")


def _check_ours(connection: sqlite3.Connection, name: str) -> None:
    # One statement, so that another program making the journal meanwhile is seen all or not.
    application, tables = connection.execute(
        "SELECT application_id, (SELECT count(*) FROM sqlite_master) FROM pragma_application_id"
    ).fetchone()
    if application != APPLICATION_ID and tables:
        raise DensitycamError(
            f"{name} is an SQLite file of another program, not a journal.",
            "Name another file with --journal.",
        )
    version = _version(connection)
    if version > SCHEMA_VERSION:
        from densitycam import __version__

        raise DensitycamError(
            f"The journal {name} was written by a newer densitycam: it has schema version "
            f"{version}, and this one, {__version__}, knows versions up to {SCHEMA_VERSION}.",
            "Upgrade densitycam, or name another journal with --journal.",
        )


#: What is wrong with a journal that cannot be opened, and what to do.
_CANNOT_OPEN = (
    "cannot be opened or written",
    "Name a file in a folder you may write to with --journal, or use --no-journal.",
)

#: What SQLite says of a file, by a part of its words, as what is wrong and what to do.
_TROUBLES = (
    (
        "locked",
        "is held by another program, which was waited for",
        "Let that program end, then repeat.",
    ),
    ("disk is full", "has no room left on its disk", "Make room there, then repeat."),
    (
        "readonly",
        "may only be read",
        "Get the right to write to it and to its folder, or copy it to a folder of yours and name "
        "the copy with --journal.",
    ),
    (
        "disk I/O",
        "cannot be read or written: its disk is full, gone or faulty",
        "Check the disk and its room, then repeat.",
    ),
    (
        "malformed",
        "is damaged",
        "Keep the file as it is, and put a backup in its place.",
    ),
    (
        "not a database",
        "is not a journal",
        "Name another file with --journal, or put a backup of the journal in its place.",
    ),
    (
        "unable to open",
        *_CANNOT_OPEN,
    ),
)


def trouble_of(error: sqlite3.Error, name: str) -> DensitycamError:
    """Return in a keeper's words what SQLite cannot do with a journal.

    Parameters
    ----------
    error : sqlite3.Error
        As it was raised. Its number is not known to Python 3.10, its words have not changed.
    name : str
        What to call the journal.
    """
    for part, problem, advice in _TROUBLES:
        if part in str(error):
            return DensitycamError(f"The journal {name} {problem} ({error}).", advice)
    return DensitycamError(
        f"The journal {name} cannot be used: {error}.", "Go back to a backup, or report this."
    )


def _cannot_write(path: Path, error: Exception) -> DensitycamError:
    problem, advice = _CANNOT_OPEN
    return DensitycamError(f"The journal {path} {problem}: {error}.", advice)
