"""Uploaded originals: kept byte for byte under names of our own, and found again by their hash."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import IO

from densitycam.errors import DensitycamError
from densitycam.journal.scoring import PHOTO_SUFFIXES
from densitycam.journal.store import PhotoRecord
from densitycam.photo.decode import photo_suffix, time_in_name
from densitycam.web.guard import LARGEST_PHOTO

__all__ = ["Original", "drop_halves", "keep_original", "original_of", "photos_folder"]

#: So much of the hash stands in a name: 48 bits, and the whole hash is checked on use.
_HASH_CHARACTERS = 12
_OUR_NAME = re.compile(
    rf"(\d{{4}}-\d\d)-\d\d_\d{{6}}_([0-9a-f]{{{_HASH_CHARACTERS}}})\.(?:jpg|png|tif|webp|heic)",
    re.ASCII,
)
#: Read and written so much at a time, so that a photo never stands in memory whole [bytes].
_PIECE = 1 << 18
_DAY_S = 86_400.0


@dataclass(frozen=True)
class Original:
    """A photo as it came.

    Parameters
    ----------
    path : Path
        Where it is kept.
    sha256 : str
        Of its bytes, hexadecimal.
    taken_at : datetime
        Local, naive, to the second; as in its name.
    time_source : {"exif", "name", "arrival"}
        Whether the time is the photo's own, that of the name it came under, or that of its
        arrival, as it told none.
    """

    path: Path
    sha256: str
    taken_at: datetime
    time_source: str


def photos_folder(journal: Path) -> Path:
    """Return the folder of the originals that belong to a journal: photos beside it.

    Parameters
    ----------
    journal : Path
        The journal's file.
    """
    return journal.with_name("photos")


def keep_original(
    folder: Path,
    stream: IO[bytes],
    sent_name: str,
    now: datetime,
    taken_at: Callable[[Path], datetime | None],
) -> Original:
    """Keep a photo byte for byte; the same bytes twice are one file.

    Parameters
    ----------
    folder : Path
        Where to: in a folder a month, under its time and the begin of its hash, such as
        2026-03/2026-03-02_081500_0123456789ab.jpg. `densitycam batch` finds the same time there.
    stream : binary file
        What was sent, read to its end.
    sent_name : str
        The name it was sent under. It may lend the photo its date; no part of it reaches the disk.
    now : datetime
        When it arrived, local, naive: the time of a photo that tells none.
    taken_at : callable
        Returns a photo's own time, as `densitycam.web.reader.Reader.taken_at` does.

    Returns
    -------
    Original
        Written whole, and on the disk.

    Raises
    ------
    DensitycamError
        When it is empty, too large, no photo of a kind that is read, or cannot be written; then
        nothing is left of it.
    """
    half = folder / f".{secrets.token_hex(8)}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        digest, suffix = _write(half, stream)
        own = taken_at(half)
        named = None if own is not None else time_in_name(Path(sent_name).stem)
        when, source = (own, "exif") if own is not None else (named, "name")
        if when is None:
            when, source = now.replace(microsecond=0), "arrival"
        known = _find(folder, digest)
        if known is not None:
            return Original(known, digest, time_in_name(known.stem) or when, source)
        name = f"{when:%Y-%m-%d_%H%M%S}_{digest[:_HASH_CHARACTERS]}{suffix}"
        target = folder / f"{when:%Y-%m}" / name
        target.parent.mkdir(exist_ok=True)
        os.replace(half, target)
        _settle(target.parent)
        return Original(target, digest, when, source)
    except OSError as error:
        raise DensitycamError(
            f"The photo cannot be kept in {folder}: {error.strerror or error}.",
            "Make room on the computer's disk, or let densitycam write there; then send it again.",
        ) from error
    finally:
        with suppress(OSError):
            half.unlink()


def drop_halves(folder: Path) -> None:
    """Remove what a run that was killed left half-written a day ago or longer.

    Parameters
    ----------
    folder : Path
        That of `photos_folder`; it need not exist.
    """
    for half in folder.glob(".*.part"):
        with suppress(OSError):
            if time.time() - half.stat().st_mtime > _DAY_S:
                half.unlink()


def original_of(folder: Path, record: PhotoRecord) -> Path | None:
    """Return the original of a photo in the journal.

    Parameters
    ----------
    folder : Path
        Where originals are kept.
    record : PhotoRecord
        The photo. Its file's name is taken for a hint, and only where it is one of ours: another
        program may have scored the same photo under any name.

    Returns
    -------
    Path or None
        A file with exactly its bytes; None where there is none.
    """
    named = _OUR_NAME.fullmatch(record.file_name)
    if named is not None and record.sha256.startswith(named[2]):
        path = folder / named[1] / named[0]
        if _holds(path, record.sha256):
            return path
    return _find(folder, record.sha256)


def _find(folder: Path, sha256: str) -> Path | None:
    """Return the file with a hash, looked for in all months."""
    begin = sha256[:_HASH_CHARACTERS]
    if not re.fullmatch(r"[0-9a-f]+", begin):  # from an imported journal, say
        return None
    found = (p for p in folder.glob(f"*/*_{begin}.*") if _OUR_NAME.fullmatch(p.name))
    return next((path for path in sorted(found) if _holds(path, sha256)), None)


def _holds(path: Path, sha256: str) -> bool:
    try:
        facts = path.stat()
        return _hash(path, facts.st_size, facts.st_mtime_ns) == sha256
    except OSError:
        return False


@lru_cache(maxsize=4096)
def _hash(path: Path, _size: int, _changed_ns: int) -> str:
    """Return a file's hash; worked out again only where the file changed."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            digest.update(piece)
    return digest.hexdigest()


def _write(half: Path, stream: IO[bytes]) -> tuple[str, str]:
    """Write what comes to a new file; its hash, and the end of name of its kind."""
    digest, size, suffix = hashlib.sha256(), 0, None
    # O_EXCL: never follow a link that lies ready under the name.
    with os.fdopen(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666), "wb") as file:
        while piece := stream.read(_PIECE):
            if not size:
                suffix = photo_suffix(piece)
                if suffix not in PHOTO_SUFFIXES:
                    raise DensitycamError(
                        "What was sent is not a photo of a kind that is read.",
                        "Send a JPEG, PNG, TIFF, WebP or HEIC file, as the phone's camera makes.",
                    )
            size += len(piece)
            if size > LARGEST_PHOTO:
                raise DensitycamError(
                    f"The photo has more than {LARGEST_PHOTO / 1e6:g} MB.",
                    "Send one as the phone's camera makes it by itself, not a raw one.",
                )
            digest.update(piece)
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())
    if suffix is None:
        raise DensitycamError("The photo is empty.", "Take it again, or choose another.")
    return digest.hexdigest(), suffix


def _settle(folder: Path) -> None:
    """Have a folder's new name on the disk, where the platform lets folders be opened."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
