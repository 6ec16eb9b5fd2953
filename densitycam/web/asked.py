"""What a request asks for: the journal it works on, its moment, and the numbers in its form."""

from __future__ import annotations

import math
from datetime import datetime

from flask import abort, current_app, g, request
from werkzeug.datastructures import FileStorage

from densitycam.culture.settings import Settings
from densitycam.errors import DensitycamError
from densitycam.journal.settings_file import load_settings, settings_path
from densitycam.journal.store import Journal
from densitycam.vessel.record import VesselRecord
from densitycam.web.originals import Original, keep_original
from densitycam.web.place import Place

#: Longest text taken from a form: a note, a source, a reason [characters].
_LONGEST = 500


def place() -> Place:
    """Return where the journal and the photos are, and who reads photos."""
    found: Place = current_app.config["PLACE"]
    return found


def journal() -> Journal:
    """Return the journal, opened for this request and closed at its end.

    Raises
    ------
    DensitycamError
        When it cannot be opened.
    """
    if "journal" not in g:
        g.journal = Journal(place().journal_path)
    kept: Journal = g.journal
    return kept


def close_journal(_error: BaseException | None = None) -> None:
    """Close the request's journal, where one was opened.

    Parameters
    ----------
    _error : BaseException or None
        What ended the request, as Flask hands it over; not looked at.
    """
    opened = g.pop("journal", None)
    if opened is not None:
        opened.close()


def settings() -> Settings:
    """Return the keeper's thresholds.

    Raises
    ------
    DensitycamError
        For a line of the settings file that cannot be used.
    """
    return load_settings(settings_path(place().journal_path), journal())


def keep_upload(upload: FileStorage) -> Original:
    """Keep a photo that was sent, byte for byte.

    Parameters
    ----------
    upload : FileStorage
        As the form sent it.

    Returns
    -------
    Original
        Where it lies now, and when it was taken.

    Raises
    ------
    DensitycamError
        When it is no photo, or cannot be kept.
    """
    return keep_original(
        place().photos_folder,
        upload.stream,
        upload.filename or "",
        now(),
        place().reader.taken_at,
    )


def now() -> datetime:
    """Return the computer's local time to the second."""
    return datetime.now().replace(microsecond=0)


def asked_vessel() -> VesselRecord:
    """Return the vessel that the address or form names; a page says if there is none.

    Raises
    ------
    werkzeug.exceptions.NotFound
        For a name that no vessel has (404).
    DensitycamError
        When the journal cannot be opened.
    """
    name = request.values.get("vessel", "")
    if name not in {v.name for v in journal().vessels()}:
        abort(404, f"There is no vessel called {name[:60]!r}.")
    return journal().vessel(name)


def asked_number(name: str = "number") -> int:
    """Return a whole number of the address, such as a photo's.

    Parameters
    ----------
    name : str, default "number"
        The field of the address or form.

    Raises
    ------
    werkzeug.exceptions.NotFound
        For what is no whole number (404).
    """
    text = request.values.get(name, "")
    # Longer than any number of ours, and SQLite refuses what goes beyond 64 bits.
    if not (text.isascii() and text.isdecimal() and len(text) <= 15):
        abort(404, "There is no such page.")
    return int(text)


def words(name: str) -> str:
    """Return a text of the form, without blanks around it.

    Parameters
    ----------
    name : str
        The form's field.

    Raises
    ------
    DensitycamError
        Where it is too long.
    """
    text = request.form.get(name, "").strip()
    if len(text) > _LONGEST:
        raise DensitycamError(
            f"The text has {len(text)} characters, {_LONGEST} are kept at most.", "Make it shorter."
        )
    return text


def quantity(
    name: str, what: str, *, above: float = 0.0, most: float = 1e9, needed: bool = True
) -> float | None:
    """Return a number of the form.

    Parameters
    ----------
    name : str
        Its field.
    what : str
        What it is called on the page, with its unit.
    above, most : float
        It lies above the one and at most at the other.
    needed : bool
        Whether an empty field is refused; None is returned otherwise.

    Returns
    -------
    float or None
        In the unit that `what` names.

    Raises
    ------
    DensitycamError
        For an empty field that is needed, for what is no number, and for one out of range.
    """
    text = request.form.get(name, "").strip().replace(",", ".").replace(" ", "")
    if not text:
        if needed:
            raise DensitycamError(f"{what}: a number is needed.", "Fill it in.")
        return None
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not above < number <= most:  # False for nan
        limits = f"above {above:g}" + ("" if most >= 1e9 else f" and at most {most:g}")
        raise DensitycamError(
            f"{what} must be a number {limits}, not {text[:20]!r}.", "Correct it."
        )
    return number


def needed_quantity(name: str, what: str, *, above: float = 0.0, most: float = 1e9) -> float:
    """Return a number of the form that must be there.

    Parameters
    ----------
    name, what, above, most
        As in `quantity`.

    Returns
    -------
    float
        In the unit that `what` names.

    Raises
    ------
    DensitycamError
        As in `quantity`.
    """
    number = quantity(name, what, above=above, most=most)
    if number is None:
        raise TypeError("a needed number is never None")
    return number


def asked_time(name: str = "when") -> datetime:
    """Return the local time that a form gives, now when it gives none.

    Parameters
    ----------
    name : str, default "when"
        The form's field.

    Raises
    ------
    DensitycamError
        For a time that cannot be.
    """
    from densitycam.photo.decode import possible_time

    text = request.form.get(name, "").strip()
    if not text:
        return now()
    try:
        when = datetime.fromisoformat(text).replace(microsecond=0, tzinfo=None)
    except ValueError:
        raise DensitycamError(
            f"{text[:30]!r} is not a time.", "Write it like 2026-05-09T07:41."
        ) from None
    if not possible_time(when):
        raise DensitycamError(
            f"{when:%Y-%m-%d %H:%M} cannot be: today is {now():%Y-%m-%d} by this computer's clock.",
            "Correct the time, or the clock.",
        )
    return when
