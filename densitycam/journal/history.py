"""What the journal knows of a vessel becomes its calibration, its densities and its advice."""

from __future__ import annotations

import hashlib
import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING

from densitycam.calibration.estimate import Estimate, signs_with
from densitycam.calibration.species import SpeciesFacts, load_species
from densitycam.culture.dilution import Dilution, as_diluted
from densitycam.culture.readiness import RULE, Rule
from densitycam.culture.series import DensityPoint, Split
from densitycam.culture.settings import Settings, thresholds_of
from densitycam.errors import DensitycamError
from densitycam.journal.batches import Batch, batch_begin, batches, waters
from densitycam.journal.encode import to_json
from densitycam.journal.store import (
    BlankRecord,
    CalibrationRecord,
    Journal,
    PhotoRecord,
    SlideRecord,
)
from densitycam.vessel.blank import with_blank
from densitycam.vessel.record import VesselRecord
from densitycam.vessel.same_vessel import strays_from_earlier, usual_width_mm

if TYPE_CHECKING:
    from densitycam.calibration.model import Calibration, CalibrationPoint
    from densitycam.culture.advice import Advice, Growth

#: Photos from before this tell a decision nothing. Our own choice: a season, three times as long
#: as the early warning learns from; and the work for ten thousand photos grows as their number.
LOOK_BACK = timedelta(days=120)


@dataclass(frozen=True)
class Pairs:
    """Slides sorted by whether they can calibrate.

    Parameters
    ----------
    used : tuple of (SlideRecord, PhotoRecord)
        A count above zero, with a reading of the same culture.
    unpaired : tuple of SlideRecord
        Without a photo, or with one that has no reading.
    zero : tuple of SlideRecord
        Paired counts of zero: kept, they set no gain.
    """

    used: tuple[tuple[SlideRecord, PhotoRecord], ...]
    unpaired: tuple[SlideRecord, ...]
    zero: tuple[SlideRecord, ...]

    def points(self) -> tuple[CalibrationPoint, ...]:
        """Return the used pairs as the calibration takes them."""
        from densitycam.calibration.model import CalibrationPoint

        return tuple(
            CalibrationPoint(reading=photo.reading, slide=slide.count, label=pair_label(photo))
            for slide, photo in self.used
            if photo.reading is not None
        )

    def since(self, when: datetime | None) -> Pairs:
        """Return those counted from a moment on; all of them for None.

        Parameters
        ----------
        when : datetime or None
            The moment, itself included; local, naive.
        """
        if when is None:
            return self
        return Pairs(
            tuple(pair for pair in self.used if pair[0].counted_at >= when),
            tuple(slide for slide in self.unpaired if slide.counted_at >= when),
            tuple(slide for slide in self.zero if slide.counted_at >= when),
        )

    def fingerprint(self) -> str:
        """Return a hash that changes when a count or a reading does."""
        digest = hashlib.sha256()
        for slide, photo in self.used:
            digest.update(to_json([slide.count, photo.reading]).encode())
        return digest.hexdigest()


@dataclass(frozen=True)
class DatedReading:
    """One measured photo of a vessel with its density by the present calibration.

    Parameters
    ----------
    photo : PhotoRecord
        Its reading is the one in use: less the vessel's blank, with the signs that need the
        species' usual pigment.
    estimate : Estimate
        The density.
    """

    photo: PhotoRecord
    estimate: Estimate

    @property
    def when(self) -> datetime:
        """Capture time, local, naive.

        Raises
        ------
        ValueError
            For a photo without a time; `vessel_history` leaves those out.
        """
        if self.photo.taken_at is None:
            raise ValueError(f"{self.photo.file_name} was measured and has no time")
        return self.photo.taken_at

    @property
    def flags(self) -> tuple[str, ...]:
        """Signs seen in it, with what its density adds to them."""
        reading = self.photo.reading
        return () if reading is None else signs_with(self.estimate, reading.flags)

    @cached_property  # each day's decision looks at all photos before it
    def point(self) -> DensityPoint | None:
        """The density as the culture floor takes it; None where there is none."""
        from densitycam.calibration.pigment import pigment_of

        if self.estimate.status != "measured" or not math.isfinite(self.estimate.cells_per_ml):
            return None
        seen = None if self.photo.reading is None else pigment_of(self.photo.reading)
        return DensityPoint(
            when=self.when,
            cells_per_ml=self.estimate.cells_per_ml,
            low=self.estimate.low,
            high=self.estimate.high,
            relative_sd=self.estimate.relative_sd,
            flags=self.flags,
            pigment=None if seen is None else seen.pigment,
        )


