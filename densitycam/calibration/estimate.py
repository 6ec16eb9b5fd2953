"""The answer: cells per millilitre of the undiluted culture, with its interval and its origin."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Estimate:
    """Cells/mL from one reading and one calibration.

    Parameters
    ----------
    status : {"measured", "less-than", "more-than"}
        Whether `cells_per_ml` is the answer, or only `high` ("less-than") or `low`
        ("more-than") is known.
    cells_per_ml : float
        Best value [cells/mL]; nan unless status is "measured".
    low, high : float
        95 % interval [cells/mL]; 0 or inf where unbounded.
    relative_sd : float
        Standard deviation of ln(cells/mL), dimensionless.
    calibration_id : str
        Which calibration gave it.
    checked_by_counts : int
        Slides behind the calibration; 0 means the starting calibration, not yet checked.
    inside_range : bool
        Whether the density lies inside the calibration's validity range.
    notes : tuple of str
        Plain sentences: fallback to mean brightness, other light path, outside range.
    """

    status: str
    cells_per_ml: float
    low: float
    high: float
    relative_sd: float
    calibration_id: str
    checked_by_counts: int
    inside_range: bool
    notes: tuple[str, ...] = ()


def signs_with(estimate: Estimate | None, flags: Iterable[str]) -> tuple[str, ...]:
    """Return a photo's signs with what its answer adds to them.

    Parameters
    ----------
    estimate : Estimate or None
        The photo's answer, where it has one.
    flags : iterable of str
        Signs of its reading, ids in `densitycam.flags.FLAGS`.

    Returns
    -------
    tuple of str
        With "too-dense" where only a lower bound is known; "bars-lost", which says that
        brightness still tells the density, is then left out.
    """
    seen = tuple(flags)
    if estimate is None or estimate.status != "more-than":
        return seen
    return ("too-dense", *(f for f in seen if f not in ("bars-lost", "too-dense")))
