"""The app: the guard first, then turns for photos, tokens, and the pages."""

from __future__ import annotations

from flask import Flask

from densitycam.web.guard import guard, need_tokens
from densitycam.web.pages import add_pages
from densitycam.web.place import Place
from densitycam.web.turns import MOST_PHOTOS, Turns, take_turns

__all__ = ["create_app"]


def create_app(place: Place) -> Flask:
    """Return the page as a WSGI application.

    Parameters
    ----------
    place : Place
        Where its journal and photos are; the views find it as the configuration's PLACE.
    """
    app = Flask("densitycam.web")
    app.config["PLACE"] = place
    # In this order: nothing of a stranger's request is waited for, and nothing of a form is read
    # before its turn.
    guard(app, place)
    take_turns(app, Turns(place.reader.count + 1, MOST_PHOTOS))
    need_tokens(app)
    add_pages(app)
    return app
