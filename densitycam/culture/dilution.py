"""Top-ups and evaporation: densities before one are told as if it had already been done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from densitycam.culture.series import DensityPoint

__all__ = ["Dilution", "as_diluted"]


@dataclass(frozen=True)
class Dilution:
    """A known change of the water that is no harvest.

    Parameters
    ----------
    when : datetime
        Local, naive.
    factor : float
        Density after over density before, > 0: below 1 for a top-up, above for evaporation.
    """

    when: datetime
    factor: float


def as_diluted(
    points: Sequence[DensityPoint], dilutions: Sequence[Dilution], now: datetime
) -> tuple[DensityPoint, ...]:
    """Return densities with every dilution between a point and a moment taken into account.

    Cells neither come nor go by new water, so a point before it stands for the density that the
    same cells have in the present water. What then changes between points is growth alone.

    Parameters
    ----------
    points : sequence of DensityPoint
        Of one batch, any order.
    dilutions : sequence of Dilution
        Any order; those after `now` are left out.
    now : datetime
        The moment asked about, local, naive.

    Returns
    -------
    tuple of DensityPoint
        In the order they came in; those after the last dilution unchanged.
    """
    known = [d for d in dilutions if d.when <= now]
    scaled = []
    for point in points:
        factor = 1.0
        for dilution in known:
            if point.when < dilution.when:
                factor *= dilution.factor
        scaled.append(
            point
            if factor == 1.0
            else replace(
                point,
                cells_per_ml=point.cells_per_ml * factor,
                low=point.low * factor,
                high=point.high * factor,
            )
        )
    return tuple(scaled)
