"""A photo file becomes a photo record: measured or refused, fresh or known from the journal."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from densitycam import __version__
from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.journal.store import Journal, PhotoRecord, PrintRecord
from densitycam.vessel.record import VesselRecord

if TYPE_CHECKING:
    from densitycam.vessel.read import PhotoReading

#: Ends of file names that are taken for photos, in lower case.
PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"})

#: Floors whose code decides what a reading says.
_MEASURING_FLOORS = ("card", "photo", "vessel")


@dataclass(frozen=True)
class Optics:
    """What a culture was photographed in.

    Parameters
    ----------
    path_mm : float
        Inner width along the line of sight [mm], > 0.
    shape : {"cylinder", "flat", "bag"}
        Form of the fluid.
    dilution : float
        Final over drawn volume, >= 1.
    own : bool
        True where these are given for one photo and are not the vessel's: a sample drawn into
        a narrow bottle, or diluted.
    width_mm : float or None
        Outer width as seen from the front, of the vessel itself, where it was measured [mm].
    """

    path_mm: float
    shape: str
    dilution: float = 1.0
    own: bool = False
    width_mm: float | None = None


def optics_for(
    vessel: VesselRecord,
    *,
    path_mm: float | None = None,
    shape: str | None = None,
    dilution: float | None = None,
) -> Optics:
    """Return a vessel's optics, or those of the sample bottle that was given instead.

    Parameters
    ----------
    vessel : VesselRecord
        The vessel.
    path_mm, shape, dilution
        Of the sample bottle, as in `Optics`; None for the vessel's own, of the dilution for 1.
    """
    return Optics(
        path_mm=vessel.path_mm if path_mm is None else path_mm,
        shape=vessel.shape if shape is None else shape,
        dilution=1.0 if dilution is None else dilution,
        own=not (path_mm is None and shape is None and dilution is None),
        width_mm=vessel.width_mm if path_mm is None and shape is None else None,
    )


@cache
def measuring_version() -> str:
    """Return the version of densitycam with a hash of the code that measures.

    A reading is kept as long as this stays the same. The version number alone would leave old
    readings standing while somebody works on the optics.
    """
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parents[1]
    for floor in _MEASURING_FLOORS:
        for file in sorted((package / floor).glob("*.py")):
            digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return f"{__version__}+{digest.hexdigest()[:12]}"


def content_hash(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, hexadecimal.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    DensitycamError
        When there is no such file, it is a folder, or it cannot be read.
    """
    if path.is_dir():
        raise DensitycamError(
            f"{path} is a folder.", "Name one photo, or score a folder with densitycam batch."
        )
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except FileNotFoundError:
        raise DensitycamError(f"There is no file {path}.", "Check the name.") from None
    except OSError as error:
        raise DensitycamError(
            f"{path} cannot be read ({error.strerror}).", "Check its permissions."
        ) from error


def print_set(prints: Sequence[PrintRecord]) -> str:
    """Return a word that changes when another print is registered; "" where none is.

    Parameters
    ----------
    prints : sequence of PrintRecord
        In any order.

    Returns
    -------
    str
        12 hexadecimal digits, or "".
    """
    if not prints:
        return ""
    from densitycam.card.profile import profile_to_json

    texts = sorted(profile_to_json(record.profile) for record in prints)
    return hashlib.sha256("".join(texts).encode()).hexdigest()[:12]


@dataclass(frozen=True)
class ReadingJob:
    """All that reading one photo needs, so that it can be done in another process.

    Parameters
    ----------
    path : Path
        The photo.
    vessel : VesselRecord
        The culture's vessel.
    optics : Optics
        What it stood in.
    sha256 : str
        Of the photo's bytes.
    prints : tuple of PrintRecord
        The journal's `prints_in_use`.
    """

    path: Path
    vessel: VesselRecord
    optics: Optics
    sha256: str
    prints: tuple[PrintRecord, ...]


