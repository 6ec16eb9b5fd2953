"""The pages put together: every view, the style, and what a fault looks like."""

from __future__ import annotations

import sqlite3
from datetime import datetime

from flask import Blueprint, Flask, Response, render_template, request
from flask_wtf.csrf import generate_csrf
from markupsafe import Markup
from werkzeug.exceptions import HTTPException

from densitycam.errors import DensitycamError
from densitycam.journal.schema import trouble_of
from densitycam.report.numbers import format_day, format_density, format_ml, format_slide
from densitycam.report.page import STYLE
from densitycam.web import (
    bare_views,
    count_views,
    help_views,
    log_views,
    snap_views,
    start_views,
    vessel_views,
)
from densitycam.web.asked import close_journal, place

__all__ = ["add_pages"]

_HERE = Blueprint("page", __name__)


def add_pages(app: Flask) -> None:
    """Give an app all pages.

    Parameters
    ----------
    app : Flask
        With a `densitycam.web.place.Place` as its configuration's PLACE.
    """
    app.register_blueprint(_HERE)
    for module in (
        vessel_views,
        snap_views,
        start_views,
        log_views,
        count_views,
        bare_views,
        help_views,
    ):
        app.register_blueprint(module.views)
    app.teardown_appcontext(close_journal)
    app.register_error_handler(DensitycamError, _mendable)
    app.register_error_handler(sqlite3.DatabaseError, _journals_trouble)
    app.register_error_handler(HTTPException, _refused)
    app.jinja_env.filters |= {
        "day": format_day,
        "moment": _moment,
        "ml": format_ml,
        "density": format_density,
        "slide": format_slide,
    }
    app.jinja_env.globals["token"] = _token
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True


def _token() -> Markup:
    """Return the hidden field without which no changing request is taken."""
    return Markup('<input type="hidden" name="csrf_token" value="{}">').format(generate_csrf())


def _moment(when: datetime) -> str:
    return f"{format_day(when)} {when:%H:%M}"


@_HERE.get("/style.css")
def style() -> Response:
    """Send the style: the report's, and the page's own."""
    from importlib.resources import files

    own = (files("densitycam.web") / "static" / "page.css").read_text(encoding="utf-8")
    answer = Response(STYLE + own, mimetype="text/css")
    answer.headers["Cache-Control"] = "private, max-age=3600"
    return answer


def _mendable(error: DensitycamError) -> tuple[str, int]:
    """Say what is wrong and what to do next; nothing was changed."""
    return _fault(error.problem, error.advice, request.values.get("vessel", "")), 400


def _journals_trouble(error: sqlite3.DatabaseError) -> tuple[str, int]:
    """Say what SQLite met while it read the journal: held by another program, damaged."""
    said = trouble_of(error, place().journal_path.name)
    return _fault(said.problem, said.advice, ""), 503


def _refused(error: HTTPException) -> tuple[str, int, dict[str, str]] | HTTPException:
    code = error.code or 500
    if code < 400:
        return error  # a redirect
    said = {
        404: ("There is no such page.", "Go back to today."),
        405: ("That cannot be opened like a page.", "Go back to today."),
        413: ("The photo is too large.", "Send one photo of at most 40 MB, as the phone took it."),
        500: ("An unexpected fault of ours.", "What was kept before is safe. Please report it."),
    }.get(code, (error.name, ""))
    own = error.description if code in (400, 404, 503) and error.description else ""
    # What werkzeug says by itself is for programmers.
    ours = own != type(error).description
    wait = getattr(error, "retry_after", None)
    headers = {} if wait is None else {"Retry-After": str(wait)}
    # A form that was too large to read would be refused once more.
    vessel = (request.args if code == 413 else request.values).get("vessel", "")
    return _fault(own if own and ours else said[0], said[1], vessel), code, headers


def _fault(problem: str, advice: str, vessel: str) -> str:
    return render_template("fault.html", problem=problem, advice=advice, vessel=vessel)
