"""Snapping: a photo comes in, is read in a process of its own, kept, and answered."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.flags import FLAGS
from densitycam.journal.history import advise_at, vessel_history
from densitycam.journal.scoring import Optics, ReadingJob, known_or_job, optics_for
from densitycam.journal.snapping import keep_snap
from densitycam.journal.sorting import vessel_by_tag
from densitycam.journal.store import PhotoRecord
from densitycam.report.annotate import LEGEND
from densitycam.report.numbers import format_density, format_rate
from densitycam.report.page import pairs_html
from densitycam.report.snap_notes import snap_notes
from densitycam.report.text import checked_text
from densitycam.vessel.record import SHAPES
from densitycam.web.asked import (
    asked_number,
    asked_vessel,
    journal,
    keep_upload,
    now,
    place,
    quantity,
    settings,
)
from densitycam.web.guard import LARGEST_PHOTO
from densitycam.web.originals import original_of

views = Blueprint("snap", __name__)


@views.get("/snap")
def form() -> str | AnyResponse:
    """Ask for a photo of a vessel."""
    vessels = journal().vessels()
    if not vessels:
        return redirect(url_for("start.start"))
    return render_template(
        "snap.html",
        vessels=vessels,
        shapes=SHAPES,
        chosen=request.args.get("vessel", ""),
        tags=bool(journal().tags()),
        most=LARGEST_PHOTO,
    )


@views.post("/snap")
def take() -> AnyResponse:
    """Keep and read a photo, then show what it says."""
    kept = journal()
    sent = [f for f in map(request.files.get, ("photo", "gallery")) if f is not None and f.filename]
    if len(sent) != 1:
        raise DensitycamError("No photo came along.", "Take one, or choose one, and send it again.")
    (upload,) = sent
    own = _own_optics()
    by_tag = request.form.get("vessel") == "" and bool(kept.tags())
    vessel = None if by_tag else asked_vessel()
    original = keep_upload(upload)
    if vessel is None:
        name = vessel_by_tag(kept, place().reader.tags(original.path))
        if name is None:
            raise DensitycamError(
                "No known tag is seen in the photo.", "Choose the vessel, and send it again."
            )
        vessel = kept.vessel(name)
    prints = kept.prints_in_use()
    found = known_or_job(kept, vessel, original.path, sha256=original.sha256, prints=prints)
    if own:
        optics = optics_for(vessel, **own)
        found = ReadingJob(original.path, vessel, optics, original.sha256, tuple(prints))
    if isinstance(found, PhotoRecord):
        flash("This very photo is kept already: it counts once.")
        return redirect(url_for("snap.photo", number=found.id), 303)
    record = place().reader.read(found)
    if isinstance(record, str):
        raise DensitycamError(f"The photo was not read. {record}", "")
    try:
        snapped = keep_snap(kept, record, vessel, settings(), now())
    except PhotoRefusedError:
        refused = kept.find_photo(original.sha256, vessel.name)
        if refused is None:
            raise
        return redirect(url_for("snap.photo", number=refused.id), 303)
    # That a print was not measured, the photo's page says itself.
    notes = snap_notes(snapped, now(), registered=True)
    if original.time_source == "arrival":  # our own name for it holds that time
        notes = [note for note in notes if "carries no capture time" not in note]
        notes.append("It tells no time of its own: when it arrived is taken for it.")
    for said in notes:
        flash(said, "beside")
    return redirect(url_for("snap.photo", number=snapped.here.photo.id), 303)


def _own_optics() -> dict[str, Any]:
    """Return what a drawn or diluted sample stood in, where the form says so."""
    own: dict[str, Any] = {
        "path_mm": quantity("path_mm", "The inner width [mm]", most=500, needed=False),
        "dilution": quantity("dilution", "The dilution", above=0.999, most=1e6, needed=False),
        "shape": request.form.get("shape") or None,
    }
    if own["shape"] not in (None, *SHAPES):
        abort(400, "There is no such shape.")
    if own["path_mm"] is None:
        own["shape"] = None  # chosen beforehand in the form, it says nothing without a width
    return {key: value for key, value in own.items() if value is not None}


@views.get("/photo")
def photo() -> str:
    """Show one photo: density, trend, what to do as of its day, or why it was not measured."""
    kept, number = journal(), asked_number()
    try:
        record = kept.photo(number)
    except DensitycamError as error:
        abort(404, str(error))
    vessel = kept.vessel(record.vessel)
    history = vessel_history(kept, vessel, settings())
    refused = next((s for s in history.strangers if s.id == record.id), record)
    shown = original_of(place().photos_folder, record) is not None and record.flag != "unreadable"
    if refused.status == "refused":
        flag = FLAGS.get(refused.flag or "")
        return render_template(
            "refused.html",
            vessel=vessel,
            record=refused,
            title="not measured" if flag is None else flag.title,
            retake=None if flag is None else flag.advice,
            picture=shown,
        )
    here = next((n for n, r in enumerate(history.readings) if r.photo.id == record.id), None)
    if here is None:
        abort(404, "This photo is to be read again: densitycam batch does it.")
    reading = history.readings[here]
    growth, advice = advise_at(history, here)
    newest = here == len(history.readings) - 1
    facts = [("Growth", f"{format_rate(growth)}; {growth.phase}")]
    facts.append(("Rests on", checked_text(reading.estimate)))
    if advice.would_settle:
        facts.append(("To be surer", advice.would_settle))
    return render_template(
        "photo.html",
        vessel=vessel,
        record=record,
        when=reading.when,
        species=history.facts.title,
        density=format_density(reading.estimate),
        signs=[FLAGS[n] for n in FLAGS if n in reading.flags],
        advice=advice,
        tone=_tone(advice.action),
        facts=Markup(pairs_html(facts)),
        notes=reading.estimate.notes,
        newest=newest,
        picture=shown,
        legend=[words for _, words in LEGEND],
    )


def _tone(action: str) -> str:
    return "alert" if action in ("rescue", "hold", "overdue") else "calm"


@views.get("/photo/tile")
def tile() -> Response:
    """Send a small picture of a photo, without metadata."""
    return _jpeg(place().reader.tile(_original()))


@views.get("/photo/seen")
def seen() -> Response:
    """Send a photo with what was measured where drawn on it, or as it is where nothing was."""
    record, path = _record(), _original()
    if record.status == "refused":
        return _jpeg(place().reader.plain(path))
    kept = journal()
    optics = Optics(record.path_mm, record.shape, record.dilution, own=record.own_optics)
    vessel, prints = kept.vessel(record.vessel), tuple(kept.prints_in_use())
    return _jpeg(place().reader.marked(ReadingJob(path, vessel, optics, record.sha256, prints)))


def _record() -> PhotoRecord:
    try:
        return journal().photo(asked_number())
    except DensitycamError as error:
        abort(404, str(error))


def _original() -> Path:
    path = original_of(place().photos_folder, _record())
    if path is None:
        abort(404, "The photo's file is not kept here.")
    return path


def _jpeg(data: bytes) -> Response:
    answer = Response(data, mimetype="image/jpeg")
    answer.headers["Cache-Control"] = "private, max-age=86400"
    return answer
