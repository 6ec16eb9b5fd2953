"""Absorption and scattering of cells against published coefficients.

Sources:
- Bricaud et al. 1998, J. Geophys. Res. 103:31033, coefficients of a_phi = A chl^E [1/m, chl in
  mg/m3], table as the open library ocpy carries it (aph_bricaud_1998.txt), every tenth nanometre.
- Stramski, Bricaud & Morel 2001, Appl. Opt. 40:2929, table 1 (diameter, refractive index), as
  ocpy carries it (stramski2001_table1.ascii).
- Mie's series as in Bohren & Huffman 1983, ch. 4; two of their values check it.
- Camera sensitivities and illuminants of colour-science.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import colour
import numpy as np
import pytest
from scipy.special import spherical_jn, spherical_yn

from densitycam.calibration.model import COMMON_GAIN_SD
from densitycam.calibration.pigment import pigment_of
from densitycam.calibration.species import load_species, species_folder, species_ids
from densitycam.simulate import SPECIES
from densitycam.simulate.cells import absorption_um2
from densitycam.simulate.light import WAVELENGTHS_NM
from densitycam.vessel.blank import Blank, with_blank
from densitycam.vessel.reading import Outline, Reading

#: Wavelength [nm], A_phi, E_phi.
BRICAUD_1998 = np.array([
    (400, 0.0240515, 0.687735), (410, 0.0287352, 0.683414), (420, 0.032834, 0.666439),
    (430, 0.0359357, 0.647841), (440, 0.037824, 0.626633), (450, 0.0349905, 0.599299),
    (460, 0.0328336, 0.596114), (470, 0.0309118, 0.597029), (480, 0.0280519, 0.589011),
    (490, 0.0253719, 0.607395), (500, 0.0209906, 0.652915), (510, 0.0161767, 0.721246),
    (520, 0.0126114, 0.793886), (530, 0.0102702, 0.850035), (540, 0.00847894, 0.9036376),
    (550, 0.00702755, 0.9311673), (560, 0.00567919, 0.9345194), (570, 0.00498617, 0.9298118),
    (580, 0.00508712, 0.893336), (590, 0.00539004, 0.858931), (600, 0.00521658, 0.841018),
    (610, 0.00548048, 0.854777), (620, 0.00608558, 0.870417), (630, 0.00662103, 0.86376),
    (640, 0.00713341, 0.852402), (650, 0.00777566, 0.815461), (660, 0.0108322, 0.823337),
    (670, 0.017388, 0.813791), (676, 0.0179744, 0.816196), (680, 0.016057, 0.8284),
    (690, 0.0068551, 0.9255264), (700, 0.00248126, 1.028608),
])  # fmt: skip

#: Chlorophyll from the clearest ocean to a bloom [mg/m3]; the packing of pigment, and with it the
#: shape, spans about what single species do.
CHLOROPHYLL = (0.03, 0.3, 3.0, 30.0)

#: Species of Stramski et al. 2001, table 1, that densitycam knows: diameter [um], real index at
#: 550 nm and imaginary index at 675 nm against water.
STRAMSKI_2001 = {
    "thalassiosira": (3.99, 1.045, 7.397e-3),  # Thalassiosira pseudonana
    "pavlova": (4.26, 1.045, 2.403e-3),  # Pavlova lutheri
    "isochrysis": (4.45, 1.056, 5.101e-3),  # Isochrysis galbana
    "dunaliella": (7.59, 1.063, 5.076e-3),  # Dunaliella tertiolecta
}
SEA_WATER = 1.339  # refractive index (Quan & Fry 1995, from memory)


def published_shape(nm: np.ndarray | float, chlorophyll: float) -> np.ndarray:
    """Return absorption over that at 675 nm."""
    table = BRICAUD_1998[:, 1] * chlorophyll ** BRICAUD_1998[:, 2]
    return np.interp(nm, BRICAUD_1998[:, 0], table) / np.interp(675, BRICAUD_1998[:, 0], table)


def channel_shares(chlorophyll: float, camera: str, lamp: str) -> np.ndarray:
    """Return absorption as red, green and blue of a camera see it, over that at 675 nm."""
    measured = colour.MSDS_CAMERA_SENSITIVITIES[camera]
    nm = measured.wavelengths
    seen = np.clip(measured.values, 0, None)[(nm >= 400) & (nm <= 700)]
    nm = nm[(nm >= 400) & (nm <= 700)]
    power = colour.SDS_ILLUMINANTS[lamp]
    weight = seen * np.interp(nm, power.wavelengths, power.values)[:, None]
    return published_shape(nm, chlorophyll) @ weight / weight.sum(axis=0)


def mie(index: complex, size: float) -> tuple[float, float]:
    """Return a sphere's efficiencies of extinction and scattering (Bohren & Huffman, ch. 4)."""
    count = int(size + 4 * size ** (1 / 3) + 12)
    n = np.arange(1, count + 1)
    inner = index * size
    slope = np.zeros(max(count, int(abs(inner))) + 31, complex)
    for k in range(len(slope) - 1, 0, -1):
        slope[k - 1] = k / inner - 1 / (slope[k] + k / inner)
    slope = slope[1 : count + 1]
    orders = np.arange(count + 1)
    psi = size * spherical_jn(orders, size)
    xi = psi + 1j * size * spherical_yn(orders, size)

    def term(factor: np.ndarray) -> np.ndarray:
        whole = factor + n / size
        return (whole * psi[1:] - psi[:-1]) / (whole * xi[1:] - xi[:-1])

    a, b = term(slope / index), term(slope * index)
    weight = 2 / size**2 * (2 * n + 1)
    return float(np.sum(weight * (a + b).real)), float(
        np.sum(weight * (np.abs(a) ** 2 + np.abs(b) ** 2))
    )


