"""The page, served for a test: a real server in a thread, and visitors that talk to it."""

from __future__ import annotations

import http.client
import re
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from http.cookies import SimpleCookie
from pathlib import Path
from urllib.parse import urlencode

from waitress import wasyncore

from densitycam.journal.store import Journal
from densitycam.web.app import create_app
from densitycam.web.keys import keys_path, page_keys
from densitycam.web.originals import photos_folder
from densitycam.web.place import Place
from densitycam.web.reader import Reader
from densitycam.web.server import listen, port_of

_TOKEN = re.compile(r'name="csrf_token" value="([^"]+)"')


@dataclass(frozen=True)
class Answer:
    """What the server said."""

    status: int
    headers: http.client.HTTPMessage
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()


@dataclass
class Visitor:
    """A browser without a screen: keeps cookies, follows no redirect by itself.

    `host` is what it says in the Host header; None for the address it talks to.
    """

    port: int
    host: str | None = None
    cookies: dict[str, str] = field(default_factory=dict)
    sent_at: float = 0.0  # when its last request was sent whole, by the clock perf_counter

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Answer:
        """Send one request on a connection of its own."""
        said = dict(headers or {})
        if self.host is not None:
            said["Host"] = self.host
        if self.cookies:
            said["Cookie"] = "; ".join(f"{k}={v}" for k, v in self.cookies.items())
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        try:
            connection.request(method, path, body, said)
            self.sent_at = time.perf_counter()
            answer = connection.getresponse()
            read = answer.read()
        finally:
            connection.close()
        for line in answer.headers.get_all("Set-Cookie") or ():
            for name, morsel in SimpleCookie(line).items():
                self.cookies[name] = morsel.value
        return Answer(answer.status, answer.headers, read)

    def get(self, path: str) -> Answer:
        """Open a page."""
        return self.ask("GET", path)

    def token(self, page: str) -> str:
        """Return the token that a page's form carries."""
        found = _TOKEN.search(self.get(page).text)
        assert found is not None, f"no form with a token at {page}"
        return found[1]

    def post(self, path: str, fields: Mapping[str, str], *, token: str | None = None) -> Answer:
        """Send a form; without `token` as it is."""
        said = {**fields, **({} if token is None else {"csrf_token": token})}
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", path, urlencode(said).encode(), form)

    def upload(
        self, path: str, fields: Mapping[str, str], photo: bytes, name: str, *, token: str | None
    ) -> Answer:
        """Send a form with a file in its field photo, the name as it stands."""
        body, kind = multipart({**fields, "csrf_token": token or ""}, photo, name)
        return self.ask("POST", path, body, {"Content-Type": kind})

    def snap(self, vessel: str, photo: bytes, name: str = "image.jpg") -> Answer:
        """Send a photo as the page's form does."""
        return self.upload("/snap", {"vessel": vessel}, photo, name, token=self.token("/snap"))


def multipart(fields: Mapping[str, str], photo: bytes, name: str) -> tuple[bytes, str]:
    """Return a form's body with a file in it, and its content type (RFC 7578)."""
    edge = "-----a-test-s-edge"
    parts = [
        f'--{edge}\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'.encode()
        for key, value in fields.items()
    ]
    parts.append(
        f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="'.encode()
        + name.encode()
        + b'"\r\nContent-Type: image/jpeg\r\n\r\n'
        + photo
        + f"\r\n--{edge}--\r\n".encode()
    )
    return b"".join(parts), f"multipart/form-data; boundary={edge}"


@dataclass(frozen=True)
class Served:
    """A running page."""

    place: Place
    port: int

    def visitor(self, **said: str) -> Visitor:
        """Return a browser that has not been here."""
        return Visitor(self.port, **said)

    def guest(self) -> Visitor:
        """Return a browser that was let in by the secret, where there is one."""
        visitor = self.visitor()
        if self.place.secret is not None:
            assert visitor.get(f"/enter/{self.place.secret}").status == 303
        return visitor


def make_place(journal: Path, *, lan: bool = False, reader: Reader | None = None) -> Place:
    """Return a place round a journal, which is made where there is none."""
    Journal(journal).close()
    keys = page_keys(keys_path(journal))
    return Place(
        journal_path=journal,
        photos_folder=photos_folder(journal),
        signing_key=keys.signing_key,
        secret=keys.secret if lan else None,
        hosts=("127.0.0.1", "localhost"),
        reader=reader or Reader(1),
    )


@contextmanager
def serving(place: Place) -> Iterator[Served]:
    """Serve a place on a free port of this computer, and end it with its reader."""
    server = listen(create_app(place), place, ["127.0.0.1"], 0)
    thread = threading.Thread(target=server.run, name="page")
    thread.start()
    try:
        yield Served(place, port_of(server))
    finally:
        place.reader.close()
        server.task_dispatcher.shutdown()
        # In the server's own thread, which ends when nothing is left to watch; woken by something
        # else it may have done so before it is called.
        with suppress(OSError):
            server.trigger.pull_trigger(lambda: wasyncore.close_all(server._map))
        thread.join(30)
        assert not thread.is_alive()


def with_reader(place: Place, reader: Reader) -> Place:
    """Return a place with another reader, the first one ended."""
    place.reader.close()
    return replace(place, reader=reader)
