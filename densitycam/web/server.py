"""Listens for phones: on which addresses, and how large and how slow a request may be."""

from __future__ import annotations

import errno
import ipaddress
import logging
import os
import socket
import time
from collections.abc import Sequence
from contextlib import suppress
from http import HTTPStatus
from typing import Any

from flask import Flask
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import BaseWSGIServer, MultiSocketServer, create_server
from waitress.wasyncore import dispatcher

from densitycam.errors import DensitycamError
from densitycam.web.guard import (
    HEADERS,
    LARGEST_BODY,
    LARGEST_PHOTO,
    STRANGER,
    is_let_in,
    plain_page,
)
from densitycam.web.place import Place

__all__ = ["lan_addresses", "listen", "own_names", "port_of"]

#: More than `densitycam.web.turns.MOST_PHOTOS` and `densitycam.web.reader.MOST_JOBS` together, so
#: that photos never hold all of them and pages are always answered.
THREADS = 48
#: Connections at most; a browser opens six.
CONNECTIONS = 256
#: A connection on which nothing comes is closed after [s].
IDLE_S = 60
#: A request whose headers have not come whole after so long is given up [s].
HEADERS_S = 20.0
#: A request that has not come whole after so long is given up [s]: 40 MB at 0.6 Mbit/s.
WHOLE_S = 600.0
#: How long what a refused sender still sends is thrown away, so that it reads the answer [s].
LINGER_S = 10.0


