"""Photos that come at once take turns in the order in which they came."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from werkzeug.exceptions import ServiceUnavailable

from densitycam.web import app, turns
from densitycam.web.turns import Turns


def until(true) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.005)


@pytest.mark.parametrize("at_once", [1, 3])
def test_first_come_first_served_and_no_more_at_once_than_may(at_once):
    gate, order, inside, most_inside = Turns(at_once, 20), [], set(), []
    lock, go = threading.Lock(), threading.Event()

    def visit(n: int) -> None:
        number = gate.enter()
        with lock:
            order.append(n)
            inside.add(n)
            most_inside.append(len(inside))
        go.wait()
        with lock:
            inside.discard(n)
        gate.leave(number)

    with ThreadPoolExecutor(20) as pool:
        jobs = []
        for n in range(20):
            jobs.append(pool.submit(visit, n))
            until(lambda n=n: len(order) + len(gate._waiting) == n + 1)
        assert sorted(order) == list(range(at_once))
        go.set()
        for job in jobs:
            job.result()
    assert max(most_inside) <= at_once
    # Those let in together may write themselves down in any order.
    assert all(abs(place - n) < at_once for place, n in enumerate(order))


def test_one_too_many_is_refused_and_room_comes_back():
    gate = Turns(2, 2)
    first = gate.enter()
    gate.enter()
    with pytest.raises(ServiceUnavailable, match="Try again in a minute"):
        gate.enter()
    gate.leave(first)
    gate.enter()


def test_who_is_done_first_leaves_after_those_that_came_before():
    gate, left = Turns(3, 5), []
    numbers = [gate.enter() for _ in range(3)]

    def leave(number: int) -> None:
        gate.leave(number)
        left.append(number)

    with ThreadPoolExecutor(3) as pool:
        later = [pool.submit(leave, number) for number in numbers[1:]]
        until(lambda: gate._idle == 2)
        assert left == []
        assert gate.enter() == 3  # their places are free meanwhile
        pool.submit(leave, numbers[0])
        for job in later:
            job.result()
    assert sorted(left) == numbers
    assert left[0] == numbers[0]


def test_one_that_hangs_holds_up_nobody_for_long():
    gate = Turns(2, 5, hold_s=0.1)
    gate.enter()  # and never leaves
    begun = time.monotonic()
    gate.leave(gate.enter())
    assert time.monotonic() - begun >= 0.1
    gate.leave(gate.enter())


def test_a_photo_that_fails_gives_its_turn_back(page, photo):
    visitor = page.visitor()
    for _ in range(turns.MOST_PHOTOS + page.place.reader.count + 2):
        large = b"no photo" + bytes(200_000)
        assert visitor.upload("/snap", {"vessel": "slim"}, large, "a", token="wrong").status == 400
    assert visitor.snap("slim", large).status == 400
    assert visitor.snap("slim", photo).status == 303


def test_pages_are_served_while_all_turns_are_taken(journal_path, monkeypatch, photo):
    from web_server import make_place, serving

    gate = Turns(1, 1)
    monkeypatch.setattr(app, "Turns", lambda *_: gate)
    with serving(make_place(journal_path)) as page:
        number = gate.enter()
        visitor = page.visitor()
        answer = visitor.snap("slim", photo)
        assert (answer.status, answer.headers["Retry-After"]) == (503, "60")
        assert "Try again in a minute" in answer.text
        assert visitor.get("/").status == 200
        gate.leave(number)
        assert visitor.snap("slim", photo).status == 303