@dataclass(frozen=True)
class VesselHistory:
    """All that the decision needs to know of one vessel.

    Parameters
    ----------
    vessel : VesselRecord
        Its description.
    facts : SpeciesFacts
        Of its species.
    calibration : Calibration
        The one in force.
    readings : tuple of DatedReading
        In order of time.
    logged_splits : tuple of Split
        In order of time; a large top-up is one.
    strangers : tuple of PhotoRecord
        Photos that show another vessel than the earlier ones did, as refused: without a reading.
        As more photos come, the vessel's own may turn out to be others.
    rule : Rule
        The numbers that decide, beside those among the facts.
    dilutions : tuple of Dilution
        Small top-ups and evaporation, in order of time.
    batches : tuple of Batch
        In order of time; none where neither an inoculation nor an end was logged.
    """

    vessel: VesselRecord
    facts: SpeciesFacts
    calibration: Calibration
    readings: tuple[DatedReading, ...]
    logged_splits: tuple[Split, ...]
    strangers: tuple[PhotoRecord, ...] = ()
    rule: Rule = RULE
    dilutions: tuple[Dilution, ...] = ()
    batches: tuple[Batch, ...] = ()


def in_use(photo: PhotoRecord, vessel: VesselRecord, blank: BlankRecord | None) -> PhotoRecord:
    """Return a photo with its reading less the vessel's blank.

    Parameters
    ----------
    photo : PhotoRecord
        As kept, with raw transmittances.
    vessel : VesselRecord
        Its vessel.
    blank : BlankRecord or None
        The vessel's newest; None leaves the assumed one.

    Returns
    -------
    PhotoRecord
        Unchanged where a sample was drawn into another vessel, which the blank is not of.
    """
    if blank is None or photo.reading is None or not _stood_in(photo, vessel):
        return photo
    return replace(photo, reading=with_blank(photo.reading, blank.blank))


def _stood_in(photo: PhotoRecord, vessel: VesselRecord) -> bool:
    """Tell the vessel's own photos from those of a sample drawn into another bottle."""
    return math.isclose(photo.path_mm, vessel.path_mm) and photo.shape == vessel.shape


def _strangers_among(photos: Sequence[PhotoRecord], vessel: VesselRecord) -> dict[int, PhotoRecord]:
    """Find the photos of a flat bottle that is not the one of the photos before them.

    Parameters
    ----------
    photos : sequence of PhotoRecord
        Of one vessel, in order of capture.
    vessel : VesselRecord
        The vessel; a cylinder's width is held against its record when it is read.

    Returns
    -------
    dict of int to PhotoRecord
        By number in the journal, as refused: without a reading, with flag and message.
    """
    from densitycam.photo.card_finder import refuse

    strangers: dict[int, PhotoRecord] = {}
    widths: list[float] = []
    for photo in photos:
        width = None if photo.reading is None else photo.reading.outline.width_mm
        if width is None or photo.taken_at is None or not _stood_in(photo, vessel):
            continue
        if strays_from_earlier(width, widths):
            usual = usual_width_mm(widths)
            refusal = refuse("wrong-vessel", f"{width:.0f} mm wide, {usual:.0f} mm before")
            strangers[photo.id] = replace(
                photo,
                status="refused",
                flag=refusal.flag,
                message=str(refusal),
                reading=None,
                estimate=None,
            )
        widths.append(width)  # so that a new bottle is believed once most photos show it
    return strangers


