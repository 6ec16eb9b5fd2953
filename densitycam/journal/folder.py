"""A folder of photos: whose they are, which need reading, and what became of each."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass, replace
from pathlib import Path

from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.journal.prints import BARE_CARD_FOLDER
from densitycam.journal.scoring import (
    PHOTO_SUFFIXES,
    ReadingJob,
    content_hash,
    known_or_job,
    read_job,
    unexpected,
)
from densitycam.journal.sorting import tags_in, vessel_of
from densitycam.journal.store import Journal, PhotoRecord
from densitycam.vessel.record import VesselRecord

#: So many photos to be read are handed out one after another: starting a second worker costs as
#: much as it saves. Measured by tests/benchmarks/speed.py.
FEW = 4
#: So many photos are handed out, or read before their turn, at most. Enough for a cluster, and
#: little memory: neither a job nor a reading holds a picture.
AHEAD = 256


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
        The other file that is the same photo: of the same bytes, or saved anew; "" mostly.
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


def plan_folder(
    folder: Path,
    journal: Journal,
    vessel: str | None = None,
    *,
    executor: Executor | None = None,
) -> FolderPlan:
    """Find a folder's photos and the vessel of each.

    Parameters
    ----------
    folder : Path
        A photo directly in a subfolder, or deeper, belongs to the vessel named as the subfolder;
        one in the folder itself to the vessel named as the folder. Where no vessel is named so,
        the photo's own name or its tag tells. The subfolder `bare-card` holds photos of the bare
        card instead.
    journal : Journal
        Which vessels there are.
    vessel : str or None
        Whose all photos are, whatever the subfolders are called.
    executor : Executor or None
        Looks for tags; None looks here.

    Returns
    -------
    FolderPlan
        Nothing is measured yet.

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
    places = {file: file.relative_to(folder) for file in files}

    def sort(file: Path, tags: Callable[[Path], tuple[int, ...]]) -> None:
        place = places[file]
        name = place.parts[0] if len(place.parts) > 1 else folder.resolve().name
        try:
            owner = everyones or _owner(journal, file, name, tags)
        except DensitycamError as error:
            skipped.append((place.as_posix(), str(error)))
        else:
            photos.append(FolderPhoto(file, place.as_posix(), owner))

    unsure: list[Path] = []

    def later(file: Path) -> tuple[int, ...]:
        raise _TagsNeededError

    for file in files:
        if len(places[file].parts) > 1 and places[file].parts[0] == BARE_CARD_FOLDER:
            bare_cards.append(file)
            continue
        try:
            sort(file, later)
        except _TagsNeededError:
            unsure.append(file)
    for file, found in zip(unsure, _tags_of(unsure, executor), strict=True):
        sort(file, lambda _, found=found: _said(found))  # type: ignore[misc]  # not inferred
    skipped.sort()
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
            "Name the vessel with --vessel, put its photos into a folder of its name, begin their "
            "names with it, or add a vessels.csv.",
        )
    photos.sort(key=lambda p: (p.vessel.name, p.shown))
    return FolderPlan(tuple(photos), tuple(skipped), tuple(bare_cards))


class _TagsNeededError(Exception):
    """A photo's tags would tell, and many photos are looked into together."""


def _tags_of(
    files: Sequence[Path], executor: Executor | None
) -> Iterator[tuple[int, ...] | DensitycamError]:
    """Yield the tags in each photo, or why it cannot be read."""
    if executor is None:
        yield from map(_look_for_tags, files)
        return
    waiting: deque[Future[tuple[int, ...] | DensitycamError]] = deque()
    for file in files:
        waiting.append(executor.submit(_look_for_tags, file))
        if len(waiting) == AHEAD:
            yield _tags_found(waiting.popleft())
    while waiting:
        yield _tags_found(waiting.popleft())


def _look_for_tags(file: Path) -> tuple[int, ...] | DensitycamError:
    """Return the tags in a photo, or why it cannot be read; in any process."""
    try:
        return tags_in(file)
    except DensitycamError as error:
        return error


def _tags_found(
    future: Future[tuple[int, ...] | DensitycamError],
) -> tuple[int, ...] | DensitycamError:
    try:
        return future.result()
    except DensitycamError as error:  # it took its worker with it
        return error


def _said(found: tuple[int, ...] | DensitycamError) -> tuple[int, ...]:
    if isinstance(found, DensitycamError):
        raise found
    return found


def _owner(
    journal: Journal, file: Path, folder: str, tags: Callable[[Path], tuple[int, ...]]
) -> VesselRecord:
    """Return the vessel of a photo: its folder's, else what its own name or tag tells."""
    try:
        return journal.vessel(folder)
    except DensitycamError as unknown:
        try:
            name = vessel_of(journal, file, tags=tags)
        except PhotoRefusedError:  # no picture: the folder's name is what there is to say
            name = None
        if name is None:
            raise unknown
        return journal.vessel(name)


