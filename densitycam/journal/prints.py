"""Registering a print: photos of the bare card become the profile that later readings use."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from densitycam.card.profile import PrintProfile, mean_profile
from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.journal.scoring import changed, content_hash, measuring_version
from densitycam.journal.store import Journal, PrintRecord

#: A subfolder of this name holds photos of the bare card.
BARE_CARD_FOLDER = "bare-card"

#: Simulated photos of one print by one phone, in daylight and in shade, differ in pairs by 0.03
#: in the middle, by less than 0.05 in 95 of 100 and by 0.07 at most [natural log]; by two phones,
#: 0.02 to 0.29; of two prints, 0.06 to 0.44. Below the first number photos agree; beyond the second
#: they are not averaged: two prints, or phones so unlike that the mean serves neither.
GOOD_DISAGREEMENT, LARGEST_DISAGREEMENT = 0.05, 0.15

#: A photo is named as the odd one out when it is this many times as far from the mean of the
#: others as the photo in the middle is (an assumption).
_ODD_TIMES = 1.5


@dataclass(frozen=True)
class Registration:
    """A registered print and what became of its photos.

    Parameters
    ----------
    record : PrintRecord
        As kept.
    fresh : bool
        False where the journal knew it already.
    strays : tuple of (str, float)
        Photos far from the mean of the others, by name, and how far [natural log].
    """

    record: PrintRecord
    fresh: bool
    strays: tuple[tuple[str, float], ...] = ()


def register(
    journal: Journal,
    photos: Sequence[Path],
    *,
    registered_at: datetime,
    measured: Callable[[Path], PrintProfile] | None = None,
) -> Registration:
    """Measure a print from photos of the bare card and keep it for all later readings.

    Parameters
    ----------
    journal : Journal
        Where it is kept.
    photos : sequence of Path
        One or more of one print; the same picture twice counts once.
    registered_at : datetime
        Local, naive.
    measured : callable, optional
        Measures one photo in place of `measure_print`: in another process, say.

    Returns
    -------
    Registration
        The profile, and which photo strays from the others.

    Raises
    ------
    DensitycamError
        When a photo cannot be measured, has something standing before the card, or shows
        another format; nothing is then kept.
    """
    files = {content_hash(path): path for path in reversed(photos)}
    measured = measured or measure_print
    profiles = {sha256: _measured_whole(measured, path, sha256) for sha256, path in files.items()}
    return _keep(journal, files, profiles, _after_all(journal, registered_at))


def register_folder(
    journal: Journal,
    photos: Sequence[Path],
    *,
    registered_at: datetime,
    measured: Callable[[Path], PrintProfile] | None = None,
) -> tuple[Registration | None, tuple[tuple[Path, str], ...]]:
    """Register a folder's photos of the bare card, if they are not registered already.

    Parameters
    ----------
    journal : Journal
        Where the print is kept.
    photos : sequence of Path
        Of one print; may be empty.
    registered_at : datetime
        Local, naive.
    measured : callable, optional
        As in `register`.

    Returns
    -------
    registration : Registration or None
        None where no photo could be measured.
    failed : tuple of (Path, str)
        Photos that could not be measured, and why; they do not stop the rest.

    Raises
    ------
    DensitycamError
        When a kept print cannot be read.
    """
    measured = measured or measure_print
    files: dict[str, Path] = {}
    failed: list[tuple[Path, str]] = []
    for path in photos:
        try:
            files.setdefault(content_hash(path), path)
        except DensitycamError as error:
            failed.append((path, str(error)))
    # What was registered from these photos before, were it without those that failed then.
    known = next((p for p in journal.prints() if p.sources and set(p.sources) <= set(files)), None)
    registered_at = _after_all(journal, registered_at)
    if known is not None and known.software_version != measuring_version():
        # Measured anew by this version, it takes the place it had among the user's prints.
        registered_at = known.registered_at
        known = None
    settled = set(known.sources) if known is not None else set()
    profiles: dict[str, PrintProfile] = {}
    for sha256, path in files.items():
        if sha256 in settled:
            continue
        try:
            profiles[sha256] = _measured_whole(measured, path, sha256)
        except DensitycamError as error:
            failed.append((path, str(error)))
    if known is not None and not profiles:
        return Registration(known, fresh=False), tuple(failed)
    for sha256 in settled:  # a photo was added: all of them are averaged anew
        profiles[sha256] = measured(files[sha256])
    if not profiles:
        return None, tuple(failed)
    files = {sha256: path for sha256, path in files.items() if sha256 in profiles}
    try:
        return _keep(journal, files, profiles, registered_at), tuple(failed)
    except DensitycamError as error:
        return None, (*failed, (next(iter(files.values())), str(error)))


def _measured_whole(
    measured: Callable[[Path], PrintProfile], path: Path, sha256: str
) -> PrintProfile:
    """Measure a photo, and see that it still holds the bytes whose hash was taken before."""
    profile = measured(path)
    if content_hash(path) != sha256:
        raise changed(path)
    return profile


def _after_all(journal: Journal, at: datetime) -> datetime:
    """Return a moment, or one after the newest print's: by it the newest is known.

    A clock that was set back would else leave an earlier print in use.
    """
    newest = max((p.registered_at for p in journal.prints()), default=at)
    return at if newest <= at else newest + timedelta(seconds=1)


def _keep(
    journal: Journal,
    files: dict[str, Path],
    profiles: dict[str, PrintProfile],
    registered_at: datetime,
) -> Registration:
    profile = mean_profile([profiles[sha256] for sha256 in sorted(files)])
    found = [(files[sha256].name, far) for sha256, far in strays(profiles)]
    if profile.disagreement > LARGEST_DISAGREEMENT:
        odd = " and ".join(name for name, _ in found)
        raise DensitycamError(
            f"These photos of the bare card differ by {profile.disagreement * 100:.0f} %, too much "
            "for one print and one phone; nothing was registered.",
            f"{f'Leave out {odd}, or take' if odd else 'Take'} them anew: all of the same print, "
            "in open shade or daylight, with the phone that takes your daily photos.",
        )
    record = PrintRecord(
        profile=profile,
        sources=tuple(sorted(files)),
        registered_at=registered_at,
        software_version=measuring_version(),
    )
    journal.put_print(record)
    return Registration(record, fresh=True, strays=tuple(found))


def measure_print(path: Path) -> PrintProfile:
    """Measure a print from one photo, and refuse one that has something before the card.

    Parameters
    ----------
    path : Path
        A photo of the card on its own.

    Returns
    -------
    PrintProfile
        Of that one photo.

    Raises
    ------
    DensitycamError
        When the photo cannot be measured, or shows something before the card; the file is named.
    """
    from densitycam.photo.print_registration import register_print

    try:
        profile = register_print(path)
        bare = _is_bare(path, profile)
    except PhotoRefusedError as refusal:
        where = "" if path.name in refusal.problem else f"{path.name}: "
        raise DensitycamError(f"{where}{refusal.problem}", refusal.advice) from refusal
    if not bare:
        raise DensitycamError(
            f"{path.name}: something stands before the card.",
            "Take everything away and photograph the card on its own.",
        )
    return profile


def _is_bare(path: Path, profile: PrintProfile) -> bool:
    """Whether the bars are undisturbed, seen with the profile of this very photo."""
    from densitycam.photo.card_finder import find_card
    from densitycam.photo.card_view import square_up
    from densitycam.photo.decode import decode_photo
    from densitycam.vessel.outline import find_sides

    photo = decode_photo(path)
    view = square_up(photo, find_card(photo.rgb, focal_35mm=photo.focal_35mm), profile=profile)
    try:
        # Only where a cylinder's hidden edge lies depends on its width, not whether there is one.
        find_sides(view, path_mm=60.0, shape="flat")
    except PhotoRefusedError as refusal:
        return refusal.flag == "no-vessel"
    return False


def strays(profiles: Mapping[str, PrintProfile]) -> tuple[tuple[str, float], ...]:
    """Return which photos of a print lie far from the mean of the others, and how far.

    Parameters
    ----------
    profiles : mapping of str to PrintProfile
        Of single photos of one print, by any name.

    Returns
    -------
    tuple of (str, float)
        Name and root mean square difference [natural log]; of two photos none can be told to be
        the odd one.

    Raises
    ------
    DensitycamError
        When the photos show different cards.
    """
    if len(profiles) < 3:
        return ()
    far = {}
    for name, profile in profiles.items():
        others = mean_profile([p for n, p in profiles.items() if n != name]).reflectance
        squares = [
            math.log(values[c] / others[patch][c]) ** 2
            for patch, values in profile.reflectance.items()
            for c in range(3)
        ]
        far[name] = math.sqrt(sum(squares) / len(squares))
    usual = sorted(far.values())[(len(far) - 1) // 2]
    limit = max(GOOD_DISAGREEMENT, _ODD_TIMES * usual)
    return tuple((name, d) for name, d in far.items() if d > limit)