def pair_label(photo: PhotoRecord) -> str:
    """Return a few words that name a calibration point: the photo's file, and its day.

    Parameters
    ----------
    photo : PhotoRecord
        The photo of a pair.
    """
    day = "" if photo.taken_at is None else f"{photo.taken_at:%Y-%m-%d}"
    return photo.file_name if day in photo.file_name else f"{day} {photo.file_name}"


def paired_slides(
    journal: Journal, *, vessel: str | None = None, species: str | None = None
) -> Pairs:
    """Sort the slides of a vessel, or of a species, by whether they can calibrate.

    The photos' readings are those in use, less their vessel's blank.

    Parameters
    ----------
    journal : Journal
        Where the slides are.
    vessel : str or None
        A vessel's name; None for all vessels.
    species : str or None
        A species' id; None for all species.

    Returns
    -------
    Pairs
        In order of time.
    """
    used, unpaired, zero = [], [], []
    vessels = {v.name: v for v in journal.vessels()}
    blanks = {name: journal.blank(name) for name in vessels}
    for slide in journal.slides(vessel=vessel, species=species):
        photo = (
            None
            if slide.photo_sha256 is None
            else journal.find_photo(slide.photo_sha256, slide.vessel)
        )
        if photo is None or photo.reading is None:
            unpaired.append(slide)
        elif slide.count.cells == 0:
            zero.append(slide)
        else:
            used.append((slide, in_use(photo, vessels[slide.vessel], blanks[slide.vessel])))
    return Pairs(tuple(used), tuple(unpaired), tuple(zero))


def calibration_in_force(
    journal: Journal, vessel: VesselRecord
) -> tuple[Calibration, CalibrationRecord | None]:
    """Return the newest kept calibration that applies to a vessel, else the starting one.

    Parameters
    ----------
    journal : Journal
        Where calibrations are kept.
    vessel : VesselRecord
        The vessel.

    Returns
    -------
    calibration : Calibration
        To estimate with.
    record : CalibrationRecord or None
        As it is kept; None for the starting one.

    Raises
    ------
    DensitycamError
        When a kept one cannot be read.
    """
    from densitycam.calibration.model import calibration_from_json, start_calibration

    kept = journal.latest_calibration(vessel)
    if kept is None:
        return start_calibration(vessel.species), None
    return calibration_from_json(kept.calibration), kept


def _calibrations_in_force(
    journal: Journal, vessel: VesselRecord
) -> Callable[[datetime], Calibration]:
    """Return what tells the calibration for a photo taken at a moment.

    That is the newest kept one that applies to the vessel. After a drift it was made from slides
    since a day, and photos from before that day keep to the calibration that held then.

    Raises
    ------
    DensitycamError
        When a kept one cannot be read.
    """
    from densitycam.calibration.model import calibration_from_json, start_calibration

    found: list[tuple[datetime | None, Calibration]] = []
    earliest: datetime | None = None
    for record in reversed(journal.calibrations(vessel.species)):
        if record.vessel not in (None, vessel.name):
            continue
        if earliest is not None and record.since is not None and record.since >= earliest:
            continue  # a newer one reaches further back
        found.append((record.since, calibration_from_json(record.calibration)))
        earliest = record.since
        if earliest is None:  # nothing older is ever asked for
            break
    else:
        found.append((None, start_calibration(vessel.species)))
    return lambda when: next(c for since, c in found if since is None or when >= since)