def score_folder(
    journal: Journal, photos: Iterable[FolderPhoto], *, executor: Executor | None = None
) -> Iterator[Outcome]:
    """Read each photo that is new or changed, keep it, and say what became of it, one by one.

    Parameters
    ----------
    journal : Journal
        Each photo is kept as soon as it is read, in a transaction of its own, so that an
        interrupted run loses no more than the photos it was at. Only this process writes to it.
    photos : iterable of FolderPhoto
        What to score.
    executor : Executor or None
        Reads the photos, such as `densitycam.journal.workers.Workers`; one whose workers are on
        other machines must find the photos under the same paths there. None reads them here,
        where one that hangs or kills its reader takes the run along.

    Yields
    ------
    Outcome
        One a photo, in their order; no photo's failure stops the rest.

    Raises
    ------
    DensitycamError
        When the journal cannot be written.
    ImportError
        When a system library is missing.
    """
    held: list[tuple[int, ReadingJob]] = []  # until it is known that they are more than a few
    handed_out: dict[Future[PhotoRecord | str], int] = {}
    waiting: dict[int, FolderPhoto] = {}  # for their outcome
    ready: dict[int, Outcome] = {}  # for their turn
    turn = 0
    many = False
    shown: dict[tuple[str, str], str] = {}  # by vessel and photo, so that a copy is told

    def keep(place: int, found: PhotoRecord | str) -> None:
        ready[place] = _kept(journal, waiting.pop(place), found)

    def advance(most_ahead: int) -> Iterator[Outcome]:
        """Take in what has been read, and wait while more than so many photos are ahead."""
        nonlocal turn
        while True:
            for future in [f for f in handed_out if f.done()]:
                keep(handed_out.pop(future), _result(future))
            while turn in ready:
                yield _told_once(ready.pop(turn), shown)
                turn += 1
            if len(waiting) + len(ready) <= most_ahead:
                return
            if handed_out:
                wait(handed_out, return_when=FIRST_COMPLETED)
            if executor is not None:
                for place, job in held:  # a few among many that were known
                    keep(place, _result(_hand_out(executor, job)))
            held.clear()

    try:
        for place, (photo, found) in enumerate(_looked_up(journal, photos)):
            if isinstance(found, Outcome):
                ready[place] = found
            elif executor is None:
                waiting[place] = photo
                keep(place, read_job(found))
            else:
                waiting[place] = photo
                held.append((place, found))
                many = many or len(held) > FEW
                if many:
                    handed_out |= {_hand_out(executor, job): place for place, job in held}
                    held.clear()
            yield from advance(AHEAD)
        yield from advance(0)
    finally:
        for future in handed_out:
            future.cancel()


def _looked_up(
    journal: Journal, photos: Iterable[FolderPhoto]
) -> Iterator[tuple[FolderPhoto, Outcome | ReadingJob]]:
    """Tell the photos that are to be read from those of which the outcome is known."""
    seen: dict[tuple[str, str], str] = {}
    prints = journal.prints_in_use()
    for photo in photos:
        try:
            sha256 = content_hash(photo.path)
        except DensitycamError as error:
            yield photo, Outcome(photo, None, fresh=True, problem=str(error))
            continue
        key = (photo.vessel.name, sha256)
        if key in seen:
            yield photo, Outcome(photo, None, fresh=False, duplicate_of=seen[key])
            continue
        seen[key] = photo.shown
        found = known_or_job(journal, photo.vessel, photo.path, sha256=sha256, prints=prints)
        if isinstance(found, PhotoRecord):
            yield photo, _outcome(photo, found, fresh=False)
        else:
            yield photo, found


def _told_once(outcome: Outcome, shown: dict[tuple[str, str], str]) -> Outcome:
    """Return an outcome, without its record where another file is the same photo."""
    if outcome.record is None:
        return outcome
    key = (outcome.photo.vessel.name, outcome.record.sha256)
    first = shown.setdefault(key, outcome.photo.shown)
    if first == outcome.photo.shown:
        return outcome
    return Outcome(outcome.photo, None, fresh=outcome.fresh, duplicate_of=first)


def _hand_out(executor: Executor, job: ReadingJob) -> Future[PhotoRecord | str]:
    """Hand a job to an executor; one that takes no more fails the job."""
    try:
        return executor.submit(read_job, job)
    except RuntimeError as error:  # broken, or shut down meanwhile
        failed: Future[PhotoRecord | str] = Future()
        failed.set_exception(error)
        return failed


def _result(future: Future[PhotoRecord | str]) -> PhotoRecord | str:
    """Return what a worker made of a photo, or what became of the worker."""
    try:
        return future.result()
    except DensitycamError as error:
        return str(error)
    except ImportError:
        raise  # a missing system library fails every photo alike: say so once
    except Exception as error:  # as executors raise them for a worker that is gone
        return (
            f"The worker that read it was lost ({type(error).__name__}: {error}). Repeat the "
            "command: what has been read is kept."
        )


def _kept(journal: Journal, photo: FolderPhoto, found: PhotoRecord | str) -> Outcome:
    """Keep what was read of a photo."""
    if not isinstance(found, str):
        try:
            found, _ = journal.add_photo(found)
        except DensitycamError:
            raise  # the journal cannot be written, which is no fault of the photo
        except Exception as error:  # a fault of ours in one photo must not cost the others
            found = unexpected(error)
    return _outcome(photo, found, fresh=True)


def _outcome(photo: FolderPhoto, found: PhotoRecord | str, *, fresh: bool) -> Outcome:
    """Return the outcome of a photo with a record, or of one with none and why."""
    if isinstance(found, str):
        return Outcome(photo, None, fresh=fresh, problem=found)
    problem = found.message or "" if found.status == "refused" else ""
    return Outcome(photo, found, fresh=fresh, problem=problem)


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
