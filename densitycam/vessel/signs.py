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


def is_settled(*, heights_mm: np.ndarray, row_contrast: np.ndarray, row_mean: np.ndarray) -> bool:
    """Return whether the culture has settled: it is denser to look through further down.

    Parameters
    ----------
    heights_mm : ndarray, shape (R,)
        Rows' heights above the base line [mm].
    row_contrast, row_mean : ndarray, shape (R,)
        Contrast and mean transmittance of each row, red and green together.
    """
    import numpy as np

    if len(heights_mm) < 4:
        return False
    # Contrast tells depth best while it lasts; near its end only brightness still does.
    level = row_contrast if np.median(row_contrast) > ROW_CONTRAST_LEFT else row_mean
    depth = -np.log(np.clip(level, 1e-3, None))
    third = max(len(heights_mm) // 3, 1)
    low, high = float(np.median(depth[:third])), float(np.median(depth[-third:]))
    order = -_rank_correlation(heights_mm, depth)
    return low - high > SETTLED_SHARE * (low + high) / 2 and order > SETTLED_ORDER


def _rank_correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Spearman's rank correlation, no ties expected (Spearman 1904)."""
    import numpy as np

    ranks = [np.argsort(np.argsort(v)).astype(float) for v in (a, b)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])