def fit_and_keep(
    journal: Journal,
    pairs: Pairs,
    *,
    species: str,
    vessel: str | None,
    made_by: str,
    made_at: datetime,
    since: datetime | None = None,
    shape_of: int | None = None,
) -> tuple[Calibration, CalibrationRecord]:
    """Fit a calibration to slides and keep the result as a new version.

    Parameters
    ----------
    journal : Journal
        Where it is kept.
    pairs : Pairs
        The slides.
    species : str
        Species id.
    vessel : str or None
        Whose slides they are; None for all vessels of the species.
    made_by, made_at, since, shape_of
        As in `CalibrationRecord`. The fit starts from the species' starting calibration, or,
        after a drift, from the shape of an earlier one.

    Returns
    -------
    calibration : Calibration
        The fit.
    record : CalibrationRecord
        As kept; the one before where the fit is the same and in force already.

    Raises
    ------
    DensitycamError
        When there is nothing to fit.
    """
    from densitycam.calibration.model import calibration_to_json, fit_calibration

    pairs = pairs.since(since)
    if not pairs.used:
        after = "" if since is None else f" counted since {since:%Y-%m-%d}"
        raise DensitycamError(
            f"No slide count of {vessel or species}{after} is paired with a reading.",
            "Snap the culture, count a slide of it, and log it with densitycam count --reading "
            "latest.",
        )
    fitted = fit_calibration(prior_of(journal, species, shape_of), pairs.points())
    # The newest that applies, as `Journal.latest_calibration` has it; of all for a species' own.
    kept = [
        c for c in journal.calibrations(species) if vessel is None or c.vessel in (None, vessel)
    ]
    if kept and (kept[-1].calibration_id, kept[-1].vessel, kept[-1].since) == (
        fitted.id,
        vessel,
        since,
    ):
        return fitted, kept[-1]  # in force already: the same again is no new version
    record = journal.add_calibration(
        CalibrationRecord(
            id=0,
            calibration_id=fitted.id,
            species=species,
            vessel=vessel,
            slides=fitted.n_slides,
            points=pairs.fingerprint(),
            made_by=made_by,
            made_at=made_at,
            calibration=calibration_to_json(fitted),
            since=since,
            shape_of=shape_of,
        )
    )
    return fitted, record


def prior_of(journal: Journal, species: str, shape_of: int | None) -> Calibration:
    """Return what a fit starts from: a species' published optics, or an earlier one's shape.

    Parameters
    ----------
    journal : Journal
        Where calibrations are kept.
    species : str
        Species id.
    shape_of : int or None
        Number of the kept calibration whose shape is taken over; None for the published optics.

    Raises
    ------
    DensitycamError
        When a kept one cannot be read, or for an unknown species.
    """
    from densitycam.calibration.model import calibration_from_json, loosened, start_calibration

    for record in journal.calibrations(species):
        if record.id == shape_of:
            return loosened(calibration_from_json(record.calibration))
    return start_calibration(species)


def since_drift(kept: CalibrationRecord | None) -> tuple[datetime | None, int | None]:
    """Return since when a vessel's slides calibrate it, and whose shape they take over.

    After a drift the user left the slides before it out, and they stay out.

    Parameters
    ----------
    kept : CalibrationRecord or None
        The vessel's newest.

    Returns
    -------
    since, shape_of
        As in `CalibrationRecord`; None for all slides, and for the starting calibration's shape.
    """
    if kept is None or kept.vessel is None:
        return None, None
    return kept.since, kept.shape_of


def calibrate_if_new(
    journal: Journal, vessel: VesselRecord, *, made_at: datetime
) -> CalibrationRecord | None:
    """Calibrate a vessel when its slides are not yet in the calibration in force.

    Parameters
    ----------
    journal : Journal
        Where the slides are, and the calibration goes.
    vessel : VesselRecord
        Whose slides.
    made_at : datetime
        Local, naive.

    Returns
    -------
    CalibrationRecord or None
        The new version; None when nothing was to do, or when the user has calibrated since the
        last slide.

    Raises
    ------
    DensitycamError
        As in `prior_of`.
    """
    kept = journal.latest_calibration(vessel)
    since, shape_of = since_drift(kept)
    pairs = paired_slides(journal, vessel=vessel.name).since(since)
    if not pairs.used:
        return None
    if kept is not None:
        if kept.vessel is None:
            # Made by the user from all vessels of the species, these slides among them.
            everyones = paired_slides(journal, species=vessel.species)
            if kept.points == everyones.since(kept.since).fingerprint():
                return None
        elif kept.points == pairs.fingerprint():
            return None
    _, record = fit_and_keep(
        journal,
        pairs,
        species=vessel.species,
        vessel=vessel.name,
        made_by="batch",
        made_at=made_at,
        since=since,
        shape_of=shape_of,
    )
    return record


