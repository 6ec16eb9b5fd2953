"""The page's secret and signing key: made once, kept beside the journal for its owner alone."""

from __future__ import annotations

import json
import re
import secrets
from dataclasses import asdict, dataclass, field
from pathlib import Path

from densitycam.atomic_file import write_whole
from densitycam.errors import DensitycamError

__all__ = ["Keys", "keys_path", "page_keys"]

#: Random bytes of either: 128 bits cannot be tried out, and the address still fits a small QR
#: code. Twice as many for the key, which nobody types.
_SECRET_BYTES, _KEY_BYTES = 16, 32
_LONG_ENOUGH = re.compile(r"[\w-]{22,}", re.ASCII)


@dataclass(frozen=True)
class Keys:
    """What lets a phone in, and what signs its cookie.

    Parameters
    ----------
    secret : str
        Stands in the address; 22 letters, digits, hyphens and underscores.
    signing_key : str
        Signs the cookies.
    """

    secret: str = field(repr=False)
    signing_key: str = field(repr=False)


def keys_path(journal: Path) -> Path:
    """Return the file of keys that belongs to a journal: journal.page-keys.json beside it.

    Parameters
    ----------
    journal : Path
        The journal's file.
    """
    return journal.with_name(f"{journal.stem}.page-keys.json")


def page_keys(path: Path, *, new: bool = False) -> Keys:
    """Read the keys, or make them.

    Parameters
    ----------
    path : Path
        Their file; readable for its owner alone (on Windows: as the folder's files are).
    new : bool, default False
        Whether to replace both, which shuts out every phone that was let in before.

    Returns
    -------
    Keys
        As they stand in the file.

    Raises
    ------
    DensitycamError
        When the file cannot be read or written, or is not one of ours.
    """
    if not new:
        try:
            said = json.loads(path.read_text(encoding="utf-8"))
            keys = Keys(secret=str(said["secret"]), signing_key=str(said["signing_key"]))
        except FileNotFoundError:
            pass
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise _unusable(path, error) from error
        else:
            # A short one, written by hand, could be guessed.
            if not all(_LONG_ENOUGH.fullmatch(key) for key in (keys.secret, keys.signing_key)):
                raise _unusable(path, ValueError("they are too short"))
            return keys
    keys = Keys(secrets.token_urlsafe(_SECRET_BYTES), secrets.token_urlsafe(_KEY_BYTES))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DensitycamError(
            f"Cannot make the folder {path.parent}: {error.strerror}.", "Name another journal."
        ) from error
    write_whole(path, json.dumps(asdict(keys), indent=2).encode() + b"\n", mode=0o600)
    return keys


def _unusable(path: Path, error: Exception) -> DensitycamError:
    return DensitycamError(
        f"The page's keys in {path} cannot be used: {error}.",
        "Start with --new-secret to make new ones; every phone then scans the code again.",
    )
