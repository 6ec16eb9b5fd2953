"""Cameras: sensitivities, white balance, colour matrix, tone curve, noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from densitycam.simulate.light import Spectrum, bell, daylight, linear_srgb
from densitycam.simulate.prints import bands

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Phone:
    """One camera, invented.

    Parameters
    ----------
    name : str
        Our own name.
    centres_nm, widths_nm : tuple of float
        Peak and standard deviation of red, green and blue sensitivity [nm].
    leak : float
        Share of each channel's sensitivity that is broad.
    focal_mm : float
        Focal length as on 36 mm wide film [mm].
    saturation : float
        How much the colour matrix exaggerates colour; 1 is faithful.
    gamma : float
        Exponent on linear light before the sRGB curve.
    s_curve : float
        Strength of the S-curve on the encoded value, 0 to 0.4.
    full_well : float
        Light quanta at the brightest code; sets the shot noise.
    read_noise : float
        Standard deviation of the noise in the dark, share of full scale.
    softness_px : float
        Blur of lens and mosaic, standard deviation at 1600 px width [px].
    sharpening : float
        Strength of the unsharp mask, 0 to 1.
    curves : tuple of tuple of float, or None
        Measured red, green and blue sensitivity on the wavelength grid, in place of the bells
        that centre, width and leak describe.
    matrix : tuple of tuple of float, or None
        From balanced camera light to linear sRGB, rows summing to 1, in place of the fitted one.
    tone : tuple of float or None
        Linear light, 0 to 1 and rising, at even steps of the code, in place of the sRGB curve.
    """

    name: str
    centres_nm: tuple[float, float, float]
    widths_nm: tuple[float, float, float]
    leak: float
    focal_mm: float
    saturation: float
    gamma: float
    s_curve: float
    full_well: float
    read_noise: float
    softness_px: float
    sharpening: float
    curves: tuple[tuple[float, ...], ...] | None = None
    matrix: tuple[tuple[float, ...], ...] | None = None
    tone: tuple[float, ...] | None = None


#: Phones by name.
PHONES: dict[str, Phone] = {
    p.name: p
    for p in (
        Phone("heron", (602.0, 535.0, 458.0), (33.0, 40.0, 28.0), 0.04, 26.0, 1.06, 1.00, 0.10,
              9000.0, 0.0012, 0.70, 0.35),
        Phone("slate", (595.0, 540.0, 465.0), (38.0, 44.0, 31.0), 0.07, 27.0, 1.10, 0.94, 0.18,
              6000.0, 0.0020, 0.80, 0.50),
        Phone("ember", (610.0, 530.0, 450.0), (30.0, 36.0, 26.0), 0.03, 28.0, 1.15, 1.06, 0.22,
              5000.0, 0.0025, 0.90, 0.60),
        Phone("birch", (598.0, 545.0, 470.0), (36.0, 42.0, 34.0), 0.08, 26.0, 1.00, 0.97, 0.05,
              3500.0, 0.0030, 1.00, 0.25),
    )
}  # fmt: skip


def phone_of(phone: str | Phone) -> Phone:
    """Return a phone by its name, or as it is.

    Parameters
    ----------
    phone : str or Phone
        A phone, or a key of `PHONES`.

    Raises
    ------
    KeyError
        For a name that is none.
    """
    return PHONES[phone] if isinstance(phone, str) else phone


def sensitivities(phone: Phone) -> NDArray[np.float64]:
    """Return a phone's red, green and blue sensitivity.

    Parameters
    ----------
    phone : Phone
        The phone.

    Returns
    -------
    ndarray of float64, shape (3, 61)
        On the wavelength grid, each row summing to 1.
    """
    rows = phone.curves or [
        (1.0 - phone.leak) * bell(nm, width) + phone.leak * bell(nm, 2.5 * width)
        for nm, width in zip(phone.centres_nm, phone.widths_nm, strict=True)
    ]
    table = np.array(rows)
    shares: NDArray[np.float64] = table / table.sum(axis=1, keepdims=True)
    return shares


def colour_matrix(phone: Phone) -> NDArray[np.float64]:
    """Return the matrix from balanced camera light to linear sRGB.

    Parameters
    ----------
    phone : Phone
        The phone.

    Returns
    -------
    ndarray of float64, shape (3, 3)
        Each row sums to 1, so that white stays white.

    Notes
    -----
    Fitted in daylight to mixtures of the print bands, as a maker would on a test chart, then
    exaggerated by the phone's saturation. Colours outside sRGB come out negative and clip.
    """
    if phone.matrix is not None:
        return np.array(phone.matrix)
    levels = (0.1, 0.5, 0.9)
    chart = np.array([(r, g, b) for r in levels for g in levels for b in levels]) @ bands()
    seen = chart @ (sensitivities(phone) * daylight()).T
    seen = seen / (sensitivities(phone) * daylight()).sum(axis=1)
    fitted, *_ = np.linalg.lstsq(seen, linear_srgb(chart), rcond=None)
    matrix = fitted.T / fitted.T.sum(axis=1, keepdims=True)
    grey = np.full((3, 3), 1.0 / 3.0)
    vivid: NDArray[np.float64] = grey + phone.saturation * (matrix - grey)
    return vivid


def balance(phone: Phone, light: Spectrum, paper: Spectrum) -> NDArray[np.float64]:
    """Return the gains that make bare paper equal in all channels.

    Parameters
    ----------
    phone : Phone
        The phone.
    light : ndarray of float64, shape (61,)
        The lamp's power on the wavelength grid, relative.
    paper : ndarray of float64, shape (61,)
        The paper's reflectance, 0 to 1.

    Returns
    -------
    ndarray of float64, shape (3,)
        Red, green, blue, > 0.
    """
    gains: NDArray[np.float64] = 1.0 / (sensitivities(phone) * light * paper).sum(axis=1)
    return gains


def encode(phone: Phone, linear: Image) -> Image:
    """Return a phone's code values: the sRGB curve (IEC 61966-2-1) or its own, bent by an S.

    Parameters
    ----------
    phone : Phone
        The phone.
    linear : ndarray of float32, any shape
        Linear sRGB light; what is not 0 to 1 clips.

    Returns
    -------
    ndarray of float32, as `linear`
        0 to 1.
    """
    light = np.clip(linear, 0.0, 1.0)
    if phone.gamma != 1.0:
        light = light**phone.gamma
    if phone.tone is not None:
        code = np.interp(light, phone.tone, np.linspace(0.0, 1.0, len(phone.tone)))
    else:
        code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    bend = code * (1.0 - code) * (2.0 * code - 1.0)
    return (code + phone.s_curve * bend).astype(np.float32)


def tone_table(phone: Phone, size: int = 4096) -> Image:
    """Return `encode` as a table.

    Parameters
    ----------
    phone : Phone
        The phone.
    size : int, default 4096
        How many even steps of linear light from 0 to 1, >= 2.

    Returns
    -------
    ndarray of float32, shape (size,)
        0 to 1.
    """
    return encode(phone, np.linspace(0.0, 1.0, size, dtype=np.float32))
