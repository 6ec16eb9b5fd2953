"""The app: the guard first, then the pages."""

from __future__ import annotations

from flask import Flask

from densitycam.web.guard import guard
from densitycam.web.pages import add_pages
from densitycam.web.place import Place

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
    guard(app, place)
    add_pages(app)
    return app
