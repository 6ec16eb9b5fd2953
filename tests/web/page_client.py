"""A browser without a screen for the page's tests: fills its forms, follows where they lead."""

from __future__ import annotations

import io
import re
from html import unescape
from pathlib import Path

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

_TOKEN = re.compile(r'name="csrf_token" value="([^"]+)"')


class Phone:
    """Opens pages and sends their forms, with the token that a page of ours gave.

    Parameters
    ----------
    client : FlaskClient
        Of the app under test; it keeps the cookies.
    """

    def __init__(self, client: FlaskClient) -> None:
        self.client = client

    def open(self, where: str, code: int = 200, **query: object) -> str:
        """Open a page and return what it says."""
        answer = self.client.get(where, query_string=query, follow_redirects=True)
        assert answer.status_code == code, said(answer)
        return said(answer)

    def send(self, where: str, code: int = 200, *, page: str = "/more", **fields: object) -> str:
        """Send a form, with the token of a page, and return what the answer says."""
        found = _TOKEN.search(self.client.get(page, follow_redirects=True).text)
        token = found[1] if found else _TOKEN.search(self.client.get("/vessel/new").text)[1]
        sent = {"csrf_token": token, **fields}
        files = {k: _file(v) for k, v in sent.items() if isinstance(v, Path)}
        answer = self.client.post(where, data={**sent, **files}, follow_redirects=True)
        assert answer.status_code == code, said(answer)
        return said(answer)


def _file(path: Path) -> tuple[io.BytesIO, str]:
    return io.BytesIO(path.read_bytes()), path.name


def said(answer: TestResponse) -> str:
    """Return the words of a page, blanks and tags left out."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())
