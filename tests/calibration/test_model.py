"""The calibration: slides move it as far as they should, and its intervals hold.

The cultures here are made by the test itself: each signal's optical depth grows with density by
a law of the test's own (Beer and Lambert, with an offset and a saturation), plus noise.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from densitycam.calibration import model
from densitycam.calibration.model import (
    CalibrationPoint,
    calibration_from_json,
    calibration_to_json,
    detection_limit,
    estimate,
    fit_calibration,
    leave_one_out,
    loosened,
    predictive_band,
    species_signs,
    start_calibration,
)
from densitycam.calibration.signals import SIGNALS, Signal, signals_of
from densitycam.counting.slide import SlideCount, count_slide
from densitycam.errors import DensitycamError
from densitycam.vessel.reading import Outline, Reading

NAN = math.nan
SPECIES = "isochrysis"


def reading(density: float, rng=None, *, path_mm=60.0, gain=1.0, dilution=1.0) -> Reading:
    """One photo of a culture: contrast falls by Beer-Lambert, brightness saturates."""
    noise = (lambda sd: float(rng.normal(0, sd))) if rng is not None else (lambda sd: 0.0)
    seen = density / dilution
    shared, red, green = noise(0.03), noise(0.03), noise(0.03)
    depth = np.array([1.6e-8, 1.9e-8, 3e-8]) * gain * seen * path_mm
    depth = depth * np.exp([shared + red, shared + green, shared])
    contrast = np.exp(-depth - 0.09)
    mean = 0.92 * (0.2 + 0.8 * np.exp(-0.45 * depth))
    contrast_se = 0.004 + 0.015 * contrast
    mean_se = 0.004 + 0.015 * mean
    lost = contrast < 3 * contrast_se
    attenuation = np.where(lost, NAN, -np.log(contrast) - 0.09)
    triple = lambda v: tuple(float(x) for x in v)  # noqa: E731
    return Reading(
        path_mm=path_mm,
        contrast_t=triple(contrast),
        contrast_t_se=triple(contrast_se),
        mean_t=triple(mean),
        mean_t_se=triple(mean_se),
        veil=(0.01, 0.01, 0.01),
        attenuation=triple(attenuation),
        attenuation_se=triple(np.where(lost, NAN, np.hypot(contrast_se / contrast, 0.03))),
        absorbance=triple(-np.log(mean) - 0.09),
        absorbance_se=triple(np.hypot(mean_se / mean, 0.03)),
        blank_se=0.03,
        usable=(True, True, True),
        greenness=0.0,
        turbidity_per_mm=float(np.nanmin(attenuation)) / path_mm if not lost.all() else NAN,
        dilution=dilution,
        outline=Outline(110, 180, 50, 186),
        rows=(),
        flags=("bars-lost",) if lost.all() else (),
    )


def slide(density: float, rng=None, *, cells=400) -> SlideCount:
    dilution = max(1.0, density / 5e5)
    per_square = density / dilution * 1e-4
    squares = max(1, min(18, round(cells / per_square)))
    expected = per_square * squares
    if rng is not None:
        expected = rng.poisson(expected * math.exp(rng.normal(0, 0.05)))
    return count_slide(cells=int(expected), squares=squares, dilution=dilution)


def points(densities, rng=None, **kw):
    return [
        CalibrationPoint(reading(n, rng, **kw), slide(n, rng), f"slide {i + 1}")
        for i, n in enumerate(densities)
    ]


def test_the_start_is_wide_and_says_that_no_count_has_checked_it():
    answer = estimate(reading(1.3e6), start_calibration(SPECIES))
    assert answer.checked_by_counts == 0
    assert answer.high / answer.low > 4
    assert answer.relative_sd < 0.7  # the gain's 0.67 and little more, whatever the light path
    assert answer.notes == ()


def test_one_slide_takes_away_a_gain_error_and_leaves_about_the_slides_own_error():
    rng = np.random.default_rng(11)
    errors = []
    for _ in range(60):
        gain = 1.4
        point = points([1.7e6], rng, gain=gain)
        answer = estimate(
            reading(1.5e6, rng, gain=gain), fit_calibration(start_calibration(SPECIES), point)
        )
        errors.append(math.log(answer.cells_per_ml / 1.5e6))
    own = point[0].slide.relative_sd
    # 40 % would be 0.34; the slide's error and two photos' straying are all that may remain.
    assert abs(np.mean(errors)) < 0.03
    assert np.std(errors) < math.hypot(own, 0.06) * 1.2


@pytest.mark.parametrize("n", [1, 2, 4, 8])
def test_intervals_of_95_percent_hold_95_percent(n):
    rng = np.random.default_rng(100 + n)
    start = start_calibration(SPECIES)
    held = []
    for _ in range(60):
        gain = math.exp(rng.normal(0, 0.4))
        counted = np.exp(rng.uniform(math.log(4e5), math.log(2.5e6), n)) / gain
        calibration = fit_calibration(start, points(counted, rng, gain=gain))
        for density in np.exp(rng.uniform(math.log(4e5), math.log(2.5e6), 5)) / gain:
            answer = estimate(reading(density, rng, gain=gain), calibration)
            held.append(answer.low <= density <= answer.high)
    # 300 draws of 95 %: a binomial standard deviation of 1.3 %; wider is allowed, not narrower.
    assert np.mean(held) >= 0.92


def test_the_estimate_rises_with_density_everywhere_in_range_and_over_the_hand_over():
    rng = np.random.default_rng(5)
    calibration = fit_calibration(
        start_calibration(SPECIES), points(np.geomspace(3e5, 6e6, 8), rng)
    )
    ramp = np.geomspace(2e5, 7e6, 120)
    answers = [estimate(reading(n), calibration) for n in ramp]
    told = np.array([a.cells_per_ml for a in answers if a.status == "measured"])
    assert len(told) > 100
    assert (np.diff(told) > 0).all()
    # No jump at the hand-over: no step much larger than the ramp's own 3 %.
    assert np.diff(np.log(told)).max() < 0.09


def test_a_slide_wrong_by_a_factor_of_two_is_named_and_moves_little():
    rng = np.random.default_rng(8)
    start = start_calibration(SPECIES)
    moved = []
    for _ in range(20):
        good = points(np.geomspace(4e5, 2.5e6, 6), rng)
        bad = list(good)
        bad[2] = replace(good[2], slide=slide(2 * good[2].slide.cells_per_ml))
        honest, spoilt = fit_calibration(start, good), fit_calibration(start, bad)
        assert spoilt.doubtful == ("slide 3",)
        # By what factor: two, to within the slide's and the others' errors (twice 10 %).
        assert spoilt.points[2].off == pytest.approx(2.0, rel=0.25)
        probe = reading(1.2e6)
        moved.append(
            math.log(estimate(probe, spoilt).cells_per_ml / estimate(probe, honest).cells_per_ml)
        )
    assert np.median(np.abs(moved)) < 0.08


def test_two_slides_that_contradict_each_other_are_both_named_and_widen_the_interval():
    start = start_calibration(SPECIES)
    agreeing = points([6e5, 1.8e6])
    apart = [agreeing[0], replace(agreeing[1], slide=slide(2.5 * 1.8e6))]
    honest, torn = fit_calibration(start, agreeing), fit_calibration(start, apart)
    assert honest.doubtful == ()
    assert torn.doubtful == ("slide 1", "slide 2")
    probe = reading(1.2e6)
    assert estimate(probe, torn).relative_sd > 2 * estimate(probe, honest).relative_sd
    third = points([6e5, 1.8e6, 1.1e6])[2]
    assert fit_calibration(start, [*apart, third]).doubtful == ("slide 2",)


def test_a_bad_slide_does_not_stretch_the_range():
    good = points([5e5, 9e5, 1.2e6, 2e6])
    bad = [*good[:3], replace(good[3], slide=slide(10 * 2e6))]
    calibration = fit_calibration(start_calibration(SPECIES), bad)
    assert calibration.doubtful == ("slide 4",)
    assert calibration.range_high == pytest.approx(1.5 * 1.2e6, rel=0.01)


def test_the_range_ends_where_contrast_does_or_at_the_densest_slide():
    # Contrast's standard error is 0.004 in these photos, so that it is lost at an optical depth of
    # -ln(3 x 0.004) - 0.09 for the vessel, which red reaches last.
    start = start_calibration(SPECIES)
    lost = (-math.log(3 * 0.004) - 0.09) / (1.6e-8 * 60)
    near = fit_calibration(start, points([5e5, 1e6, 2e6, 3.4e6]))
    assert near.range_high == pytest.approx(lost, rel=0.1)
    assert near.range_low == pytest.approx(2.5e5, rel=0.01)
    past = fit_calibration(start, points([5e5, 1e6, 2e6, 7e6]))
    assert past.range_high == pytest.approx(7e6, rel=0.01)
    thin = fit_calibration(start, points([5e5, 1e6]))
    assert thin.range_high == pytest.approx(1.5e6, rel=0.01)
    # What the range claims is told.
    assert estimate(reading(0.97 * near.range_high), near).status == "measured"


def test_noise_does_not_pull_thin_cultures_upward():
    # A depth that noise made larger also looks surer of itself. 300 photos of a thin culture whose
    # noise is a fifth of its depth must lie, on average, where the photo without noise lies.
    rng = np.random.default_rng(3)
    calibration = fit_calibration(
        start_calibration(SPECIES), points(np.geomspace(2e5, 2.5e6, 8), np.random.default_rng(4))
    )
    clean = reading(2.2e5)
    both = (math.hypot(0.04, clean.blank_se),) * 2 + (NAN,)

    def told(shift) -> float:
        seen = replace(
            clean,
            attenuation=tuple(np.add(clean.attenuation, (*shift[:2], NAN))),
            absorbance=tuple(np.add(clean.absorbance, (*shift[2:], NAN))),
            attenuation_se=both,
            absorbance_se=both,
        )
        return math.log(estimate(seen, calibration).cells_per_ml)

    assert 0.04 / clean.attenuation[0] == pytest.approx(0.2, abs=0.02)
    shifted = [told(rng.normal(0, 0.04, 4)) for _ in range(300)]
    # Three standard errors of the mean; weights by each depth's own noise are 0.05 too high.
    assert np.mean(shifted) == pytest.approx(told(np.zeros(4)), abs=0.02)


def test_noise_of_the_slides_photos_does_not_flatten_the_curve():
    # Regressed on depths as they were seen, the dense end reads low and the thin end high: with
    # this noise (a seventh of the thinnest depth) by 2.1 % at the dense end, three times what is
    # left where slides carry both errors. 20 calibrations, standard error 0.3 %.
    def noisy(density, rng):
        clean = reading(density)
        both = (math.hypot(0.05, clean.blank_se),) * 2 + (NAN,)
        moved = rng.normal(0, 0.05, 4)
        return replace(
            clean,
            attenuation=tuple(np.add(clean.attenuation, (*moved[:2], NAN))),
            absorbance=tuple(np.add(clean.absorbance, (*moved[2:], NAN))),
            attenuation_se=both,
            absorbance_se=both,
        )

    errors = []
    for seed in range(900, 920):
        rng = np.random.default_rng(seed)
        made = [
            CalibrationPoint(noisy(n, rng), slide(n, cells=800), f"slide {n:.0f}")
            for n in np.geomspace(2.5e5, 2.5e6, 10)
        ]
        told = estimate(reading(2.5e6), fit_calibration(start_calibration(SPECIES), made))
        errors.append(math.log(told.cells_per_ml / 2.5e6))
    assert np.mean(errors) == pytest.approx(0.0, abs=0.014)


def test_one_new_slide_takes_away_a_drift_and_keeps_the_shape():
    start = start_calibration(SPECIES)
    settled = fit_calibration(start, points(np.geomspace(3e5, 2.6e6, 8)))
    drifted = points([1.4e6 / 1.4], gain=1.4)
    again = fit_calibration(loosened(settled), drifted)
    assert again.n_slides == 1
    for density in (5e5, 1e6, 1.6e6):
        seen = reading(density, gain=1.4)
        assert estimate(seen, settled).cells_per_ml > 1.25 * density
        # Counts here are rounded to whole cells of 400, nothing else errs.
        assert estimate(seen, again).cells_per_ml == pytest.approx(density, rel=0.05)
    # A fit from the starting calibration has no shape to keep, and is less sure of it.
    blank = fit_calibration(start, drifted)
    far = reading(3.5e5, gain=1.4)
    assert estimate(far, again).relative_sd < estimate(far, blank).relative_sd


def test_density_is_of_the_undiluted_culture():
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    thin = estimate(reading(8e6, dilution=8.0), calibration)
    plain = estimate(reading(1e6), calibration)
    assert thin.cells_per_ml == pytest.approx(8 * plain.cells_per_ml, rel=1e-9)


def test_another_light_path_is_scaled_with_a_wider_interval_and_says_so():
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    own = estimate(reading(1e6), calibration)
    other = estimate(reading(3e6, path_mm=20.0), calibration)
    assert other.cells_per_ml == pytest.approx(3e6, rel=0.1)
    assert other.relative_sd > own.relative_sd + 0.03
    assert any("light path" in note for note in other.notes)


def test_a_vessel_held_askew_is_the_same_vessel():
    # sin(25 degrees) / 1.34 within the fluid makes the way through a flat vessel longer by 5.4 %.
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    straight, askew = reading(1e6), reading(1e6, path_mm=60 / math.cos(math.asin(0.4226 / 1.34)))
    assert estimate(askew, calibration).notes == estimate(straight, calibration).notes == ()
    assert estimate(askew, calibration).relative_sd == pytest.approx(
        estimate(straight, calibration).relative_sd, rel=0.05
    )


def test_too_thin_is_less_than_and_too_dense_is_more_than():
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    thin = estimate(replace(reading(2e4), flags=("too-thin",)), calibration)
    assert (thin.status, thin.low) == ("less-than", 0.0)
    assert 2e4 < thin.high < 3e5
    dense = estimate(reading(3e7), calibration)
    assert (dense.status, dense.high) == ("more-than", math.inf)
    assert 1e6 < dense.low < 3e7


@pytest.mark.parametrize(
    ("straying", "scale"), [(2.0, 1.0), (1.0, 2.0)], ids=["such photos stray", "slides strayed"]
)
def test_bounds_are_as_wide_as_photos_stray(straying, scale):
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    thin, dense = replace(reading(2e4), flags=("too-thin",)), reading(3e7)
    usual = [estimate(r, calibration) for r in (thin, dense)]
    strayed = replace(calibration, stray_scale=scale * calibration.stray_scale)
    wide = [estimate(replace(r, straying=straying), strayed) for r in (thin, dense)]
    assert wide[0].high > 1.01 * usual[0].high
    assert wide[1].low < usual[1].low / 1.01
    few = replace(calibration, stray_df=3.0)  # Student's t is wider, the fewer slides are behind it
    assert estimate(thin, few).high > 1.01 * usual[0].high


def test_a_count_of_zero_and_an_unreadable_photo_cannot_calibrate():
    zero = count_slide(cells=0, squares=9)
    with pytest.raises(DensitycamError, match="None of the slides"):
        fit_calibration(start_calibration(SPECIES), [CalibrationPoint(reading(1e6), zero, "empty")])


def test_leave_one_out_does_not_see_the_slide_it_judges():
    made = points([5e5, 1e6, 1.6e6, 2.4e6])
    spoilt = [*made[:3], replace(made[3], slide=slide(4 * 2.4e6))]
    start = start_calibration(SPECIES)
    assert leave_one_out(start, made)[3] == leave_one_out(start, spoilt)[3]


@pytest.mark.parametrize("straying", [0.6, 1.0, 2.5])
def test_the_band_is_as_wide_as_the_estimates_of_fresh_photos(straying):
    made = points(np.geomspace(3e5, 2.4e6, 7), np.random.default_rng(6))
    calibration = fit_calibration(
        start_calibration(SPECIES),
        [replace(p, reading=replace(p.reading, straying=straying)) for p in made],
    )
    for density, low, high in predictive_band(calibration, [4e5, 1e6, 2.2e6]):
        told = estimate(replace(reading(density), straying=straying), calibration)
        assert math.log(high / low) == pytest.approx(math.log(told.high / told.low), rel=0.12)
        assert math.sqrt(low * high) == pytest.approx(density, rel=1e-9)
    # Where contrast is lost, brightness alone is left, and it is the less sure of the two.
    (_, low, high), (_, far_low, far_high) = predictive_band(calibration, [2.2e6, 6e6])
    assert far_high / far_low > 1.3 * high / low
    for none in (start_calibration(SPECIES), replace(calibration, path_mm=None)):
        with pytest.raises(ValueError, match="no photos"):
            predictive_band(none, [1e6])
    # The order of the slides says nothing; a signal whose curve has turned is left out.
    backwards = replace(calibration, points=calibration.points[::-1])
    assert predictive_band(backwards, [1e6]) == predictive_band(calibration, [1e6])
    turned = [*calibration.coefficients]
    turned[2] = -2.0  # of red contrast
    assert len(predictive_band(replace(calibration, coefficients=tuple(turned)), [1e6, 6e6])) == 2


def test_the_band_widens_as_contrast_fades_and_past_its_end_goes_by_brightness_alone():
    dense = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6, 7e6]))
    for density, low, high in predictive_band(dense, [3.9e6, 6e6]):
        told = estimate(reading(density), dense)
        assert math.log(high / low) == pytest.approx(math.log(told.high / told.low), rel=0.08)


def test_a_stored_calibration_comes_back_the_same_and_damage_is_told():
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    text = calibration_to_json(calibration)
    assert calibration_from_json(text) == calibration
    with pytest.raises(DensitycamError, match="cannot be read"):
        calibration_from_json(text[: len(text) // 2])
    with pytest.raises(DensitycamError, match="format 99"):
        calibration_from_json(text.replace('"format": 3', '"format": 99'))
    with pytest.raises(DensitycamError, match="cannot be read"):
        calibration_from_json('{"format": 1, "points": []}')
    # Format 1 knew no factor by which a slide is off.
    old = json.loads(text)
    old["format"] = 1
    for point in old["points"]:
        del point["off"]
    read = calibration_from_json(json.dumps(old))
    assert read.coefficients == calibration.coefficients
    assert {p.off for p in read.points} == {1.0}


def test_the_pigment_of_an_older_format_was_another_quantity_and_bleaches_no_healthy_culture():
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    healthy = reading(1.2e6)
    assert species_signs(healthy, calibration) == ()
    old = json.loads(calibration_to_json(calibration))
    for point in old["points"]:
        point["pigment"]["pigment"] += 1.5  # blue less red over less: a larger number [ln]
    assert species_signs(healthy, calibration_from_json(json.dumps(old))) == ("pale",)
    old["format"] = 2
    read = calibration_from_json(json.dumps(old))
    assert species_signs(healthy, read) == ()
    assert estimate(healthy, read) == estimate(healthy, calibration)


def test_a_stored_calibration_is_plain_text_and_read_without_the_fitting_library():
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    text = calibration_to_json(calibration)
    kept = json.loads(text)
    assert {"points", "coefficients", "covariance", "range_low", "range_high", "software"} <= {
        *kept
    }
    # Diffable: every number on a line of its own, and the same fit gives the same text.
    assert len(text.splitlines()) > 13 + 13 * 13 + 3 * 10
    assert calibration_to_json(calibration_from_json(text)) == text
    script = (
        "import sys; from densitycam.calibration.model import calibration_from_json; "
        "print(calibration_from_json(sys.stdin.read()).id); "
        "assert 'sklearn' not in sys.modules and 'scipy' not in sys.modules"
    )
    run = subprocess.run(
        [sys.executable, "-c", script], input=text, capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == calibration.id


def test_signals_lose_weight_towards_the_end_of_contrast():
    near = [s for s in signals_of(reading(3.6e6)) if s.name == "contrast red"]
    far = [s for s in signals_of(reading(4.4e6)) if s.name == "contrast red"]
    assert near
    assert not far or far[0].sd > 3 * near[0].sd


#: ln(cells/mL x mm) at an optical depth of 1.5, by hand from start.json: 5.31 um2 of absorption, of
#: which red sees 0.35 and green half, and 36.98 um2 of scattering, of which contrast feels a fifth;
#: brightness takes one and a half times the absorption and a 25th of the scattering. 1 um2 a cell
#: is 1e-9 1/mm at one cell/mL.
STARTING_GAINS = {
    "contrast red": math.log(1.5 / ((5.31 * 0.35 + 36.98 / 5) * 1e-9)),
    "contrast green": math.log(1.5 / ((5.31 * 0.5 + 36.98 / 5) * 1e-9)),
    "mean red": math.log(1.5 / ((1.5 * 5.31 * 0.35 + 36.98 / 25) * 1e-9)),
    "mean green": math.log(1.5 / ((1.5 * 5.31 * 0.5 + 36.98 / 25) * 1e-9)),
}


def test_the_start_is_published_optics_with_the_errors_it_states():
    start = start_calibration(SPECIES)
    covariance = np.array(start.covariance)
    assert tuple(STARTING_GAINS) == SIGNALS
    for i, (name, gain) in enumerate(STARTING_GAINS.items()):
        contrast = name.startswith("contrast")
        a, b, g = start.coefficients[3 * i : 3 * i + 3]
        assert a == pytest.approx(gain, abs=1e-9)
        assert (b, g) == ((1.0, 0.02) if contrast else (1.15, 0.05))
        # A factor of 1.8 common to all signals, and each signal's own; slope and bend apart.
        expected = (0.36 + 0.09, 0.12**2, 0.06**2) if contrast else (0.36 + 0.25, 0.25**2, 0.1**2)
        block = covariance[3 * i : 3 * i + 3, 3 * i : 3 * i + 3]
        assert block == pytest.approx(np.diag(expected), rel=1e-9)
        for j in set(range(4)) - {i}:
            assert covariance[3 * i, 3 * j] == pytest.approx(0.36, rel=1e-9)
    assert (start.coefficients[12], covariance[12, 12]) == (0.0, 1.0)
    assert np.count_nonzero(covariance) == 13 + 12
    assert (start.stray_scale, start.stray_df) == (1.0, 6.0)
    # What it detects, in the better of red and green contrast, whatever brightness says.
    x = math.log(0.3 / 1.5)
    expected = math.exp(STARTING_GAINS["contrast green"] + x + 0.02 * x**2) / 20.0
    low = [*start.coefficients]
    low[6] = 5.0
    for calibration in (start, replace(start, coefficients=tuple(low))):
        limit = detection_limit(calibration, attenuation=0.3, path_mm=20.0)
        assert limit == pytest.approx(expected, rel=1e-9)


def _start_limit(depth, side, straying=1.0):
    """Return cells/mL x mm at the 95 % limit of the start in red contrast, by hand."""
    x = math.log(depth / 1.5)
    errors = 0.45 + (0.12 * x) ** 2 + (0.06 * x**2) ** 2
    strayed = straying**2 * (0.038**2 + 0.025**2)
    # Student's t of six degrees: 2.4469 (table 26.10 of Abramowitz & Stegun, from memory).
    width = 2.4469 * math.sqrt(errors + strayed)
    return math.exp(STARTING_GAINS["contrast red"] + x + 0.02 * x**2 + side * width)


@pytest.mark.parametrize(
    ("depth", "error", "most"),
    # Noise of 0.03 may hide 1.96 times as much; a depth below nothing adds nothing.
    [(0.05, 0.03, 0.1088), (-0.05, 0.03, 0.0588)],
)
@pytest.mark.parametrize("straying", [1.0, 2.0])
def test_less_than_ends_at_the_upper_limit_of_the_most_that_noise_may_hide(
    depth, error, most, straying
):
    # Of red and green the one that tells more; blue tells nothing.
    thin = replace(
        reading(2e4, dilution=3.0), flags=("too-thin",), attenuation=(depth, 2.0, 0.001),
        attenuation_se=(error, 0.03, 0.001), straying=straying,
    )  # fmt: skip
    answer = estimate(thin, start_calibration(SPECIES))
    assert (answer.status, answer.low) == ("less-than", 0.0)
    assert math.isnan(answer.cells_per_ml)
    assert math.isinf(answer.relative_sd)
    assert not answer.inside_range
    expected = _start_limit(most, 1, straying) * 3.0 / 60.0
    assert answer.high == pytest.approx(expected, rel=1e-4)
    # The same where no channel stands above nothing, and whatever brightness says.
    faint = replace(thin, attenuation=(depth, -0.2, NAN), attenuation_se=(error, 2.0, NAN))
    low = [*start_calibration(SPECIES).coefficients]
    low[6] = 5.0
    odd = replace(start_calibration(SPECIES), coefficients=tuple(low))
    for seen, calibration in ((faint, start_calibration(SPECIES)), (thin, odd)):
        told = estimate(seen, calibration)
        assert (told.status, told.high) == ("less-than", pytest.approx(expected, rel=1e-4))
    # A thousandth is the least, since nothing has no logarithm.
    nothing = replace(thin, attenuation=(-0.05, NAN, NAN), attenuation_se=(1e-9, NAN, NAN))
    least = _start_limit(0.001, 1, straying) * 3.0 / 60.0
    assert estimate(nothing, start_calibration(SPECIES)).high == pytest.approx(least, rel=1e-4)


def test_more_than_begins_at_the_lower_limit_of_what_would_just_be_seen():
    # Contrast is seen from three standard errors on: 3 x 0.01 is an optical depth of 3.51 in red,
    # which says more than 2.81 in green. Where it takes half the light or more, nothing is told.
    blind = replace(
        reading(3e7, dilution=3.0), attenuation=(NAN,) * 3, absorbance=(NAN,) * 3,
        contrast_t_se=(0.01, 0.02, 0.17), straying=2.0,
    )  # fmt: skip
    start = start_calibration(SPECIES)
    answer = estimate(blind, start)
    assert (answer.status, answer.high) == ("more-than", math.inf)
    expected = _start_limit(-math.log(0.03), -1, 2.0) * 3.0 / 60.0
    assert answer.low == pytest.approx(expected, rel=1e-4)
    for half in (0.17, 0.5 / 3):
        assert estimate(replace(blind, contrast_t_se=(half,) * 3), start).low == 0.0


def test_the_interval_is_students_on_the_log_scale_and_the_slides_add_degrees():
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    assert calibration.stray_df == 9.0
    answer = estimate(reading(1.1e6), calibration)
    # Nine degrees: 2.2622 (printed table).
    width = 2.2622 * answer.relative_sd
    assert math.log(answer.high / answer.cells_per_ml) == pytest.approx(width, rel=1e-4)
    assert math.log(answer.cells_per_ml / answer.low) == pytest.approx(width, rel=1e-4)
    assert (answer.checked_by_counts, answer.inside_range, answer.notes) == (3, True, ())


def test_slides_through_two_paths_are_brought_to_their_middle_one():
    # 20 and 80 mm: 40 mm, on the log scale; 8e5 through 20 mm is as much as 4e5 through 40 mm, and
    # a sample thinned four times stands for a quarter.
    made = [
        CalibrationPoint(reading(8e5, path_mm=20.0), slide(8e5), "narrow"),
        CalibrationPoint(reading(8e5, path_mm=80.0), slide(8e5), "wide"),
        CalibrationPoint(reading(4e6, path_mm=40.0, dilution=4.0), slide(4e6), "thinned"),
    ]
    calibration = fit_calibration(start_calibration(SPECIES), made)
    assert calibration.path_mm == pytest.approx(40.0, rel=1e-12)
    assert calibration.range_low == pytest.approx(4e5 / 2, rel=0.02)
    assert calibration.range_high == pytest.approx(1.5 * 16e5, rel=0.02)
    assert all(p.weight > 0.9 for p in calibration.points)


def test_the_range_is_that_of_the_fluid_in_the_vessel_whatever_its_path():
    fitted = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    seen = reading(3e6, path_mm=30.0, dilution=3.0)
    # 1e6 through 30 mm is as much as half of it through the slides' 60.
    there = estimate(seen, fitted).cells_per_ml / 3 / 2
    for low, high, inside in (
        (0.99, 1.01, True), (1.01, 1.5, False), (0.5, 0.99, False),
    ):  # fmt: skip
        answer = estimate(seen, replace(fitted, range_low=low * there, range_high=high * there))
        assert answer.inside_range == inside
        assert any("Outside the densities" in note for note in answer.notes) != inside
    # Both ends belong to it.
    assert model._inside(1e6 * 60, seen, replace(fitted, path_mm=60.0, range_low=1e6))
    assert model._inside(1e6 * 60, seen, replace(fitted, path_mm=60.0, range_high=1e6))


@pytest.mark.parametrize(
    ("depths", "inside"),
    [
        ((0.16, 0.2, 4.9), True), ((0.15, 0.2, 5.0), True), ((0.14, 0.2, 3.0), False),
        ((0.16, 0.2, 5.1), False), ((0.16, 0.2, NAN), True),
    ],
)  # fmt: skip
def test_the_start_claims_depths_from_015_to_5(depths, inside):
    seen = replace(reading(5e5), attenuation=depths)
    assert estimate(seen, start_calibration(SPECIES)).inside_range == inside


@pytest.mark.parametrize("times", [1 / 3, 3.0])
def test_another_path_adds_six_percent_and_six_more_for_each_ln(times):
    calibration = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    seen = reading(1e6 / times, path_mm=60.0 * times)
    own = estimate(seen, replace(calibration, path_mm=60.0 * times))
    other = estimate(seen, calibration)
    extra = 0.06 + 0.06 * math.log(3.0)
    assert other.relative_sd == pytest.approx(math.hypot(own.relative_sd, extra), rel=1e-9)
    # Paths within 8 % are of one vessel.
    for apart, noted in ((0.079, False), (0.081, True), (-0.079, False), (-0.081, True)):
        near = estimate(reading(1e6, path_mm=60.0 * math.exp(apart)), calibration)
        assert any("light path" in note for note in near.notes) == noted


def test_a_loosened_calibration_keeps_its_shape_and_lets_go_of_the_gain():
    settled = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    loose = loosened(settled)
    apart = np.array(loose.covariance) - np.array(settled.covariance)
    gains = np.zeros((13, 13))
    gains[np.ix_((0, 3, 6, 9), (0, 3, 6, 9))] = 0.36
    assert apart == pytest.approx(gains, abs=1e-12)
    assert loose.coefficients == settled.coefficients
    assert (loose.points, loose.path_mm) == ((), None)
    assert math.isnan(loose.range_low)
    assert math.isnan(loose.range_high)


def _with_more_pigment(calibration):
    """Let healthy cultures look pale beside the slides."""
    return replace(
        calibration,
        points=tuple(
            replace(p, pigment=replace(p.pigment, pigment=p.pigment.pigment + 1.5))
            for p in calibration.points
        ),
    )


def test_a_pale_culture_that_leaps_is_milky_and_one_that_does_not_is_bleached():
    fitted = fit_calibration(start_calibration(SPECIES), points(np.geomspace(4e5, 1.3e6, 10)))
    calibration = _with_more_pigment(fitted)
    seen = reading(1.2e6)
    now = estimate(seen, calibration)
    assert now.relative_sd < 0.1
    assert species_signs(seen, calibration) == ("pale",)
    for ahead, sd, sign in (
        (0.16, 0.05, "milky"), (0.14, 0.05, "bleached"), (-0.3, 0.05, "bleached"),
        (0.35, 0.40, "bleached"), (0.45, 0.40, "milky"),
    ):  # fmt: skip
        foretold = (now.cells_per_ml * math.exp(-ahead), sd)
        assert species_signs(seen, calibration, foretold=foretold) == (sign,)
    # Scatter without any pigment that could be told is pale too.
    assert species_signs(replace(seen, absorbance=(0.01, 0.01, 0.02)), calibration) == ("pale",)
    # Without a density there is nothing to hold against the forecast.
    thin = replace(seen, flags=("too-thin",))
    assert species_signs(thin, calibration, foretold=(1e5, 0.05)) == ("pale",)
    # Slides that are likelier bad than good, or without pigment, are no yardstick.
    for change in ({"weight": 0.4}, {"pigment": None}):
        doubted = tuple(replace(p, **change) for p in calibration.points)
        assert species_signs(seen, replace(calibration, points=doubted)) == ()


def test_signals_are_weighed_as_generalised_least_squares_does():
    gls = pytest.importorskip("statsmodels.api").GLS
    rng = np.random.default_rng(2)
    mean = np.array(start_calibration(SPECIES).coefficients)
    root = rng.normal(0, 0.02, (13, 13))
    covariance = root @ root.T
    signals = [
        Signal(n, x, sd, 0.02, 1.3)
        for n, x, sd in zip(SIGNALS, (0.2, 0.3, -0.4, 0.1), (0.05, 0.08, 0.06, 0.1), strict=True)
    ]
    design = model._design(signals)
    # The photo's noise along each curve's slope there; straying, own and shared, 1.1 times 1.3.
    slopes = (1 + 0.04 * 0.2, 1 + 0.04 * 0.3, 1.15 - 0.1 * 0.4, 1.15 + 0.1 * 0.1)
    strays = (0.038, 0.038, 0.15, 0.15)
    own = [
        (slope * p.sd) ** 2 + (1.43 * stray) ** 2
        for slope, p, stray in zip(slopes, signals, strays, strict=True)
    ]
    errors = design @ covariance @ design.T + np.diag(own) + (1.43 * 0.025) ** 2
    fitted = gls(design @ mean, np.ones(4), sigma=errors).fit()
    told, sd = model._weigh(mean, covariance, signals, 1.1)
    assert told == pytest.approx(fitted.params[0], rel=1e-9)
    # statsmodels scales by the scatter about the fit; without it, the answers' own errors stand.
    assert sd == pytest.approx(math.sqrt(fitted.normalized_cov_params[0, 0]), rel=1e-6)
    # The blank lies on the last column: its standard deviation, along Beer and Lambert's slope.
    assert design[:, 12] == pytest.approx([-0.02, -0.02, -0.023, -0.023], rel=1e-12)


def test_a_signal_that_would_weigh_less_than_nothing_is_left_out():
    # Green errs as red does and three times as much: least squares would subtract it.
    mean = np.zeros(13)
    mean[[1, 4]] = 1.0
    covariance = np.zeros((13, 13))
    covariance[np.ix_((0, 3), (0, 3))] = [[0.04, 0.114], [0.114, 0.36]]
    pair = [Signal("contrast red", 0.5, 0.0, 0.0), Signal("contrast green", 0.9, 0.0, 0.0)]
    told, sd = model._weigh(mean, covariance, pair, 0.0)
    assert (told, sd) == pytest.approx((0.5, 0.2), rel=1e-9)


def test_a_signals_noise_is_taken_at_the_depth_that_is_foretold():
    curve = np.zeros(13)
    curve[:3] = 2.0, 1.0, 0.0

    def settled(answer, sd=0.1, blank_sd=0.0):
        return model._expected([Signal("contrast red", 0.0, sd, blank_sd)], curve, answer)[0]

    # A tenth deeper on the log scale: relative noise is a tenth less; never by more than two of
    # its standard deviations.
    assert settled(2.1).sd == pytest.approx(0.1 * math.exp(-0.1), rel=1e-12)
    assert settled(1.9).sd == pytest.approx(0.1 * math.exp(0.1), rel=1e-12)
    assert settled(4.0).sd == pytest.approx(0.1 * math.exp(-0.2), rel=1e-12)
    assert settled(0.0).sd == pytest.approx(0.1 * math.exp(0.2), rel=1e-12)
    # On a bent curve: 2 + 1.2 x 0.4 + 0.3 x 0.16 = 2.528, where it rises by 1.2 + 0.6 x 0.4 = 1.44.
    bent = np.zeros(13)
    bent[:3] = 2.0, 1.2, 0.3
    (away,) = model._expected([Signal("contrast red", 0.4, 0.1, 0.0)], bent, 2.528 + 0.072)
    assert away.sd == pytest.approx(0.1 * math.exp(-0.05), rel=1e-12)
    both = settled(4.0, sd=0.03, blank_sd=0.04)
    assert (both.sd, both.blank_sd) == pytest.approx(
        (0.03 * math.exp(-0.1), 0.04 * math.exp(-0.1)), rel=1e-12
    )


def test_a_curve_read_backwards_is_the_root_on_its_rising_side():
    for curve in ((2.0, 1.0, 0.0), (2.0, 1.1, 0.3), (2.0, 1.1, -0.3), (2.0, 0.9, 1e-7)):
        a, b, g = curve
        for x in (-1.2, 0.0, 0.8):
            found = model._depth_of(np.array(curve), a + b * x + g * x * x)
            assert found == pytest.approx(x, abs=1e-6)
    # Past its turn, at b^2 / 4g over its middle, it has no depth; one that falls tells none.
    assert model._depth_of(np.array((2.0, 1.0, -0.25)), 3.01) is None
    assert model._depth_of(np.array((2.0, 1.0, -0.25)), 3.0) == pytest.approx(2.0)
    assert model._depth_of(np.array((2.0, -1.0, 0.0)), 2.5) is None
    assert model._depth_of(np.array((2.0, 0.0, 0.0)), 2.5) is None
    # For its noise, no curve is flatter than 0.3.
    flat = np.zeros(13)
    flat[1:3] = 1.0, -0.5
    assert model._slope(flat, Signal("contrast red", 0.9, 0.1, 0.0)) == 0.3
    assert model._slope(flat, Signal("contrast red", 0.2, 0.1, 0.0)) == pytest.approx(0.8)


def test_without_contrast_a_photo_as_dark_as_the_densest_slide_tells_no_density():
    dense = points([5e5, 1e6, 2e6, 6e6])
    calibration = fit_calibration(start_calibration(SPECIES), dense)
    for density, status in ((5.5e6, "measured"), (7e6, "more-than")):
        seen = reading(density)
        assert seen.flags == ("bars-lost",)
        answer = estimate(seen, calibration)
        assert answer.status == status
        assert "read from mean brightness alone" in " ".join(answer.notes)
    # Nothing has told a start how dark a density is.
    assert estimate(reading(5.5e6), start_calibration(SPECIES)).status == "more-than"
    # What a bound begins at is no less than what would just be seen.
    assert estimate(reading(7e6), calibration).low > 1e6


def test_a_contrast_that_fades_tells_no_density_where_it_is_less_sure_than_a_factor_of_ten():
    fitted = fit_calibration(start_calibration(SPECIES), points([5e5, 1e6, 2e6]))
    faint = Signal("contrast red", 0.3, 0.5, 0.0)
    assert model._told_by([faint], fitted, 1.19)
    assert not model._told_by([faint], fitted, 1.2)
    # A thin one is unsure for another reason, and does tell, if all of it is thin.
    thin = replace(faint, x=-0.1)
    assert model._told_by([thin], fitted, 1.21)
    assert not model._told_by([thin, faint], fitted, 1.21)
    assert not model._told_by([replace(faint, x=0.0)], fitted, 1.21)


def test_a_damaged_calibration_is_not_read():
    text = calibration_to_json(start_calibration(SPECIES))
    for change, match in (
        (lambda d: d["coefficients"].pop(), "13 coefficients and their covariance"),
        (lambda d: d["covariance"][4].pop(), "13 coefficients and their covariance"),
        (lambda d: d.update(format=4), "has format 4"),
        # By such numbers no density may be told, see `densitycam.calibration.checked`.
        (lambda d: d["covariance"][4].__setitem__(4, -0.1), "variances below zero"),
        (lambda d: d.update(stray_scale=0.0), "no number from 0.01 to 100"),
    ):
        data = json.loads(text)
        change(data)
        with pytest.raises(DensitycamError, match=match):
            calibration_from_json(json.dumps(data))


def test_a_start_that_was_edited_beyond_any_cell_is_refused(tmp_path, monkeypatch):
    # A cell takes a ten-thousandth of a square micrometre to a square millimetre; red and green may
    # see a hundredth to ten times what 675 nm does. Our own choices, wide of any cell.
    path = tmp_path / SPECIES / "start.json"
    path.parent.mkdir()
    text = (model.species_folder() / SPECIES / "start.json").read_text()
    monkeypatch.setattr(model, "species_folder", lambda: tmp_path)
    for names, low, high in (
        (("absorption_675_um2", "scattering_um2"), 1e-4, 1e6),
        (("red_share", "green_share"), 0.01, 10.0),
    ):
        for name in names:
            for value in (low, high):
                path.write_text(json.dumps(json.loads(text) | {name: value}))
                assert start_calibration(SPECIES).species == SPECIES
            for value in (0.99 * low, 1.01 * high):
                path.write_text(json.dumps(json.loads(text) | {name: value}))
                with pytest.raises(DensitycamError, match=r"start\.json of isochrysis"):
                    start_calibration(SPECIES)


def test_alone_a_slide_is_judged_by_the_start():
    start, (one,) = start_calibration(SPECIES), points([1e6])
    assert leave_one_out(start, [one]) == (estimate(one.reading, start),)
    empty = CalibrationPoint(one.reading, count_slide(cells=0, squares=9), "empty")
    assert leave_one_out(start, [one, empty])[0] == estimate(one.reading, start)


def test_slides_learn_how_far_photos_stray():
    rng = np.random.default_rng(17)
    start = start_calibration(SPECIES)
    made = points([5e5, 9e5, 1.4e6, 2e6], rng)
    # Six slides' worth of 1, and each slide's own square, as far as it is good and 3.5 at most.
    for n in (3, 4):
        fitted = fit_calibration(start, made[:n])
        weights = [p.weight for p in fitted.points]
        spread = sum(p.weight * min(p.strayed**2, 3.5**2) for p in fitted.points)
        expected = math.sqrt((6 + spread) / (6 + sum(weights)))
        assert fitted.stray_scale == pytest.approx(min(max(expected, 0.7), 2.5), rel=1e-9)
        assert fitted.stray_scale != 1.0
    # Two slides judge each other but not what is usual; one is not judged.
    pair = fit_calibration(start, made[:2])
    assert pair.stray_scale == 1.0
    assert all(p.strayed for p in pair.points)
    (alone,) = fit_calibration(start, made[:1]).points
    assert (alone.strayed, alone.off, alone.weight) == (0.0, 1.0, 1.0)
    # How far a slide is off, over its own error and what the others leave unsure.
    for p in pair.points:
        assert p.relative_sd < math.log(p.off) / p.strayed < 5 * p.relative_sd


def test_a_slide_no_chance_explains_moves_the_straying_by_its_goodness_and_no_more():
    start = start_calibration(SPECIES)
    made = points([5e5, 9e5, 1.4e6, 2e6, 7e5, 1.1e6])
    wild = [*made[:5], replace(made[5], slide=slide(40 * 1.1e6))]
    fitted = fit_calibration(start, wild)
    assert abs(fitted.points[5].strayed) > 3.5
    spread = sum(p.weight * min(p.strayed**2, 3.5**2) for p in fitted.points)
    expected = math.sqrt((6 + spread) / (6 + sum(p.weight for p in fitted.points)))
    assert fitted.stray_scale == pytest.approx(max(expected, 0.7), rel=1e-9)


@pytest.mark.parametrize(("slides", "scale"), [(4, 1.9526), (14, 2.5)])
def test_slides_of_which_none_agrees_stray_by_three_and_a_half_sigmas_at_most(slides, scale):
    # The same photo fourteen times, and counts that triple: each of those that are believed lies
    # far from the others. Its square counts as 3.5^2, and the scale ends at 2.5.
    made = points([1e6] * slides)
    apart = [replace(p, slide=slide(1e6 * 3.0 ** (i - slides / 2))) for i, p in enumerate(made)]
    fitted = fit_calibration(start_calibration(SPECIES), apart)
    wild = [p for p in fitted.points if abs(p.strayed) > 5 and p.weight > 0.9]
    assert wild
    spread = sum(p.weight * min(p.strayed**2, 3.5**2) for p in fitted.points)
    expected = math.sqrt((6 + spread) / (6 + sum(p.weight for p in fitted.points)))
    assert fitted.stray_scale == pytest.approx(min(expected, 2.5), rel=1e-9)
    assert fitted.stray_scale == pytest.approx(scale, abs=5e-5)


def test_what_a_slide_counts_for():
    # Before a fit has judged it, a slide is good; from likelier good than bad on it is believed,
    # and named where it is bad with more than the probability of `DOUBT`.
    (one,) = points([1e6])
    fresh = model._keep(one)
    assert (fresh.weight, fresh.strayed, fresh.off) == (1.0, 0.0, 1.0)
    for weight, believed, doubtful in (
        (1.0, True, False), (0.6, True, False), (0.59, True, True), (0.51, True, True),
        (0.5, False, True), (0.0, False, True),
    ):  # fmt: skip
        point = replace(fresh, weight=weight)
        assert (point.believed, point.doubtful) == (believed, doubtful)
    # None is fitted to without a count above zero, of an error that is known.
    assert model.can_calibrate(one)
    for change in ({"cells": 0}, {"relative_sd": math.inf}, {"relative_sd": NAN}):
        assert not model.can_calibrate(replace(one, slide=replace(one.slide, **change)))


def test_a_signal_moves_to_its_share_of_what_count_and_photo_differ_by():
    # York 1966 (from memory): with variances of 0.01 and of 0.04 for photo and count, a fifth of
    # the way is the photo's, 0.05 of 0.25, over a slope of 2; never more than two standard
    # deviations of the photo's, 0.2.
    curve = np.zeros(13)
    curve[:2] = 2.0, 2.0
    seen = Signal("contrast red", 0.3, 0.05, 0.0)
    photo = np.array([[0.01]])
    for short, moved in ((0.25, 0.025), (-0.25, -0.025), (9.0, 0.1), (-9.0, -0.1)):
        (found,) = model._adjusted([seen], curve, 2.6 + short, photo, photo + 0.04)
        assert found.x == pytest.approx(0.3 + moved, rel=1e-12)


def test_more_rounds_would_change_little(monkeypatch):
    made = points([4e5, 9e5, 1.4e6, 2.4e6], np.random.default_rng(3))
    told = estimate(reading(6e5), fit_calibration(start_calibration(SPECIES), made)).cells_per_ml
    monkeypatch.setattr(model, "_ROUNDS", 30)
    settled = estimate(reading(6e5), fit_calibration(start_calibration(SPECIES), made))
    assert told == pytest.approx(settled.cells_per_ml, rel=0.002)


def test_contrast_ends_where_three_errors_of_the_slides_photos_are_left():
    # At an optical depth of 1.5 the photo errs by 2 % of what contrast it sees, which is
    # 0.02 exp(-1.5); three times that is left at 1.5 - ln(3 x 0.02) = 4.3134.
    usual = Signal("contrast red", 0.0, 0.02 / 1.5 / (1 - 0.06), 0.01)
    point = model.KeptPoint("a", 60.0, 1.0, (usual,), 1e6, 0.1)
    coefficients = np.zeros(13)
    coefficients[:3] = 18.0, 1.1, 0.05
    x = math.log(4.3134 / 1.5)
    expected = math.exp(18.0 + 1.1 * x + 0.05 * x**2)
    assert model._contrast_end([point], coefficients) == pytest.approx(expected, rel=1e-4)
    assert model._contrast_end([], coefficients) == 0.0


def test_one_cell_is_a_count():
    one = points([1e6])[0]
    lone = replace(one, slide=count_slide(cells=1, squares=9))
    assert model.can_calibrate(lone)
    assert not model.can_calibrate(replace(one, slide=count_slide(cells=0, squares=9)))
