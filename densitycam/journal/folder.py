"""A folder of photos: whose they are, which need reading, and what became of each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from densitycam.errors import DensitycamError
from densitycam.journal.prints import BARE_CARD_FOLDER
from densitycam.journal.scoring import PHOTO_SUFFIXES, content_hash, known_or_read
from densitycam.journal.store import Journal, PhotoRecord
from densitycam.vessel.record import VesselRecord


@dataclass(frozen=True)
class FolderPhoto:
    """One photo file and the vessel it belongs to.

    Parameters
    ----------
    path : Path
        The file.
    shown : str
        Its place as seen from the folder, with forward slashes.
    vessel : VesselRecord
        Whose culture it shows.
    """

    path: Path
    shown: str
    vessel: VesselRecord


@dataclass(frozen=True)
class FolderPlan:
    """What is to be scored in a folder, and what is not, with why.

    Parameters
    ----------
    photos : tuple of FolderPhoto
        By vessel and name.
    skipped : tuple of (str, str)
        Photos that belong to no known vessel, as seen from the folder, and why.
    bare_cards : tuple of Path
        Photos in the subfolder `BARE_CARD_FOLDER`, from which the print is registered.
    """

    photos: tuple[FolderPhoto, ...]
    skipped: tuple[tuple[str, str], ...]
    bare_cards: tuple[Path, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """What became of one photo.

    Parameters
    ----------
    photo : FolderPhoto
        Which.
    record : PhotoRecord or None
        As kept in the journal, measured or refused; None when it could not even be read or the
        same picture stands in the folder twice.
    fresh : bool
        True when it was read now, False when the journal knew it.
    problem : str
        Why there is no reading; "" when there is one.
    duplicate_of : str
        The other file of the same bytes; "" mostly.
    """

    photo: FolderPhoto
    record: PhotoRecord | None
    fresh: bool
    problem: str = ""
    duplicate_of: str = ""

    @property
    def failed(self) -> bool:
        """Whether the photo gave no reading."""
        return bool(self.problem)


def plan_folder(folder: Path, journal: Journal, vessel: str | None = None) -> FolderPlan:
    """Find a folder's photos and the vessel of each.

    Parameters
    ----------
    folder : Path
        A photo directly in a subfolder, or deeper, belongs to the vessel named as the subfolder;
        one in the folder itself to the vessel named as the folder. The subfolder `bare-card`
        holds photos of the bare card instead.
    journal : Journal
        Which vessels there are.
    vessel : str or None
        Whose all photos are, whatever the subfolders are called.

    Returns
    -------
    FolderPlan
        Nothing is read yet.

    Raises
    ------
    DensitycamError
        When there is no such folder, no photo in it, an unknown `vessel`, or no photo of a known
        vessel.
    """
    if not folder.exists():
        raise DensitycamError(f"There is no folder {folder}.", "Check the name.")
    if not folder.is_dir():
        raise DensitycamError(
            f"{folder} is not a folder.", "Score one photo with densitycam snap PHOTO."
        )
    try:
        files = sorted(
            file
            for file in folder.rglob("*")
            if file.suffix.lower() in PHOTO_SUFFIXES
            and not any(part.startswith(".") for part in file.relative_to(folder).parts)
            and file.is_file()
        )
    except OSError as error:
        raise DensitycamError(
            f"{folder} cannot be read ({error.strerror}).", "Check its permissions."
        ) from error
    if not files:
        raise DensitycamError(
            f"There are no photos in {folder}.",
            f"Photos end in {', '.join(sorted(PHOTO_SUFFIXES))}.",
        )
    everyones = None if vessel is None else journal.vessel(vessel)
    photos: list[FolderPhoto] = []
    skipped: list[tuple[str, str]] = []
    bare_cards: list[Path] = []
    for file in files:
        place = file.relative_to(folder)
        if len(place.parts) > 1 and place.parts[0] == BARE_CARD_FOLDER:
            bare_cards.append(file)
            continue
        name = place.parts[0] if len(place.parts) > 1 else folder.resolve().name
        try:
            owner = everyones or journal.vessel(name)
        except DensitycamError as error:
            skipped.append((place.as_posix(), str(error)))
        else:
            photos.append(FolderPhoto(file, place.as_posix(), owner))
    if not photos and not skipped:
        raise DensitycamError(
            f"{folder} holds photos of the bare card only.",
            "Put each vessel's photos into a folder of its name, or register the print with "
            "densitycam card register PHOTO.",
        )
    if not photos:
        first, why = skipped[0]
        raise DensitycamError(
            f"None of the {len(skipped)} photos in {folder} belongs to a known vessel; of {first}: "
            f"{why}",
            "Name the vessel with --vessel, put its photos into a folder of its name, or add a "
            "vessels.csv.",
        )
    photos.sort(key=lambda p: (p.vessel.name, p.shown))
    return FolderPlan(tuple(photos), tuple(skipped), tuple(bare_cards))


def score_folder(journal: Journal, photos: Iterable[FolderPhoto]) -> Iterable[Outcome]:
    """Read each photo that is new or changed, keep it, and say what became of it, one by one.

    Parameters
    ----------
    journal : Journal
        Each photo is kept in a transaction of its own, so that an interrupted run loses no more
        than the photo it was at.
    photos : iterable of FolderPhoto
        What to score.

    Yields
    ------
    Outcome
        One a photo, in their order; no photo's failure stops the rest.
    """
    seen: dict[tuple[str, str], str] = {}
    prints = journal.prints_in_use()
    for photo in photos:
        try:
            sha256 = content_hash(photo.path)
            key = (photo.vessel.name, sha256)
            if key in seen:
                yield Outcome(photo, None, fresh=False, duplicate_of=seen[key])
                continue
            seen[key] = photo.shown
            record, fresh = known_or_read(
                journal, photo.vessel, photo.path, sha256=sha256, prints=prints
            )
        except DensitycamError as error:
            yield Outcome(photo, None, fresh=True, problem=str(error))
        except ImportError:
            raise  # a missing system library fails every photo alike: say so once
        except Exception as error:  # a fault of ours in one photo must not cost the others
            what = f"{type(error).__name__}: {error}"
            yield Outcome(
                photo, None, fresh=True, problem=f"An unexpected fault, please report it: {what}"
            )
        else:
            problem = record.message or "" if record.status == "refused" else ""
            yield Outcome(photo, record, fresh=fresh, problem=problem)


def judged(outcomes: Iterable[Outcome], strangers: Iterable[PhotoRecord]) -> list[Outcome]:
    """Return a vessel's outcomes, photos of another vessel among them as refused.

    Parameters
    ----------
    outcomes : iterable of Outcome
        Of one vessel.
    strangers : iterable of PhotoRecord
        Of its history.

    Returns
    -------
    list of Outcome
        In the order they came in.
    """
    refused = {record.id: record for record in strangers}
    return [
        o
        if o.record is None or o.record.id not in refused
        else replace(o, record=refused[o.record.id], problem=refused[o.record.id].message or "")
        for o in outcomes
    ]
