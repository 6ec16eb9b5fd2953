"""The `Journal`: all that is known of vessels, photos, counts and daily work, in one file."""

from __future__ import annotations

import difflib
import math
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from densitycam.calibration.estimate import Estimate
from densitycam.card.profile import PrintProfile, profile_from_json, profile_to_json
from densitycam.card.tags import free_tag
from densitycam.counting.slide import SlideCount
from densitycam.counting.tally import Tally
from densitycam.errors import DensitycamError
from densitycam.journal.bottle_records import USES, BottleRecord, BottleUse
from densitycam.journal.encode import (
    blank_from_json,
    estimate_from_json,
    reading_from_json,
    tally_from_json,
    to_json,
)
from densitycam.journal.logbook import (
    LOG_COLUMNS,
    LogRecord,
    NoteRecord,
    columns_of,
    has_time,
    kind_of,
    record_of,
)
from densitycam.journal.schema import check_whole, open_database, open_to_read, prepare, trouble_of
from densitycam.json_text import UNFIT
from densitycam.vessel.blank import Blank
from densitycam.vessel.reading import Reading
from densitycam.vessel.record import VesselRecord

T = TypeVar("T")

#: From here on SQLite takes no number.
_NO_NUMBER = 2**63


@dataclass(frozen=True)
class PhotoRecord:
    """One photo of one vessel, as it was measured or refused.

    Parameters
    ----------
    vessel : str
        Name of the vessel the culture belongs to.
    sha256 : str
        Of the file's bytes, hexadecimal.
    file_name : str
        Name without its folder.
    taken_at : datetime or None
        Capture time, local, naive, to the second; None for a refused photo without one.
    time_source : {"exif", "name", "file"} or None
        Where the time came from.
    path_mm, shape, dilution
        The optics it was read with: the vessel's own, or those of a sample bottle [mm, -, -].
    own_optics : bool
        True when they were given for this photo alone and are not the vessel's.
    status : {"measured", "refused"}
        Whether there is a reading.
    flag, message : str or None
        Why it was refused.
    reading : Reading or None
        What the bars said; None when refused, or when another version of densitycam wrote it
        in a form this one cannot read, so that the photo is to be read again.
    estimate : Estimate or None
        By the calibration of the last look; recomputed from the reading at any time.
    software_version : str
        Which densitycam measured it.
    prints : str
        Which registered prints it was read with, from `densitycam.journal.scoring.print_set`;
        "" where none was registered.
    utc_offset : str or None
        Of the camera's clock, such as "+01:00", where the photo says it.
    capture, pixels : str or None
        Stand for the moment and camera of the capture, as `densitycam.photo.decode.LinearPhoto`
        has it, and for the decoded picture: by either a copy is known. None of a refused photo.
    tags : tuple of int
        Ids of the vessel tags in it, rising.
    id : int
        Number in the journal; 0 before it is kept.
    """

    vessel: str
    sha256: str
    file_name: str
    taken_at: datetime | None
    time_source: str | None
    path_mm: float
    shape: str
    dilution: float
    own_optics: bool
    status: str
    flag: str | None
    message: str | None
    reading: Reading | None
    estimate: Estimate | None
    software_version: str
    prints: str = ""
    utc_offset: str | None = None
    capture: str | None = None
    pixels: str | None = None
    tags: tuple[int, ...] = ()
    id: int = 0


@dataclass(frozen=True)
class PrintRecord:
    """One registered print of the card.

    Parameters
    ----------
    profile : PrintProfile
        What it reflects.
    sources : tuple of str
        SHA-256 of the photos of the bare card behind it, sorted.
    registered_at : datetime
        Local, naive; the newest of a format and edition is used.
    software_version : str
        Which densitycam measured it.
    """

    profile: PrintProfile
    sources: tuple[str, ...]
    registered_at: datetime
    software_version: str


@dataclass(frozen=True)
class BlankRecord:
    """A vessel's own attenuation.

    Parameters
    ----------
    vessel : str
        Its name.
    blank : Blank
        What it takes from the light with clean salt water in it.
    made_at : datetime
        When it was measured, local, naive.
    """

    vessel: str
    blank: Blank
    made_at: datetime


@dataclass(frozen=True)
class SlideRecord:
    """One slide count of one vessel's culture.

    Parameters
    ----------
    id : int
        Number in the journal.
    vessel : str
        Name of the vessel.
    photo_sha256 : str or None
        The photo it is paired with, if any.
    counted_at : datetime
        Local, naive, to the second.
    count : SlideCount
        The count and its limits.
    tally : Tally or None
        What was counted square by square; None for a total that came as such.
    """

    id: int
    vessel: str
    photo_sha256: str | None
    counted_at: datetime
    count: SlideCount
    tally: Tally | None = None


@dataclass(frozen=True)
class SplitRecord:
    """One split: part of the culture stayed in the vessel, the rest was harvested.

    Parameters
    ----------
    vessel : str
        Name of the vessel.
    done_at : datetime
        Local, naive, to the second. Midnight stands for a day of which the time was not given: it
        counts as after that day's last photo.
    kept_ml, total_ml : float
        Culture that stayed, > 0, and that the vessel holds when topped up, > kept_ml [mL].
    """

    vessel: str
    done_at: datetime
    kept_ml: float
    total_ml: float

    @property
    def timed(self) -> bool:
        """Whether a time was given with the day."""
        return has_time(self.done_at)