def known_or_job(
    journal: Journal,
    vessel: VesselRecord,
    path: Path,
    *,
    sha256: str,
    prints: Sequence[PrintRecord],
) -> PhotoRecord | ReadingJob:
    """Return a photo's record, or what reading it takes where the journal has none that holds.

    Parameters
    ----------
    journal : Journal
        Where to look.
    vessel : VesselRecord
        The culture's vessel; its optics are taken unless the photo was snapped with its own.
    path : Path
        The photo.
    sha256 : str
        Of its bytes.
    prints : sequence of PrintRecord
        The journal's `prints_in_use`.

    Returns
    -------
    PhotoRecord or ReadingJob
        A job where the journal does not know the photo, or other code measured it, or with other
        optics or prints.
    """
    record = journal.find_photo(sha256, vessel.name)
    optics = optics_for(vessel)
    if record is not None:
        if record.own_optics:
            optics = Optics(record.path_mm, record.shape, record.dilution, own=True)
        if _still_holds(record, optics, prints):
            return record
    return ReadingJob(path, vessel, optics, sha256, tuple(prints))


def known_or_read(
    journal: Journal,
    vessel: VesselRecord,
    path: Path,
    *,
    sha256: str,
    prints: Sequence[PrintRecord],
) -> tuple[PhotoRecord, bool]:
    """Return a photo's record, read and kept first where the journal has none that still holds.

    Parameters
    ----------
    journal, vessel, path, sha256, prints
        As in `known_or_job`.

    Returns
    -------
    record : PhotoRecord
        As kept, measured or refused.
    fresh : bool
        True where it was read now.

    Raises
    ------
    DensitycamError
        When there is no such file or it cannot be read.
    """
    found = known_or_job(journal, vessel, path, sha256=sha256, prints=prints)
    if isinstance(found, PhotoRecord):
        return found, False
    measured, _ = measure(path, vessel, found.optics, sha256=sha256, prints=prints)
    return journal.add_photo(measured)[0], True


def read_job(job: ReadingJob) -> PhotoRecord | str:
    """Read one photo of many, in any process: its record, or why there is none.

    Parameters
    ----------
    job : ReadingJob
        The photo and all that reading it takes.

    Returns
    -------
    PhotoRecord or str
        The record, measured or refused, not yet kept; or the reason, a sentence for the user.

    Raises
    ------
    ImportError
        Where a system library is missing, which fails every photo alike.
    """
    try:
        record, _ = measure(job.path, job.vessel, job.optics, sha256=job.sha256, prints=job.prints)
    except DensitycamError as error:
        return str(error)
    except ImportError:
        raise
    except MemoryError:
        return "Reading it takes more memory than there is. Send the photo as a plain JPEG."
    except Exception as error:  # a fault of ours in one photo must not cost the others
        return unexpected(error)
    return record


def unexpected(error: Exception) -> str:
    """Return the sentence that says that a fault of ours was met.

    Parameters
    ----------
    error : Exception
        What nobody caught.
    """
    return f"An unexpected fault, please report it: {type(error).__name__}: {error}"


def _still_holds(record: PhotoRecord, optics: Optics, prints: Sequence[PrintRecord]) -> bool:
    """Whether reading the photo again, with these optics and prints, would say the same."""
    return (
        record.software_version == measuring_version()
        and not (record.status == "measured" and record.reading is None)
        and record.prints == print_set(prints)
        and math.isclose(record.path_mm, optics.path_mm)
        and record.shape == optics.shape
        and math.isclose(record.dilution, optics.dilution)
        # The width may have been mended since.
        and not (record.status == "refused" and record.flag == "wrong-vessel")
    )


