"""A vessel's history as the decision sees it: dated densities and dated splits."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class DensityPoint:
    """One dated estimate.

    Parameters
    ----------
    when : datetime
        Capture time, local, naive.
    cells_per_ml, low, high : float
        Density and 95 % interval [cells/mL].
    relative_sd : float
        Standard deviation of ln(cells/mL) of this point.
    flags : tuple of str
        State signs seen in the photo.
    pigment : float or None
        Pigment per scatter [ln], as `densitycam.calibration.pigment.Pigment` has it; None where
        the photo does not tell.
    """

    when: datetime
    cells_per_ml: float
    low: float
    high: float
    relative_sd: float
    flags: tuple[str, ...] = ()
    pigment: float | None = None


@dataclass(frozen=True)
class Split:
    """A harvest with top-up.

    Parameters
    ----------
    when : datetime
        When it was done, local, naive.
    kept_share : float
        Share of the culture kept back, 0 < share < 1; fresh water made up the rest.
    inferred : bool
        True when not logged but concluded from the densities.
    """

    when: datetime
    kept_share: float
    inferred: bool = False
