"""A harvest bottle in the cold as the journal keeps it, with what was taken from it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from densitycam.culture.bottles import Bottle

#: Why culture left a bottle.
USES = ("used", "discarded")

#: What is left below this counts as nothing: rounding of volumes given in tenths [mL].
_EMPTY_ML = 1e-6


@dataclass(frozen=True)
class BottleUse:
    """Culture that left a bottle: fed, or thrown away.

    Parameters
    ----------
    done_at : datetime
        Local, naive, to the second.
    ml : float
        > 0 [mL].
    kind : {"used", "discarded"}
        Fed or otherwise used; thrown away.
    """

    done_at: datetime
    ml: float
    kind: str


@dataclass(frozen=True)
class BottleRecord:
    """One bottle of a harvest.

    Parameters
    ----------
    species : str
        Species id.
    filled_at : datetime
        Local, naive, to the second.
    volume_ml : float
        When it was filled, > 0 [mL].
    cells_per_ml, low, high : float or None
        When it was filled, with its 95 % interval [cells/mL]; None where not known.
    vessel : str or None
        The vessel it was harvested from; None for one from elsewhere.
    suspect : bool
        True where its culture was milky, bleached or falling, or where it was frozen.
    uses : tuple of BottleUse
        In order of time.
    number : int
        In the journal, also written on its label; 0 before it is kept.
    """

    species: str
    filled_at: datetime
    volume_ml: float
    cells_per_ml: float | None = None
    low: float | None = None
    high: float | None = None
    vessel: str | None = None
    suspect: bool = False
    uses: tuple[BottleUse, ...] = ()
    number: int = 0

    @property
    def left_ml(self) -> float:
        """What is still in it [mL]."""
        left = self.volume_ml - sum(use.ml for use in self.uses)
        return left if left > _EMPTY_ML else 0.0

    @property
    def label(self) -> str:
        """What is written on it: its number, and where it came from."""
        return f"{self.number} {self.vessel or self.species}, {self.filled_at:%Y-%m-%d}"

    def as_bottle(self) -> Bottle:
        """Return it as the culture floor takes it; nan where the density is not known."""
        return Bottle(
            label=self.label,
            species=self.species,
            filled=self.filled_at,
            volume_ml=self.left_ml,
            cells_per_ml=float("nan") if self.cells_per_ml is None else self.cells_per_ml,
            suspect=self.suspect,
        )
