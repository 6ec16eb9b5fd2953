"""A home print of the card: what each patch reflects, and the sheet as a picture of band weights.

Every print is described in three smooth bands (short, middle, long wave): a reflectance is
paper x (weights . bands). So the whole sheet is a picture of three weights, and light of any
spectrum through any culture turns it into colour by one 3 x 3 matrix.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from densitycam.card.layout import MARKER_DICTIONARY, CardLayout, Rect, card_layout
from densitycam.simulate.light import WAVELENGTHS_NM, Spectrum, linear_srgb

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Print:
    """How one printer and paper depart from nominal.

    Parameters
    ----------
    name : str
        Our own name.
    dot_gain : tuple of float
        Exponent on the tone of long, middle and short wave band; above 1 prints darker.
    black : tuple of float
        Reflectance of the darkest ink against paper in the three bands, 0 to 1.
    strength : tuple of float
        How strongly colours depart from grey, in the three bands; 1 is nominal.
    paper : tuple of float
        Paper's own reflectance at even steps from 400 to 700 nm, 0 to 1.
    bands : tuple of tuple of float, or None
        Three spectra on the wavelength grid, long to short wave, that sum to 1 everywhere;
        None is `bands()`.
    """

    name: str
    dot_gain: tuple[float, float, float]
    black: tuple[float, float, float]
    strength: tuple[float, float, float]
    paper: tuple[float, ...]
    bands: tuple[tuple[float, ...], ...] | None = None


#: Prints by name.
PRINTS: dict[str, Print] = {
    p.name: p
    for p in (
        Print("nominal", (1.0, 1.0, 1.0), (0.035,) * 3, (1.0, 1.0, 1.0), (0.86, 0.86, 0.86)),
        Print("inkjet", (1.06, 1.10, 1.08), (0.048, 0.044, 0.042), (0.92, 0.95, 0.90),
              (0.90, 0.87, 0.86)),
        Print("laser", (1.14, 1.12, 1.13), (0.033, 0.034, 0.036), (1.05, 1.00, 0.94),
              (0.86, 0.85, 0.85)),
        Print("tired-inkjet", (0.90, 0.87, 0.94), (0.058, 0.052, 0.046), (0.88, 0.80, 0.92),
              (0.82, 0.86, 0.87)),
        Print("draft", (0.86, 0.88, 0.90), (0.055, 0.055, 0.060), (0.85, 0.88, 0.85),
              (0.88, 0.86, 0.84)),
    )
}  # fmt: skip


def print_of(made: str | Print) -> Print:
    """Return a print by its name, or as it is.

    Parameters
    ----------
    made : str or Print
        A print, or a key of `PRINTS`.

    Raises
    ------
    KeyError
        For a name that is none.
    """
    return PRINTS[made] if isinstance(made, str) else made


def bands() -> NDArray[np.float64]:
    """Return the three bands, a smooth partition of unity, long to short wave, shape (3, 61)."""
    low = 1.0 / (1.0 + np.exp((WAVELENGTHS_NM - 493.0) / 9.0))
    high = 1.0 / (1.0 + np.exp((583.0 - WAVELENGTHS_NM) / 8.0))
    return np.array([high, 1.0 - low - high, low])


def print_bands(made: Print) -> NDArray[np.float64]:
    """Return the three bands of a print, long to short wave.

    Parameters
    ----------
    made : Print
        The print.

    Returns
    -------
    ndarray of float64, shape (3, 61)
        Shares of the paper's reflectance on the wavelength grid, 0 to 1.
    """
    return bands() if made.bands is None else np.array(made.bands)


def paper_spectrum(made: Print) -> Spectrum:
    """Return bare paper's reflectance.

    Parameters
    ----------
    made : Print
        The print.

    Returns
    -------
    ndarray of float64, shape (61,)
        On the wavelength grid, 0 to 1.
    """
    return np.interp(WAVELENGTHS_NM, np.linspace(400.0, 700.0, len(made.paper)), made.paper)


def weights(made: Print, reflectance: tuple[float, float, float]) -> NDArray[np.float64]:
    """Return the band weights with which a print shows a nominal reflectance, shape (3,).

    Parameters
    ----------
    made : Print
        The print.
    reflectance : tuple of float
        Nominal linear sRGB reflectance against bare paper, 0 to 1.
    """
    nominal = np.linalg.solve(linear_srgb(print_bands(made)).T, np.asarray(reflectance))
    nominal = np.clip(nominal, 0.005, 1.0)
    grey = nominal.mean()
    shifted = np.clip(grey + np.array(made.strength) * (nominal - grey), 0.0, 1.0)
    darkest = 0.035
    tone = np.clip((shifted - darkest) / (1.0 - darkest), 0.0, 1.0)
    black = np.array(made.black)
    share: NDArray[np.float64] = black + (1.0 - black) * tone ** np.array(made.dot_gain)
    return share


def _cover(low: float, high: float, count: int) -> tuple[int, int, Image]:
    """Return first and past-last pixel touched by an interval, and the share covered of each."""
    first = max(int(np.floor(low)), 0)
    last = min(int(np.ceil(high)), count)
    edges = np.arange(first, last, dtype=np.float32)
    share = np.minimum(edges + 1.0, high) - np.maximum(edges, low)
    return first, last, np.clip(share, 0.0, 1.0).astype(np.float32)


def _add(sheet: Image, rect: Rect, change: NDArray[np.float64], px_per_mm: float) -> None:
    y0, y1, cy = _cover(rect.y_mm * px_per_mm, rect.bottom_mm * px_per_mm, sheet.shape[0])
    x0, x1, cx = _cover(rect.x_mm * px_per_mm, rect.right_mm * px_per_mm, sheet.shape[1])
    if y1 > y0 and x1 > x0:
        share = cy[:, None] * cx[None, :]
        sheet[y0:y1, x0:x1] += share[..., None] * change.astype(np.float32)


def _marker_rects(layout: CardLayout) -> tuple[list[Rect], list[Rect]]:
    """Return the markers' black squares and the white modules inside them."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    modules = dictionary.markerSize + 2
    blacks, whites = [], []
    for marker in layout.markers:
        blacks.append(marker.rect)
        bits = cv2.aruco.generateImageMarker(dictionary, marker.id, modules)
        step = marker.rect.width_mm / modules
        for row, column in zip(*np.nonzero(bits > 127), strict=True):
            x = marker.rect.x_mm + step * float(column)
            whites.append(Rect(x, marker.rect.y_mm + step * float(row), step, step))
    return blacks, whites


