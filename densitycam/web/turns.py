"""Photos that come at once take turns, in the order in which they came, and never without end."""

from __future__ import annotations

import itertools
import threading
from collections import deque

from flask import Flask, g, request
from werkzeug.exceptions import ServiceUnavailable

__all__ = ["Turns", "take_turns"]

#: How forms with files come (RFC 7578); those without come otherwise.
_WITH_FILES = "multipart/form-data"
#: Photos at most that are worked on or wait; each holds a thread of the server.
MOST_PHOTOS = 24


class Turns:
    """Lets so many in at a time, first come, first served.

    Parameters
    ----------
    at_once : int
        How many.
    most : int
        How many may be in or wait; one more is refused.
    """

    def __init__(self, at_once: int, most: int) -> None:
        self._idle = at_once
        self._room = most
        self._numbers = itertools.count()
        self._waiting: deque[int] = deque()
        self._changed = threading.Condition()

    def enter(self) -> None:
        """Wait for one's turn.

        Raises
        ------
        ServiceUnavailable
            When too many wait already.
        """
        with self._changed:
            if not self._room:
                raise ServiceUnavailable(
                    "Busy: many photos are being read. Try again in a minute.", retry_after=60
                )
            self._room -= 1
            number = next(self._numbers)
            self._waiting.append(number)
            self._changed.wait_for(lambda: self._idle and self._waiting[0] == number)
            self._waiting.popleft()
            self._idle -= 1
            self._changed.notify_all()  # the next may have its turn too

    def leave(self) -> None:
        """Let the next one in."""
        with self._changed:
            self._idle += 1
            self._room += 1
            self._changed.notify_all()


def take_turns(app: Flask, turns: Turns) -> None:
    """Have requests with a photo take turns, before anything of them is parsed.

    So a photo is answered after those that came before it, and however many come at once, the
    server takes no more memory or time from pages than a few of them need.

    Parameters
    ----------
    app : Flask
        To be called after strangers are refused, and before forms are looked into.
    turns : Turns
        As many at once as there are processes to read them, and one more, which is parsed
        meanwhile.
    """

    @app.before_request
    def enter() -> None:
        if request.mimetype == _WITH_FILES:
            turns.enter()
            g.took_turn = True

    @app.teardown_request
    def leave(_error: BaseException | None) -> None:
        if g.pop("took_turn", False):
            turns.leave()
