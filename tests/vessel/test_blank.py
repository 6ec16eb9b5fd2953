"""The blank: averaged, taken off without the photo, and the limit of what it can detect."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from linear_camera import photo_of_slab

from densitycam.errors import DensitycamError
from densitycam.simulate import VESSELS, Scene, write_photo
from densitycam.vessel.blank import (
    USUAL_BLANK_SCATTER,
    Blank,
    assumed_blank,
    blank_of,
    detectable_attenuation,
    with_blank,
)
from densitycam.vessel.read import read_photo


@pytest.fixture(scope="module")
def slab(tmp_path_factory):
    folder = tmp_path_factory.mktemp("slab")
    full = photo_of_slab(folder / "full.png", depths=(1.0, 1.3, 1.6))
    empty = photo_of_slab(folder / "empty.png", depths=(0.15, 0.2, 0.25))
    return tuple(read_photo(p, path_mm=20, shape="flat").reading for p in (full, empty))


def test_a_blank_is_taken_off_channel_by_channel_and_needs_no_photo(slab):
    full, empty = slab
    blank = blank_of([empty])
    again = with_blank(full, blank)
    assert again.attenuation == pytest.approx((0.85, 1.1, 1.35), abs=0.03)
    assert again.absorbance == pytest.approx((0.85, 1.1, 1.35), abs=0.03)
    assert again.greenness == pytest.approx((0.85 - 1.1) / 20 * 10, abs=0.02)
    # Going back to the assumed blank gives the first reading again.
    assert with_blank(again, assumed_blank(full.path_mm)) == full


def test_several_blanks_average_and_tell_their_scatter(slab):
    empty = slab[1]
    other = replace(empty, contrast_t=tuple(t * math.exp(-0.04) for t in empty.contrast_t))
    blank = blank_of([empty, other])
    assert blank.photos == 2
    assert blank.attenuation[0] == pytest.approx(-math.log(empty.contrast_t[0]) + 0.02)
    # Squares 2 x (0.02^2 + 0.02^2) of red and green, with the usual scatter weighing four.
    expected = math.sqrt((4 * 0.02**2 + 4 * USUAL_BLANK_SCATTER**2) / 6)
    assert blank.scatter == pytest.approx(expected)
    assert blank.se == pytest.approx(expected / math.sqrt(2))


def test_a_culture_is_no_blank(slab):
    with pytest.raises(DensitycamError, match="no blank"):
        blank_of([slab[0]])
    with pytest.raises(DensitycamError, match="needs a photo"):
        blank_of([])


def test_detectable_is_about_twice_critical_and_falls_with_more_blanks():
    def limits(photos):
        return detectable_attenuation(Blank((0.1,) * 3, (0.1,) * 3, 0.01, 0.01, photos))

    # One blank, scatter known: 1.645 x 0.01 x sqrt(2) (ISO 11843-2, normal quantile).
    assert limits(1) == pytest.approx((0.023264, 0.046528), rel=1e-3)
    assert limits(10)[0] < limits(2)[0]
    assert limits(10)[1] == pytest.approx(2 * limits(10)[0])


def test_with_its_own_blank_a_thin_culture_reads_nearer_to_its_density(tmp_path):
    scene = Scene(seed=21, species="isochrysis", cells_per_ml=1.6e5, vessel="cylinder-100")
    vessel = VESSELS["cylinder-100"]

    def read(density, **kw):
        write_photo(replace(scene, cells_per_ml=density), tmp_path / "a.jpg")
        return read_photo(tmp_path / "a.jpg", path_mm=vessel.path_mm, shape=vessel.shape, **kw)

    blank = blank_of([read(0.0).reading])
    thin, double = (with_blank(read(n).reading, blank) for n in (1.6e5, 3.2e5))
    # Twice the cells, twice the attenuation, to what a shadow on the bars adds.
    ratio = np.array(double.attenuation[:2]) / np.array(thin.attenuation[:2])
    assert ratio == pytest.approx([2.0, 2.0], rel=0.1)
    assert "too-thin" in with_blank(read(0.0).reading, blank).flags
