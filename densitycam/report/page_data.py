"""From the journal and the photos' files to what the page shows of a vessel."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from densitycam.culture.advice import Advice
from densitycam.errors import DensitycamError
from densitycam.flags import FLAGS
from densitycam.journal.history import (
    Today,
    VesselHistory,
    advise_at,
    density_points,
    splits_until,
)
from densitycam.journal.morning import VesselLine
from densitycam.journal.scoring import PHOTO_SUFFIXES, content_hash
from densitycam.journal.store import Journal
from densitycam.report.daily_work import bottle_holds, log_words, use_words
from densitycam.report.growth_chart import Ahead, ChartPanel
from densitycam.report.numbers import format_density, format_slide
from densitycam.report.page import PhotoTile, VesselPage
from densitycam.report.picture import photo_jpeg
from densitycam.report.text import decision_words

__all__ = [
    "TILE_PX",
    "TILE_QUALITY",
    "calibrated_words",
    "find_pictures",
    "forecast_of",
    "vessel_page",
    "vessel_panel",
]

#: Width of a picture of the strip [px]: sharp at twice the 144 at which it is shown.
TILE_PX = 288
#: Its JPEG quality (chosen by eye: bars still crisp, some 8 kB each).
TILE_QUALITY = 62
#: How many photos of a vessel the strip holds, the newest. Our own choice: about 0.3 MB.
STRIP = 40


def calibrated_words(history: VesselHistory) -> str:
    """Return what a vessel's densities rest on.

    Parameters
    ----------
    history : VesselHistory
        The vessel's, with the calibration in force.
    """
    n = history.calibration.n_slides
    if n == 0:
        return "starting calibration, not yet checked by a count"
    return f"calibrated with {n} slide count{'' if n == 1 else 's'} of your own"


def vessel_panel(journal: Journal, today: Today) -> ChartPanel:
    """Return a vessel's growth up to a moment, with its forecast.

    Parameters
    ----------
    journal : Journal
        Knows slides and photos that were not measured.
    today : Today
        Of the vessel at that moment.

    Returns
    -------
    ChartPanel
        Nothing in it is later than the moment but the forecast.
    """
    history, now = today.history, today.now
    readings = [r for r in history.readings if r.when <= now]
    strangers = {s.id: s for s in history.strangers}
    refused = []
    for photo in journal.photos(history.vessel.name):
        record = strangers.get(photo.id, photo)
        if record.status == "refused" and record.taken_at is not None and record.taken_at <= now:
            flag = FLAGS.get(record.flag or "")
            refused.append((record.taken_at, flag.title if flag else "not measured"))
    return ChartPanel(
        title=f"{history.vessel.name}, {history.facts.title}",
        points=density_points(readings),
        splits=splits_until(history, readings, now),
        harvest_low=history.facts.harvest_low,
        harvest_high=history.facts.harvest_high,
        refused=refused,
        more_than=[
            (r.when, r.estimate.low)
            for r in readings
            if r.estimate.status == "more-than" and r.estimate.low > 0
        ],
        slides=[
            (s.counted_at, s.count.cells_per_ml, s.count.low, s.count.high)
            for s in journal.slides(vessel=history.vessel.name)
            if s.count.cells and s.counted_at <= now
        ],
        note=calibrated_words(history),
        ahead=forecast_of(today),
    )


def forecast_of(today: Today) -> Ahead | None:
    """Return the forecast of a batch that is to grow on, for its chart; None for others.

    Parameters
    ----------
    today : Today
        The vessel as of today.
    """
    from densitycam.culture.readiness import harvest_goal

    advice, estimate = today.advice, today.estimate
    if advice.ready_on is None or today.reading is None or estimate is None:
        return None
    goal = harvest_goal(facts=today.history.facts, growth=today.growth, rule=today.history.rule)
    if not 0 < estimate.cells_per_ml < goal:  # False for nan
        return None
    return Ahead(
        begin=today.now if today.diluted else today.reading.when,
        cells_per_ml=estimate.cells_per_ml,
        goal=goal,
        day=advice.ready_on,
        earliest=advice.ready_earliest,
        latest=advice.ready_latest,
    )


def find_pictures(folder: Path, wanted: Mapping[str, Sequence[str]]) -> tuple[dict[str, str], int]:
    """Find photos of the journal in a folder and make small pictures of them.

    Parameters
    ----------
    folder : Path
        Looked through with all its subfolders.
    wanted : mapping of str to sequence of str
        File name to the SHA-256 of the photos of that name.

    Returns
    -------
    pictures : dict of str to str
        SHA-256 to a data: address of a JPEG without metadata: no place, no time, no camera.
    missing : int
        How many were not found.

    Raises
    ------
    DensitycamError
        Where there is no such folder.
    """
    if not folder.is_dir():
        raise DensitycamError(f"There is no folder {folder}.", "Name the one with the photos.")
    left = {sha for hashes in wanted.values() for sha in hashes}
    pictures: dict[str, str] = {}
    for file in sorted(folder.rglob("*")):
        if not left:
            break
        if file.name not in wanted or file.suffix.lower() not in PHOTO_SUFFIXES:
            continue
        try:
            sha = content_hash(file)
            if sha in left:
                pictures[sha] = _tile(file)
                left.discard(sha)
        except DensitycamError:
            continue  # unreadable: counted as missing
    return pictures, len(left)


def _tile(file: Path) -> str:
    picture = photo_jpeg(file, TILE_PX, quality=TILE_QUALITY)
    return f"data:image/jpeg;base64,{base64.b64encode(picture).decode()}"


def vessel_page(
    journal: Journal,
    line: VesselLine,
    pictures: Mapping[str, str] | None = None,
    *,
    links: Mapping[str, str] | None = None,
    newest: int | None = None,
) -> VesselPage:
    """Return what the page shows of a vessel.

    Parameters
    ----------
    journal : Journal
        What was logged and counted.
    line : VesselLine
        The vessel today.
    pictures : mapping of str to str, optional
        SHA-256 of a photo to its picture's address, as `find_pictures` gives them.
    links : mapping of str to str, optional
        SHA-256 of a photo to the address of its own page.
    newest : int, optional
        Decide anew as of so many photos, the newest; of all when not given.
    """
    today = line.today
    history = today.history
    places = [n for n, r in enumerate(history.readings) if r.when <= today.now]
    tiles = []
    for place in places if newest is None else places[-newest:]:
        reading = history.readings[place]
        advice = advise_at(history, place)[1]
        tiles.append(
            PhotoTile(
                when=reading.when,
                density=format_density(reading.estimate),
                decision=_decided(advice),
                signs=", ".join(FLAGS[n].title for n in FLAGS if n in reading.flags),
                picture=(pictures or {}).get(reading.photo.sha256, ""),
                link=(links or {}).get(reading.photo.sha256, ""),
            )
        )
    return VesselPage(
        line=line,
        panel=vessel_panel(journal, today),
        tiles=tiles,
        log=_log(journal, history.vessel.name, today.now),
        calibrated=calibrated_words(history),
    )


def _decided(advice: Advice) -> str:
    words = decision_words(advice)
    return f"{words}; early warning" if advice.warnings else words


def _log(journal: Journal, name: str, now: datetime) -> list[tuple[datetime, str, str]]:
    """Everything but photos, in order of time."""
    until = now.replace(hour=0, minute=0, second=0) + timedelta(days=1)
    rows = [
        (r.done_at, "split", log_words(r).removeprefix("split: ")) for r in journal.splits(name)
    ]
    rows += [(r.done_at, "log", log_words(r)) for r in journal.log(vessel=name)]
    rows += [
        (s.counted_at, "slide", f"{s.count.cells} cells counted: {format_slide(s.count)}")
        for s in journal.slides(vessel=name)
    ]
    for bottle in journal.bottles(in_hand=False):
        if bottle.vessel == name:
            holds = bottle_holds(bottle)
            rows.append((bottle.filled_at, "bottle", f"bottle {bottle.number}: {holds}"))
            rows += [(u.done_at, "bottle", use_words(bottle, u)) for u in bottle.uses]
    return sorted((r for r in rows if r[0] < until), key=lambda r: r[0])
