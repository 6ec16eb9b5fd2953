"""The calibration for any numbers: it rises, holds its own answer, and is no slave to order."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from test_model import points, reading

from densitycam.calibration.model import (
    Calibration,
    calibration_from_json,
    calibration_to_json,
    estimate,
    fit_calibration,
    predictive_band,
    start_calibration,
)
from densitycam.student_t import t_quantile
from densitycam.vessel.blank import assumed_blank, blank_of, with_blank

DENSITY = st.floats(1e5, 4e6)


@cache
def calibration(slides: int, seed: int) -> Calibration:
    """Return one of slides at random densities, as photos with noise saw them."""
    rng = np.random.default_rng(seed)
    densities = np.exp(rng.uniform(math.log(1.5e5), math.log(2.5e6), slides))
    start = start_calibration("isochrysis")
    return fit_calibration(start, points(densities, rng)) if slides else start


CALIBRATION = st.builds(calibration, st.integers(0, 6), st.integers(0, 4))


@given(CALIBRATION, DENSITY, st.floats(1.02, 3.0))
@example(calibration(1, 3), 3690472.0, 1.2)
@example(calibration(2, 0), 3764843.0, 1.125)
@example(calibration(2, 2), 3943161.0, 1.12)
def test_a_denser_culture_is_told_thinner_at_most_where_no_slide_has_checked(
    calibration, density, times
):
    thin, dense = (estimate(reading(d), calibration) for d in (density, density * times))
    assume(thin.status == dense.status == "measured")
    # Uncounted, contrast alone answers; `reading` has plenty of it up to 3 million cells/mL.
    if calibration.n_slides == 0 or dense.inside_range or density * times < 3e6:
        assert thin.cells_per_ml < dense.cells_per_ml
    else:
        # Past all slides every signal's curve still rises, but where contrast ends its weight
        # passes to brightness, whose curve no slide holds there: the answer falls by as much as
        # the two are apart, up to a fifth where the slides had a tenth of the density or less. It
        # says that it is unchecked, and its interval reaches on.
        assert dense.cells_per_ml > 0.75 * thin.cells_per_ml
        assert dense.high > thin.cells_per_ml
        assert any("Outside the densities" in note for note in dense.notes)


@given(CALIBRATION, DENSITY)
def test_the_interval_holds_the_answer_and_is_as_wide_as_it_says(calibration, density):
    told = estimate(reading(density), calibration)
    if told.status != "measured":
        assert math.isnan(told.cells_per_ml)
        assert (told.low == 0.0) != math.isinf(told.high)
        return
    assert 0 < told.low < told.cells_per_ml < told.high < math.inf
    # In the logarithm it lies even, t standard deviations to either side.
    up, down = math.log(told.high / told.cells_per_ml), math.log(told.cells_per_ml / told.low)
    assert up == pytest.approx(down, rel=1e-9)
    t = t_quantile(0.975, calibration.stray_df)
    assert up == pytest.approx(t * told.relative_sd, rel=1e-9)


@given(CALIBRATION, DENSITY, st.floats(1.0, 1e4))
def test_a_diluted_sample_tells_the_culture(calibration, density, dilution):
    plain = reading(density)
    sample = replace(plain, dilution=dilution)
    told, of_sample = estimate(plain, calibration), estimate(sample, calibration)
    for name in ("cells_per_ml", "low", "high"):
        one, other = getattr(told, name), getattr(of_sample, name)
        assert other == pytest.approx(one * dilution, rel=1e-9, nan_ok=True)
    assert of_sample.relative_sd == pytest.approx(told.relative_sd)


@settings(max_examples=10)
@given(st.integers(2, 5), st.integers(0, 99), st.randoms())
def test_the_order_of_slides_does_not_matter(slides, seed, chance):
    rng = np.random.default_rng(seed)
    made = points(np.exp(rng.uniform(math.log(1.5e5), math.log(2.5e6), slides)), rng)
    start = start_calibration("isochrysis")
    one = fit_calibration(start, made)
    other = fit_calibration(start, chance.sample(made, len(made)))
    np.testing.assert_allclose(one.coefficients, other.coefficients, rtol=1e-6, atol=1e-7)
    assert one.range_low == pytest.approx(other.range_low)
    assert one.range_high == pytest.approx(other.range_high)
    assert {p.label: round(p.weight, 6) for p in one.points} == {
        p.label: round(p.weight, 6) for p in other.points
    }


@given(CALIBRATION, DENSITY)
def test_a_kept_calibration_says_the_same_to_the_last_bit(calibration, density):
    again = calibration_from_json(calibration_to_json(calibration))
    assert estimate(reading(density), again) == estimate(reading(density), calibration)
    assert calibration_to_json(again) == calibration_to_json(calibration)


@settings(max_examples=25)
@given(st.integers(1, 6), st.integers(0, 4), st.lists(DENSITY, min_size=1, max_size=5))
def test_the_band_holds_the_density_it_is_drawn_for(slides, seed, densities):
    for density, low, high in predictive_band(calibration(slides, seed), densities):
        assert density in densities
        assert low < density < high
        assert density / low == pytest.approx(high / density, rel=1e-9)


@given(DENSITY, st.floats(1.0, 200.0))
def test_a_blank_comes_off_once_and_what_was_raw_stays_raw(density, path_mm):
    seen = replace(reading(density), path_mm=path_mm)
    blank = assumed_blank(path_mm)
    once = with_blank(seen, blank)
    assert with_blank(once, blank) == once
    assert once.contrast_t == seen.contrast_t
    for channel in range(3):
        if math.isfinite(once.attenuation[channel]):
            # -ln of the transmittance is the blank's and the culture's together (Beer, Lambert).
            whole = once.attenuation[channel] + blank.attenuation[channel]
            assert math.exp(-whole) == pytest.approx(seen.contrast_t[channel], rel=1e-12)


@given(st.lists(st.floats(0.85, 0.95), min_size=1, max_size=5))
def test_water_less_its_own_blank_is_nothing_on_average(transmittances):
    waters = [replace(reading(1e5), contrast_t=(t,) * 3, mean_t=(t,) * 3) for t in transmittances]
    blank = blank_of(waters)
    left = [with_blank(w, blank).attenuation[0] for w in waters]
    assert sum(left) / len(left) == pytest.approx(0.0, abs=1e-12)
