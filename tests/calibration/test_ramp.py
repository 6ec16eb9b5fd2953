"""From water to opaque, all else kept: the answer rises without a jump and its interval holds.

`tests/benchmarks/ramp.py` does the same with forty photos of each of three vessels and draws it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from linear_camera import photo_of_slab
from test_model import reading, slide

from densitycam.calibration.model import (
    CalibrationPoint,
    estimate,
    fit_calibration,
    start_calibration,
)
from densitycam.vessel.blank import Blank, with_blank
from densitycam.vessel.read import read_photo

SPECIES = "isochrysis"

#: Most that estimate over truth may change from one density to the next, a sixth denser [ln],
#: while bars are seen.
LARGEST_STEP = 0.08


def culture(depth: float, path_mm: float):
    """Return density and reading where contrast's depth in red is so much.

    `reading` follows Beer and Lambert in contrast; brightness ends at a fifth of paper's.
    """
    density = depth / (1.6e-8 * path_mm)
    glass = Blank((0.09,) * 3, (0.09,) * 3, 0.03, 0.03, 1)
    return density, with_blank(reading(density, path_mm=path_mm), glass)


def calibrations(path_mm: float):
    start = start_calibration(SPECIES)
    depths = {"in range": (0.3, 3.5), "to opaque": (0.3, 8.0)}
    made = {"none": start}
    for name, ends in depths.items():
        points = []
        for n, depth in enumerate(np.geomspace(*ends, 8)):
            density, seen = culture(depth, path_mm)
            exact = replace(slide(density), cells_per_ml=density)
            points.append(CalibrationPoint(seen, exact, f"slide {n}"))
        made[name] = fit_calibration(start, points)
    return made


@pytest.mark.parametrize("slides", ["none", "in range", "to opaque"])
@pytest.mark.parametrize("path_mm", [20.0, 60.0, 100.0])
def test_forty_densities_rise_without_a_jump(path_mm, slides):
    calibration = calibrations(path_mm)[slides]
    truth, readings = zip(*(culture(d, path_mm) for d in np.geomspace(0.01, 14, 40)), strict=True)
    answers = [estimate(r, calibration) for r in readings]
    told = np.array([a.status == "measured" for a in answers])
    # Too thin, then measured, then too dense: each once, in this order.
    order = [a.status for n, a in enumerate(answers) if n == 0 or a.status != answers[n - 1].status]
    assert order == ["less-than", "measured", "more-than"]
    assert told.sum() >= 15
    best = np.array([a.cells_per_ml for a in answers])[told]
    assert (np.diff(best) > 0).all()
    steps = np.abs(np.diff(np.log(best / np.array(truth)[told])))
    # Once brightness alone tells it, it saturates faster than the fitted curve: there a step may
    # be as large as the error that the answer owns up to.
    blind = np.array(["bars-lost" in r.flags for r in readings])[told][1:]
    own = np.array([a.relative_sd for a in answers])[told][1:]
    assert (steps[~blind] < LARGEST_STEP).all()
    assert (steps[blind] < own[blind]).all()
    assert blind.any() == (slides == "to opaque")
    for answer, density in zip(answers, truth, strict=True):
        assert answer.low < density < answer.high
    # What is known of the density does not jump where a figure is no longer told. Without slides
    # the contrast that fades widens it first; with them a quarter of a step is all.
    lower = np.log([a.low for a in answers if a.low > 0])
    assert np.diff(lower).min() > (-0.5 if slides == "none" else -0.25)


def test_a_culture_as_dark_as_the_densest_slide_is_denser_than_told():
    # Brightness has ended: twice the density looks the same, and no interval around the slide's
    # density would hold it.
    calibration = calibrations(60.0)["to opaque"]
    for depth in (8.0, 16.0, 40.0):
        density, seen = culture(depth, 60.0)
        answer = estimate(seen, calibration)
        assert answer.status == "more-than"
        assert answer.low < density


def test_photos_hand_over_from_contrast_to_brightness_without_a_jump(tmp_path):
    depths = (2.2, 3.2, 4.7, 6.8)
    readings = []
    for depth in depths:
        rgb = tuple(depth * share for share in (1.0, 1.19, 1.9))
        # Light that lost its way but came through: brightness ends at a fifth of paper's.
        mean = 0.2 + 0.8 * math.exp(-0.45 * depth)
        photo = photo_of_slab(
            tmp_path / "a.jpg",
            depths=rgb,
            veil=(mean - math.exp(-depth)) * (1 + 0.035) / 2,
            noise=0.002,
        )
        readings.append(read_photo(photo, path_mm=60, shape="flat").reading)
    assert ["bars-lost" in r.flags for r in readings] == [False, False, True, True]
    densities = [depth / (1.6e-8 * 60) for depth in depths]
    points = [
        CalibrationPoint(readings[n], replace(slide(1e6), cells_per_ml=densities[n]), str(n))
        for n in (0, 3)
    ]
    calibration = fit_calibration(start_calibration(SPECIES), points)
    answers = [estimate(r, calibration) for r in readings]
    assert [a.status for a in answers] == ["measured", "measured", "measured", "more-than"]
    ratio = [math.log(a.cells_per_ml / d) for a, d in zip(answers[:3], densities[:3], strict=True)]
    assert ratio[0] == pytest.approx(0.0, abs=2 * slide(1e6).relative_sd)
    # Between the two slides no more is lost than three steps of the ramp would.
    assert np.abs(np.diff(ratio)).max() < 3 * LARGEST_STEP


def test_an_opaque_culture_without_any_noise_is_read_without_a_warning(tmp_path):
    photo = photo_of_slab(tmp_path / "a.png", depths=(30.0, 30.0, 30.0), veil=0.1)
    reading = read_photo(photo, path_mm=60, shape="flat").reading
    assert "bars-lost" in reading.flags
    answer = estimate(reading, start_calibration(SPECIES))
    assert answer.status == "more-than"
    assert answer.low > 0
