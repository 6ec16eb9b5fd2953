"""Beer and Lambert on a linear camera: depth in, depth out.

Source: IUPAC Gold Book, "Beer-Lambert law" (10.1351/goldbook.B00626), in its natural-log form
T = exp(-depth); the slab is drawn by tests/linear_camera.py, not by the estimator.
"""

from __future__ import annotations

import numpy as np
import pytest
from linear_camera import photo_of_slab

from densitycam.vessel.blank import GLASS_ATTENUATION
from densitycam.vessel.read import read_photo


@pytest.mark.parametrize("depths", [(0.31, 0.57, 0.83), (0.8, 1.27, 1.93), (1.7, 2.6, 3.4)])
def test_contrast_returns_the_depth_whatever_the_veil(tmp_path, depths):
    for veil in (0.0, 0.021, 0.055):
        photo = photo_of_slab(tmp_path / "slab.png", depths=depths, veil=veil)
        reading = read_photo(photo, path_mm=20, shape="flat").reading
        # The slab has no glass, of which the reading takes off a clean vessel's share.
        found = np.array(reading.attenuation) + GLASS_ATTENUATION
        assert found == pytest.approx(depths, rel=0.02, abs=0.015)


def test_mean_transmittance_is_raised_by_the_veil_by_as_much_as_arithmetic_says(tmp_path):
    depths, veil = (0.5, 0.9, 1.4), 0.04
    photo = photo_of_slab(tmp_path / "slab.png", depths=depths, veil=veil)
    reading = read_photo(photo, path_mm=20, shape="flat").reading
    middle_of_bars = (1.0 + 0.035) / 2
    expected = np.exp(-np.array(depths)) + veil / middle_of_bars
    assert reading.mean_t == pytest.approx(expected, rel=0.02)
    assert reading.veil == pytest.approx([veil] * 3, abs=0.006)


def test_turbidity_and_greenness_are_per_light_path(tmp_path):
    photo = photo_of_slab(tmp_path / "slab.png", depths=(1.2, 0.7, 1.5))
    narrow = read_photo(photo, path_mm=20, shape="flat").reading
    wide = read_photo(photo, path_mm=40, shape="flat").reading
    # The drawn camera looks aslant, so that the way is a little longer than the slab is thick.
    path_mm = narrow.path_mm
    assert 20.0 < path_mm < 20.8
    assert narrow.turbidity_per_mm == pytest.approx((0.7 - GLASS_ATTENUATION) / path_mm, rel=0.03)
    assert narrow.greenness == pytest.approx((1.2 - 0.7) / path_mm * 10, rel=0.03)
    assert wide.turbidity_per_mm == pytest.approx(narrow.turbidity_per_mm / 2, rel=0.03)
