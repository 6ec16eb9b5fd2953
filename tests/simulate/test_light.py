"""Spectra against the CIE's tables."""

import numpy as np

from densitycam.simulate.light import (
    LAMPS,
    WAVELENGTHS_NM,
    colour_matching,
    daylight,
    linear_srgb,
    planck,
)


def test_daylight_is_d65():
    # CIE 15 table of D65 as shipped in colour-science, at 10 nm steps.
    import colour

    table = colour.SDS_ILLUMINANTS["D65"]
    steps = np.arange(400, 701, 10)
    expected = np.array([table[float(nm)] for nm in steps]) / 100.0
    np.testing.assert_allclose(daylight()[::2], expected, rtol=2e-4, atol=0)


def test_the_observer_is_close_to_cie_1931():
    # CIE 1931 2 degree observer as shipped in colour-science; the fit's authors (Wyman et al.
    # 2013) state errors of about 1 % of the peak.
    import colour

    table = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    expected = np.array([table[float(nm)] for nm in WAVELENGTHS_NM]).T
    np.testing.assert_allclose(colour_matching(), expected, rtol=0, atol=0.035)


def test_white_is_white_and_green_is_green():
    np.testing.assert_allclose(linear_srgb(np.ones(61)), 1.0, rtol=1e-12, atol=0)
    red, green, blue = linear_srgb(np.where(np.abs(WAVELENGTHS_NM - 535) < 35, 1.0, 0.0))
    assert green > 0.5 > 0.0 > red
    assert abs(blue) < 0.1


def test_black_body_obeys_wien():
    # Wien's displacement law, b = 2.897771955e6 nm K (CODATA 2018): 5000 K peaks at 579.6 nm.
    peak = WAVELENGTHS_NM[np.argmax(planck(5000.0))]
    assert peak == 580.0


def test_every_lamp_has_mean_one():
    for lamp in LAMPS.values():
        assert len(lamp.spectrum) == WAVELENGTHS_NM.size
        np.testing.assert_allclose(np.mean(lamp.spectrum), 1.0, rtol=1e-9, atol=0)
        assert min(lamp.spectrum) >= 0.0
