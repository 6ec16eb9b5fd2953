"""The squared-up sheet, worked out only where it is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from densitycam.card.layout import Rect
from densitycam.photo.quantiles import median

if TYPE_CHECKING:
    import numpy as np

#: Scale of the squared-up sheet [px/mm]: about that of a photo decoded at working size.
SHEET_PX_PER_MM = 5.0

#: Averages take a pixel of the sheet for this share of a pixel of the photo, or more.
_LEAST_PITCH = 0.85

#: The light over the card is worked out at every so many pixels, and between them straight lines
#: serve.
_LIGHT_CELL_PX = 16


@dataclass(frozen=True)
class Sheet:
    """A photo's light over the sheet, at `SHEET_PX_PER_MM`.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        The photo's codes.
    table : ndarray of float32, shape (256,) or (256, 1, 3)
        Light of each code, the same for all channels or not. Pixels are turned into light first
        and averaged later, everywhere.
    to_photo : ndarray of float64, shape (3, 3)
        Homography from the sheet's millimetres to photo pixels.
    size_mm : tuple of float
        Width and height of the sheet [mm].
    px_per_mm : float
        The photo's own scale over the bars: where it is coarser than the sheet's, averages need not
        count every pixel of the sheet.
    terms : ndarray of float64, shape (3, 6), or None
        ln of the light that falls on it, a channel a row, by `surface_terms`; divided out.
    """

    rgb: np.ndarray
    table: np.ndarray
    to_photo: np.ndarray
    size_mm: tuple[float, float]
    px_per_mm: float = SHEET_PX_PER_MM
    terms: np.ndarray | None = None

    @property
    def pitch(self) -> int:
        """Every so many pixels of the sheet lies one of the photo, 1 or more."""
        return max(round(_LEAST_PITCH * SHEET_PX_PER_MM / self.px_per_mm), 1)

    @cached_property
    def terms_by_row_and_column(self) -> np.ndarray:
        """The terms of `surface_terms` by channel, power of v and power of u.

        Returns
        -------
        ndarray of float64, shape (3, 3, 3)
            [natural log]; 0 everywhere without terms.
        """
        import numpy as np

        table = np.zeros((3, 3, 3))
        if self.terms is not None:
            for term, place in enumerate(((0, 0), (0, 1), (1, 0), (0, 2), (1, 1), (2, 0))):
                table[:, place[0], place[1]] = self.terms[:, term]
        return table


def window(
    sheet: Sheet | np.ndarray, rect: Rect, *, inset: float = 0.0, every: tuple[int, int] = (1, 1)
) -> np.ndarray:
    """Return a squared-up picture inside a rectangle of the sheet.

    Parameters
    ----------
    sheet : Sheet or ndarray of float32, shape (H, W, 3)
        An array is a whole sheet at `SHEET_PX_PER_MM`.
    rect : Rect
        Place on the sheet [mm].
    inset : float, default 0
        Share of width and height left out on each side, 0 to 0.5.
    every : tuple of int, default (1, 1)
        Only every so many rows and columns.

    Returns
    -------
    ndarray of float32, shape (h, w, 3)
        At least one pixel; of an array a view, not a copy.
    """
    s = SHEET_PX_PER_MM
    x0, x1 = rect.x_mm + inset * rect.width_mm, rect.right_mm - inset * rect.width_mm
    y0, y1 = rect.y_mm + inset * rect.height_mm, rect.bottom_mm - inset * rect.height_mm
    row, column = round(y0 * s), round(x0 * s)
    rows, columns = max(round(y1 * s) - row, 1), max(round(x1 * s) - column, 1)
    if not isinstance(sheet, Sheet):
        picture = sheet[row : row + rows, column : column + columns]
        return (
            picture[every[0] // 2 :: every[0], every[1] // 2 :: every[1]]
            if picture.size
            else (picture)
        )
    return _part(sheet, row, column, rows, columns, every)


def medians(sheet: Sheet, rects: Sequence[Rect], *, inset: float = 0.0) -> np.ndarray:
    """Return the median light in rectangles that lie near to each other.

    Parameters
    ----------
    sheet, inset
        As in `window`.
    rects : sequence of Rect
        Places on the sheet [mm]; all that lies between them is worked out too.

    Returns
    -------
    ndarray of float64, shape (N, 3)
        Of each rectangle, in the sheet's own scale of light.
    """
    import numpy as np

    every = sheet.pitch
    left, top = min(r.x_mm for r in rects), min(r.y_mm for r in rects)
    right, bottom = max(r.right_mm for r in rects), max(r.bottom_mm for r in rects)
    around = window(sheet, Rect(left, top, right - left, bottom - top), every=(every, every))
    s = SHEET_PX_PER_MM / every
    edges = []
    for r in rects:
        x, y = inset * r.width_mm, inset * r.height_mm
        edges.append(
            (r.x_mm + x - left, r.right_mm - x - left, r.y_mm + y - top, r.bottom_mm - y - top)
        )
    first, stop, upper, lower = np.round(np.array(edges).T * s).astype(int)
    found = np.empty((len(rects), 3))
    sizes = [(lower - upper).clip(1).tolist(), (stop - first).clip(1).tolist()]
    for size in set(zip(*sizes, strict=True)):  # those of one size all at once
        these = [n for n, own in enumerate(zip(*sizes, strict=True)) if own == size]
        rows = upper[these, None, None] + np.arange(size[0])[:, None]
        columns = first[these, None, None] + np.arange(size[1])
        rows = np.minimum(rows, around.shape[0] - 1)
        columns = np.minimum(columns, around.shape[1] - 1)
        found[these] = median(around[rows, columns].reshape(len(these), -1, 3), axis=1)
    return found


def surface_terms(x_mm: np.ndarray, y_mm: np.ndarray, size_mm: tuple[float, float]) -> np.ndarray:
    """Return the terms of a second-order surface over the sheet: 1, u, v, u^2, u v, v^2.

    Parameters
    ----------
    x_mm, y_mm : ndarray of float, both of one shape (...)
        Places on the sheet [mm].
    size_mm : tuple of float
        Its width and height [mm].

    Returns
    -------
    ndarray of float, shape (..., 6)
        With u and v from -1 to 1 over the sheet.
    """
    import numpy as np

    u = 2 * x_mm / size_mm[0] - 1
    v = 2 * y_mm / size_mm[1] - 1
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _part(
    sheet: Sheet, row: int, column: int, rows: int, columns: int, every: tuple[int, int]
) -> np.ndarray:
    """Return part of the sheet: only the photo's pixels under it are touched."""
    import cv2
    import numpy as np

    down, across = every
    height, width = max(rows // down, 1), max(columns // across, 1)
    s = SHEET_PX_PER_MM
    # Pixel centres: sheet pixel i covers millimetres i/s to (i+1)/s.
    x_mm, y_mm = (column + 0.5 * across) / s, (row + 0.5 * down) / s
    homography = sheet.to_photo @ np.array([[across / s, 0, x_mm], [0, down / s, y_mm], [0, 0, 1]])
    (a, b, c), (d, e, f), (g, h, i) = homography.tolist()
    seen = [
        ((a * x + b * y + c) / (g * x + h * y + i), (d * x + e * y + f) / (g * x + h * y + i))
        for x in (0, width - 1)
        for y in (0, height - 1)
    ]
    tall, wide = sheet.rgb.shape[:2]
    left = min(max(int(min(x for x, _ in seen)) - 1, 0), wide - 1)
    top = min(max(int(min(y for _, y in seen)) - 1, 0), tall - 1)
    right = min(max(int(max(x for x, _ in seen)) + 3, left + 1), wide)
    bottom = min(max(int(max(y for _, y in seen)) + 3, top + 1), tall)
    light = cv2.LUT(sheet.rgb[top:bottom, left:right], sheet.table)
    homography[0] -= left * homography[2]
    homography[1] -= top * homography[2]
    found = cv2.warpPerspective(
        light,
        homography,
        (width, height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if sheet.terms is not None:
        cell = _LIGHT_CELL_PX
        # One cell more on every side, so that the straight lines reach all pixels.
        x = x_mm + ((np.arange(width // cell + 3) - 0.5) * cell - 0.5) * across / s
        y = y_mm + ((np.arange(height // cell + 3) - 0.5) * cell - 0.5) * down / s
        u, v = 2 * x / sheet.size_mm[0] - 1, 2 * y / sheet.size_mm[1] - 1
        along, upright = (np.stack([np.ones_like(w), w, w * w]) for w in (u, v))
        logs = upright.T @ sheet.terms_by_row_and_column @ along
        inverse = np.exp(-logs).transpose(1, 2, 0).astype(np.float32, order="C")
        fine = cv2.resize(inverse, None, fx=cell, fy=cell, interpolation=cv2.INTER_LINEAR)
        cv2.multiply(found, fine[cell : cell + height, cell : cell + width], dst=found)
    return found
