"""Write a file whole or not at all: a temporary neighbour first, then one rename."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from densitycam.errors import DensitycamError


def write_whole(path: str | Path, content: bytes, *, mode: int = 0o666) -> None:
    """Put `content` at `path`; a reader sees the old file or the new one, never half of one.

    Parameters
    ----------
    path : str or Path
        Where to; an existing file is replaced.
    content : bytes
        The whole file.
    mode : int, default 0o666
        Who may read and write it, before the user's umask; 0o600 for a secret.

    Raises
    ------
    DensitycamError
        When the folder is missing or may not be written to, or the disk is full.
    """
    target = Path(path)
    if target.is_dir():
        raise DensitycamError(f"{target} is a folder.", "Name a file in it.")
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(6)}.part")
    try:
        # O_EXCL: never follow a link that lies ready under the temporary name.
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, target)
    except OSError as error:
        raise DensitycamError(
            f"Cannot write {target}: {error.strerror or error}.",
            "Check that the folder exists, may be written to and has room.",
        ) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()
