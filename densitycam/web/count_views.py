"""Counting a slide square by square with big buttons, and letting the counts calibrate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response as AnyResponse

from densitycam.counting.chambers import CHAMBERS, chamber_by_name, unit_by_name
from densitycam.counting.dilution import parse_chain
from densitycam.counting.tally import (
    CLUMP_RULE,
    EDGE_RULE,
    Filling,
    Tally,
    judge_tally,
    more_to_count,
)
from densitycam.counting.typed import all_typed, whole_typed
from densitycam.errors import DensitycamError
from densitycam.journal.slide_entry import check_pair, keep_count
from densitycam.journal.store import PhotoRecord
from densitycam.report.count_text import (
    MOST_IN_SQUARE,
    count_lines,
    running_words,
    verdict_words,
)
from densitycam.vessel.record import VesselRecord
from densitycam.web.asked import asked_time, asked_vessel, journal, now

views = Blueprint("count", __name__)

#: Wanted half-width of the interval, as the command line has it.
_HALF_WIDTH = 0.10
#: More squares than this are not asked for in one address.
_MOST_SQUARES = 400


@dataclass(frozen=True)
class Asked:
    """The count so far, as the address carries it: nothing is kept before it is done.

    Parameters
    ----------
    fillings : tuple of tuple of int
        Cells square by square; the last one is being counted and may be empty.
    chamber, unit : str
        Chamber and kind of square.
    dilution : str
        As typed, such as 1:10x1:5.
    fixative : str
        Fixative per volume of sample in percent, as typed; "" for none.
    reading : str
        Number of the photo of the same culture; "" for none.
    """

    fillings: tuple[tuple[int, ...], ...]
    chamber: str
    unit: str
    dilution: str
    fixative: str
    reading: str

    @property
    def cells(self) -> str:
        """The counts as the command line writes them: 24,31/22."""
        return "/".join(",".join(str(n) for n in side) for side in self.fillings)

    def tally(self) -> Tally:
        """Return what was counted; without a square there is none to judge.

        Raises
        ------
        DensitycamError
            For a fixative that is not 0 to 100 %, or a dilution that cannot be read.
        """
        percent = self.fixative.strip().replace(",", ".")
        try:
            fixative = float(percent) / 100.0 if percent else 0.0
        except ValueError:
            fixative = math.nan
        if not 0.0 <= fixative <= 1.0:
            raise DensitycamError(
                f"Fixative must be 0 to 100 %, not {self.fixative[:20]!r}.", "Correct it."
            )
        return Tally(
            fillings=tuple(Filling(side, float(len(side))) for side in self.fillings if side),
            chamber=self.chamber,
            unit=self.unit,
            dilution_steps=parse_chain(self.dilution or "1"),
            fixative_fraction=fixative,
        )


def _asked_count(values: MultiDict[str, str]) -> Asked:
    """Read a count from an address or a form.

    Raises
    ------
    DensitycamError
        For a chamber, square or number that cannot be.
    """
    chamber, _, unit = values.get("field", "").partition("/")
    geometry = chamber_by_name(chamber or "improved-neubauer")
    field = unit_by_name(geometry, unit) if unit else geometry.units[0]
    sides: list[tuple[int, ...]] = []
    for side in values.get("cells", "").split("/"):
        counts = all_typed((word for word in side.split(",") if word), most=MOST_IN_SQUARE)
        if counts is None:
            abort(400, "The counts in the address are not numbers.")
        sides.append(counts)
    if sum(len(side) for side in sides) > _MOST_SQUARES:
        abort(400, f"More than {_MOST_SQUARES} squares are not counted at once.")
    return Asked(
        fillings=tuple(sides),
        chamber=geometry.id,
        unit=field.id,
        dilution=values.get("dilution", "1")[:60],
        fixative=values.get("fixative", "")[:12],
        reading=values.get("reading", "")[:15],
    )


@views.get("/count")
def begin() -> str:
    """Ask in what is counted."""
    vessel = asked_vessel()
    measured = [p for p in journal().photos(vessel.name) if p.status == "measured"]
    fields = [
        (f"{c.id}/{u.id}", f"{c.title}: {u.id}, {u.area_mm2:g} mm2", c.id)
        for c in CHAMBERS.values()
        for u in c.units
    ]
    return render_template(
        "count_begin.html", vessel=vessel, fields_known=fields, photos=measured[-5:][::-1]
    )


@views.get("/count/squares")
def squares() -> str | AnyResponse:
    """Count: the squares so far stand in the address, so that going back takes one back."""
    vessel, asked = asked_vessel(), _asked_count(request.args)
    asked.tally()  # a dilution that cannot be is said before anything is counted
    step, sides = request.args.get("step", ""), list(asked.fillings)
    if step in ("next", "done", "fresh"):
        word = request.args.get("n", "").strip()
        if word or step == "next":
            cells = whole_typed(word, most=MOST_IN_SQUARE)
            if cells is None:
                raise DensitycamError(
                    f"{word[:20]!r} is not a number of cells from 0 to {MOST_IN_SQUARE}.",
                    "Go back and correct it.",
                )
            sides[-1] = (*sides[-1], cells)
        if step == "fresh" and sides[-1]:
            sides.append(())
    elif step == "back":
        if not sides[-1] and len(sides) > 1:
            sides.pop()
        sides[-1] = sides[-1][:-1]
    so_far = Asked(
        tuple(sides), asked.chamber, asked.unit, asked.dilution, asked.fixative, asked.reading
    )
    if step:  # the step is done: reloading the page must not do it again
        where = "count.review" if step == "done" else "count.squares"
        return redirect(url_for(where, **_address(vessel, so_far)), 303)
    tally = so_far.tally()
    return render_template(
        "count.html",
        vessel=vessel,
        asked=so_far,
        field=f"{so_far.chamber}/{so_far.unit}",
        filling=len(sides),
        square=len(sides[-1]) + 1,
        counted=sides[-1],
        running=running_words(tally, _HALF_WIDTH, take_back="take it back"),
        any=bool(tally.fillings),
        rules=(EDGE_RULE, CLUMP_RULE),
    )


def _address(vessel: VesselRecord, asked: Asked) -> dict[str, Any]:
    return {
        "vessel": vessel.name,
        "field": f"{asked.chamber}/{asked.unit}",
        "dilution": asked.dilution,
        "fixative": asked.fixative,
        "reading": asked.reading,
        "cells": asked.cells,
    }


@views.get("/count/review")
def review() -> str:
    """Show what the count says before it is kept."""
    vessel, asked = asked_vessel(), _asked_count(request.args)
    tally = asked.tally()
    if not tally.fillings:
        raise DensitycamError("Nothing was counted yet.", "Count a square first; zero counts too.")
    more = more_to_count(tally, half_width=_HALF_WIDTH)
    paired = _paired(vessel, asked.reading)
    return render_template(
        "count_review.html",
        vessel=vessel,
        asked=asked,
        field=f"{asked.chamber}/{asked.unit}",
        lines=count_lines(tally, judge_tally(tally), more.sentence),
        paired=paired,
    )


def _paired(vessel: VesselRecord, reading: str) -> PhotoRecord | None:
    if not reading:
        return None
    if not (reading.isascii() and reading.isdecimal()):
        abort(404, "There is no such photo.")
    return check_pair(journal().photo(int(reading)), vessel)


@views.post("/count")
def keep() -> AnyResponse:
    """Keep the count."""
    vessel, asked, kept = asked_vessel(), _asked_count(request.form), journal()
    tally = asked.tally()
    if not tally.fillings:
        raise DensitycamError("Nothing was counted.", "Count a square first.")
    paired = _paired(vessel, asked.reading)
    done = keep_count(kept, vessel, tally, counted_at=asked_time(), paired=paired)
    for label, text in count_lines(tally, done.result, "")[:1]:
        flash(f"{label}: {text}.")
    if done.agrees is not None:
        flash(f"Test: {verdict_words(done)}")
    if done.drift:
        flash(f"Drift: {done.drift}")
    return redirect(url_for("count.calibration", vessel=vessel.name), 303)


@views.get("/calibration")
def calibration() -> str:
    """Show what a vessel's densities rest on."""
    from densitycam.journal.history import paired_slides

    vessel, kept = asked_vessel(), journal()
    in_force = kept.latest_calibration(vessel)
    pairs = paired_slides(kept, vessel=vessel.name)
    slides = kept.slides(vessel=vessel.name)
    new = bool(pairs.used) and (in_force is None or in_force.points != pairs.fingerprint())
    return render_template(
        "calibration.html", vessel=vessel, in_force=in_force, slides=slides, pairs=pairs, new=new
    )


