"""The guide on the page."""

from __future__ import annotations

from flask import Blueprint, Response, abort, render_template
from markupsafe import Markup

from densitycam.errors import DensitycamError
from densitycam.report.guide import TOPICS, picture, topic_html, topic_title

views = Blueprint("help", __name__)


@views.get("/help")
def topics() -> str:
    """List the topics."""
    found = [(each.id, each.summary[:1].upper() + each.summary[1:]) for each in TOPICS.values()]
    return render_template("help.html", title="Guide", topics=found, text=None)


@views.get("/help/<name>")
def topic(name: str) -> str:
    """Show a topic."""
    try:
        text = topic_html(name)
    except DensitycamError as error:
        abort(404, str(error))
    return render_template("help.html", title=topic_title(name), topics=(), text=Markup(text))


@views.get("/help/picture/<name>")
def shown(name: str) -> Response:
    """Send a picture of the guide."""
    data = picture(name)
    if data is None:
        abort(404, "There is no such picture.")
    kind = "image/png" if name.endswith(".png") else "image/jpeg"
    return Response(data, mimetype=kind, headers={"Cache-Control": "private, max-age=86400"})
