"""Counting chambers as plain data: depth, counted squares and their volumes."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from densitycam.errors import DensitycamError

__all__ = ["CHAMBERS", "Chamber", "CountingUnit", "chamber_by_name", "unit_by_name"]


@dataclass(frozen=True)
class CountingUnit:
    """One kind of ruled field of a chamber.

    Parameters
    ----------
    id : str
        Word used on the command line, such as "large".
    area_mm2 : float
        Area of one such field [mm2].
    per_chamber : int
        How many one ruling holds.
    """

    id: str
    area_mm2: float
    per_chamber: int


@dataclass(frozen=True)
class Chamber:
    """A counting chamber.

    Parameters
    ----------
    id : str
        Word used on the command line, such as "improved-neubauer".
    title : str
        Name for people.
    depth_mm : float
        Depth of fluid under the cover glass [mm].
    units : tuple of CountingUnit
        Fields that can be counted, largest first.
    source : str
        Where the geometry comes from.
    """

    id: str
    title: str
    depth_mm: float
    units: tuple[CountingUnit, ...]
    source: str

    def volume_ml(self, unit: str) -> float:
        """Volume over one field of the kind `unit` [mL]; 1 mm3 is 1e-3 mL.

        Raises
        ------
        DensitycamError
            For a field this chamber does not have.
        """
        return unit_by_name(self, unit).area_mm2 * self.depth_mm * 1e-3


_COMMON = "geometry as engraved on the chamber, common to all makers"

_ALL = (
    Chamber(
        "improved-neubauer",
        "improved Neubauer",
        0.1,
        (
            CountingUnit("large", 1.0, 9),
            CountingUnit("group", 0.04, 25),
            CountingUnit("small", 0.0025, 400),
        ),
        _COMMON,
    ),
    # The grouping of the original ruling's centre was not confirmed, so only its large squares.
    Chamber("neubauer", "Neubauer (original)", 0.1, (CountingUnit("large", 1.0, 9),), _COMMON),
    # Old rulings hold 25 groups of 0.04 mm2, newer 16 with the same area.
    Chamber(
        "thoma",
        "Thoma",
        0.1,
        (CountingUnit("group", 0.04, 25), CountingUnit("small", 0.0025, 400)),
        _COMMON,
    ),
    Chamber(
        "buerker",
        "Buerker",
        0.1,
        (CountingUnit("large", 1.0, 9), CountingUnit("group", 0.04, 144)),
        _COMMON,
    ),
    Chamber(
        "fuchs-rosenthal",
        "Fuchs-Rosenthal",
        0.2,
        (CountingUnit("large", 1.0, 16), CountingUnit("group", 0.0625, 256)),
        _COMMON,
    ),
    Chamber("malassez", "Malassez", 0.2, (CountingUnit("rectangle", 0.25 * 0.20, 100),), _COMMON),
    Chamber("nageotte", "Nageotte", 0.5, (CountingUnit("band", 0.25 * 10.0, 40),), _COMMON),
    Chamber(
        "sedgewick-rafter",
        "Sedgewick-Rafter",
        1.0,
        (CountingUnit("square", 1.0, 1000),),
        "50 x 20 x 1 mm; Barsanti & Gualtieri, Algae, p. 246, eq. 6.3",
    ),
)

#: All chambers by id.
CHAMBERS: dict[str, Chamber] = {c.id: c for c in _ALL}


def _near(wrong: str, known: list[str]) -> str:
    close = difflib.get_close_matches(wrong.strip().lower(), known, n=2, cutoff=0.5)
    listed = f"Known are {', '.join(known)}."
    return f"Did you mean {' or '.join(close)}? {listed}" if close else listed


def chamber_by_name(name: str) -> Chamber:
    """Return a chamber by its id; case, blanks and underscores do not matter.

    Raises
    ------
    DensitycamError
        For an unknown name, with near matches named.
    """
    key = "-".join(name.strip().lower().replace("_", " ").split())
    if key not in CHAMBERS:
        raise DensitycamError(
            f"There is no counting chamber called {name!r}.", _near(key, list(CHAMBERS))
        )
    return CHAMBERS[key]


def unit_by_name(chamber: Chamber, unit: str) -> CountingUnit:
    """Return one kind of field of a chamber.

    Raises
    ------
    DensitycamError
        For a field this chamber does not have, with near matches named.
    """
    key = unit.strip().lower()
    for u in chamber.units:
        if u.id == key:
            return u
    raise DensitycamError(
        f"The {chamber.title} chamber has no squares called {unit!r}.",
        _near(key, [u.id for u in chamber.units]),
    )
