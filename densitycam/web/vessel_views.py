"""Looking: all vessels at a glance, one vessel, the bottles in the cold."""

from __future__ import annotations

from flask import Blueprint, abort, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response

from densitycam.culture.advice import SplitPlan
from densitycam.flags import FLAGS
from densitycam.journal.clocks import clock_doubt
from densitycam.journal.morning import VesselLine, cold_bottles, morning
from densitycam.journal.store import Journal
from densitycam.report.daily_work import bottle_line
from densitycam.report.numbers import format_ml, format_rate
from densitycam.report.page import (
    CAUTIONS,
    decision_html,
    decisions_html,
    density_now,
    growth_html,
    log_html,
    strip_html,
    tone,
)
from densitycam.report.page_data import calibrated_words, vessel_page
from densitycam.report.today_text import do_words, headline
from densitycam.web.asked import asked_vessel, journal, now, place, settings
from densitycam.web.originals import original_of

views = Blueprint("look", __name__)

#: So many photos are shown of a vessel, the newest; the report has all. Our own choice.
_PHOTOS = 30


@views.get("/")
def today() -> str | Response:
    """Show every vessel in a line, the most urgent first; a first visit goes to the start."""
    at, rules, kept = now(), settings(), journal()
    if not kept.vessels():
        return redirect(url_for("start.start"))
    rows = [
        {
            "name": line.today.history.vessel.name,
            "title": line.today.history.facts.title,
            "density": density_now(line),
            "trend": "" if line.today.reading is None else format_rate(line.today.growth),
            "do": do_words(line),
            "tone": tone(line),
            "headline": headline(line),
            "signs": _signs(line),
            "ended": line.today.ended is not None,
        }
        for line in morning(kept, rules, at)
    ]
    bottles = [bottle_line(bottle, state) for bottle, state in cold_bottles(kept, rules, at)]
    return render_template(
        "today.html",
        rows=rows,
        bottles=bottles,
        at=at,
        clock=clock_doubt(kept, at),
        cautions=CAUTIONS,
    )


def _signs(line: VesselLine) -> list[str]:
    shown = [FLAGS[n].title for n in FLAGS if n in line.today.flags]
    if line.today.advice.warnings:
        shown.append("early warning")
    if line.refused is not None:
        shown.append("last photo not measured")
    return shown


def _line_of(kept: Journal, name: str) -> VesselLine:
    """Return a vessel of this morning, its turn among the others reckoned with."""
    lines = morning(kept, settings(), now())
    return next(line for line in lines if line.today.history.vessel.name == name)


@views.get("/vessel")
def vessel() -> str:
    """Show one vessel: what to do, its growth, photos, decisions and log."""
    known, kept = asked_vessel(), journal()
    line = _line_of(kept, known.name)
    readings = line.today.history.readings[-_PHOTOS:]
    pictures = {
        r.photo.sha256: url_for("snap.tile", number=r.photo.id)
        for r in readings
        if original_of(place().photos_folder, r.photo) is not None
    }
    links = {r.photo.sha256: url_for("snap.photo", number=r.photo.id) for r in readings}
    page = vessel_page(kept, line, pictures, links=links, newest=_PHOTOS)
    last = None if line.today.reading is None else line.today.reading.photo.id
    plan = line.today.advice.plan if line.today.ended is None else None
    if line.turn is not None and not line.turn.today:
        plan = None  # it is told to wait until tomorrow; the log page splits all the same
    return render_template(
        "vessel.html",
        vessel=known,
        title=line.today.history.facts.title,
        volume=format_ml(known.working_volume_ml),
        calibrated=calibrated_words(line.today.history),
        decision=Markup(decision_html(line)),
        growth=Markup(growth_html(page.panel, "growth")),
        strip=Markup(strip_html(page, "strip")),
        decisions=Markup(decisions_html(page)),
        log=Markup(log_html(page)),
        plan=plan,
        dose=_dose(plan),
        last=last,
        logged=bool(page.log),
    )


def _dose(plan: SplitPlan | None) -> str:
    """Return the dose of each part as a form takes it, "" where the label has to say."""
    if plan is None or not plan.nutrient_ml_each > 0:  # also for nan
        return ""
    return f"{plan.nutrient_ml_each:.3g}"


@views.get("/bottles")
def bottles() -> str:
    """Show what is in the cold, first what to use first."""
    rows = [
        {"bottle": bottle, "line": bottle_line(bottle, state), "state": state.state}
        for bottle, state in cold_bottles(journal(), settings(), now())
    ]
    return render_template("bottles.html", rows=rows)


@views.get("/more")
def more() -> str:
    """Show what is needed less often: the card, new vessels, the bottles."""
    return render_template("more.html", vessels=journal().vessels(), cautions=CAUTIONS)


@views.get("/card.pdf")
def card() -> Response:
    """Send the printed card."""
    import tempfile
    from pathlib import Path

    from flask import make_response

    from densitycam.card.drawing import write_card_pdf
    from densitycam.card.layout import card_layout

    paper = request.args.get("paper", "a4")
    if paper not in ("a4", "letter"):
        abort(404, "The card is made for a4 and letter.")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "card.pdf"
        write_card_pdf(card_layout(paper), file)
        answer = make_response(file.read_bytes())
    answer.headers["Content-Type"] = "application/pdf"
    answer.headers["Content-Disposition"] = f'inline; filename="card-{paper}.pdf"'
    return answer
