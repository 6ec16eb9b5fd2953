"""Species facts: what a culture of each species looks like, when it is ripe, how long it keeps."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from types import MappingProxyType
from typing import Any

from densitycam.errors import DensitycamError
from densitycam.json_text import read_json

__all__ = ["IN_ORDER", "LARGEST", "SpeciesFacts", "load_species", "species_folder", "species_ids"]

#: Name of the facts file in each species' folder.
FACTS_FILE = "species.json"

#: Colour groups the optics know: which pigments a healthy culture shows.
GROUPS = ("green", "golden", "red")


@dataclass(frozen=True)
class SpeciesFacts:
    """What is known of a species before any photo; every number is the keeper's to edit.

    Parameters
    ----------
    id : str
        Name of the species' folder.
    title : str
        Name for people.
    group : {"green", "golden", "red"}
        Colour of a healthy culture.
    size_low_um, size_high_um : float
        Cell size [um].
    harvest_low, harvest_high : float
        Harvest band of a home culture [cells/mL].
    harvest_is_weak : bool
        True where the band rests on little.
    settles : bool
        True where healthy cells sink when the air stops (diatoms).
    needs_silicate : bool
        True for diatoms.
    keep_cold_days : float
        How long an unconcentrated harvest keeps in the refrigerator, cautious [day].
    rate_low_per_day, rate_high_per_day : float
        Usual specific growth rate in good light [1/day].
    max_days_without_split : float
        After how many days a culture should be split [day].
    salinity_g_per_kg : float
        Usual salinity of its water [g/kg].
    note : str
        Anything a keeper should know.
    sources : mapping of str to str
        Field name to where its value comes from.
    """

    id: str
    title: str
    group: str
    size_low_um: float
    size_high_um: float
    harvest_low: float
    harvest_high: float
    harvest_is_weak: bool
    settles: bool
    needs_silicate: bool
    keep_cold_days: float
    rate_low_per_day: float
    rate_high_per_day: float
    max_days_without_split: float
    salinity_g_per_kg: float
    note: str
    sources: Mapping[str, str]


#: Fields that must be numbers with their largest believable value; all must be above 0. Our own
#: choice, far beyond any culture; salinity ends where TEOS-10 does.
LARGEST = {
    "size_low_um": 200.0,
    "size_high_um": 200.0,
    "harvest_low": 1e10,
    "harvest_high": 1e10,
    "keep_cold_days": 365.0,
    "rate_low_per_day": 10.0,
    "rate_high_per_day": 10.0,
    "max_days_without_split": 100.0,
    "salinity_g_per_kg": 120.0,
}
_YES_NO = ("harvest_is_weak", "settles", "needs_silicate")
_TEXTS = ("title", "group", "note")
#: Pairs of which the first must lie below the second.
IN_ORDER = (
    ("size_low_um", "size_high_um"),
    ("harvest_low", "harvest_high"),
    ("rate_low_per_day", "rate_high_per_day"),
)


def species_folder() -> Path:
    """Return the folder that holds one folder a species, in an installed wheel or in a checkout.

    Raises
    ------
    DensitycamError
        Where neither exists.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "species_data", package.parent / "calibration"):
        if any(folder.glob(f"*/{FACTS_FILE}")):
            return folder
    raise DensitycamError(
        "The species facts that belong to densitycam are missing.", "Install densitycam again."
    )


def species_ids(folder: Path | None = None) -> tuple[str, ...]:
    """Return the ids of all species that have facts, in alphabetical order.

    Parameters
    ----------
    folder : Path or None
        Where the species' folders lie; None for those that belong to densitycam.

    Raises
    ------
    DensitycamError
        Where None is asked for and they are missing, as `species_folder`.
    """
    root = species_folder() if folder is None else folder
    return tuple(sorted(p.parent.name for p in root.glob(f"*/{FACTS_FILE}")))


def load_species(species: str, folder: Path | None = None) -> SpeciesFacts:
    """Read and check the facts of a species.

    Parameters
    ----------
    species : str
        Id, such as "nannochloropsis"; case does not matter.
    folder : Path, optional
        Another folder of species folders than the one that ships with the package.

    Returns
    -------
    SpeciesFacts
        The facts.

    Raises
    ------
    DensitycamError
        For an unknown species, with near matches named, or a file that cannot be used, with the
        file and the field named.
    """
    root = species_folder() if folder is None else folder
    known = species_ids(root)
    key = species.strip().lower()
    if key not in known:
        close = difflib.get_close_matches(key, known, n=2, cutoff=0.5)
        listed = f"Known are {', '.join(known)}."
        advice = f"Did you mean {' or '.join(close)}? {listed}" if close else listed
        raise DensitycamError(f"There is no species called {species!r}.", advice)
    path = root / key / FACTS_FILE
    try:
        data = read_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise DensitycamError(
            f"The species file {path} cannot be read: {error}.", "Mend it or restore the original."
        ) from error
    return _facts(key, data, path)


def _facts(species: str, data: object, path: Path) -> SpeciesFacts:
    """Check the parsed file: {"field": {"value": ..., "source": ...}, ...}."""

    def bad(field: str, why: str) -> DensitycamError:
        return DensitycamError(
            f"In {path}, field {field!r} {why}.", "Mend that line or restore the original file."
        )

    if not isinstance(data, dict):
        raise bad("(whole file)", "must be a list of fields in braces")
    wanted = [f.name for f in fields(SpeciesFacts) if f.name not in ("id", "sources")]
    for name in data:
        if name not in wanted:
            close = difflib.get_close_matches(name, wanted, n=1)
            raise bad(name, "is not known" + (f"; did you mean {close[0]!r}" if close else ""))
    values: dict[str, Any] = {}
    sources: dict[str, str] = {}
    for name in wanted:
        entry = data.get(name)
        if not isinstance(entry, dict) or "value" not in entry:
            raise bad(name, "is missing or has no value")
        source = entry.get("source", "")
        if not isinstance(source, str) or (name not in _TEXTS and not source.strip()):
            raise bad(name, "has no source")
        values[name], sources[name] = entry["value"], source
    for name in _TEXTS:
        if not isinstance(values[name], str) or (name != "note" and not values[name]):
            raise bad(name, "must be a text")
    if values["group"] not in GROUPS:
        raise bad("group", f"must be one of {', '.join(GROUPS)}, not {values['group']!r}")
    for name in _YES_NO:
        if not isinstance(values[name], bool):
            raise bad(name, f"must be true or false, not {values[name]!r}")
    for name, top in LARGEST.items():
        value = values[name]
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise bad(name, f"must be a number, not {value!r}")
        if not (math.isfinite(value) and 0 < value <= top):
            raise bad(name, f"must be above 0 and at most {top:g}, not {value!r}")
        values[name] = float(value)
    for low, high in IN_ORDER:
        if not values[low] < values[high]:
            raise bad(high, f"must be above {low!r}")
    return SpeciesFacts(id=species, sources=MappingProxyType(sources), **values)
