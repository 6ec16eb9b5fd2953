"""Signs of the culture's state that one photo shows without a calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

#: Settled: the lowest third of the fluid is this much denser to look through than the highest
#: third, as a share of their mean, and the rows rise steadily (rank correlation with depth).
#: Even cultures kept under 0.05 in simulated photos.
SETTLED_SHARE, SETTLED_ORDER = 0.14, 0.8

#: Contrast transmittance above which a single row's contrast is told well.
ROW_CONTRAST_LEFT = 0.03

#: Too thin: no channel's attenuation is this many standard errors above a clean vessel.
THIN_SIGMAS = 3.0


def optical_signs(
    *,
    heights_mm: np.ndarray,
    row_contrast: np.ndarray,
    row_mean: np.ndarray,
    attenuation: np.ndarray,
    attenuation_se: np.ndarray,
    seen: np.ndarray,
) -> tuple[str, ...]:
    """Return the ids of signs seen.

    Parameters
    ----------
    heights_mm : ndarray, shape (R,)
        Rows' heights above the base line [mm].
    row_contrast, row_mean : ndarray, shape (R,)
        Contrast and mean transmittance of each row, red and green together.
    attenuation, attenuation_se : ndarray, shape (3,)
        The reading's attenuation less the blank's, and its standard error; nan where not seen.
    seen : ndarray of bool, shape (3,)
        Channels with contrast left.

    Returns
    -------
    tuple of str
        Ids in `densitycam.flags.FLAGS`.
    """
    import numpy as np

    signs = []
    if not seen.any():
        signs.append("bars-lost")
    elif not (attenuation[seen] > THIN_SIGMAS * attenuation_se[seen]).any():
        signs.append("too-thin")
    if "too-thin" not in signs and len(heights_mm) >= 4:
        # Contrast tells depth best while it lasts; near its end only brightness still does.
        level = row_contrast if np.median(row_contrast) > ROW_CONTRAST_LEFT else row_mean
        depth = -np.log(np.clip(level, 1e-3, None))
        third = max(len(heights_mm) // 3, 1)
        low, high = float(np.median(depth[:third])), float(np.median(depth[-third:]))
        order = -_rank_correlation(heights_mm, depth)
        if low - high > SETTLED_SHARE * (low + high) / 2 and order > SETTLED_ORDER:
            signs.append("settled")
    return tuple(signs)


def _rank_correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Spearman's rank correlation, no ties expected (Spearman 1904)."""
    import numpy as np

    ranks = [np.argsort(np.argsort(v)).astype(float) for v in (a, b)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])