def test_our_mie_series_gives_a_textbook_value():
    # Bohren & Huffman 1983, appendix A: radius 0.525 um at 0.6328 um, 3.10543 (from memory).
    extinction, scattering = mie(1.55 + 0j, 2 * math.pi * 0.525 / 0.6328)
    assert extinction == pytest.approx(3.10543, abs=5e-6)
    assert scattering == pytest.approx(extinction, rel=1e-12)  # nothing absorbs
    # Large and black: a sphere takes twice its shadow (Bohren & Huffman, sec. 4.4.3).
    assert mie(1.05 + 0.05j, 3000.0)[0] == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("species", STRAMSKI_2001)
def test_starting_optics_are_those_of_the_published_cells(species):
    diameter, real, imaginary = STRAMSKI_2001[species]
    facts = json.loads((Path(species_folder()) / species / "start.json").read_text("utf-8"))
    extinction, scattering = mie(complex(real, imaginary), math.pi * diameter * SEA_WATER / 0.675)
    area = math.pi / 4 * diameter**2
    assert facts["absorption_675_um2"] == pytest.approx(area * (extinction - scattering), rel=2e-3)
    assert facts["scattering_um2"] == pytest.approx(area * scattering, rel=2e-3)


@pytest.mark.parametrize("species", sorted(species_ids()))
def test_starting_shares_of_the_channels_are_within_what_the_start_claims(species):
    facts = json.loads((Path(species_folder()) / species / "start.json").read_text("utf-8"))
    shares = np.array([
        channel_shares(chlorophyll, camera, lamp)
        for chlorophyll in CHLOROPHYLL[2:]  # as packed as in cultured cells
        for camera in colour.MSDS_CAMERA_SENSITIVITIES
        for lamp in ("D65", "A", "LED-B4")
    ])  # fmt: skip
    usual = np.median(shares, axis=0)
    assert abs(math.log(facts["red_share"] / usual[0])) < COMMON_GAIN_SD
    green = math.log(facts["green_share"] / usual[1])
    # The sea's mixture is rich in golden algae; a green one lacks their fucoxanthin and sees less
    # of the green (from memory), by how much no table here says.
    if load_species(species).group == "green":
        assert -2 * COMMON_GAIN_SD < green < 0
    else:
        assert abs(green) < COMMON_GAIN_SD


