"""Where the journal lies when the user has not said: the platform's usual data folder."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path

#: Environment variable that names the journal's file.
ENVIRONMENT_VARIABLE = "DENSITYCAM_JOURNAL"

_FILE_NAME = "journal.sqlite"


def journal_path(
    option: str | Path | None = None,
    *,
    environ: Mapping[str, str] | None = None,
    platform: str = sys.platform,
) -> Path:
    """Return the file the journal is kept in.

    Parameters
    ----------
    option : str, Path or None
        What the user gave with ``--journal``; it wins.
    environ : mapping of str to str or None
        Environment; None takes the process's own.
    platform : str
        `sys.platform`.

    Returns
    -------
    Path
        The option, else ``DENSITYCAM_JOURNAL``, else ``densitycam/journal.sqlite`` in the data
        folder: ``$XDG_DATA_HOME`` or ``~/.local/share`` (XDG Base Directory Specification 0.8),
        ``~/Library/Application Support`` on macOS, ``%LOCALAPPDATA%`` on Windows.
    """
    env = os.environ if environ is None else environ
    if option is not None:
        return Path(option).expanduser()
    if env.get(ENVIRONMENT_VARIABLE):
        return Path(env[ENVIRONMENT_VARIABLE]).expanduser()
    home = Path(env.get("HOME") or Path.home())
    if platform == "win32":
        base = Path(env.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        # The specification says: a relative path in it is invalid and to be ignored.
        given = env.get("XDG_DATA_HOME", "")
        base = Path(given) if given and Path(given).is_absolute() else home / ".local" / "share"
    return base / "densitycam" / _FILE_NAME