@dataclass(frozen=True)
class CalibrationRecord:
    """One kept version of a calibration.

    Parameters
    ----------
    id : int
        Number in the journal.
    calibration_id : str
        The calibration's own name.
    species : str
        Species id.
    vessel : str or None
        The vessel whose slides made it; None for one from all vessels of the species.
    slides : int
        Slides behind it.
    points : str
        Which points made it, so that an unchanged set is not fitted again.
    made_by : {"calibrate", "batch"}
        Asked for by the user, or made along the way.
    made_at : datetime
        Local, naive.
    calibration : str
        The calibration as JSON text.
    since : datetime or None
        Where only slides counted from then on made it, those before belonging to a calibration
        that no longer held.
    shape_of : int or None
        The kept calibration whose shape it took over, by number in the journal; None for the
        species' starting calibration.
    """

    id: int
    calibration_id: str
    species: str
    vessel: str | None
    slides: int
    points: str
    made_by: str
    made_at: datetime
    calibration: str
    since: datetime | None = None
    shape_of: int | None = None


class Journal:
    """One SQLite file; every change is one transaction, so nothing is ever half-written.

    Parameters
    ----------
    path : Path
        The file; made when missing.

    Raises
    ------
    DensitycamError
        When it cannot be opened; see `densitycam.journal.schema.open_database`.
    """

    def __init__(self, path: Path) -> None:
        self._db = open_database(Path(path))
        self._name = str(path)
        self._depth = 0

    @classmethod
    def copy_in_memory(cls, path: Path) -> Journal:
        """Return a copy of the journal at `path` that nothing is written back from.

        Parameters
        ----------
        path : Path
            The file; one that does not exist gives an empty journal and is not made.

        Returns
        -------
        Journal
            Open; closing it forgets it.

        Raises
        ------
        DensitycamError
            As for opening it.
        """
        path = Path(path)
        memory = sqlite3.connect(":memory:")
        try:
            if path.exists():
                with closing(open_to_read(path)) as source:
                    source.backup(memory)
                    check_whole(source, path)
        except BaseException as error:
            memory.close()
            if isinstance(error, sqlite3.DatabaseError):
                raise trouble_of(error, str(path)) from error
            raise
        journal = cls.__new__(cls)
        journal._name = str(path)
        journal._db = prepare(memory, name=str(path))  # the file itself is not touched
        journal._depth = 0
        return journal

    @property
    def connection(self) -> sqlite3.Connection:
        """The open database, for what handles whole tables: export, import, backup."""
        return self._db

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Keep all changes made inside, or none of them; may be nested.

        Raises
        ------
        DensitycamError
            When the file cannot be written or another program holds it for too long.
        """
        if self._depth:
            yield
            return
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._depth += 1
            try:
                yield
                self._db.execute("COMMIT")  # a program that reads may be in its way for too long
            except BaseException:
                if self._db.in_transaction:  # a full disk makes SQLite roll back by itself
                    self._db.execute("ROLLBACK")
                raise
            finally:
                self._depth -= 1
        except sqlite3.OperationalError as error:
            raise trouble_of(error, self._name) from error

    # Vessels

    def add_vessel(self, vessel: VesselRecord) -> None:
        """Keep a vessel, or replace the description of the one with its name.

        Parameters
        ----------
        vessel : VesselRecord
            Its name decides whether it is new.

        Raises
        ------
        DensitycamError
            For a name that holds NUL.
        """
        _refuse_nul("name", vessel.name)
        with self.transaction():
            self._db.execute(
                "INSERT INTO vessels (name, species, working_volume_ml, path_mm, shape, width_mm) "
                "VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET "
                "species = excluded.species, working_volume_ml = excluded.working_volume_ml, "
                "path_mm = excluded.path_mm, shape = excluded.shape, "
                "width_mm = excluded.width_mm",
                (
                    vessel.name,
                    vessel.species,
                    float(vessel.working_volume_ml),
                    float(vessel.path_mm),
                    vessel.shape,
                    vessel.width_mm,
                ),
            )

    def vessels(self) -> tuple[VesselRecord, ...]:
        """Return all vessels by name."""
        rows = self._db.execute(
            "SELECT name, species, working_volume_ml, path_mm, shape, width_mm "
            "FROM vessels ORDER BY name"
        )
        return tuple(VesselRecord(*row) for row in rows)

    def vessel(self, name: str) -> VesselRecord:
        """Return one vessel.

        Parameters
        ----------
        name : str
            As it was given, capitals too.

        Raises
        ------
        DensitycamError
            When there is none of that name, with near matches.
        """
        known = {v.name: v for v in self.vessels()}
        if name in known:
            return known[name]
        raise DensitycamError(f"There is no vessel named {name!r}.", _near(name, known))

    def _vessel_id(self, name: str) -> int:
        row = self._db.execute("SELECT id FROM vessels WHERE name = ?", (name,)).fetchone()
        if row is None:
            self.vessel(name)  # raises with the near matches
        return int(row[0])

    # Tags

    def tags(self) -> dict[int, str]:
        """Return the vessel of each tag, by the id of its marker, rising."""
        rows = self._db.execute(
            "SELECT t.marker_id, v.name FROM tags t JOIN vessels v ON v.id = t.vessel_id "
            "ORDER BY t.marker_id"
        )
        return {int(number): name for number, name in rows}

    def give_tags(self, vessels: Iterable[str]) -> dict[int, str]:
        """Give each vessel without a tag the lowest free one; one that has one keeps it.

        Parameters
        ----------
        vessels : iterable of str
            Their names.

        Returns
        -------
        dict of int to str
            The tags of these vessels, by the id of the marker, rising.

        Raises
        ------
        DensitycamError
            For an unknown vessel, or where no tag is left.
        """
        wanted = list(vessels)
        with self.transaction():
            for name in wanted:
                number = self._vessel_id(name)
                known = self.tags()
                if name in known.values():
                    continue
                free = free_tag(known)
                if free is None:
                    raise DensitycamError(
                        f"All {len(known)} vessel tags are given away.",
                        "Keep the vessels of another room in a journal of their own.",
                    )
                self._db.execute("INSERT INTO tags VALUES (?, ?)", (free, number))
        return {number: name for number, name in self.tags().items() if name in wanted}

    # Prints and blanks

    def put_print(self, record: PrintRecord) -> None:
        """Keep a registered print; the same photos registered again replace theirs.

        Parameters
        ----------
        record : PrintRecord
            With the hashes of the photos it was measured from.
        """
        with self.transaction():
            self._db.execute(
                "INSERT INTO prints (sources, registered_at, profile, software_version) "
                "VALUES (?, ?, ?, ?) ON CONFLICT (sources) DO UPDATE SET "
                "registered_at = excluded.registered_at, profile = excluded.profile, "
                "software_version = excluded.software_version",
                (
                    " ".join(record.sources),
                    _stamp(record.registered_at),
                    profile_to_json(record.profile),
                    record.software_version,
                ),
            )

    def prints(self) -> tuple[PrintRecord, ...]:
        """Return all registered prints, the newest first.

        Raises
        ------
        DensitycamError
            When a kept one cannot be read.
        """
        rows = self._db.execute(
            "SELECT profile, sources, registered_at, software_version FROM prints "
            "ORDER BY registered_at DESC, id DESC"
        )
        return tuple(
            PrintRecord(
                profile_from_json(profile), tuple(sources.split()), datetime.fromisoformat(at), by
            )
            for profile, sources, at, by in rows
        )

    def prints_in_use(self) -> tuple[PrintRecord, ...]:
        """Return the newest print of each format and edition, the newest first."""
        newest: dict[tuple[str, int], PrintRecord] = {}
        for record in self.prints():
            newest.setdefault((record.profile.paper, record.profile.version), record)
        return tuple(newest.values())

    def add_blank(self, record: BlankRecord) -> None:
        """Keep a vessel's blank; the newest is used, earlier ones stay.

        Parameters
        ----------
        record : BlankRecord
            Of a known vessel.

        Raises
        ------
        DensitycamError
            For an unknown vessel.
        """
        with self.transaction():
            self._db.execute(
                "INSERT INTO blanks (vessel_id, made_at, blank) VALUES (?, ?, ?)",
                (self._vessel_id(record.vessel), _stamp(record.made_at), to_json(record.blank)),
            )

    def blank(self, vessel: str) -> BlankRecord | None:
        """Return a vessel's newest blank, or None where it was never snapped.

        Parameters
        ----------
        vessel : str
            Its name.
        """
        row = self._db.execute(
            "SELECT b.made_at, b.blank FROM blanks b JOIN vessels v ON v.id = b.vessel_id "
            "WHERE v.name = ? ORDER BY b.id DESC LIMIT 1",
            (vessel,),
        ).fetchone()
        if row is None:
            return None
        return BlankRecord(vessel, blank_from_json(row[1]), datetime.fromisoformat(row[0]))

    # Photos

    _PHOTO = (
        "SELECT v.name, p.sha256, p.file_name, p.taken_at, p.time_source, p.path_mm, p.shape, "
        "p.dilution, p.own_optics, p.status, p.flag, p.message, p.reading, p.estimate, "
        "p.software_version, p.prints, p.utc_offset, p.capture, p.pixels, p.tags, "
        "p.id "
        "FROM photos p JOIN vessels v ON v.id = p.vessel_id "
    )

    def put_photo(self, photo: PhotoRecord) -> PhotoRecord:
        """Keep a photo's outcome, replacing an earlier one of the same bytes and vessel.

        Parameters
        ----------
        photo : PhotoRecord
            Of a known vessel, measured or refused; its number is not looked at.

        Returns
        -------
        PhotoRecord
            As kept, with its number.

        Raises
        ------
        DensitycamError
            For an unknown vessel.
        RuntimeError
            Where it is not found again: a fault of ours.
        """
        values = {
            "sha256": photo.sha256,
            "file_name": photo.file_name,
            "taken_at": None if photo.taken_at is None else _stamp(photo.taken_at),
            "time_source": photo.time_source,
            "path_mm": float(photo.path_mm),
            "shape": photo.shape,
            "dilution": float(photo.dilution),
            "own_optics": int(photo.own_optics),
            "status": photo.status,
            "flag": photo.flag,
            "message": photo.message,
            "reading": None if photo.reading is None else to_json(photo.reading),
            "estimate": None if photo.estimate is None else to_json(photo.estimate),
            "software_version": photo.software_version,
            "prints": photo.prints,
            "utc_offset": photo.utc_offset,
            "capture": photo.capture,
            "pixels": photo.pixels,
            "tags": " ".join(map(str, photo.tags)),
        }
        with self.transaction():
            values["vessel_id"] = self._vessel_id(photo.vessel)
            names = ", ".join(values)
            places = ", ".join(f":{name}" for name in values)
            changes = ", ".join(f"{name} = excluded.{name}" for name in values)
            self._db.execute(
                f"INSERT INTO photos ({names}) VALUES ({places}) "
                f"ON CONFLICT (vessel_id, sha256) DO UPDATE SET {changes}",
                values,
            )
        kept = self.find_photo(photo.sha256, photo.vessel)
        if kept is None:
            raise RuntimeError("a photo just kept is not in the journal")
        return kept

    def find_photo(self, sha256: str, vessel: str) -> PhotoRecord | None:
        """Return the record of a photo by its bytes' hash, or by that of a known copy, or None.

        Parameters
        ----------
        sha256 : str
            Of the photo's bytes, hexadecimal.
        vessel : str
            Its name: a photo may be kept for two.
        """
        found = self._photos("WHERE p.sha256 = ? AND v.name = ?", (sha256, vessel))
        if not found:
            found = self._photos(
                "JOIN photo_copies c ON c.photo_id = p.id WHERE c.sha256 = ? AND v.name = ?",
                (sha256, vessel),
            )
        return found[0] if found else None

    def add_photo(self, photo: PhotoRecord) -> tuple[PhotoRecord, bool]:
        """Keep a photo's outcome as `put_photo`, unless it is a copy of one that is kept.

        Of a copy, which was saved anew, renamed or exported, only the name is kept: it is no
        second measurement. Where the kept one was measured by other code or with another print,
        or optics were given with the copy, its measurement takes the place of the earlier one.

        Parameters
        ----------
        photo : PhotoRecord
            As in `put_photo`.

        Returns
        -------
        record : PhotoRecord
            As kept.
        copy : bool
            Whether it is that of a photo with other bytes.

        Raises
        ------
        DensitycamError
            As in `put_photo`.
        """
        with self.transaction():
            known = self.find_photo(photo.sha256, photo.vessel)
            twin = known if known is not None else self._twin(photo)
            if twin is None or twin.sha256 == photo.sha256:
                return self.put_photo(photo), False
            self._db.execute(
                "INSERT INTO photo_copies (photo_id, vessel_id, sha256, file_name) "
                "VALUES (?, ?, ?, ?) ON CONFLICT (vessel_id, sha256) DO UPDATE SET "
                "file_name = excluded.file_name",
                (twin.id, self._vessel_id(photo.vessel), photo.sha256, photo.file_name),
            )
            outdated = (twin.software_version, twin.prints) != (
                photo.software_version,
                photo.prints,
            )
            # A sample bottle's optics were given by hand: the vessel's do not take their place.
            if known is not None or photo.own_optics or (outdated and not twin.own_optics):
                twin = self.put_photo(
                    replace(
                        photo,
                        sha256=twin.sha256,
                        file_name=twin.file_name,
                        taken_at=twin.taken_at,
                        time_source=twin.time_source,
                        utc_offset=twin.utc_offset,
                        capture=twin.capture,
                        pixels=twin.pixels,
                    )
                )
        return twin, True

    def _twin(self, photo: PhotoRecord) -> PhotoRecord | None:
        """Find the kept photo of which this one is a copy.

        Its decoded pixels are the same, or camera and second of capture are and the fractions of
        the second do not contradict each other.
        """
        if photo.status != "measured":
            return None
        second, _, fraction = (photo.capture or "").partition(".")
        candidates = self._photos(
            "WHERE v.name = ? AND p.status = 'measured' "
            "AND (p.pixels = ? OR p.capture = ? OR p.capture LIKE ? || '.%') ORDER BY p.id",
            (photo.vessel, photo.pixels, second or None, second or None),
        )
        for candidate in candidates:
            other = (candidate.capture or "").partition(".")[2]
            same_pixels = photo.pixels is not None and candidate.pixels == photo.pixels
            if same_pixels or not fraction or not other or fraction == other:
                return candidate
        return None

    def vessels_with(self, sha256: str) -> tuple[str, ...]:
        """Return the names of the vessels for which a photo, or a copy of it, is kept.

        Parameters
        ----------
        sha256 : str
            Of the photo's bytes, hexadecimal.
        """
        rows = self._db.execute(
            "SELECT v.name FROM photos p JOIN vessels v ON v.id = p.vessel_id WHERE p.sha256 = ? "
            "UNION SELECT v.name FROM photo_copies c JOIN vessels v ON v.id = c.vessel_id "
            "WHERE c.sha256 = ?",
            (sha256, sha256),
        )
        return tuple(name for (name,) in rows)

    def others_with(self, photo: PhotoRecord) -> tuple[str, ...]:
        """Return the names of other vessels for which the very same photo is kept.

        Parameters
        ----------
        photo : PhotoRecord
            The same bytes, or the same pixels, are looked for.
        """
        rows = self._db.execute(
            "SELECT DISTINCT v.name FROM photos p JOIN vessels v ON v.id = p.vessel_id "
            "WHERE v.name <> ? AND (p.sha256 = ? OR p.pixels = ?) ORDER BY v.name",
            (photo.vessel, photo.sha256, photo.pixels),
        )
        return tuple(name for (name,) in rows)

    def photo(self, number: int) -> PhotoRecord:
        """Return the photo with a number in the journal.

        Parameters
        ----------
        number : int
            `PhotoRecord.id`.

        Raises
        ------
        DensitycamError
            When there is none.
        """
        found = self._photos("WHERE p.id = ?", (number,)) if abs(number) < _NO_NUMBER else ()
        if not found:
            raise DensitycamError(
                f"There is no reading {number} in the journal.",
                "Use --reading latest, or name the photo's file with --reading.",
            )
        return found[0]

    def photos(self, vessel: str, *, since: datetime | None = None) -> tuple[PhotoRecord, ...]:
        """Return a vessel's photos in order of capture, those without a time last.

        Parameters
        ----------
        vessel : str
            Its name.
        since : datetime or None
            Leave out those taken before, and those without a time.
        """
        if since is not None:
            return self._photos(
                "WHERE v.name = ? AND p.taken_at >= ? ORDER BY p.taken_at, p.id",
                (vessel, _stamp(since)),
            )
        return self._photos(
            "WHERE v.name = ? ORDER BY p.taken_at IS NULL, p.taken_at, p.id", (vessel,)
        )

    def newest_photo_at(self, vessel: str, until: datetime) -> datetime | None:
        """Return when a vessel's newest measured photo up to a moment was taken, or None.

        Parameters
        ----------
        vessel : str
            Its name.
        until : datetime
            The moment, itself included; local, naive.
        """
        (stamp,) = self._db.execute(
            "SELECT max(p.taken_at) FROM photos p JOIN vessels v ON v.id = p.vessel_id "
            "WHERE v.name = ? AND p.status = 'measured' AND p.taken_at <= ?",
            (vessel, _stamp(until)),
        ).fetchone()
        return None if stamp is None else datetime.fromisoformat(stamp)

    def _photos(self, where: str, values: Sequence[object]) -> tuple[PhotoRecord, ...]:
        rows = self._db.execute(self._PHOTO + where, values).fetchall()
        return tuple(_photo_record(row) for row in rows)

    def set_estimates(self, estimates: Iterable[tuple[int, Estimate]]) -> None:
        """Replace the estimates of photos, given by their numbers, all at once.

        They are reckoned anew at every look: where only they were to be written and the journal
        cannot be, nothing is, and the look goes on.

        Parameters
        ----------
        estimates : iterable of (int, Estimate)
            `PhotoRecord.id`, and what takes the place of the photo's estimate.
        """
        changes = [(to_json(estimate), number) for number, estimate in estimates]
        # Inside a larger change SQLite's own error is raised, and all of it is given up.
        with suppress(DensitycamError), self.transaction():
            self._db.executemany("UPDATE photos SET estimate = ? WHERE id = ?", changes)

    # Slides

    def add_slide(
        self,
        vessel: str,
        count: SlideCount,
        *,
        counted_at: datetime,
        photo_sha256: str | None = None,
        tally: Tally | None = None,
    ) -> SlideRecord:
        """Keep a slide count; each call adds one.

        Parameters
        ----------
        vessel : str
            Its name.
        count : SlideCount
            Cells, squares and the density they tell.
        counted_at : datetime
            When the sample was taken, local, naive.
        photo_sha256 : str or None
            Hash of the photo that the count is paired with.
        tally : Tally or None
            The counts square by square, where they are known.

        Returns
        -------
        SlideRecord
            As kept, with its number.

        Raises
        ------
        DensitycamError
            For an unknown vessel.
        """
        sd = float(count.relative_sd)
        with self.transaction():
            cursor = self._db.execute(
                "INSERT INTO slides (vessel_id, photo_sha256, counted_at, chamber, unit, cells, "
                "squares, dilution, fixative_fraction, cells_per_ml, low, high, relative_sd, "
                "tally) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._vessel_id(vessel),
                    photo_sha256,
                    _stamp(counted_at),
                    count.chamber,
                    count.unit,
                    int(count.cells),
                    float(count.squares),
                    float(count.dilution),
                    float(count.fixative_fraction),
                    float(count.cells_per_ml),
                    float(count.low),
                    float(count.high),
                    None if math.isinf(sd) else sd,  # a count of zero has none
                    None if tally is None else to_json(tally),
                ),
            )
        return SlideRecord(
            id=int(cursor.lastrowid or 0),
            vessel=vessel,
            photo_sha256=photo_sha256,
            counted_at=counted_at.replace(microsecond=0),
            count=count,
            tally=tally,
        )

    def slides(
        self, *, vessel: str | None = None, species: str | None = None
    ) -> tuple[SlideRecord, ...]:
        """Return slides in order of time, of one vessel, of one species, or all.

        Parameters
        ----------
        vessel : str or None
            A vessel's name; None for all.
        species : str or None
            A species' id; None for all.
        """
        rows = self._db.execute(
            "SELECT s.id, v.name, s.photo_sha256, s.counted_at, s.chamber, s.unit, s.cells, "
            "s.squares, s.dilution, s.fixative_fraction, s.cells_per_ml, s.low, s.high, "
            "s.relative_sd, s.tally FROM slides s JOIN vessels v ON v.id = s.vessel_id "
            "WHERE v.name = coalesce(:vessel, v.name) AND v.species = coalesce(:species, v.species)"
            " ORDER BY s.counted_at, s.id",
            {"vessel": vessel, "species": species},
        ).fetchall()
        return tuple(
            SlideRecord(
                id=row[0],
                vessel=row[1],
                photo_sha256=row[2],
                counted_at=datetime.fromisoformat(row[3]),
                count=SlideCount(
                    chamber=row[4],
                    unit=row[5],
                    cells=row[6],
                    squares=row[7],
                    dilution=row[8],
                    fixative_fraction=row[9],
                    cells_per_ml=row[10],
                    low=row[11],
                    high=row[12],
                    relative_sd=math.inf if row[13] is None else row[13],
                ),
                tally=_rebuilt(tally_from_json, row[14]),
            )
            for row in rows
        )

    # Splits

    def add_split(self, split: SplitRecord) -> None:
        """Keep a split, replacing one of the same vessel and time.

        Parameters
        ----------
        split : SplitRecord
            Of a known vessel.

        Raises
        ------
        DensitycamError
            For an unknown vessel.
        """
        with self.transaction():
            self._db.execute(
                "INSERT INTO splits (vessel_id, done_at, kept_ml, total_ml, entry) "
                "VALUES (?, ?, ?, ?, ?) "
                "ON CONFLICT (vessel_id, done_at) DO UPDATE SET kept_ml = excluded.kept_ml, "
                "total_ml = excluded.total_ml, entry = excluded.entry",
                (
                    self._vessel_id(split.vessel),
                    _stamp(split.done_at),
                    float(split.kept_ml),
                    float(split.total_ml),
                    self._next_entry(),
                ),
            )

    def splits(self, vessel: str) -> tuple[SplitRecord, ...]:
        """Return a vessel's splits in order of time.

        Parameters
        ----------
        vessel : str
            Its name.
        """
        return self._splits("WHERE v.name = ? ORDER BY s.done_at", (vessel,))

    def _splits(self, where: str, values: Sequence[object]) -> tuple[SplitRecord, ...]:
        rows = self._db.execute(
            "SELECT v.name, s.done_at, s.kept_ml, s.total_ml FROM splits s "
            "JOIN vessels v ON v.id = s.vessel_id " + where,
            values,
        ).fetchall()
        return tuple(
            SplitRecord(name, datetime.fromisoformat(at), kept, total)
            for name, at, kept, total in rows
        )

    # The log: inoculations, ends, top-ups, losses, doses, notes

    def _next_entry(self) -> int:
        """Return the number of the next thing logged; only inside a transaction."""
        (last,) = self._db.execute(
            "SELECT max(coalesce((SELECT max(entry) FROM splits), 0), "
            "coalesce((SELECT max(entry) FROM log), 0), "
            "coalesce((SELECT max(entry) FROM bottles), 0), "
            "coalesce((SELECT max(entry) FROM bottle_uses), 0))"
        ).fetchone()
        return int(last) + 1

    def add_to_log(self, record: LogRecord) -> LogRecord | None:
        """Keep what was logged, replacing one of the same vessel, kind and time.

        Notes are never replaced: a vessel may have several of one moment.

        Parameters
        ----------
        record : LogRecord
            Of a known vessel.

        Returns
        -------
        LogRecord or None
            What it replaced.

        Raises
        ------
        DensitycamError
            For an unknown vessel, or words that hold NUL.
        """
        kind, values = kind_of(record), columns_of(record)
        _refuse_nul("text", values["text"])
        with self.transaction():
            vessel_id, stamp = self._vessel_id(record.vessel), _stamp(record.done_at)
            replaced = None
            if not isinstance(record, NoteRecord):
                same = [
                    r
                    for r in self.log(vessel=record.vessel, kind=kind)
                    if _stamp(r.done_at) == stamp
                ]
                replaced = same[0] if same else None
                self._db.execute(
                    "DELETE FROM log WHERE vessel_id = ? AND kind = ? AND done_at = ?",
                    (vessel_id, kind, stamp),
                )
            names = ", ".join(LOG_COLUMNS)
            places = ", ".join("?" for _ in LOG_COLUMNS)
            self._db.execute(
                f"INSERT INTO log (vessel_id, kind, done_at, entry, {names}) "
                f"VALUES (?, ?, ?, ?, {places})",
                (vessel_id, kind, stamp, self._next_entry(), *(values[n] for n in LOG_COLUMNS)),
            )
        return replaced

    def log(self, *, vessel: str | None = None, kind: str | None = None) -> tuple[LogRecord, ...]:
        """Return what was logged in order of time: of one vessel or all, of one kind or all.

        Parameters
        ----------
        vessel : str or None
            Name of a vessel.
        kind : {"inoculation", "end", "top-up", "loss", "dose", "note"} or None
            Of which kind.
        """
        return self._log(
            "WHERE v.name = coalesce(:vessel, v.name) AND l.kind = coalesce(:kind, l.kind) "
            "ORDER BY l.done_at, l.entry",
            {"vessel": vessel, "kind": kind},
        )

    def _log(
        self, where: str, values: Sequence[object] | dict[str, object]
    ) -> tuple[LogRecord, ...]:
        rows = self._db.execute(
            f"SELECT l.kind, v.name, l.done_at, {', '.join('l.' + n for n in LOG_COLUMNS)} "
            "FROM log l JOIN vessels v ON v.id = l.vessel_id " + where,
            values,
        ).fetchall()
        return tuple(
            record_of(
                row[0],
                row[1],
                datetime.fromisoformat(row[2]),
                dict(zip(LOG_COLUMNS, row[3:], strict=True)),
            )
            for row in rows
        )

    def last_entry(self, vessel: str) -> int:
        """Return the number of what was logged last of a vessel; 0 where nothing was.

        Parameters
        ----------
        vessel : str
            Its name.
        """
        return self._last(vessel)[0]

    def _last(self, vessel: str | None) -> tuple[int, str, int]:
        """Return number, table and row of what was logged last; 0, "", 0 where nothing was."""
        owned = {
            "splits": "vessel_id",
            "log": "vessel_id",
            "bottles": "vessel_id",
            "bottle_uses": "(SELECT b.vessel_id FROM bottles b WHERE b.id = bottle_id)",
        }
        wanted = None if vessel is None else self._vessel_id(vessel)
        last = (0, "", 0)
        for table, owner in owned.items():
            row = self._db.execute(
                f"SELECT entry, id FROM {table} WHERE entry IS NOT NULL "
                f"AND (? IS NULL OR {owner} = ?) ORDER BY entry DESC LIMIT 1",
                (wanted, wanted),
            ).fetchone()
            if row is not None:
                last = max(last, (int(row[0]), table, int(row[1])))
        return last

    def undo(
        self, *, vessel: str | None = None, only: int | None = None
    ) -> LogRecord | SplitRecord | BottleRecord | tuple[BottleRecord, BottleUse] | None:
        """Take back what was logged last, whatever day it is dated.

        Parameters
        ----------
        vessel : str or None
            Only what was logged of this vessel, its bottles among it.
        only : int or None
            A `last_entry`: nothing is taken back where it is no longer the last.

        Returns
        -------
        LogRecord, SplitRecord, BottleRecord, (BottleRecord, BottleUse) or None
            What is no longer in the journal; of a use, the bottle as it is now. None where
            nothing is left to take back.
        """
        with self.transaction():
            entry, table, number = self._last(vessel)
            if not table or (only is not None and entry != only):
                return None
            undone: LogRecord | SplitRecord | BottleRecord | BottleUse
            if table == "splits":
                (undone,) = self._splits("WHERE s.id = ?", (number,))
            elif table == "log":
                (undone,) = self._log("WHERE l.id = ?", (number,))
            elif table == "bottles":
                undone = self.bottle(number)
            else:
                bottle, done_at, ml, kind = self._db.execute(
                    "SELECT bottle_id, done_at, ml, kind FROM bottle_uses WHERE id = ?", (number,)
                ).fetchone()
                undone = BottleUse(datetime.fromisoformat(done_at), ml, kind)
            self._db.execute(f"DELETE FROM {table} WHERE id = ?", (number,))
        return (self.bottle(bottle), undone) if isinstance(undone, BottleUse) else undone

    # Harvest bottles

    def add_bottle(self, bottle: BottleRecord) -> BottleRecord:
        """Keep a bottle that was filled; each call adds one.

        Parameters
        ----------
        bottle : BottleRecord
            Its number and what is used of it are not looked at.

        Returns
        -------
        BottleRecord
            With its number, and nothing used of it yet.

        Raises
        ------
        DensitycamError
            For an unknown vessel.
        """
        with self.transaction():
            cursor = self._db.execute(
                "INSERT INTO bottles (vessel_id, species, filled_at, volume_ml, cells_per_ml, low, "
                "high, suspect, entry) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    None if bottle.vessel is None else self._vessel_id(bottle.vessel),
                    bottle.species,
                    _stamp(bottle.filled_at),
                    float(bottle.volume_ml),
                    *(
                        None if v is None else float(v)
                        for v in (bottle.cells_per_ml, bottle.low, bottle.high)
                    ),
                    int(bottle.suspect),
                    self._next_entry(),
                ),
            )
        return self.bottle(int(cursor.lastrowid or 0))

    def bottle(self, number: int) -> BottleRecord:
        """Return the bottle with a number.

        Parameters
        ----------
        number : int
            `BottleRecord.number`.

        Raises
        ------
        DensitycamError
            When there is none.
        """
        found = self._bottles("WHERE b.id = ?", (number,)) if abs(number) < _NO_NUMBER else ()
        if not found:
            raise DensitycamError(
                f"There is no bottle {number} in the journal.",
                "See those there are with densitycam bottle list.",
            )
        return found[0]

    def bottles(self, *, in_hand: bool = True) -> tuple[BottleRecord, ...]:
        """Return the bottles, the oldest first.

        Parameters
        ----------
        in_hand : bool
            True for those that still hold something; False for all that ever were.
        """
        found = self._bottles("ORDER BY b.filled_at, b.id", ())
        return tuple(b for b in found if b.left_ml > 0) if in_hand else found

    def _bottles(self, where: str, values: Sequence[object]) -> tuple[BottleRecord, ...]:
        rows = self._db.execute(
            "SELECT b.id, v.name, b.species, b.filled_at, b.volume_ml, b.cells_per_ml, b.low, "
            "b.high, b.suspect FROM bottles b LEFT JOIN vessels v ON v.id = b.vessel_id " + where,
            values,
        ).fetchall()
        uses: dict[int, list[BottleUse]] = {}
        for bottle, done_at, ml, kind in self._db.execute(
            "SELECT bottle_id, done_at, ml, kind FROM bottle_uses ORDER BY done_at, id"
        ):
            uses.setdefault(bottle, []).append(BottleUse(datetime.fromisoformat(done_at), ml, kind))
        return tuple(
            BottleRecord(
                species=row[2],
                filled_at=datetime.fromisoformat(row[3]),
                volume_ml=row[4],
                cells_per_ml=row[5],
                low=row[6],
                high=row[7],
                vessel=row[1],
                suspect=bool(row[8]),
                uses=tuple(uses.get(row[0], ())),
                number=row[0],
            )
            for row in rows
        )

    def take_from_bottle(
        self, number: int, *, done_at: datetime, ml: float | None = None, kind: str = "used"
    ) -> BottleRecord:
        """Keep that something was used of a bottle, or thrown away.

        Parameters
        ----------
        number : int
            Which bottle.
        done_at : datetime
            Local, naive.
        ml : float or None
            How much [mL]; None takes all that is left.
        kind : {"used", "discarded"}
            Fed or otherwise used, or thrown away.

        Returns
        -------
        BottleRecord
            As it is now.

        Raises
        ------
        DensitycamError
            When there is no such bottle, it is empty or holds less, or was not yet filled then.
        ValueError
            For another kind.
        """
        if kind not in USES:
            raise ValueError(f"kind must be one of {', '.join(USES)}, not {kind!r}")
        with self.transaction():
            bottle = self.bottle(number)
            take = bottle.left_ml if ml is None else float(ml)
            if bottle.left_ml == 0 or not 0 < take <= bottle.left_ml * (1 + 1e-9):
                raise DensitycamError(
                    f"Bottle {number} holds {bottle.left_ml:g} mL"
                    + (", nothing more can be taken." if ml is None else f", not {take:g} mL."),
                    "See what there is with densitycam bottle list.",
                )
            if has_time(done_at) and done_at < bottle.filled_at:
                raise DensitycamError(
                    f"Bottle {number} was only filled at {bottle.filled_at:%Y-%m-%d %H:%M}.",
                    "Correct the time.",
                )
            self._db.execute(
                "INSERT INTO bottle_uses (bottle_id, done_at, ml, kind, entry) "
                "VALUES (?, ?, ?, ?, ?)",
                (number, _stamp(done_at), take, kind, self._next_entry()),
            )
        return self.bottle(number)

    def newest_at(self) -> datetime | None:
        """Return the latest moment that anything of the journal is dated, or None."""
        (stamp,) = self._db.execute(
            "SELECT max(at) FROM (SELECT max(done_at) AS at FROM splits "
            "UNION ALL SELECT max(done_at) FROM log UNION ALL SELECT max(filled_at) FROM bottles "
            "UNION ALL SELECT max(done_at) FROM bottle_uses "
            "UNION ALL SELECT (SELECT max(counted_at) FROM slides s WHERE s.vessel_id = v.id) "
            "FROM vessels v "
            "UNION ALL SELECT (SELECT max(taken_at) FROM photos p WHERE p.vessel_id = v.id) "
            "FROM vessels v)"
        ).fetchone()
        return None if stamp is None else datetime.fromisoformat(stamp)

    # Calibrations

    def add_calibration(self, calibration: CalibrationRecord) -> CalibrationRecord:
        """Keep a version of a calibration; earlier ones stay.

        Parameters
        ----------
        calibration : CalibrationRecord
            Its number is not looked at.

        Returns
        -------
        CalibrationRecord
            As kept, with its number.

        Raises
        ------
        DensitycamError
            For an unknown vessel.
        """
        with self.transaction():
            vessel_id = None if calibration.vessel is None else self._vessel_id(calibration.vessel)
            cursor = self._db.execute(
                "INSERT INTO calibrations (calibration_id, species, vessel_id, slides, points, "
                "made_by, made_at, calibration, since, shape_of) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    calibration.calibration_id,
                    calibration.species,
                    vessel_id,
                    calibration.slides,
                    calibration.points,
                    calibration.made_by,
                    _stamp(calibration.made_at),
                    calibration.calibration,
                    None if calibration.since is None else _stamp(calibration.since),
                    calibration.shape_of,
                ),
            )
        return replace(calibration, id=int(cursor.lastrowid or 0))

    def calibrations(self, species: str) -> tuple[CalibrationRecord, ...]:
        """Return all kept versions for a species, oldest first.

        Parameters
        ----------
        species : str
            Its id.
        """
        rows = self._db.execute(
            "SELECT c.id, c.calibration_id, c.species, v.name, c.slides, c.points, c.made_by, "
            "c.made_at, c.calibration, c.since, c.shape_of FROM calibrations c "
            "LEFT JOIN vessels v ON v.id = c.vessel_id WHERE c.species = ? ORDER BY c.id",
            (species,),
        ).fetchall()
        return tuple(
            CalibrationRecord(
                id=row[0],
                calibration_id=row[1],
                species=row[2],
                vessel=row[3],
                slides=row[4],
                points=row[5],
                made_by=row[6],
                made_at=datetime.fromisoformat(row[7]),
                calibration=row[8],
                since=None if row[9] is None else datetime.fromisoformat(row[9]),
                shape_of=row[10],
            )
            for row in rows
        )

    def latest_calibration(self, vessel: VesselRecord) -> CalibrationRecord | None:
        """Return the newest calibration that applies to a vessel, or None.

        One applies that was made from this vessel's slides, or from all vessels of its species.

        Parameters
        ----------
        vessel : VesselRecord
            The vessel.
        """
        fitting = [c for c in self.calibrations(vessel.species) if c.vessel in (None, vessel.name)]
        return fitting[-1] if fitting else None


def _refuse_nul(what: str, text: object) -> None:
    """See that no export of the journal will founder on a text; see `row_checks.can_be_kept`.

    What else cannot be kept, halves of letters, SQLite refuses by itself.
    """
    if "\0" in str(text):
        raise DensitycamError(
            f"The {what} {str(text)[:30]!r} holds a sign that no table can hold (NUL).",
            "Write it again without that sign.",
        )


def _stamp(when: datetime) -> str:
    return when.replace(tzinfo=None).isoformat(sep=" ", timespec="seconds")


def _photo_record(row: Sequence[object]) -> PhotoRecord:
    names = [field.name for field in fields(PhotoRecord)]  # `_PHOTO` selects in this order
    values: dict[str, Any] = dict(zip(names, row, strict=True))
    taken_at = values["taken_at"]
    values["taken_at"] = None if taken_at is None else datetime.fromisoformat(str(taken_at))
    values["own_optics"] = bool(values["own_optics"])
    values["tags"] = tuple(int(tag) for tag in str(values["tags"]).split())
    values["reading"] = _rebuilt(reading_from_json, values["reading"])
    values["estimate"] = _rebuilt(estimate_from_json, values["estimate"])
    return PhotoRecord(**values)


def _rebuilt(rebuild: Callable[[str], T], text: object) -> T | None:
    if text is None:
        return None
    try:
        return rebuild(str(text))
    except UNFIT:
        return None  # another version's form: the photo is to be read again


def _near(name: str, known: Iterable[str]) -> str:
    names = list(known)
    by_fold = {n.casefold(): n for n in names}
    close = difflib.get_close_matches(name.casefold(), by_fold, n=3, cutoff=0.5)
    if close:
        return f"Did you mean {' or '.join(by_fold[c] for c in close)}?"
    if names:
        return f"The journal knows {', '.join(names)}."
    return "The journal knows no vessel yet: describe one with densitycam vessel NAME."
