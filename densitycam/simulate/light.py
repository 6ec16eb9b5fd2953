"""Light as spectra: the wavelength grid, lamps, and what an average eye makes of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Spectrum = NDArray[np.float64]

#: Wavelength grid of all spectra [nm], shape (61,).
WAVELENGTHS_NM: Spectrum = np.arange(400.0, 701.0, 5.0)

#: CIE standard illuminant D65, 400 to 700 nm by 10 nm (CIE 15, table of illuminants).
_D65_10NM = (
    82.75, 91.49, 93.43, 86.68, 104.87, 117.01, 117.81, 114.86, 115.92, 108.81, 109.35, 107.80,
    104.79, 107.69, 104.41, 104.05, 100.00, 96.33, 95.79, 88.69, 90.01, 89.60, 87.70, 83.29,
    83.70, 80.03, 80.21, 82.28, 78.28, 69.72, 71.61,
)  # fmt: skip

#: XYZ (D65) to linear sRGB (IEC 61966-2-1).
_XYZ_TO_SRGB = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


def bell(centre_nm: float, sigma_nm: float) -> Spectrum:
    """Return a Gaussian of height 1.

    Parameters
    ----------
    centre_nm, sigma_nm : float
        Its middle and its standard deviation, > 0 [nm].

    Returns
    -------
    ndarray of float64, shape (61,)
        On the wavelength grid, dimensionless.
    """
    height: Spectrum = np.exp(-0.5 * ((WAVELENGTHS_NM - centre_nm) / sigma_nm) ** 2)
    return height


def planck(temperature_k: float) -> Spectrum:
    """Return the relative spectral power of a black body (Planck's law).

    Parameters
    ----------
    temperature_k : float
        Its temperature, > 0 [K].

    Returns
    -------
    ndarray of float64, shape (61,)
        On the wavelength grid, 1 at 560 nm, dimensionless.
    """
    c2_nm_k = 1.438777e7  # second radiation constant (CODATA 2018)

    def power(nm: Spectrum) -> Spectrum:
        watts: Spectrum = nm**-5 / np.expm1(c2_nm_k / (nm * temperature_k))
        return watts

    spectrum: Spectrum = power(WAVELENGTHS_NM) / power(np.array([560.0]))[0]
    return spectrum


def colour_matching() -> NDArray[np.float64]:
    """Return the CIE 1931 2 degree observer, analytic fit, shape (3, 61).

    Notes
    -----
    Multi-lobe fit of Wyman, Sloan & Shirley, "Simple analytic approximations to the CIE XYZ
    color matching functions", JCGT 2(2), 2013 (coefficients from memory).
    """

    def lobe(height: float, centre: float, below: float, above: float) -> Spectrum:
        width = np.where(centre > WAVELENGTHS_NM, below, above)
        return height * np.exp(-0.5 * ((WAVELENGTHS_NM - centre) * width) ** 2)

    x = (
        lobe(0.362, 442.0, 0.0624, 0.0374)
        + lobe(1.056, 599.8, 0.0264, 0.0323)
        + lobe(-0.065, 501.1, 0.0490, 0.0382)
    )
    y = lobe(0.821, 568.8, 0.0213, 0.0247) + lobe(0.286, 530.9, 0.0613, 0.0322)
    z = lobe(1.217, 437.0, 0.0845, 0.0278) + lobe(0.681, 459.0, 0.0385, 0.0725)
    return np.array([x, y, z])


def daylight() -> Spectrum:
    """Return CIE D65 on the grid, relative, shape (61,)."""
    return np.interp(WAVELENGTHS_NM, np.arange(400.0, 701.0, 10.0), _D65_10NM) / 100.0


def linear_srgb(reflectance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return linear sRGB under D65 of reflectance spectra, white at (1, 1, 1).

    Parameters
    ----------
    reflectance : ndarray of float, shape (..., 61)
        Spectral reflectance, 0 to 1.

    Returns
    -------
    ndarray of float, shape (..., 3)
        Linear red, green, blue.
    """
    to_rgb = _XYZ_TO_SRGB @ (colour_matching() * daylight())
    rgb: NDArray[np.float64] = (reflectance @ to_rgb.T) / to_rgb.sum(axis=1)
    return rgb


@dataclass(frozen=True)
class Lamp:
    """A light source.

    Parameters
    ----------
    name : str
        Our own name.
    spectrum : tuple of float
        Relative spectral power on `WAVELENGTHS_NM`.
    softness : float
        0 for a small lamp (hard stripes of glare), 1 for open shade (hardly any).
    """

    name: str
    spectrum: tuple[float, ...]
    softness: float


def _lamp(name: str, spectrum: Spectrum, softness: float) -> Lamp:
    return Lamp(name, tuple(float(p) for p in spectrum / spectrum.mean()), softness)


def _led(blue_nm: float, blue: float, phosphor_nm: float, phosphor_sigma: float) -> Spectrum:
    return blue * bell(blue_nm, 10.0) + bell(phosphor_nm, phosphor_sigma) + 0.01


def _triband() -> Spectrum:
    lines = (
        (405.0, 4.0, 0.25), (436.0, 5.0, 0.75), (488.0, 8.0, 0.35), (545.0, 6.0, 1.6),
        (585.0, 9.0, 0.45), (612.0, 6.0, 1.5), (630.0, 8.0, 0.35), (660.0, 12.0, 0.06),
    )  # fmt: skip
    peaks = (height * bell(nm, sigma) for nm, sigma, height in lines)
    return 0.04 + sum(peaks, np.zeros_like(WAVELENGTHS_NM))


#: Lamps by name.
LAMPS: dict[str, Lamp] = {
    lamp.name: lamp
    for lamp in (
        _lamp("daylight", daylight(), 0.7),
        _lamp("shade", daylight() * (550.0 / WAVELENGTHS_NM) ** 1.2, 1.0),
        _lamp("cool-led", _led(452.0, 1.15, 555.0, 55.0), 0.3),
        _lamp("warm-led", _led(450.0, 0.42, 600.0, 58.0), 0.2),
        _lamp("fluorescent", _triband(), 0.4),
        _lamp("tungsten", planck(2800.0), 0.1),
    )
}


def lamp_of(lamp: str | Lamp) -> Lamp:
    """Return a lamp by its name, or as it is.

    Parameters
    ----------
    lamp : str or Lamp
        A lamp, or a key of `LAMPS`.

    Raises
    ------
    KeyError
        For a name that is none.
    """
    return LAMPS[lamp] if isinstance(lamp, str) else lamp
