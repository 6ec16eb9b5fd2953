"""What a suspension of cells does to light: contrast lost, light let through, light sent back."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from densitycam.simulate.light import WAVELENGTHS_NM, Spectrum, bell

Array = NDArray[np.float64]

#: Refractive index of sea water, about, in the visible (from memory).
SEAWATER_INDEX = 1.34

#: Most stretch of a scattered path against the straight one (2 for perfectly diffuse light).
_PATH_STRETCH = 1.4

#: How fast light scattered wide leaves through the vessel's sides, against scattering depth.
_SIDE_LOSS = 0.15

#: Pure water absorption [1/m] at [nm]: Pope & Fry 1997, values as in TRADE.md's optics section.
_WATER_NM = (400.0, 440.0, 550.0, 650.0, 675.0, 700.0)
_WATER_PER_M = (0.0066, 0.006, 0.057, 0.34, 0.448, 0.624)


@dataclass(frozen=True)
class SpeciesOptics:
    """How one cell of a species absorbs and scatters. Invented around published magnitudes.

    Parameters
    ----------
    id : str
        Species id, lower case.
    pigments : tuple of (float, float, float)
        Absorption bands: centre [nm], sigma [nm], height [um2/cell].
    scatter_um2 : float
        Scattering cross-section at 550 nm [um2/cell].
    scatter_slope : float
        Scattering goes with wavelength to the power of minus this.
    narrow_share : float
        Share of the scattered light so close to straight ahead that 10 mm bars survive, 0 to 1.
    narrow_angle_rad : float
        Its angular spread for one scattering, outside the water [rad].
    back_share : float
        Share sent back, effective for diffuse light, 0 to 1.

    Notes
    -----
    1 um2/cell at 1e6 cells/mL is 1 per metre. Scattering is 3.5 to 13 times the absorption at
    675 nm, as in Stramski et al. 2001 cell data (by way of TRADE.md).
    """

    id: str
    pigments: tuple[tuple[float, float, float], ...]
    scatter_um2: float
    scatter_slope: float
    narrow_share: float
    narrow_angle_rad: float
    back_share: float


def _scaled(
    bands: tuple[tuple[float, float, float], ...], height_um2: float
) -> tuple[tuple[float, float, float], ...]:
    return tuple((nm, sigma, height * height_um2) for nm, sigma, height in bands)


# Shapes relative to chlorophyll a's red peak in the cell (flattened by packaging).
_CHL_A = ((440.0, 18.0, 1.55), (415.0, 16.0, 0.9), (622.0, 22.0, 0.30), (676.0, 11.0, 1.0),
          (585.0, 22.0, 0.15))  # fmt: skip
_CHL_B = ((468.0, 15.0, 1.0), (650.0, 11.0, 0.40), (600.0, 18.0, 0.08))
_CHL_C = ((460.0, 13.0, 0.8), (585.0, 14.0, 0.10), (635.0, 12.0, 0.14))
_CAROTENOID = ((455.0, 16.0, 0.6), (485.0, 16.0, 0.65))
_FUCOXANTHIN = ((490.0, 26.0, 1.0), (535.0, 22.0, 0.50))
_PHYCOERYTHRIN = ((550.0, 19.0, 1.0), (510.0, 20.0, 0.45))

#: Species by id.
SPECIES: dict[str, SpeciesOptics] = {
    s.id: s
    for s in (
        SpeciesOptics(
            "nannochloropsis",
            _scaled(_CHL_A, 0.80) + _scaled(_CAROTENOID, 0.75) + ((540.0, 60.0, 0.10),),
            scatter_um2=6.2, scatter_slope=1.0,
            narrow_share=0.575, narrow_angle_rad=0.044, back_share=0.020,
        ),
        SpeciesOptics(
            "tetraselmis",
            _scaled(_CHL_A, 21.0) + _scaled(_CHL_B, 14.0) + _scaled(_CAROTENOID, 9.0)
            + ((540.0, 60.0, 4.0),),
            scatter_um2=155.0, scatter_slope=0.3,
            narrow_share=0.78, narrow_angle_rad=0.030, back_share=0.013,
        ),
        SpeciesOptics(
            "isochrysis",
            _scaled(_CHL_A, 5.0) + _scaled(_CHL_C, 3.0) + _scaled(_FUCOXANTHIN, 5.6)
            + ((540.0, 60.0, 0.5),),
            scatter_um2=37.0, scatter_slope=0.6,
            narrow_share=0.66, narrow_angle_rad=0.036, back_share=0.016,
        ),
        SpeciesOptics(
            "rhodomonas",
            _scaled(_CHL_A, 12.0) + _scaled(_CHL_C, 6.0) + _scaled(_PHYCOERYTHRIN, 15.0)
            + ((500.0, 60.0, 2.5),),
            scatter_um2=92.0, scatter_slope=0.4,
            narrow_share=0.74, narrow_angle_rad=0.032, back_share=0.014,
        ),
    )
}  # fmt: skip


def absorption_um2(species: SpeciesOptics, *, pigment_scale: float = 1.0) -> Spectrum:
    """Return absorption per cell.

    Parameters
    ----------
    species : SpeciesOptics
        The cells.
    pigment_scale : float, default 1.0
        Pigment per cell against normal; below 1 is bleached.

    Returns
    -------
    ndarray of float64, shape (61,)
        On the wavelength grid [um2/cell].
    """
    bands = (h * bell(nm, sigma) for nm, sigma, h in species.pigments)
    return pigment_scale * sum(bands, np.zeros_like(WAVELENGTHS_NM))


def scattering_um2(species: SpeciesOptics) -> Spectrum:
    """Return scattering per cell, a power of the wavelength.

    Parameters
    ----------
    species : SpeciesOptics
        The cells.

    Returns
    -------
    ndarray of float64, shape (61,)
        On the wavelength grid [um2/cell].
    """
    return species.scatter_um2 * (550.0 / WAVELENGTHS_NM) ** species.scatter_slope


@dataclass(frozen=True, eq=False)
class Medium:
    """A fluid's coefficients on the wavelength grid.

    Parameters
    ----------
    absorption_per_m, scattering_per_m : ndarray of float, shape (61,)
        Of water and cells together, and of cells [1/m].
    narrow_share, back_share : float
        As in `SpeciesOptics`.
    narrow_angle_rad : float
        As in `SpeciesOptics` [rad].
    """

    absorption_per_m: Spectrum
    scattering_per_m: Spectrum
    narrow_share: float
    back_share: float
    narrow_angle_rad: float


def medium(
    species: SpeciesOptics,
    *,
    cells_per_ml: float,
    pigment_scale: float = 1.0,
    extra_scatter: float = 0.0,
) -> Medium:
    """Return the coefficients of a culture.

    Parameters
    ----------
    species : SpeciesOptics
        The cells.
    cells_per_ml : float
        Density, >= 0 [cells/mL].
    pigment_scale : float, default 1.0
        Pigment per cell against normal; below 1 is bleached.
    extra_scatter : float, default 0.0
        Scattering by colourless matter, such as bacteria, as a share of the cells' own.

    Returns
    -------
    Medium
        Water, cells and colourless matter together.
    """
    million = cells_per_ml / 1e6
    water = np.interp(WAVELENGTHS_NM, _WATER_NM, _WATER_PER_M)
    scattering = million * (1.0 + extra_scatter) * scattering_um2(species)
    return Medium(
        absorption_per_m=water + million * absorption_um2(species, pigment_scale=pigment_scale),
        scattering_per_m=scattering,
        narrow_share=species.narrow_share,
        back_share=species.back_share,
        narrow_angle_rad=species.narrow_angle_rad,
    )


def contrast_transmittance(fluid: Medium, *, path_mm: Array) -> Array:
    """Return what is left of a bar's contrast, without the blur.

    exp(-(a + b (1 - F)) l): absorbed light and light scattered out of the narrow cone is lost.

    Parameters
    ----------
    fluid : Medium
        The culture.
    path_mm : ndarray of float, shape (n,)
        Light paths, >= 0 [mm].

    Returns
    -------
    ndarray of float64, shape (n, 61)
        0 to 1, on the wavelength grid.
    """
    loss = fluid.absorption_per_m + fluid.scattering_per_m * (1.0 - fluid.narrow_share)
    return np.exp(-np.multiply.outer(np.asarray(path_mm, dtype=float) / 1000.0, loss))


def diffuse_light(fluid: Medium, *, path_mm: Array) -> tuple[Array, Array]:
    """Return diffuse transmittance and reflectance of a layer.

    Parameters
    ----------
    fluid : Medium
        The culture.
    path_mm : ndarray of float, shape (n,)
        Thickness, >= 0 [mm].

    Returns
    -------
    transmittance, reflectance : ndarray of float64, shape (n, 61)
        0 to 1, on the wavelength grid.

    Notes
    -----
    Two-flux solution of Kubelka 1948 (J. Opt. Soc. Am. 38:448) on a black ground. The layer is
    no wider than it is thick, so light scattered wide also leaves sideways: transmittance is
    divided by 1 + c b (1 - F) l, the form of a diffusing slab, with c of our own choosing.
    """
    path_m = np.asarray(path_mm, dtype=float)[:, None] / 1000.0
    wide = fluid.scattering_per_m[None, :] * (1.0 - fluid.narrow_share) * path_m
    # What comes through unscattered runs straight; what is sent back was always scattered.
    stretch = 1.0 + (_PATH_STRETCH - 1.0) * (1.0 - np.exp(-wide))
    through = _two_flux(fluid, stretch=stretch, path_m=path_m)[0] / (1.0 + _SIDE_LOSS * wide)
    return through, _two_flux(fluid, stretch=_PATH_STRETCH, path_m=path_m)[1]


def _two_flux(fluid: Medium, *, stretch: Array | float, path_m: Array) -> tuple[Array, Array]:
    """Return Kubelka's transmittance and reflectance, each of shape (n, 61)."""
    absorbed = stretch * fluid.absorption_per_m[None, :]
    back = np.maximum(fluid.back_share * fluid.scattering_per_m, 1e-6)[None, :]
    a = 1.0 + absorbed / back
    b = np.sqrt(a * a - 1.0)
    depth = np.minimum(b * back * path_m, 60.0)
    sinh, cosh = np.sinh(depth), np.cosh(depth)
    below = a * sinh + b * cosh
    return b / below, sinh / below