def measure(
    path: Path,
    vessel: VesselRecord,
    optics: Optics,
    *,
    sha256: str,
    prints: Sequence[PrintRecord],
) -> tuple[PhotoRecord, PhotoReading | None]:
    """Read one photo; a refusal is a record too.

    Parameters
    ----------
    path : Path
        The photo.
    vessel : VesselRecord
        The culture's vessel.
    optics : Optics
        What it stood in.
    sha256 : str
        Of the photo's bytes.
    prints : sequence of PrintRecord
        The journal's `prints_in_use`; that of the card's format is used.

    Returns
    -------
    record : PhotoRecord
        Not yet kept in a journal.
    photo : PhotoReading or None
        The photo with its pixels; None when it was refused.

    Raises
    ------
    DensitycamError
        When there is no such file, it cannot be read, or it holds other bytes than those of the
        hash: it was changed meanwhile, or is still being copied.
    """
    record = partial(
        PhotoRecord,
        vessel=vessel.name,
        sha256=sha256,
        file_name=_in_letters(path.name),
        path_mm=optics.path_mm,
        shape=optics.shape,
        dilution=optics.dilution,
        own_optics=optics.own,
        software_version=measuring_version(),
        prints=print_set(prints),
        estimate=None,
    )
    try:
        photo = _read(path, optics, prints)
    except PhotoRefusedError as refusal:
        if content_hash(path) != sha256:  # half of it, as it was being copied
            raise changed(path) from None
        taken_at, time_source, utc_offset = _time_of_refused(path, refusal)
        return (
            record(
                taken_at=taken_at,
                time_source=time_source,
                utc_offset=utc_offset,
                status="refused",
                flag=refusal.flag,
                message=_in_letters(str(refusal)),
                reading=None,
            ),
            None,
        )
    if photo.sha256 != sha256:
        raise changed(path)
    return (
        record(
            taken_at=photo.taken_at.replace(microsecond=0),
            time_source=photo.time_source,
            utc_offset=photo.utc_offset,
            status="measured",
            flag=None,
            message=None,
            reading=photo.reading,
            capture=photo.capture,
            tags=photo.tags,
            pixels=hashlib.sha256(photo.upright_rgb.tobytes()).hexdigest(),
        ),
        photo,
    )


def changed(path: Path) -> DensitycamError:
    """Return what to say of a file that holds other bytes than a moment ago.

    Parameters
    ----------
    path : Path
        The file.
    """
    return DensitycamError(
        f"{path} changed while it was read.", "Repeat the command when it has been copied whole."
    )


def _in_letters(text: str) -> str:
    """Return a text without bytes that are no letters, as a file's name may hold them."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def refusal_of(record: PhotoRecord) -> PhotoRefusedError:
    """Return what to raise for a refused photo, its file named.

    Parameters
    ----------
    record : PhotoRecord
        With the status "refused".
    """
    said = str(record.message)
    where = "" if record.file_name in said else f"{record.file_name}: "
    return PhotoRefusedError(f"{where}{said}", flag=record.flag)


def _read(path: Path, optics: Optics, prints: Sequence[PrintRecord]) -> PhotoReading:
    """Read a photo with the print of its card, of which only the reading tells the format."""
    from densitycam.vessel.read import read_photo

    def read(record: PrintRecord | None) -> PhotoReading:
        return read_photo(
            path,
            path_mm=optics.path_mm,
            shape=optics.shape,
            dilution=optics.dilution,
            profile=None if record is None else record.profile,
            width_mm=optics.width_mm,
        )

    first = prints[0] if prints else None
    photo = read(first)
    if first is None or photo.paper == first.profile.paper:
        return photo
    other = next((p for p in prints if p.profile.paper == photo.paper), None)
    return photo if other is None else read(other)


def _time_of_refused(path: Path, refusal: PhotoRefusedError) -> tuple[datetime, str, str | None]:
    """Return when a photo was taken that could not be measured, for lists and the chart."""
    from densitycam.photo.decode import capture_time_from_name, decode_photo

    if refusal.flag != "unreadable":
        try:
            photo = decode_photo(path)
        except DensitycamError:
            pass
        else:
            return photo.taken_at.replace(microsecond=0), photo.time_source, photo.utc_offset
    return (*capture_time_from_name(path), None)
