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
#: An answer that is ready waits for those before it, for so long at most [s]: a photo takes a few
#: seconds, one that hangs must not hold up the others.
HOLD_S = 5.0


class Turns:
    """Lets so many in at a time, first come, first served.

    Parameters
    ----------
    at_once : int
        How many.
    most : int
        How many may be in or wait; one more is refused.
    hold_s : float, default HOLD_S
        How long one who is done waits for those that came before, so that all leave in the order
        in which they came [s].
    """

    def __init__(self, at_once: int, most: int, *, hold_s: float = HOLD_S) -> None:
        self._idle = at_once
        self._room = most
        self._hold_s = hold_s
        self._there: list[int] = []
        self._numbers = itertools.count()
        self._waiting: deque[int] = deque()
        self._changed = threading.Condition()

    def enter(self) -> int:
        """Wait for one's turn.

        Returns
        -------
        int
            One's number, to be handed to `leave`.

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
            self._there.append(number)
            self._changed.wait_for(lambda: self._idle and self._waiting[0] == number)
            self._waiting.popleft()
            self._idle -= 1
            self._changed.notify_all()  # the next may have its turn too
        return number

    def leave(self, number: int) -> None:
        """Let the next one in, then wait until those that came before have left.

        Parameters
        ----------
        number : int
            What `enter` returned.
        """
        with self._changed:
            self._idle += 1
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._there[0] == number, self._hold_s)
            self._there.remove(number)
            self._room += 1
            self._changed.notify_all()


def take_turns(app: Flask, turns: Turns) -> None:
    """Have requests with a photo take turns, before anything of them is parsed.

    So photos are answered in the order in which they came, and however many come at once, the
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
            g.turn = turns.enter()

    @app.teardown_request
    def leave(_error: BaseException | None) -> None:
        turn = g.pop("turn", None)
        if turn is not None:
            turns.leave(turn)
