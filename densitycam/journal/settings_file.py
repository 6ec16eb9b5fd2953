"""The keeper's settings file: a text beside the journal, so that the two are copied together."""

from __future__ import annotations

from pathlib import Path

from densitycam.atomic_file import write_whole
from densitycam.calibration.species import load_species, species_ids
from densitycam.culture.settings import Settings, read_settings, settings_text
from densitycam.errors import DensitycamError
from densitycam.journal.store import Journal

__all__ = [
    "back_up_settings",
    "kept_settings",
    "load_settings",
    "settings_path",
    "take_settings",
    "write_settings",
]


def settings_path(journal: Path) -> Path:
    """Return the file of settings that belongs to a journal: journal.settings.ini beside it.

    Parameters
    ----------
    journal : Path
        The journal's file.
    """
    return journal.with_name(f"{journal.stem}.settings.ini")


def load_settings(path: Path, journal: Journal) -> Settings:
    """Read the settings that belong to a journal.

    Parameters
    ----------
    path : Path
        The file; one that does not exist sets nothing.
    journal : Journal
        Knows which vessels there are.

    Returns
    -------
    Settings
        Checked.

    Raises
    ------
    DensitycamError
        When it cannot be read, or for the first line that cannot be used.
    """
    text = kept_settings(path)
    if text is None:
        return Settings(source=path.name)
    return read_settings(
        text.removeprefix("\ufeff"),  # as some editors begin a text
        path.name,
        species=species_ids(),
        vessels=[v.name for v in journal.vessels()],
    )


def kept_settings(path: Path) -> str | None:
    """Return a settings file's text to the last sign; None where there is no file.

    Parameters
    ----------
    path : Path
        The settings' file.

    Raises
    ------
    DensitycamError
        When it cannot be read as text.
    """
    try:
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise DensitycamError(
            f"The settings {path} cannot be read: {error}.",
            "Keep it as plain text (UTF-8), or move it away to go by the usual numbers.",
        ) from error


def take_settings(path: Path, text: str) -> str:
    """Write settings that came from another journal, unless this one has its own.

    Parameters
    ----------
    path : Path
        The journal's settings file.
    text : str
        To be written.

    Returns
    -------
    {"written", "known", "differs"}
        "known" where the file says the same to the letter; where it differs it stays.

    Raises
    ------
    DensitycamError
        When the file that is there cannot be read, or none can be written.
    """
    own = kept_settings(path)
    if own is None:
        write_whole(path, text.encode())
        return "written"
    return "known" if own == text else "differs"


def write_settings(path: Path, journal: Journal) -> None:
    """Write a settings file that sets nothing, with a section for each species of the journal.

    Parameters
    ----------
    path : Path
        The file, not yet there.
    journal : Journal
        Whose vessels name the species.

    Raises
    ------
    DensitycamError
        Where there is one already, or it cannot be written.
    """
    if path.exists():
        raise DensitycamError(f"There is a settings file already: {path}.", "Edit that one.")
    kept = sorted({v.species for v in journal.vessels()})
    write_whole(path, settings_text(load_species(name) for name in kept).encode())


def back_up_settings(journal: Path, backup: Path) -> Path | None:
    """Copy a journal's settings beside its backup, byte for byte.

    Parameters
    ----------
    journal, backup : Path
        The journal's file, and that of its copy.

    Returns
    -------
    Path or None
        The copy; None where there are no settings, and nothing is done.

    Raises
    ------
    DensitycamError
        When they cannot be read or written.
    """
    settings, copy = settings_path(journal), settings_path(backup)
    if not settings.exists():
        return None
    try:
        content = settings.read_bytes()
    except OSError as error:
        raise DensitycamError(
            f"The settings {settings} cannot be read: {error}.", "The journal itself is copied."
        ) from error
    write_whole(copy, content)
    return copy
