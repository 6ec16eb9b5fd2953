"""Measured once: the print of the card, and what a clean vessel takes from the light."""

from __future__ import annotations

from pathlib import Path

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from densitycam.errors import DensitycamError
from densitycam.journal.blanks import detection_limit_of, measure_blank
from densitycam.journal.prints import measure_print, register
from densitycam.report.numbers import format_cells
from densitycam.report.text import registration_text
from densitycam.web.asked import asked_vessel, journal, keep_upload, now, place

views = Blueprint("bare", __name__)

#: Photos taken in at once: two or three are asked for.
_MOST = 6


@views.get("/print")
def card() -> str:
    """Ask for photos of the bare card."""
    return render_template(
        "bare.html",
        title="Measure your print",
        action=url_for("bare.measure_card"),
        vessel=None,
        why="No home print is as designed. Measured once, its own greys serve for every later "
        "photo, and intervals get narrower.",
        how="Two or three photos of the card with nothing before it, in open shade or daylight, "
        "no flash, the whole card in the picture, with the phone that takes your daily photos.",
        prints=journal().prints_in_use(),
    )


@views.post("/print")
def measure_card() -> Response:
    """Register the print."""
    reader = place().reader
    done = register(
        journal(),
        _sent(),
        registered_at=now(),
        measured=lambda path: reader.do(measure_print, path),
    )
    words = registration_text(done.record.profile, strays=done.strays)
    flash(f"Print {words}. Used for every photo read from now on.")
    return redirect(url_for("look.more"), 303)


@views.get("/blank")
def water() -> str:
    """Ask for photos of a vessel with clean salt water."""
    vessel = asked_vessel()
    return render_template(
        "bare.html",
        title="Measure the empty vessel",
        action=url_for("bare.measure_water"),
        vessel=vessel,
        why="What the clean vessel with clean salt water takes from the light is then taken off "
        "all its readings, past ones too. Without it that of a clean glass vessel is assumed.",
        how="Two or three photos of it before the card, filled with clean salt water, set down "
        "anew for each.",
        prints=(),
    )


@views.post("/blank")
def measure_water() -> Response:
    """Keep the vessel's blank."""
    vessel, kept = asked_vessel(), journal()
    record, readings = measure_blank(kept, vessel, _sent(), made_at=now(), read=place().reader.read)
    limit, _ = detection_limit_of(kept, vessel, record, readings)
    flash(f"Kept for {vessel.name}. From {format_cells(limit)} on it is told from clean water.")
    return redirect(url_for("look.vessel", vessel=vessel.name), 303)


def _sent() -> list[Path]:
    """Keep the photos that came along."""
    uploads = [f for f in request.files.getlist("photos") if f.filename]
    if not 1 <= len(uploads) <= _MOST:
        raise DensitycamError(
            f"{len(uploads)} photos came along.", f"Send one to {_MOST}, two or three are good."
        )
    return [keep_upload(upload).path for upload in uploads]