def lately(journal: Journal, vessel: VesselRecord, now: datetime) -> datetime | None:
    """Return since when photos can matter to a decision at a moment; None for all of them.

    `LOOK_BACK` before the vessel's newest photo, and a month, so that a bottle's usual width is
    known by then.

    Parameters
    ----------
    journal : Journal
        Where the photos are.
    vessel : VesselRecord
        Whose.
    now : datetime
        The moment, local, naive.
    """
    newest = journal.newest_photo_at(vessel.name, now)
    return None if newest is None else newest - LOOK_BACK - timedelta(days=30)


def vessel_history(
    journal: Journal,
    vessel: VesselRecord,
    settings: Settings | None = None,
    *,
    since: datetime | None = None,
) -> VesselHistory:
    """Estimate every reading of a vessel anew and keep the estimates.

    Parameters
    ----------
    journal : Journal
        Where the readings are; their estimates are brought up to date in it.
    vessel : VesselRecord
        Which vessel.
    settings : Settings, optional
        The keeper's own thresholds.
    since : datetime, optional
        Leave out photos taken before; see `lately`.

    Returns
    -------
    VesselHistory
        What the decision needs.

    Raises
    ------
    DensitycamError
        When a kept calibration cannot be read, for an unknown species, and where a threshold of the
        settings leaves no harvest band.
    """
    from densitycam.calibration.model import estimate

    rule, facts = thresholds_of(settings or Settings(), load_species(vessel.species), vessel)
    calibration, _ = calibration_in_force(journal, vessel)
    at = _calibrations_in_force(journal, vessel)
    blank = journal.blank(vessel.name)
    photos = journal.photos(vessel.name, since=since)
    strangers = _strangers_among(photos, vessel)
    readings, changed = [], []
    for record in photos:
        photo = in_use(record, vessel, blank)
        if photo.reading is None or photo.taken_at is None or photo.id in strangers:
            continue
        value = estimate(photo.reading, at(photo.taken_at))
        if photo.estimate is None or to_json(photo.estimate) != to_json(value):
            changed.append((photo.id, value))
        readings.append(DatedReading(replace(photo, estimate=value), value))
    if changed:
        journal.set_estimates(changed)
    log, taken = journal.log(vessel=vessel.name), [r.when for r in readings]
    water = waters(vessel, splits=journal.splits(vessel.name), log=log, photos=taken)
    return _with_species_signs(
        VesselHistory(
            vessel=vessel,
            facts=facts,
            calibration=calibration,
            readings=tuple(readings),
            logged_splits=water.splits,
            strangers=tuple(strangers.values()),
            rule=rule,
            dilutions=water.dilutions,
            batches=batches(log, taken),
        )
    )


def _with_species_signs(history: VesselHistory) -> VesselHistory:
    """Add the signs that hold a reading against the species' usual pigment.

    Each photo is judged by what was known when it was taken: by the forecast from the photos of
    its batch before it, those with a sign of trouble left out.
    """
    from densitycam.calibration.model import species_signs
    from densitycam.culture.foretell import foretell

    signed: list[DatedReading] = []
    for dated in history.readings:
        reading = dated.photo.reading
        if reading is None:
            continue
        signs = species_signs(reading, history.calibration)
        if "pale" in signs:
            _, splits = batch_series(history, [*signed, dated], dated.when)
            points, _ = batch_series(history, signed, dated.when)
            told = foretell(points, splits, dated.when)
            signs = species_signs(reading, history.calibration, foretold=told)
        reading = replace(reading, flags=(*reading.flags, *signs))
        signed.append(replace(dated, photo=replace(dated.photo, reading=reading)))
    return replace(history, readings=tuple(signed))


def density_points(readings: Sequence[DatedReading]) -> tuple[DensityPoint, ...]:
    """Return the readings that have a density, as the culture floor takes them.

    Parameters
    ----------
    readings : sequence of DatedReading
        In any order, which is kept.
    """
    return tuple(r.point for r in readings if r.point is not None)


