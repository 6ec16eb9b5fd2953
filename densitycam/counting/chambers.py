"""Counting chambers as plain data: depth, counted squares and their volumes, lines of the net."""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass

from densitycam.errors import DensitycamError

__all__ = [
    "CHAMBERS",
    "Chamber",
    "CountingUnit",
    "Ruling",
    "chamber_by_name",
    "own_chamber",
    "unit_by_name",
]


@dataclass(frozen=True)
class CountingUnit:
    """One kind of ruled field of a chamber.

    Parameters
    ----------
    id : str
        Word used on the command line, such as "large".
    area_mm2 : float
        Area of one such field [mm2].
    per_chamber : float
        How many one ruling holds; inf where nobody has said.
    """

    id: str
    area_mm2: float
    per_chamber: float


@dataclass(frozen=True)
class Ruling:
    """One part of a chamber's net that is ruled alike, as seen in the microscope.

    Parameters
    ----------
    place : str
        Which part, such as "corner squares".
    width_mm, height_mm : float
        Size of one such part [mm].
    pitch_x_mm, pitch_y_mm : float
        Distance of its lines across and upward [mm].
    lines : {"single", "double", "triple"}
        How the lines are drawn that bound a counted field; where they are double or triple, the
        lines inside a field are single.
    bold_every : int
        Every how many pitches such a bounding line stands, counted from the part's edge.
    """

    place: str
    width_mm: float
    height_mm: float
    pitch_x_mm: float
    pitch_y_mm: float
    lines: str = "single"
    bold_every: int = 1


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
    rulings : tuple of Ruling
        The net's parts; empty where there is none.
    """

    id: str
    title: str
    depth_mm: float
    units: tuple[CountingUnit, ...]
    source: str
    rulings: tuple[Ruling, ...] = ()

    def volume_ml(self, unit: str) -> float:
        """Return the volume over one field of the kind `unit`; 1 mm3 is 1e-3 mL.

        Parameters
        ----------
        unit : str
            Id of the kind of field, as in `unit_by_name`.

        Returns
        -------
        float
            Area times depth [mL].

        Raises
        ------
        DensitycamError
            For a field this chamber does not have.
        """
        return unit_by_name(self, unit).area_mm2 * self.depth_mm * 1e-3


_SHEET = "a chamber maker's instruction page, read; the same with all makers"
_MEMORY = "from memory: check it against what is engraved on the chamber or its sheet"

_QUARTERED = Ruling("corner squares", 1.0, 1.0, 0.25, 0.25)
#: Thoma's square is also the middle of the original Neubauer: 4 x 4 groups of 0.2 mm, with a strip
#: of 0.05 mm between groups that is halved by a line of its own.
_THOMA = Ruling("middle square", 1.0, 1.0, 0.05, 0.05, "triple", 5)

_ALL = (
    Chamber(
        "improved-neubauer",
        "improved Neubauer",
        0.1,
        (
            CountingUnit("large", 1.0, 9),
            CountingUnit("sixteenth", 0.0625, 64),
            CountingUnit("group", 0.04, 25),
            CountingUnit("small", 0.0025, 400),
        ),
        _SHEET,
        (
            _QUARTERED,
            Ruling("side squares", 1.0, 1.0, 0.25, 0.20),
            Ruling("middle square", 1.0, 1.0, 0.05, 0.05, "triple", 4),
        ),
    ),
    Chamber(
        "neubauer",
        "Neubauer (original)",
        0.1,
        (
            CountingUnit("large", 1.0, 9),
            CountingUnit("group", 0.04, 16),
            CountingUnit("small", 0.0025, 256),
        ),
        _SHEET,
        (_QUARTERED, _THOMA),
    ),
    # Older descriptions give 25 groups of the same area, so 25 and 400 are not refused.
    Chamber(
        "thoma",
        "Thoma",
        0.1,
        (CountingUnit("group", 0.04, 25), CountingUnit("small", 0.0025, 400)),
        "areas published with the chamber; the strips between groups from memory",
        (_THOMA,),
    ),
    Chamber(
        "buerker",
        "Buerker",
        0.1,
        (CountingUnit("large", 1.0, 9), CountingUnit("group", 0.04, 144)),
        "areas published with the chamber; double lines 0.05 mm apart from memory",
        (Ruling("large squares", 1.0, 1.0, 0.25, 0.25, "double"),),
    ),
    Chamber(
        "fuchs-rosenthal",
        "Fuchs-Rosenthal",
        0.2,
        (CountingUnit("large", 1.0, 16), CountingUnit("group", 0.0625, 256)),
        _SHEET,
        (Ruling("whole net", 4.0, 4.0, 0.25, 0.25, "triple", 4),),
    ),
    Chamber(
        "malassez",
        "Malassez",
        0.2,
        (CountingUnit("rectangle", 0.25 * 0.20, 100),),
        "100 rectangles of 0.01 uL with 20 small squares each, read in an encyclopaedia",
        (Ruling("whole net", 2.5, 2.0, 0.25, 0.20),),
    ),
    Chamber(
        "nageotte",
        "Nageotte",
        0.5,
        (CountingUnit("band", 0.25 * 10.0, 40),),
        "40 bands of 0.25 x 10 mm, published with the chamber",
        (Ruling("bands", 10.0, 10.0, 0.25, 10.0),),
    ),
    Chamber(
        "sedgewick-rafter",
        "Sedgewick-Rafter",
        1.0,
        (CountingUnit("square", 1.0, 1000),),
        "50 x 20 x 1 mm; Barsanti & Gualtieri, Algae, p. 246, eq. 6.3",
        (Ruling("whole net", 50.0, 20.0, 1.0, 1.0),),
    ),
    # 17.9 mm across gives 251.6 mm2; the volume of 0.1 mL that it is sold by gives 250 mm2.
    Chamber(
        "palmer-maloney",
        "Palmer-Maloney",
        0.4,
        (CountingUnit("whole", 250.0, 1),),
        _MEMORY,
    ),
)

#: All chambers by id.
CHAMBERS: dict[str, Chamber] = {c.id: c for c in _ALL}

#: No chamber is as flat as this, no field as small [mm, mm2].
_LEAST_SIZE = 1e-6

_OWN = re.compile(r"own:([0-9.eE+-]+)x([0-9.eE+-]+)")


def own_chamber(*, depth_mm: float, area_mm2: float) -> Chamber:
    """Return a chamber that is not in the table, or one microscope field of a chamber that is.

    Parameters
    ----------
    depth_mm : float
        Depth of fluid [mm], 1e-6 to 20.
    area_mm2 : float
        Area of one counted field [mm2], 1e-6 to 1e4.

    Returns
    -------
    Chamber
        With one kind of field, called "field". Its id, such as "own:0.2x0.0625", says depth and
        area, so that `chamber_by_name` can build it again.

    Raises
    ------
    DensitycamError
        For a size that no chamber has.
    """
    for value, top, what in ((depth_mm, 20.0, "depth in mm"), (area_mm2, 1e4, "area in mm2")):
        if not _LEAST_SIZE <= value <= top:
            raise DensitycamError(
                f"A counting chamber cannot have a {what} of {value:g}.",
                "Give the depth under the cover glass in mm and the area of one counted field in "
                f"mm2 (1 mm2 is 1e6 square micrometres), each at least {_LEAST_SIZE:g}; the {what} "
                f"at most {top:g}.",
            )
    return Chamber(
        f"own:{float(depth_mm)!r}x{float(area_mm2)!r}",
        f"own chamber, {depth_mm:g} mm deep, fields of {area_mm2:g} mm2",
        float(depth_mm),
        (CountingUnit("field", float(area_mm2), math.inf),),
        "given by the user",
    )


def _near(wrong: str, known: list[str]) -> str:
    close = difflib.get_close_matches(wrong.strip().lower(), known, n=2, cutoff=0.5)
    listed = f"Known are {', '.join(known)}."
    return f"Did you mean {' or '.join(close)}? {listed}" if close else listed


def chamber_by_name(name: str) -> Chamber:
    """Return a chamber by its id; case, blanks and underscores do not matter.

    Parameters
    ----------
    name : str
        An id in `CHAMBERS`, or of an `own_chamber`.

    Returns
    -------
    Chamber
        Its geometry.

    Raises
    ------
    DensitycamError
        For an unknown name, with near matches named.
    """
    key = "-".join(name.strip().lower().replace("_", " ").split())
    own = _OWN.fullmatch(key)
    if own:
        try:
            depth_mm, area_mm2 = float(own[1]), float(own[2])
        except ValueError:
            raise DensitycamError(
                f"{name!r} does not describe a chamber of your own.",
                "Write depth in mm and area of one field in mm2, such as own:0.2x0.0625.",
            ) from None
        return own_chamber(depth_mm=depth_mm, area_mm2=area_mm2)
    if key not in CHAMBERS:
        raise DensitycamError(
            f"There is no counting chamber called {name!r}.",
            f"{_near(key, list(CHAMBERS))} Any other is written own:DEPTHxAREA, in mm and mm2 of "
            "one field.",
        )
    return CHAMBERS[key]


def unit_by_name(chamber: Chamber, unit: str) -> CountingUnit:
    """Return one kind of field of a chamber.

    Parameters
    ----------
    chamber : Chamber
        The chamber that was counted in.
    unit : str
        The id of one of its kinds of field; capitals and spaces around it do not matter.

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
