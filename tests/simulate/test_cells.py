"""A suspension's optics: monotone, in the published ranges, and right in the limits."""

import numpy as np
import pytest

from densitycam.simulate.cells import (
    SPECIES,
    absorption_um2,
    blur_mm,
    contrast_attenuation,
    contrast_transmittance,
    diffuse_light,
    medium,
    scattering_um2,
    vanishing_cells_per_ml,
)
from densitycam.simulate.light import WAVELENGTHS_NM

GAP_MM = 14.0
SMALL_GREEN = SPECIES["nannochloropsis"]


@pytest.mark.parametrize(("path_mm", "expected"), [(20.0, 1e8), (60.0, 3e7), (100.0, 1e7)])
def test_contrast_vanishes_where_trials_say(path_mm, expected):
    # METHOD.md, "What limits it": attenuation about 5 for a small green species.
    found = vanishing_cells_per_ml(SMALL_GREEN, path_mm=path_mm, behind_mm=GAP_MM)
    assert expected / 1.5 < found < expected * 1.5


def test_vanishing_density_has_the_attenuation_asked_for():
    found = vanishing_cells_per_ml(SMALL_GREEN, path_mm=37.0, behind_mm=9.0, attenuation=2.3)
    fluid = medium(SMALL_GREEN, cells_per_ml=found)
    assert contrast_attenuation(fluid, path_mm=37.0, behind_mm=9.0) == pytest.approx(2.3, rel=1e-6)


@pytest.mark.parametrize("species", SPECIES.values(), ids=SPECIES)
def test_scattering_against_absorption_is_in_the_published_range(species):
    # TRADE.md, optics: 3.5 to 13 at 675 nm (Mie on Stramski et al. 2001 cell data).
    at = WAVELENGTHS_NM == 675.0
    ratio = (scattering_um2(species)[at] / absorption_um2(species)[at]).item()
    assert 3.5 < ratio < 13.0


def test_isochrysis_has_the_published_magnitude():
    # TRADE.md, optics: absorption/scattering 5.31/36.98 um2 per cell at 675 nm.
    at = WAVELENGTHS_NM == 675.0
    species = SPECIES["isochrysis"]
    assert absorption_um2(species)[at].item() == pytest.approx(5.31, rel=0.1)
    assert scattering_um2(species)[at].item() == pytest.approx(36.98, rel=0.15)


@pytest.mark.parametrize("species", SPECIES.values(), ids=SPECIES)
def test_more_cells_take_more_contrast_and_more_mean_light(species):
    path = np.array([33.0])
    previous = None
    for cells in np.geomspace(1e4, 3e7, 9):
        fluid = medium(species, cells_per_ml=cells)
        contrast = contrast_transmittance(fluid, path_mm=path)[0]
        mean, back = (part[0] for part in diffuse_light(fluid, path_mm=path))
        assert np.all(mean > contrast)  # lost contrast is partly still light
        assert np.all(mean + back <= 1.0)
        if previous is not None:
            assert np.all(contrast < previous[0])
            assert np.all(mean < previous[1])
            assert np.all(back >= previous[2])
        previous = (contrast, mean, back)


def test_clear_water_takes_what_pure_water_takes():
    # Pope & Fry 1997: 0.34 per metre at 650 nm, so 100 mm pass exp(-0.034).
    fluid = medium(SMALL_GREEN, cells_per_ml=0.0)
    passes = contrast_transmittance(fluid, path_mm=np.array([100.0]))[0]
    assert passes[WAVELENGTHS_NM == 650.0].item() == pytest.approx(np.exp(-0.034), rel=1e-9)
    assert blur_mm(fluid, path_mm=np.array([100.0]), behind_mm=GAP_MM)[0] == 0.0


def test_a_thick_layer_sends_back_what_kubelka_and_munk_say():
    # Kubelka & Munk 1931: R_inf = 1 + K/S - sqrt((K/S)^2 + 2 K/S). K/S of the medium's own
    # coefficients, with the path stretch of 1.4 that diffuse light takes here.
    fluid = medium(SMALL_GREEN, cells_per_ml=1e9)
    ratio = 1.4 * fluid.absorption_per_m / (fluid.back_share * fluid.scattering_per_m)
    expected = 1.0 + ratio - np.sqrt(ratio**2 + 2.0 * ratio)
    through, back = diffuse_light(fluid, path_mm=np.array([500.0]))
    np.testing.assert_allclose(back[0], expected, rtol=1e-6, atol=0)
    assert through.max() < 1e-6


def test_beer_and_lambert_trade_path_for_density():
    # Without water: double the path is double the cells, for the straight part of the loss.
    thin, thick = (medium(SMALL_GREEN, cells_per_ml=n) for n in (1.3e7, 2.6e7))
    one = contrast_transmittance(thin, path_mm=np.array([20.0]))[0]
    water = contrast_transmittance(medium(SMALL_GREEN, cells_per_ml=0.0), path_mm=np.array([10.0]))[
        0
    ]
    two = contrast_transmittance(thick, path_mm=np.array([10.0]))[0]
    np.testing.assert_allclose(one, two * water, rtol=1e-12, atol=0)


def test_colours_are_the_species_own():
    def passes(name):
        species = SPECIES[name]
        vanishes = vanishing_cells_per_ml(species, path_mm=40.0, behind_mm=GAP_MM)
        fluid = medium(species, cells_per_ml=0.5 * vanishes)
        light = diffuse_light(fluid, path_mm=np.array([40.0]))[0][0]
        parts = ((600, 660), (520, 570), (430, 490))
        return (np.interp(np.arange(*part), WAVELENGTHS_NM, light).mean() for part in parts)

    red, green, blue = passes("tetraselmis")
    assert green > red > blue
    red, green, blue = passes("rhodomonas")
    assert red > green
    red, green, blue = passes("isochrysis")
    assert min(red, green) > 2.0 * blue
