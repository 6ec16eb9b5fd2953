"""The first visit, and vessels: described once, mended later."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from densitycam.calibration.species import load_species, species_ids
from densitycam.errors import DensitycamError
from densitycam.vessel.record import SHAPES, VesselRecord
from densitycam.web.asked import asked_vessel, journal, needed_quantity, quantity, words

views = Blueprint("start", __name__)

#: What the shapes are called on the page, and what their inner width is.
SHAPE_WORDS = {
    "cylinder": "round inside (the inner diameter)",
    "flat": "flat inside (the inner thickness)",
    "bag": "a soft bag that hangs (its thickness in the middle)",
}


@views.get("/start")
def start() -> str:
    """Lead a first visit to its first reading."""
    return render_template("start.html", vessels=journal().vessels())


@views.get("/vessel/new")
def new() -> str:
    """Ask for a vessel's description."""
    return _form(None)


@views.get("/vessel/change")
def change() -> str:
    """Ask what is to be mended of a vessel's description."""
    return _form(asked_vessel())


def _form(known: VesselRecord | None) -> str:
    facts = [load_species(name) for name in species_ids()]
    return render_template(
        "vessel_form.html", known=known, species=facts, shapes=[(s, SHAPE_WORDS[s]) for s in SHAPES]
    )


@views.post("/vessel/new")
def add() -> Response:
    """Keep a new vessel, then ask for its first photo."""
    name = words("name")
    if not name:
        raise DensitycamError("The vessel needs a name.", "Call it as you do: left jar, bottle 2.")
    if any(not c.isprintable() for c in name) or len(name) > 80:
        raise DensitycamError(
            "The name has signs that cannot be printed, or more than 80 of them.", "Shorten it."
        )
    if name in {v.name for v in journal().vessels()}:
        raise DensitycamError(f"There is a vessel called {name} already.", "Give another name.")
    journal().add_vessel(_described(name))
    flash(f"{name} is described. Stand it before the card and take its first photo.")
    return redirect(url_for("snap.form", vessel=name), 303)


@views.post("/vessel/change")
def mend() -> Response:
    """Keep a mended description."""
    known = asked_vessel()
    journal().add_vessel(_described(known.name))
    old = [p for p in journal().photos(known.name) if not p.own_optics]
    flash("Changed.")
    after = journal().vessel(known.name)
    if old and (after.path_mm, after.shape) != (known.path_mm, known.shape):
        flash(
            f"{len(old)} photos were read with the old inner width or shape: score their folder "
            "again with densitycam batch."
        )
    return redirect(url_for("look.vessel", vessel=known.name), 303)


def _described(name: str) -> VesselRecord:
    species, shape = request.form.get("species", ""), request.form.get("shape", "")
    if species not in species_ids() or shape not in SHAPES:
        abort(400, "There is no such species or shape.")
    try:
        return VesselRecord(
            name=name,
            species=species,
            working_volume_ml=needed_quantity("volume_ml", "The volume [mL]", most=1e6),
            path_mm=needed_quantity("path_mm", "The inner width [mm]", most=500),
            shape=shape,
            width_mm=None
            if shape == "bag"
            else quantity("width_mm", "The outer width [mm]", most=600, needed=False),
        )
    except ValueError as error:
        raise DensitycamError(f"{str(error).capitalize()}.", "Correct it.") from error
