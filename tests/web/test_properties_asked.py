"""What a form or an address holds becomes a value in range, or a page says what is wrong."""

from __future__ import annotations

import math
from datetime import datetime

import pytest
from flask import Flask
from hypothesis import example, given
from hypothesis import strategies as st
from tried import tried
from werkzeug.datastructures import MultiDict
from werkzeug.exceptions import HTTPException

from densitycam.counting.chambers import CHAMBERS
from densitycam.counting.tally import judge_tally
from densitycam.errors import DensitycamError
from densitycam.photo.decode import possible_time
from densitycam.report.count_text import MOST_IN_SQUARE
from densitycam.vessel.record import VesselRecord
from densitycam.web.asked import asked_number, asked_time, quantity, words
from densitycam.web.count_views import Asked, _address, _asked_count

APP = Flask(__name__)
JAR = VesselRecord("jar", "isochrysis", 500.0, 60.0)
TYPED = st.text(max_size=30) | st.text("0123456789.,:+-xeE/ _٣na\0", max_size=30)
REFUSED = (DensitycamError, HTTPException)
FIELDS = [(c.id, u.id) for c in CHAMBERS.values() for u in c.units]


@given(TYPED, st.floats(-10, 10), st.floats(20, 1e9))
@example("1e400", 0.0, 1e9)
@example("nan", 0.0, 1e9)
@example("1,5", 0.0, 1e9)
def test_a_number_of_a_form_is_in_range_missing_or_refused(text, above, most):
    with APP.test_request_context(method="POST", data={"ml": text}):
        number = tried(
            quantity, "ml", "Volume", above=above, most=most, needed=False, refusal=DensitycamError
        )
    if isinstance(number, DensitycamError):
        assert "Volume" in number.problem
        assert len(number.problem) < 250
    elif number is None:
        assert not text.strip().replace(" ", "")
    else:
        assert above < number <= most


@given(st.floats(1e-6, 1e9), st.booleans())
def test_a_number_with_a_comma_or_a_point_is_the_same(number, comma):
    text = f"{number!r}".replace(".", "," if comma else ".")
    with APP.test_request_context(method="POST", data={"ml": f" {text} "}):
        assert quantity("ml", "Volume") == number


@given(TYPED)
def test_a_number_of_an_address_is_one_that_the_journal_can_hold(text):
    with APP.test_request_context(query_string={"number": text}):
        number = tried(asked_number, refusal=HTTPException)
    if not isinstance(number, HTTPException):
        assert 0 <= number < 2**63


@given(st.text(max_size=600))
def test_words_come_without_the_blanks_around_them_or_are_too_long(text):
    with APP.test_request_context(method="POST", data={"note": text}):
        said = tried(words, "note", refusal=DensitycamError)
    if isinstance(said, DensitycamError):
        assert "500" in said.problem
    else:
        assert said == said.strip()
        assert len(said) <= 500
        assert "\n".join(said.splitlines()) in "\n".join(text.splitlines())


@given(TYPED | st.datetimes().map(str))
@example("0001-01-01T00:00+14:00")
def test_a_time_of_a_form_is_one_that_can_be_or_is_refused(text):
    with APP.test_request_context(method="POST", data={"when": text}):
        when = tried(asked_time, refusal=DensitycamError)
    if isinstance(when, DensitycamError):
        assert when.advice
    else:
        assert when.tzinfo is None
        assert possible_time(when)


@given(st.datetimes(datetime(2000, 1, 1), datetime(2026, 10, 1)))
def test_a_time_comes_back_as_a_browser_sends_it(when):
    with APP.test_request_context(method="POST", data={"when": f"{when:%Y-%m-%dT%H:%M}"}):
        assert asked_time() == when.replace(second=0, microsecond=0)


SQUARES = st.lists(st.integers(0, MOST_IN_SQUARE).map(int), max_size=6).map(tuple)


@given(
    st.lists(SQUARES, min_size=1, max_size=4).map(tuple), st.sampled_from(FIELDS),
    st.sampled_from(("1", "1:10x1:5", "10", "1+9")), st.sampled_from(("", "2", "0,5")),
    st.sampled_from(("", "7")),
)  # fmt: skip
def test_a_count_in_progress_is_the_same_after_its_way_through_an_address(
    sides, field, dilution, fixative, reading
):
    asked = Asked(sides, *field, dilution, fixative, reading)
    with APP.test_request_context(query_string=_address(JAR, asked)) as context:
        assert _asked_count(context.request.args) == asked
    counted = [f.counts for f in asked.tally().fillings]
    assert counted == [side for side in sides if side]


@given(TYPED | st.text("0123456789,/", max_size=60), TYPED, TYPED, TYPED)
@example("000000000" + "9" * 20, "", "1", "")
@example("0" * 9 + "9" * 5000, "", "1", "")
@example("٣", "", "1", "")
def test_any_address_of_a_count_is_a_count_or_refused(cells, field, dilution, fixative):
    values = MultiDict({"cells": cells, "field": field, "dilution": dilution, "fixative": fixative})
    asked = tried(_asked_count, values, refusal=REFUSED)
    if isinstance(asked, REFUSED):
        return
    assert all(0 <= n <= MOST_IN_SQUARE for side in asked.fillings for n in side)
    assert _asked_count(MultiDict(_address(JAR, asked))) == asked
    tally = tried(asked.tally, refusal=DensitycamError)
    if isinstance(tally, DensitycamError) or not tally.fillings:
        return
    told = tried(judge_tally, tally, refusal=ValueError)  # more squares than the chamber has
    if not isinstance(told, ValueError):
        assert 0 <= told.slide.cells_per_ml < math.inf


def test_the_address_of_a_count_refuses_by_a_status_and_not_by_a_fault():
    for cells in ("0000000009999", "1,,x", "-1", "9" * 400):
        with pytest.raises(HTTPException) as caught:
            _asked_count(MultiDict({"cells": cells}))
        assert caught.value.code == 400