def culture(absorbance: np.ndarray, turbidity: float) -> Reading:
    """Return a reading of a culture that absorbs so much and scatters alike in all channels."""
    mean = tuple(float(v) for v in np.exp(-absorbance))
    contrast = tuple(float(v) for v in np.exp(-absorbance - turbidity))
    none = (math.nan,) * 3
    raw = Reading(
        path_mm=20.0, contrast_t=contrast, contrast_t_se=(0.004,) * 3, mean_t=mean,
        mean_t_se=(0.004,) * 3, veil=(0.0,) * 3, attenuation=none, attenuation_se=none,
        absorbance=none, absorbance_se=none, blank_se=math.nan, usable=(True,) * 3,
        greenness=math.nan, turbidity_per_mm=math.nan, dilution=1.0,
        outline=Outline(0.0, 1.0, 0.0, 1.0), rows=(), flags=(),
    )  # fmt: skip
    return with_blank(raw, Blank((0.0,) * 3, (0.0,) * 3, 0.0, 0.0, 1))


@pytest.mark.parametrize("camera", colour.MSDS_CAMERA_SENSITIVITIES)
@pytest.mark.parametrize("lamp", ["D65", "A", "FL11", "LED-B1", "LED-B4"])
def test_blue_is_absorbed_most_and_green_between_under_any_lamp(camera, lamp):
    # What pigment.py stands on: blue is absorbed most, and hue's two differences are above zero,
    # whatever the packing.
    for chlorophyll in CHLOROPHYLL:
        red, green, blue = channel_shares(chlorophyll, camera, lamp)
        assert blue > green > red > 0
    # Signs of a paler culture: half of the pigment at the same scatter is ln 2 less.
    shares = channel_shares(0.3, camera, lamp)
    full, half = (pigment_of(culture(depth * shares, 1.0)) for depth in (1.2, 0.6))
    assert full is not None
    assert half is not None
    scatter = [sum(1.0 + depth * shares) for depth in (1.2, 0.6)]
    assert full.pigment - half.pigment == pytest.approx(
        math.log(2) - math.log(scatter[0] / scatter[1]), abs=1e-9
    )
    assert full.hue == pytest.approx(half.hue, abs=1e-9)


def test_pigment_of_needs_its_blue():
    # The same culture with blue crushed to zero has no pigment to tell.
    told = culture(
        0.8 * channel_shares(0.3, next(iter(colour.MSDS_CAMERA_SENSITIVITIES)), "D65"), 1
    )
    assert pigment_of(told) is not None
    assert pigment_of(replace(told, usable=(True, True, False))) is None


@pytest.mark.parametrize("species", SPECIES)
def test_simulated_cells_absorb_like_published_ones(species):
    # The simulator's pigments are invented around published magnitudes: band ratios must lie
    # where the sea's do, from the least packed cells to the most.
    spectrum = absorption_um2(SPECIES[species])
    at = lambda nm: float(np.interp(nm, WAVELENGTHS_NM, spectrum))  # noqa: E731
    blue = [float(published_shape(440.0, c)) for c in CHLOROPHYLL]
    assert min(blue) < at(440) / at(675) < max(blue)
    red = (WAVELENGTHS_NM > 640) & (WAVELENGTHS_NM < 700)
    assert abs(WAVELENGTHS_NM[red][np.argmax(spectrum[red])] - 675) <= 5
    # A golden alga is what the sea's mixture mostly is; green and red ones have a gap, or a peak,
    # of their own in the green.
    alike = max(
        np.corrcoef(spectrum, published_shape(WAVELENGTHS_NM, c))[0, 1] for c in CHLOROPHYLL
    )
    assert alike > {"isochrysis": 0.93, "rhodomonas": 0.6}.get(species, 0.85)