def splits_until(
    history: VesselHistory, readings: Sequence[DatedReading], now: datetime
) -> tuple[Split, ...]:
    """Return the splits that can be known at a moment from some readings.

    Those logged up to then, and those concluded from falls in density that neither they nor a
    new culture nor a top-up explains.

    Parameters
    ----------
    history : VesselHistory
        The vessel's.
    readings : sequence of DatedReading
        Those that falls in density are looked for in.
    now : datetime
        The moment, local, naive.

    Returns
    -------
    tuple of Split
        In order of time.
    """
    from densitycam.culture.growth import infer_splits

    logged = [s for s in history.logged_splits if s.when <= now]
    points = as_diluted(density_points(readings), history.dilutions, now)
    groups: dict[datetime | None, list[DensityPoint]] = {}
    for point in points:
        groups.setdefault(batch_begin(history.batches, point.when), []).append(point)
    inferred = [s for group in groups.values() for s in infer_splits(group, logged)]
    return tuple(sorted([*logged, *inferred], key=lambda s: s.when))


def batch_series(
    history: VesselHistory, readings: Sequence[DatedReading], now: datetime
) -> tuple[tuple[DensityPoint, ...], tuple[Split, ...]]:
    """Return densities and splits of the culture that is in the vessel at a moment.

    Parameters
    ----------
    history : VesselHistory
        The vessel's.
    readings : sequence of DatedReading
        Those that are known, in order of time.
    now : datetime
        The moment.

    Returns
    -------
    points : tuple of DensityPoint
        Not older than `LOOK_BACK`; since the culture's inoculation, where one was logged; those
        before a top-up as if it had been done already.
    splits : tuple of Split
        Likewise; the inoculation is the first of them, with a kept share of nan: time counts
        from it, and no density from before it tells anything of now.
    """
    readings = readings[bisect_left(readings, now - LOOK_BACK, key=lambda r: r.when) :]
    begin = batch_begin(history.batches, now)
    splits = splits_until(history, readings, now)
    if begin is None:
        return as_diluted(density_points(readings), history.dilutions, now), splits
    own = [r for r in readings if r.when >= begin]
    since = tuple(s for s in splits if s.when > begin)
    return (
        as_diluted(density_points(own), history.dilutions, now),
        # Photos of the very moment of inoculation show the new culture.
        (Split(when=begin - timedelta(seconds=1), kept_share=math.nan), *since),
    )


def advise_at(history: VesselHistory, place: int) -> tuple[Growth, Advice]:
    """Decide as of one reading, from what was known then.

    Parameters
    ----------
    history : VesselHistory
        The vessel's.
    place : int
        Which of `history.readings`; those after it are not looked at.

    Returns
    -------
    growth : Growth
        Of the batch running then.
    advice : Advice
        What to do on the day of that photo.
    """
    reading = history.readings[place]
    return _advise(
        history,
        history.readings[: place + 1],
        now=reading.when,
        estimate=reading.estimate,
        flags=reading.flags,
    )


def advise_refused(history: VesselHistory, when: datetime, flag: str | None) -> Advice:
    """Decide as of a photo that was refused, from the readings up to then.

    Parameters
    ----------
    history : VesselHistory
        The vessel's; a refused photo is none of its readings.
    when : datetime
        When the photo was taken, local, naive.
    flag : str or None
        The gate that refused it, as in `densitycam.flags.FLAGS`.

    Returns
    -------
    Advice
        Without a density of that moment.
    """
    until = [r for r in history.readings if r.when <= when]
    flags = () if flag is None else (flag,)
    return _advise(history, until, now=when, estimate=None, flags=flags)[1]


#: Signs that still speak of a culture once it was split: what is wrong with the cells stays.
_OUTLAST_A_SPLIT = ("milky", "pale", "bleached", "colour-shift")


