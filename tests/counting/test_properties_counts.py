"""Counts: exact limits, chamber factors and dilutions for any numbers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from tried import tried

from densitycam.counting.chambers import CHAMBERS
from densitycam.counting.poisson import poisson_limits
from densitycam.counting.slide import MOST_CELLS, count_slide
from densitycam.counting.tally import Filling, Tally, judge_tally, more_to_count

FIELDS = st.sampled_from([(c.id, u.id) for c in CHAMBERS.values() for u in c.units])


@given(st.integers(0, 20_000), st.floats(0.5, 0.999))
def test_limits_leave_half_of_the_rest_on_either_side(cells, confidence):
    """By their definition (Garwood 1936), with scipy's own Poisson distribution."""
    low, high = poisson_limits(cells, confidence=confidence)
    tail = (1 - confidence) / 2
    assert stats.poisson.cdf(cells, high) == pytest.approx(tail, rel=1e-6)
    if cells:
        assert stats.poisson.sf(cells - 1, low) == pytest.approx(tail, rel=1e-6)
    assert low <= cells <= high


@given(st.integers(0, MOST_CELLS), st.integers(1, 1000), st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_limits_rise_with_the_count_and_part_with_the_confidence(cells, more, one, other):
    here, there = poisson_limits(cells), poisson_limits(cells + more)
    assert here[0] < there[0]
    assert here[1] < there[1]
    narrow, wide = (poisson_limits(cells, confidence=c) for c in sorted((one, other)))
    assert wide[0] <= narrow[0] <= narrow[1] <= wide[1]


@given(
    FIELDS, st.integers(0, 10**6), st.floats(0.01, 1.0), st.floats(1.0, 1e5), st.floats(0.0, 1.0)
)
def test_cells_over_the_volume_that_they_were_counted_in(field, cells, part, dilution, fixative):
    chamber, unit = field
    geometry = CHAMBERS[chamber]
    area = next(u.area_mm2 for u in geometry.units if u.id == unit)
    most = next(u.per_chamber for u in geometry.units if u.id == unit)
    squares = max(part * most, 0.01)
    count = count_slide(
        cells=cells, squares=squares, chamber=chamber, unit=unit, dilution=dilution,
        fixative_fraction=fixative,
    )  # fmt: skip
    # 1 mm3 is 1e-3 mL; one part and `fixative` parts were mixed.
    volume_ml = squares * area * geometry.depth_mm * 1e-3
    expected = cells / volume_ml * dilution * (1 + fixative)
    assert count.cells_per_ml == pytest.approx(expected, rel=1e-12)
    assert count.low <= count.cells_per_ml <= count.high
    # No interval is narrower than chance allows.
    low, high = poisson_limits(cells)
    per_cell = dilution * (1 + fixative) / volume_ml
    assert count.low <= low * per_cell * (1 + 1e-12)
    assert count.high >= high * per_cell * (1 - 1e-12)


@given(st.integers(), st.floats(), st.floats(), st.floats())
def test_an_impossible_count_is_refused(cells, squares, dilution, fixative):
    count = tried(
        count_slide,
        cells=cells, squares=squares, dilution=dilution, fixative_fraction=fixative,
        refusal=ValueError,
    )  # fmt: skip
    if isinstance(count, ValueError):
        assert str(count)
    else:
        assert 0 <= count.cells_per_ml < math.inf
        assert 0 <= count.low <= count.cells_per_ml <= count.high < math.inf


COUNTS = st.lists(st.integers(0, 300), min_size=1, max_size=9)


@given(st.lists(COUNTS, min_size=1, max_size=4), st.randoms())
def test_the_order_of_squares_and_fillings_does_not_matter(sides, chance):
    def told(order):
        tally = Tally(tuple(Filling(tuple(side), float(len(side))) for side in order))
        return judge_tally(tally)

    shuffled = [chance.sample(side, len(side)) for side in chance.sample(sides, len(sides))]
    one, other = told(sides), told(shuffled)
    for name in ("cells", "squares"):
        assert getattr(one.slide, name) == getattr(other.slide, name)
    for name in ("cells_per_ml", "low", "high"):
        assert getattr(one.slide, name) == pytest.approx(getattr(other.slide, name), rel=1e-9)
    assert sum(map(sum, sides)) == one.slide.cells


@given(st.integers(1, 800), st.integers(1, 9), st.floats(0.11, 0.5), st.booleans())
def test_counting_what_is_advised_brings_the_precision(cells, squares, wanted, diluted):
    steps = (10.0,) if diluted else ()
    tally = Tally((Filling((cells,), float(squares)),), dilution_steps=steps)
    more = more_to_count(tally, half_width=wanted)
    if not more.cells:
        return
    per_square = cells / squares
    fillings = [Filling((cells,), float(squares))]
    added = more.cells / per_square
    if more.fillings:
        share = added / more.fillings
        each = math.ceil(more.cells / more.fillings)
        fillings += [Filling((each,), share)] * more.fillings
    else:
        fillings = [Filling((cells + more.cells,), squares + added)]
    done = judge_tally(Tally(tuple(fillings), dilution_steps=steps, fresh_dilutions=diluted))
    if done.replicates.agree:
        assert done.half_width <= wanted * 1.03  # cells are whole, and limits not even