def _line_rects(layout: CardLayout) -> list[Rect]:
    """Return the thin printed lines: base line, standing place, ruler."""
    thin = 0.4
    stand, ruler = layout.stand, layout.ruler
    lines = [
        Rect(0.0, layout.base_line_y_mm - thin / 2, layout.width_mm, thin),
        Rect(stand.x_mm, stand.y_mm, stand.width_mm, 2 * thin),
        Rect(stand.x_mm, stand.y_mm + 2 * thin, thin, stand.height_mm - 2 * thin),
        Rect(stand.right_mm - thin, stand.y_mm + 2 * thin, thin, stand.height_mm - 2 * thin),
    ]
    for mm in range(101):
        height = 5.0 if mm % 10 == 0 else 3.0 if mm % 5 == 0 else 1.8
        lines.append(Rect(ruler.x_mm + mm - 0.1, ruler.y_mm, 0.2, height))
    return lines


@lru_cache(maxsize=6)
def sheet_weights(paper: str, made: str | Print, px_per_mm: float) -> Image:
    """Return the unfolded sheet as band weights.

    Parameters
    ----------
    paper : {"a4", "letter"}
        Sheet format.
    made : str or Print
        A print, or a key of `PRINTS`.
    px_per_mm : float
        Scale [px/mm].

    Returns
    -------
    ndarray of float32, shape (H, W, 3)
        0 to 1, long wave first.

    Raises
    ------
    KeyError
        For a print's name that is none.
    ValueError
        For another sheet format.

    Notes
    -----
    Every area is rasterised by the exact share of each pixel it covers, so edges lie where the
    layout says to a small part of a pixel. The array is cached and must not be written to.
    """
    layout = card_layout(paper)
    made = print_of(made)
    shape = (
        round(layout.height_mm * px_per_mm),
        round(layout.width_mm * px_per_mm),
        3,
    )
    sheet = np.ones(shape, dtype=np.float32)
    black = weights(made, (0.035,) * 3) - 1.0
    patches = layout.bars + layout.grey_left + layout.grey_right + layout.colours
    for patch in patches:
        _add(sheet, patch.rect, weights(made, patch.reflectance) - 1.0, px_per_mm)
    blacks, whites = _marker_rects(layout)
    for rect in blacks:
        _add(sheet, rect, black, px_per_mm)
    for rect in whites:
        _add(sheet, rect, -black, px_per_mm)
    for rect in _line_rects(layout):
        _add(sheet, rect, 0.8 * black, px_per_mm)
    np.clip(sheet, 0.0, 1.0, out=sheet)
    sheet.setflags(write=False)
    return sheet
