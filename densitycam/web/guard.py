"""Keeps strangers out of the page: its secret, its names, its tokens, and what browsers may do."""

from __future__ import annotations

import hmac
import re
from datetime import timedelta
from html import escape

from flask import Flask, Response, redirect, request, session
from flask.sessions import SecureCookieSessionInterface
from flask_wtf.csrf import CSRFError, CSRFProtect
from itsdangerous import BadData
from werkzeug.exceptions import BadRequest
from werkzeug.http import parse_cookie
from werkzeug.wrappers import Response as AnyResponse

from densitycam.web.place import Place

__all__ = [
    "HEADERS",
    "LARGEST_BODY",
    "LARGEST_PHOTO",
    "STRANGER",
    "guard",
    "is_let_in",
    "need_tokens",
    "plain_page",
]

#: Largest photo taken [bytes]: a phone's with 50 million pixels has 15 to 25 MB (from memory).
LARGEST_PHOTO = 40_000_000
#: Largest request taken [bytes]: a photo, and the fields of its form.
LARGEST_BODY = LARGEST_PHOTO + 500_000

#: How long a phone stays let in after its last visit; browsers keep no cookie for longer
#: (RFC 6265bis, 5.5: 400 days).
_LET_IN_FOR = timedelta(days=400)

#: A Host header of ours: a name or an address, and the port.
_HOST = re.compile(r"([a-z0-9.-]+)(?::\d{1,5})?", re.ASCII)

_COOKIE = "densitycam"
_LET_IN = "let_in"

#: On every answer. Nothing is loaded from elsewhere, framed, or told to other pages.
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; img-src 'self'; style-src 'self'; "
    "script-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",  # the secret in an address must not travel on
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


#: What somebody is told who was not let in.
STRANGER = (
    "This page is not open to you yet.",
    "Scan the code that the computer shows on which densitycam serve --lan runs, or type the "
    "address beside it.",
)


def guard(app: Flask, place: Place) -> None:
    """Let in nobody but those who were shown the secret, and under no name but ours.

    To be called before the pages are added: what it checks is checked first.

    Parameters
    ----------
    app : Flask
        Gets its settings of cookies, a check before and headers after each request.
    place : Place
        With the secret and the names that the page goes by.
    """
    app.config.update(
        SECRET_KEY=place.signing_key,
        SESSION_COOKIE_NAME=_COOKIE,
        SESSION_COOKIE_HTTPONLY=True,
        # Not "Strict": a scanned code comes from outside, and its first page would be refused.
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_PATH="/",
        # Written only where it changes: pictures asked for at once must not put an older one back.
        SESSION_REFRESH_EACH_REQUEST=False,
        PERMANENT_SESSION_LIFETIME=_LET_IN_FOR,
        MAX_CONTENT_LENGTH=LARGEST_BODY,
    )
    app.before_request(lambda: _refuse_strangers(place))
    app.add_url_rule("/enter/<secret>", "enter", lambda secret: _enter(place, secret))
    app.after_request(_with_headers)


def need_tokens(app: Flask) -> None:
    """Refuse what would change something and carries no token of this visit (CSRF).

    To be called after `guard`: looking for the token reads the whole form.

    Parameters
    ----------
    app : Flask
        The page; what is refused answers with a page of its own (400).
    """
    app.config["WTF_CSRF_TIME_LIMIT"] = None  # a page may lie open on the shelf for days
    CSRFProtect(app)
    app.register_error_handler(CSRFError, lambda _: app.handle_http_exception(_stale_form()))


def _refuse_strangers(place: Place) -> AnyResponse | None:
    # A foreign page can give its own name our address, and would then count as ourselves
    # ("DNS rebinding"): only the names we know are answered.
    host = _HOST.fullmatch(request.headers.get("Host", "").lower())
    if host is None or host[1] not in place.hosts:
        return _refused("densitycam is not here under that name.", "Open the address that the "
                        "computer shows on which densitycam serve runs.")  # fmt: skip
    if place.secret is None or request.endpoint == "enter" or session.get(_LET_IN) is True:
        return None
    return _stranger()


def _stranger() -> AnyResponse:
    """Return the answer to somebody who was not let in: what to do, and nothing else."""
    return _refused(*STRANGER)


def _enter(place: Place, secret: str) -> AnyResponse:
    if place.secret is not None:
        if not hmac.compare_digest(secret.encode(), place.secret.encode()):
            return _stranger()
        session[_LET_IN] = True
        session.permanent = True
    return redirect("/", 303)


def is_let_in(app: Flask, place: Place, cookies: str) -> bool:
    """Tell by a request's cookies whether it may send something, before anything is read of it.

    Parameters
    ----------
    app : Flask
        Guarded.
    place : Place
        As it was guarded with.
    cookies : str
        The request's header Cookie; "" where it has none.

    Returns
    -------
    bool
        Always True where there is no secret.
    """
    if place.secret is None:
        return True
    signer = SecureCookieSessionInterface().get_signing_serializer(app)
    said = parse_cookie(cookies).get(_COOKIE)
    if signer is None or said is None:
        return False
    try:
        kept = signer.loads(said, max_age=int(_LET_IN_FOR.total_seconds()))
    except BadData:
        return False
    return isinstance(kept, dict) and kept.get(_LET_IN) is True


def _stale_form() -> BadRequest:
    return BadRequest(
        "The form does not belong to this visit. Open its page anew and send it again; nothing "
        "was changed."
    )


def _refused(problem: str, advice: str) -> AnyResponse:
    return Response(plain_page(problem, advice), 403, mimetype="text/html")


def plain_page(problem: str, advice: str) -> str:
    """Return a page that needs no style and tells nothing about what is kept here.

    Parameters
    ----------
    problem, advice : str
        What is wrong and what to do, each a sentence; they are escaped.
    """
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta name="color-scheme" content="light dark"><title>densitycam</title>'
        f"<main><h1>{escape(problem)}</h1><p>{escape(advice)}</p></main></html>\n"
    )


def _with_headers(answer: AnyResponse) -> AnyResponse:
    for name, value in HEADERS.items():
        answer.headers[name] = value
    # What a view allows to be kept, and what never changes, may be; pages may not.
    answer.headers.setdefault("Cache-Control", "no-store")
    return answer
