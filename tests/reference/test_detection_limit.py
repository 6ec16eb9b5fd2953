"""The detection limit against published constants and a published worked example.

Sources:
- Currie 1968, Anal. Chem. 40:586, table II: critical level 2.33 s and detection limit 4.65 s for
  one blank and one sample, 1.64 s and 3.29 s for a blank known well (from memory).
- DIN 32645:2008, worked example (ISO 11843-2:2000 computes alike): ten standards, x 0.05 to 0.50;
  slope 9661.9394, residual scatter 192.294; at 99 % the critical value is 0.0698 and the
  detection limit 0.1396 (values from the project's notes, standard not seen).
- Noncentral t: ISO 11843-2:2000, 5.3 (from memory), for which "twice the critical value" is the
  usual short cut.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import nctdtr
from scipy.stats import t as student_t

from densitycam.calibration.model import Calibration, detection_limit
from densitycam.calibration.signals import CENTRE_DEPTH
from densitycam.vessel.blank import Blank, detectable_attenuation

X = np.arange(1, 11) * 0.05
Y = np.array([3060, 3522, 3707, 4280, 5058, 5510, 5703, 6205, 7156, 7178], dtype=float)
SLOPE, SCATTER, CRITICAL, DETECTION = 9661.9394, 192.294, 0.0698, 0.1396


def blank(scatter: float, photos: int) -> Blank:
    return Blank((0.1,) * 3, (0.1,) * 3, scatter / math.sqrt(max(photos, 1)), scatter, photos)


def straight(per_unit: float) -> Calibration:
    """Return a calibration by Beer and Lambert: depth = per_unit x density x path, both colours."""
    level = math.log(CENTRE_DEPTH / per_unit)
    return Calibration(
        id="straight",
        species="isochrysis",
        path_mm=1.0,
        coefficients=(*(level, 1.0, 0.0) * 4, 0.0),
        covariance=((0.0,) * 13,) * 13,
        stray_scale=1.0,
        stray_df=10.0,
        points=(),
        range_low=math.nan,
        range_high=math.nan,
        software="test",
    )


def test_one_blank_and_one_photo_are_curries_paired_observations():
    critical, detectable = detectable_attenuation(blank(1.0, 1))
    assert critical == pytest.approx(2.33, abs=0.005)
    assert detectable == pytest.approx(4.65, abs=0.005)


def test_many_blanks_are_curries_well_known_blank():
    critical, detectable = detectable_attenuation(blank(1.0, 10_000))
    assert critical == pytest.approx(1.64, abs=0.006)
    assert detectable == pytest.approx(3.29, abs=0.006)


def test_the_worked_example_follows_from_its_own_data():
    # So that the numbers used below are the example's and not a slip of the pen.
    slope, level = np.polyfit(X, Y, 1)
    scatter = math.sqrt(np.sum((Y - level - slope * X) ** 2) / (len(X) - 2))
    assert slope == pytest.approx(SLOPE, rel=1e-6)
    assert scatter == pytest.approx(SCATTER, rel=1e-6)
    span = 1 + 1 / len(X) + X.mean() ** 2 / np.sum((X - X.mean()) ** 2)
    critical = student_t.ppf(0.99, len(X) - 2) * scatter / slope * math.sqrt(span)
    assert critical == pytest.approx(CRITICAL, abs=6e-5)
    assert pytest.approx(2 * CRITICAL, abs=6e-5) == DETECTION


def test_the_worked_example_by_our_functions():
    # DIN's blank is extrapolated from standards (m = 1, n = 10) at 99 %, ours is photographed and
    # taken at 95 %; five blanks have the same eight degrees of freedom. What differs is put right
    # by the ratio of the quantiles and of the square roots, which leaves s / b and the doubling.
    span = 1 + 1 / len(X) + X.mean() ** 2 / np.sum((X - X.mean()) ** 2)
    change = student_t.ppf(0.95, 8) / student_t.ppf(0.99, 8) * math.sqrt((1 + 1 / 5) / span)
    critical, detectable = detectable_attenuation(blank(SCATTER, 5))
    for signal, published in ((critical, CRITICAL), (detectable, DETECTION)):
        density = detection_limit(straight(SLOPE), attenuation=signal, path_mm=1.0)
        assert density == pytest.approx(published * change, rel=1e-3)
        # Ten times the path detects a tenth.
        wide = detection_limit(straight(SLOPE), attenuation=signal, path_mm=10.0)
        assert wide == pytest.approx(density / 10, rel=1e-12)


@pytest.mark.parametrize("photos", [2, 3, 5, 10])
def test_twice_the_critical_value_is_missed_in_one_of_twenty(photos):
    # The error of the second kind, exactly: a culture at the detectable attenuation falls under
    # the critical value with the probability of a noncentral t.
    critical, detectable = detectable_attenuation(blank(1.0, photos))
    spread = math.sqrt(1 + 1 / photos)
    degrees = photos - 1 + 4
    missed = nctdtr(degrees, detectable / spread, critical / spread)
    assert 0.02 < missed < 0.06
    assert student_t.sf(critical / spread, degrees) == pytest.approx(0.05, abs=1e-6)