@views.post("/calibrate")
def calibrate() -> AnyResponse:
    """Let a vessel's slides calibrate it."""
    from densitycam.journal.calibrating import fit_slides
    from densitycam.report.fitted import fitted_notes

    vessel = asked_vessel()
    fitted = fit_slides(journal(), made_at=now(), vessel=vessel.name)
    if not fitted.pairs.points():
        raise DensitycamError(
            "No slide is paired with a photo yet.", "Count one, and say which photo it belongs to."
        )
    slides = fitted.calibration.n_slides
    flash(f"Calibrated with {slides} slide{'' if slides == 1 else 's'}; used from now on.")
    for note in fitted_notes(journal(), fitted):
        flash(note)
    return redirect(url_for("count.calibration", vessel=vessel.name), 303)


@views.get("/calibration.svg")
def plot() -> Response:
    """Send the calibration plot: each count against what the others say."""
    import tempfile
    from pathlib import Path

    from densitycam.journal.calibrating import fit_slides
    from densitycam.report.fitted import write_fitted_plot

    vessel = asked_vessel()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "calibration.svg"
        fitted = fit_slides(journal(), made_at=now(), vessel=vessel.name, keep=False)
        write_fitted_plot(file, fitted)
        return Response(file.read_bytes(), mimetype="image/svg+xml")
