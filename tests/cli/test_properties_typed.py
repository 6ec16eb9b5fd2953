"""Whatever is typed becomes a value in its range or a clean refusal; what is right comes back."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import click
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from tried import tried

from densitycam.cli.count import _fillings
from densitycam.cli.count_photo import corrections_of
from densitycam.cli.count_walk import walk
from densitycam.cli.options import ABOVE_ZERO, DILUTION, SHARE, _parse_time
from densitycam.counting.chambers import CHAMBERS, chamber_by_name, own_chamber
from densitycam.counting.dilution import chain_factor, parse_chain
from densitycam.counting.slide import MOST_CELLS
from densitycam.counting.tally import Tally
from densitycam.counting.typed import whole_typed
from densitycam.errors import DensitycamError
from densitycam.photo.decode import possible_time
from densitycam.report.count_text import MOST_IN_SQUARE

#: Any text, and often one that looks like a number, a list, a date or a dilution.
TYPED = st.text(max_size=40) | st.text("0123456789.,:+-xXeE/ _٣naif\0", max_size=30)
FIELD = st.integers(0, MOST_CELLS)


@given(TYPED)
@example("nan")
@example("1e400")
@example("-0")
@example("٣")
def test_a_quantity_lies_in_its_range_or_is_refused(text):
    for kind in (ABOVE_ZERO, DILUTION, SHARE):
        number = tried(kind.convert, text, None, None, refusal=click.BadParameter)
        if isinstance(number, click.BadParameter):
            assert number.message
        else:
            assert kind.least <= number <= kind.most
            assert number > kind.least or kind.itself


@given(st.floats(1e-300, 1e9))
def test_a_quantity_is_the_number_that_was_typed(number):
    assert ABOVE_ZERO.convert(repr(number), None, None) == number


@given(TYPED, st.integers(0, 10**12))
def test_a_whole_number_is_what_its_digits_say(text, most):
    number = whole_typed(text, most=most)
    if number is not None:
        assert 0 <= number <= most
        assert str(number) == (text.strip().lstrip("0") or "0")


@given(st.integers(0, 10**30), st.integers(0, 10**12), st.integers(0, 50))
def test_whole_numbers_are_taken_up_to_the_most_and_no_further(number, most, zeros):
    typed = f" {'0' * zeros}{number} "
    assert whole_typed(typed, most=most) == (number if number <= most else None)


@given(st.lists(st.lists(FIELD, min_size=1, max_size=6), min_size=1, max_size=4))
def test_counts_come_back_as_they_were_typed(sides):
    assume(all(len(side) > 1 for side in sides))  # one alone is a total, and wants --squares
    typed = "/".join(", ".join(map(str, side)) for side in sides)
    read = _fillings(typed, None)
    assert [list(f.counts) for f in read] == sides
    assert [f.squares for f in read] == [len(side) for side in sides]


@given(TYPED, st.none() | st.floats(0.5, 100))
def test_counts_are_whole_and_not_below_zero_or_refused(text, squares):
    read = tried(_fillings, text, squares, refusal=click.UsageError)
    if isinstance(read, click.UsageError):
        assert len(read.format_message()) < 250
    else:
        assert all(0 <= n <= MOST_CELLS for f in read for n in f.counts)
        assert all(f.squares > 0 for f in read)


@given(st.dictionaries(st.integers(0, 500), FIELD, max_size=5))
def test_corrections_come_back(corrections):
    assert corrections_of(f"{square}={cells}" for square, cells in corrections.items()) == (
        corrections
    )


@given(TYPED)
def test_any_correction_is_read_or_refused(text):
    read = tried(corrections_of, [text], refusal=click.BadParameter)
    if isinstance(read, click.BadParameter):
        assert "such as 3=41" in read.message
    else:
        assert len(read) == 1


STEP = st.floats(1.0, 1e6).map(lambda x: float(f"{x:.4g}"))


@given(st.lists(STEP, min_size=1, max_size=4), st.data())
def test_a_chain_of_dilutions_is_its_steps_however_it_is_written(steps, data):
    def written(step: float) -> str:
        plain = f"{step:.6f}".rstrip("0").rstrip(".")
        more = f"{step - 1:.6f}".rstrip("0").rstrip(".")
        return data.draw(st.sampled_from((plain, f"1:{plain}", f"1 : {plain}", f"1+{more}")))

    typed = data.draw(st.sampled_from(("x", " X ", ",", "*"))).join(map(written, steps))
    read = parse_chain(typed)
    assert read == pytest.approx([s for s in steps if s > 1], rel=1e-5)
    assert chain_factor(read) == pytest.approx(math.prod(steps), rel=1e-5)


@given(TYPED)
def test_no_dilution_concentrates(text):
    steps = tried(parse_chain, text, refusal=DensitycamError)
    if isinstance(steps, DensitycamError):
        assert "dilution" in steps.problem
        assert steps.advice
    else:
        assert all(1 < step <= 1e6 for step in steps)


@given(st.floats(1e-6, 20.0), st.floats(1e-6, 1e4))
def test_a_chamber_of_ones_own_is_built_again_from_its_name(depth_mm, area_mm2):
    own = own_chamber(depth_mm=depth_mm, area_mm2=area_mm2)
    assert chamber_by_name(own.id) == own
    # 1 mm3 is 1e-3 mL: depth times area, by geometry.
    assert own.volume_ml("field") == pytest.approx(depth_mm * area_mm2 * 1e-3, rel=1e-12)


@given(TYPED | st.text("own:.xeE+-0123456789", max_size=24).map("own:{}".format))
def test_any_chambers_name_gives_a_chamber_or_near_names(text):
    chamber = tried(chamber_by_name, text, refusal=DensitycamError)
    if isinstance(chamber, DensitycamError):
        assert chamber.advice
    else:
        assert chamber.id in CHAMBERS or 0 < chamber.volume_ml("field") < math.inf


@given(st.datetimes(datetime(1, 1, 1), datetime(9999, 12, 31, 23)), st.sampled_from(" T"))
def test_a_time_comes_back_to_the_second(when, between):
    typed = when.isoformat(sep=between, timespec="seconds")
    assert _parse_time(f" {typed} ") == when.replace(microsecond=0)


@given(TYPED | st.datetimes(timezones=st.timezones()).map(str))
@example("0001-01-01T00:00:00+14:00")
@example("9999-12-31T23:59:59-14:00")
def test_any_time_is_local_and_naive_or_refused(text):
    when = tried(_parse_time, text, refusal=click.BadParameter)
    if isinstance(when, click.BadParameter):
        assert "write it as 2026-05-09" in when.message
    else:
        assert when.tzinfo is None
        assert when.microsecond == 0


@given(st.datetimes())
def test_nothing_happens_before_phones_or_after_tomorrow(when):
    if possible_time(when):
        assert datetime(2000, 1, 1) <= when <= datetime.now() + timedelta(days=400)


#: What is typed while counting; most of it numbers of a square, so that counts grow.
WORDS = st.one_of(
    st.integers(0, 300).map(str), st.sampled_from(("u", "undo", "n", "next", "", "-1", "5001", "x"))
)


@given(st.lists(WORDS, max_size=14))
def test_the_count_at_the_prompt_is_what_its_words_say(words):
    # The same by lists and nothing else; a filling has 9 large squares (improved Neubauer).
    sides: list[list[int]] = [[]]
    for word in words:
        if word in ("u", "undo"):
            if not sides[-1] and len(sides) > 1:
                sides.pop()
            if sides[-1]:
                sides[-1].pop()
        elif word in ("n", "next"):
            if sides[-1]:
                sides.append([])
        elif word.isdecimal() and int(word) <= MOST_IN_SQUARE:
            sides[-1].append(int(word))
    assume(all(len(side) <= 9 for side in sides))
    typed = iter([*words, "f", "", ""])
    said: list[str] = []
    tally = walk(lambda _: next(typed), said.append, Tally(()), half_width=0.1)
    counted = [tuple(side) for side in sides if side]
    assert (None if tally is None else [f.counts for f in tally.fillings]) == (counted or None)
    assert all(said)
