"""A copy of the whole journal, made while other programs read and write it; whole or not at all."""

from __future__ import annotations

import os
import secrets
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from densitycam.errors import DensitycamError
from densitycam.journal.schema import APPLICATION_ID, check_whole, open_to_read

#: How long a backup waits for a program that is writing [s].
_WAIT_S = 60.0


def back_up(journal: Path, target: Path) -> int:
    """Copy a journal to a file; the journal itself is only read, and not brought up to date.

    Parameters
    ----------
    journal : Path
        The journal's file.
    target : Path
        Where to. An earlier journal or backup there is replaced, no other file is.

    Returns
    -------
    int
        Size of the copy [byte].

    Raises
    ------
    DensitycamError
        When there is no journal, the target is the journal itself or another kind of file, or
        cannot be written; when the copy does not pass SQLite's own check.

    Notes
    -----
    SQLite's backup reads one state between two transactions, however many programs write. The
    copy is checked and flushed to the disk before it takes its name.
    """
    if not journal.is_file():
        raise DensitycamError(
            f"There is no journal {journal} yet.", "Name the journal's file with --journal."
        )
    if target.is_dir():
        raise DensitycamError(f"{target} is a folder.", "Name a file in it.")
    if not target.parent.is_dir():
        raise DensitycamError(
            f"Cannot write {target}: there is no folder {target.parent}.",
            "Make the folder, or name another place.",
        )
    if target.exists():
        if target.samefile(journal):
            raise DensitycamError(
                f"{target} is the journal itself.", "Name another file, best on another disk."
            )
        if not _is_journal(target):
            raise DensitycamError(
                f"{target} is a file of another kind and is left alone.", "Name another file."
            )
    half = target.with_name(f".{target.name}.{secrets.token_hex(6)}.part")
    try:
        with (
            closing(open_to_read(journal, wait_s=_WAIT_S)) as source,
            closing(sqlite3.connect(half)) as copy,
        ):
            if source.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                raise DensitycamError(
                    f"{journal} is not a journal.", "Name the journal's file with --journal."
                )
            check_whole(source, journal)
            # Reading first waits its turn among programs that write; then they wait for us.
            source.execute("BEGIN")
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()
            source.backup(copy)
            # The copy is one file, even where the source's was set to write-ahead logging.
            copy.execute("PRAGMA journal_mode = DELETE")
            found = [row[0] for row in copy.execute("PRAGMA integrity_check")]
        if found != ["ok"]:
            raise DensitycamError(
                f"The journal {journal} is damaged: {found[0]}. No backup was written.",
                "Keep the file as it is, and go back to an earlier backup.",
            )
        _flush(half)
        os.replace(half, target)
    except sqlite3.Error as error:
        if "malformed" in str(error):
            raise DensitycamError(
                f"The journal {journal} is damaged: {error}. No backup was written.",
                "Keep the file as it is, and go back to an earlier backup.",
            ) from error
        raise DensitycamError(
            f"The journal {journal} cannot be backed up to {target}: {error}.",
            "Check that the disk has room and that no program holds the journal, then repeat.",
        ) from error
    except OSError as error:
        raise DensitycamError(
            f"Cannot write {target}: {error.strerror or error}.",
            "Check that the folder may be written to and has room.",
        ) from error
    finally:
        with suppress(OSError):
            half.unlink()
    return target.stat().st_size


def _is_journal(path: Path) -> bool:
    """Whether a file is a journal of ours, of whatever version."""
    try:
        with closing(open_to_read(path)) as db:
            return bool(db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID)
    except sqlite3.Error:
        return False


def _flush(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())