def lan_addresses() -> tuple[str, ...]:
    """Return this computer's addresses on home networks, that of the usual way out first.

    Returns
    -------
    tuple of str
        IPv4 addresses that are not reached from the internet (RFC 1918 and others that
        `ipaddress` calls private). Nothing is sent: the system is only asked which address it
        would send from.
    """
    found = []
    # One address in each private range, and one outside (RFC 5737, never assigned).
    for there in ("192.0.2.1", "192.168.0.1", "10.0.0.1", "172.16.0.1"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            try:
                asked.connect((there, 9))
                found.append(str(asked.getsockname()[0]))
            except OSError:
                continue  # no way there
    with suppress(OSError):  # a name that nobody knows
        found += [str(a[4][0]) for a in socket.getaddrinfo(socket.gethostname(), 0, socket.AF_INET)]
    return tuple(a for a in dict.fromkeys(found) if _at_home(a))


def own_names() -> tuple[str, ...]:
    """Return the names that this computer goes by on a home network, in lower case."""
    name = socket.gethostname().lower().split(".")[0]
    return (name, f"{name}.local")  # the second by multicast DNS (RFC 6762)


def _at_home(address: str) -> bool:
    told = ipaddress.ip_address(address)
    return told.is_private and not told.is_loopback and not told.is_unspecified


def listen(
    app: Flask, place: Place, addresses: Sequence[str], port: int
) -> BaseWSGIServer | MultiSocketServer:
    """Begin to listen; `run()` of what is returned serves until it is interrupted.

    Parameters
    ----------
    app : Flask
        The page.
    place : Place
        As the app was made with.
    addresses : sequence of str
        This computer's own, IPv4; it is not listened on any other.
    port : int
        0 takes a free one.

    Returns
    -------
    waitress server
        Its `effective_port` or `effective_listen` tells the port.

    Raises
    ------
    DensitycamError
        When the port is taken or may not be used.
    """
    sockets: list[socket.socket] = []
    try:
        for address in addresses:
            sockets.append(_bound(address, port))
            port = sockets[0].getsockname()[1]
    except BaseException:
        for opened in sockets:
            opened.close()
        raise
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # waiting a little is no fault
    # One map of all connections, so that the servers can be told ours.
    every: dict[int, dispatcher] = {}
    server = create_server(
        app,
        map=every,  # type: ignore[arg-type]  # the stubs say sockets, waitress keeps dispatchers
        sockets=sockets,
        threads=THREADS,
        connection_limit=CONNECTIONS,
        channel_timeout=IDLE_S,
        cleanup_interval=10,
        max_request_body_size=LARGEST_BODY,
        max_request_header_size=32_768,
        # Few large pieces: between two of them the receiving thread waits for its turn in Python.
        recv_bytes=262_144,
        inbuf_overflow=262_144,
        clear_untrusted_proxy_headers=True,
        ident=None,
    )
    for listening in every.values():
        if isinstance(listening, BaseWSGIServer):
            listening.channel_class = _channel_for(app, place)
    return server


def _bound(address: str, port: int) -> socket.socket:
    opened = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # Not on Windows, where it would let two programs share a port.
        if os.name != "nt":
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((address, port))
        opened.listen(1024)
    except OSError as error:
        opened.close()
        if error.errno == errno.EADDRINUSE:
            raise DensitycamError(
                f"Port {port} is taken: densitycam serve, or another program, runs on it already.",
                "End that one, or choose another with --port.",
            ) from error
        raise DensitycamError(
            f"Cannot listen on {address}, port {port}: {error.strerror}.",
            "Choose a port from 1024 to 65535 with --port.",
        ) from error
    return opened


class _Refusal:
    """An answer that waitress gives without asking the app."""

    def __init__(self, status: HTTPStatus, problem: str, advice: str) -> None:
        self.code = int(status)
        self._status = f"{self.code} {status.phrase}"
        self._body = plain_page(problem, advice).encode()

    def to_response(self, ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
        """Return status, headers and body, as waitress asks its own errors."""
        headers = {
            **HEADERS,
            "Content-Type": "text/html; charset=utf-8",
            "Cache-Control": "no-store",
        }
        return self._status, list(headers.items()), self._body


_TOO_LARGE = _Refusal(
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    "The photo is too large.",
    f"Go back and send one photo of at most {LARGEST_PHOTO / 1e6:.0f} MB, as the phone's camera "
    "makes it by itself.",
)
_NO_LENGTH = _Refusal(
    HTTPStatus.LENGTH_REQUIRED,
    "The request does not say how long it is.",
    "Send it with a browser.",
)
_STRANGER = _Refusal(HTTPStatus.FORBIDDEN, *STRANGER)


def _channel_for(app: Flask, place: Place) -> type[HTTPChannel]:
    """Return the class of connections to an app."""

    class Parser(HTTPRequestParser):
        """Refuses a request by its headers, before anything of its body is kept."""

        def received(self, data: bytes) -> int:
            """Take data; return how much of it was used."""
            begun = self.headers_finished
            used: int = super().received(data)
            if self.headers_finished and not begun:
                refusal = self._refusal()
                if refusal is not None:
                    self.error = refusal  # type: ignore[assignment]  # asked as its own errors are
                    self.completed = True
                    self.expect_continue = False  # it is not to go on
            return used

        def _refusal(self) -> _Refusal | None:
            if self.chunked:
                return _NO_LENGTH
            if self.content_length <= 0:
                return None
            if not is_let_in(app, place, self.headers.get("COOKIE", "")):
                return _STRANGER
            return _TOO_LARGE if self.content_length >= LARGEST_BODY else None

    class Channel(HTTPChannel):
        """A connection that gives up what comes too slowly, and lets a refused sender read why."""

        parser_class = Parser
        begun = 0.0
        linger_until: float | None = None

        def received(self, data: bytes) -> bool:
            """Take data, unless the request has been coming for too long."""
            now = time.monotonic()
            if self.request is None:
                self.begun = now
            elif now - self.begun > (WHOLE_S if self.request.headers_finished else HEADERS_S):
                self.will_close = True
                return False
            return bool(super().received(data))

        def handle_write(self) -> None:
            """Send; a refusal is sent before what still comes has been read."""
            if not (self.close_when_flushed and not self.will_close):
                super().handle_write()
                return
            self._flush_exception(self._flush_some)  # type: ignore[attr-defined]  # not in the stubs
            if self.will_close:
                self.handle_close()
            elif not self.total_outbufs_len and self.socket is not None:
                # Closed at once, unread data would make the system take the answer back.
                self.close_when_flushed = False
                self.linger_until = time.monotonic() + LINGER_S
                with suppress(OSError):  # gone already, which reading will say
                    self.socket.shutdown(socket.SHUT_WR)

        def readable(self) -> bool:
            """Tell whether to read on."""
            return self.linger_until is not None or bool(super().readable())

        def handle_read(self) -> None:
            """Read; after a refusal, throw away."""
            if self.linger_until is None:
                super().handle_read()
                return
            try:
                more = self.recv(65_536)
            except OSError:
                more = b""
            if self.connected and (not more or time.monotonic() > self.linger_until):
                self.handle_close()

    return Channel


def port_of(server: Any) -> int:
    """Return the port that a server of `listen` listens on.

    Parameters
    ----------
    server : object
        From `listen`; of several addresses the first one's port counts.
    """
    listening = getattr(server, "effective_listen", None)
    return int(listening[0][1] if listening else server.effective_port)