def blur_mm(fluid: Medium, *, path_mm: Array, behind_mm: float) -> Array:
    """Return the spread of a card point seen through the fluid, standard deviation [mm].

    Parameters
    ----------
    fluid : Medium
        The culture.
    path_mm : ndarray of float, any shape
        Light path, >= 0 [mm].
    behind_mm : float
        From the fluid's back to the card [mm].

    Returns
    -------
    ndarray of float64, shape as `path_mm`
        It nears 8 mm and no more [mm].
    """
    path = np.asarray(path_mm, dtype=float)
    events = fluid.narrow_share * float(np.interp(550.0, WAVELENGTHS_NM, fluid.scattering_per_m))
    lever = behind_mm + path / (2.0 * SEAWATER_INDEX)
    sigma = fluid.narrow_angle_rad * np.sqrt(events * path / 1000.0) * lever
    return sigma / np.sqrt(1.0 + (sigma / 8.0) ** 2)


def contrast_attenuation(
    fluid: Medium, *, path_mm: float, behind_mm: float, bar_mm: float = 10.0, nm: float = 550.0
) -> float:
    """Return -ln of the contrast left of bars, blur included.

    Parameters
    ----------
    fluid : Medium
        The culture.
    path_mm : float
        Light path [mm].
    behind_mm : float
        From the fluid's back to the card [mm].
    bar_mm : float, default 10.0
        Height of one bar; a black and a white one make a period [mm].
    nm : float, default 550.0
        Wavelength, 400 to 700 [nm].

    Returns
    -------
    float
        >= 0, dimensionless.

    Notes
    -----
    A Gaussian blur of spread s leaves exp(-(2 pi s / period)^2 / 2) of a sine's contrast.
    """
    straight = contrast_transmittance(fluid, path_mm=np.array([path_mm]))[0]
    sigma = float(blur_mm(fluid, path_mm=np.array([path_mm]), behind_mm=behind_mm)[0])
    wave = 2.0 * math.pi * sigma / (2.0 * bar_mm)
    return -math.log(float(np.interp(nm, WAVELENGTHS_NM, straight))) + 0.5 * wave * wave


def vanishing_cells_per_ml(
    species: SpeciesOptics, *, path_mm: float, behind_mm: float, attenuation: float = 5.0
) -> float:
    """Return the density at which the contrast's attenuation reaches a value.

    Parameters
    ----------
    species : SpeciesOptics
        The cells.
    path_mm : float
        Light path [mm].
    behind_mm : float
        From the fluid's back to the card [mm].
    attenuation : float, default 5.0
        -ln of the contrast left, dimensionless.

    Returns
    -------
    float
        100 to 1e11 [cells/mL].
    """
    low, high = 1e2, 1e11
    for _ in range(60):
        middle = math.sqrt(low * high)
        fluid = medium(species, cells_per_ml=middle)
        if contrast_attenuation(fluid, path_mm=path_mm, behind_mm=behind_mm) < attenuation:
            low = middle
        else:
            high = middle
    return math.sqrt(low * high)