@dataclass(frozen=True)
class Today:
    """What is known of a vessel at a moment, and what to do.

    Parameters
    ----------
    history : VesselHistory
        The vessel's.
    now : datetime
        The moment, local, naive.
    reading : DatedReading or None
        The newest photo of the culture in it; None where there is none.
    estimate : Estimate or None
        Its density, later splits and top-ups reckoned with; growth since the photo is not.
    flags : tuple of str
        Its signs that still hold.
    diluted : bool
        True where a split or top-up came after the photo.
    growth : Growth
        Of the running batch.
    advice : Advice
        What to do.
    ended : Batch or None
        The last culture, where it was ended and none has been photographed since.
    """

    history: VesselHistory
    now: datetime
    reading: DatedReading | None
    estimate: Estimate | None
    flags: tuple[str, ...]
    diluted: bool
    growth: Growth
    advice: Advice
    ended: Batch | None

    @property
    def age_days(self) -> float:
        """Age of the newest photo; nan where there is none [day]."""
        if self.reading is None:
            return math.nan
        return max(0.0, (self.now - self.reading.when).total_seconds() / 86400.0)


def advise_today(history: VesselHistory, now: datetime) -> Today:
    """Decide as of a moment, from the newest photo and what was logged since.

    Parameters
    ----------
    history : VesselHistory
        The vessel's.
    now : datetime
        The moment, local, naive. What was logged for its day without a time counts as done.

    Returns
    -------
    Today
        A photo older than the rule's stale_days decides nothing.
    """
    water: list[Split | Dilution] = [*history.logged_splits, *history.dilutions]
    now = max([now, *(w.when for w in water if w.when.date() == now.date())])
    begin = batch_begin(history.batches, now)
    known = [r for r in history.readings if r.when <= now]
    newest = known[-1] if known and (begin is None or known[-1].when >= begin) else None
    last = history.batches[-1] if history.batches else None
    estimate: Estimate | None = None
    flags: tuple[str, ...] = ()
    factor = 1.0
    if newest is not None:
        estimate, flags = newest.estimate, newest.flags
        for split in history.logged_splits:
            if newest.when < split.when <= now:
                factor *= split.kept_share
        for dilution in history.dilutions:
            if newest.when < dilution.when <= now:
                factor *= dilution.factor
        if factor != 1.0:
            flags = tuple(f for f in flags if f in _OUTLAST_A_SPLIT)
            estimate = replace(
                estimate,
                cells_per_ml=estimate.cells_per_ml * factor,
                low=estimate.low * factor,
                high=estimate.high * factor,
                notes=("Reckoned from the photo before the new water, growth since not counted.",),
            )
    growth, advice = _advise(
        history,
        known,
        now=now,
        estimate=estimate,
        flags=flags,
        seen_at=None if newest is None else newest.when,
    )
    return Today(
        history=history,
        now=now,
        reading=newest,
        estimate=estimate,
        flags=flags,
        diluted=factor != 1.0,
        growth=growth,
        advice=advice,
        ended=last if last and newest is None and last.ends and last.ends <= now else None,
    )


def _advise(
    history: VesselHistory,
    readings: Sequence[DatedReading],
    *,
    now: datetime,
    estimate: Estimate | None,
    flags: Sequence[str],
    seen_at: datetime | None = None,
) -> tuple[Growth, Advice]:
    from densitycam.culture.forecast import forecast_ready
    from densitycam.culture.growth import growth
    from densitycam.culture.harvest_interval import best_harvest_of
    from densitycam.culture.readiness import decide, harvest_goal
    from densitycam.culture.warning import early_warnings

    points, splits = batch_series(history, readings, now)
    facts, rule = history.facts, history.rule
    grown = growth(points, splits, now)
    goal = harvest_goal(facts=facts, growth=grown, rule=rule)
    running = [p for p in points if not splits or p.when > splits[-1].when]
    advice = decide(
        estimate=estimate,
        flags=flags,
        growth=grown,
        facts=facts,
        vessel=history.vessel,
        now=now,
        last_point=running[-1] if running else None,
        rule=rule,
        warnings=early_warnings(points, splits, now, settles=facts.settles),
        seen_at=seen_at,
        ready=forecast_ready(points, splits, now, goal_cells_per_ml=goal),
    )
    if advice.plan is not None:  # it is shown beside a plan only
        best = best_harvest_of(
            points,
            splits,
            now,
            growth=grown,
            working_volume_ml=history.vessel.working_volume_ml,
            harvest_low=facts.harvest_low,
        )
        advice = replace(advice, best_harvest=best)
    return grown, advice
