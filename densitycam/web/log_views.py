"""Logging what was done: split with one tap, dose, water, note, end; and taking it back."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from densitycam.errors import DensitycamError
from densitycam.journal.clocks import clock_doubt
from densitycam.journal.log_entry import loss_of, top_up_of
from densitycam.journal.logbook import (
    DoseRecord,
    EndRecord,
    InoculationRecord,
    LogRecord,
    NoteRecord,
)
from densitycam.journal.splitting import keep_split, split_of
from densitycam.report.daily_work import (
    bottle_holds,
    log_line,
    log_words,
    undone_words,
    use_words,
)
from densitycam.web.asked import (
    asked_number,
    asked_time,
    asked_vessel,
    journal,
    needed_quantity,
    now,
    quantity,
    settings,
    words,
)

views = Blueprint("log", __name__)


@views.get("/log")
def forms() -> str:
    """Show a form for each kind of work."""
    vessel = asked_vessel()
    return render_template("log.html", vessel=vessel, now=now())


@views.post("/split")
def split() -> Response:
    """Log a split, and the bottle that was filled from its harvest."""
    vessel, kept = asked_vessel(), journal()
    keep = needed_quantity("kept_ml", "Culture kept back [mL]")
    total = quantity("total_ml", "Culture after topping up [mL]", needed=False)
    bottle_ml = quantity("bottle_ml", "In a bottle in the cold [mL]", needed=False)
    record = split_of(vessel, asked_time(), kept_ml=keep, total_ml=total)
    filled = keep_split(kept, vessel, record, settings(), bottle_ml=bottle_ml)
    _say(log_line(record), vessel.name, entries=1 if filled is None else 2)
    if filled is not None:
        filling, bottle = filled
        flash(f"Bottle {bottle.number}: {bottle_holds(bottle)}. Write that on it.")
        if filling.trouble:
            flash(f"It is marked as suspect, not to be fed: {filling.trouble}")
    return redirect(url_for("look.vessel", vessel=vessel.name), 303)


@views.post("/dose")
def dose() -> Response:
    """Log nutrient of two parts."""
    each = needed_quantity("ml_each", "Nutrient of each part [mL]", most=1e4)
    water = quantity("new_water_ml", "The new water [mL]", needed=False)
    return _keep(lambda vessel: DoseRecord(vessel, asked_time(), each, each, water))


@views.post("/top-up")
def top_up() -> Response:
    """Log water added without a harvest."""
    added = needed_quantity("ml", "Water added [mL]")
    return _keep(
        lambda vessel: top_up_of(journal(), vessel, asked_time(), added_ml=added, total_ml=None)
    )


@views.post("/loss")
def loss() -> Response:
    """Log culture that was lost, or water that evaporated."""
    lost = needed_quantity("ml", "What is gone [mL]")
    gone = request.form.get("evaporated") == "yes"
    return _keep(
        lambda vessel: loss_of(journal(), vessel, asked_time(), lost_ml=lost, evaporated=gone)
    )


@views.post("/note")
def note() -> Response:
    """Keep a few words."""
    text = words("text")
    if not text:
        raise DensitycamError("A note needs words.", "Write some.")
    return _keep(lambda vessel: NoteRecord(vessel, asked_time(), text))


@views.post("/inoculation")
def inoculation() -> Response:
    """Log that a new culture begins."""
    source = words("source")
    density = quantity("cells_per_ml", "Its density [cells/mL]", most=1e10, needed=False)
    return _keep(lambda vessel: InoculationRecord(vessel, asked_time(), source, density))


@views.post("/end")
def end() -> Response:
    """Log that a culture ended."""
    reason = words("reason")
    return _keep(lambda vessel: EndRecord(vessel, asked_time(), reason))


def _keep(make: Callable[[str], LogRecord]) -> Response:
    """Keep a record of the form's vessel, say it, and show the vessel."""
    vessel, kept = asked_vessel(), journal()
    record = make(vessel.name)
    replaced = kept.add_to_log(record)
    _say(log_line(record), vessel.name)
    if replaced is not None:
        flash(f"It replaces: {log_words(replaced)}.")
    return redirect(url_for("look.vessel", vessel=vessel.name), 303)


def _say(text: str, vessel: str, *, entries: int = 1) -> None:
    """Say what was logged, with a button that takes it back, all its entries."""
    told = {"vessel": vessel, "entry": journal().last_entry(vessel), "entries": entries}
    if not request.form.get("when") and (doubt := clock_doubt(journal(), now())):
        flash(doubt)
    flash({**told, "text": text}, "undo")  # type: ignore[arg-type]  # a session keeps any JSON


@views.post("/undo")
def undo() -> Response:
    """Take back what was logged last of a vessel, or what the button was made for."""
    vessel, kept = asked_vessel(), journal()
    last = asked_number("entry") if "entry" in request.form else None
    undone: list[str] = []
    with kept.transaction():
        for _ in range(min(2, asked_number("entries")) if "entries" in request.form else 1):
            taken = kept.undo(vessel=vessel.name, only=None if undone else last)
            if taken is None:
                break
            undone.append(undone_words(taken))
    if not undone:
        raise DensitycamError(
            "There is nothing to take back."
            if last is None
            else "Something else was logged of it since, or this was taken back already.",
            "See what was logged, and take back the last.",
        )
    for words_of_it in undone:
        flash(f"Taken back: {words_of_it}")
    return redirect(url_for("look.vessel", vessel=vessel.name), 303)


@views.post("/bottle")
def bottle() -> Response:
    """Keep that something of a bottle was used or thrown away."""
    kept, number = journal(), asked_number()
    kind = "discarded" if request.form.get("kind") == "discarded" else "used"
    ml = quantity("ml", "How much [mL]", needed=False)
    before = kept.bottle(number)
    after = kept.take_from_bottle(number, done_at=now(), ml=ml, kind=kind)
    done = next(use for use in after.uses if after.uses.count(use) > before.uses.count(use))
    flash(use_words(after, done))
    if before.suspect and kind == "used":
        flash("It is marked as suspect: do not feed from it.")
    return redirect(url_for("look.bottles"), 303)
