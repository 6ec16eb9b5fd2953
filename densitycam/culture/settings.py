"""A keeper's own thresholds, for all cultures, a species or a vessel, from a small text file.

The file is INI (configparser): it may hold comments, so that each number can stand beside its
meaning and source, which JSON cannot; TOML can, but Python reads it only from 3.11 on, and 3.10 is
supported without another package.
"""

from __future__ import annotations

import configparser
import difflib
import math
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType

from densitycam.calibration.species import IN_ORDER, LARGEST, SpeciesFacts
from densitycam.culture.readiness import RULE, Rule
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

__all__ = ["FACTS_NUMBERS", "Settings", "read_settings", "settings_text", "thresholds_of"]

#: Facts of a species that decide, settable as the rule's numbers are: unit, meaning. What is
#: believed of them is what is believed of the species' own file.
FACTS_NUMBERS = MappingProxyType(
    {
        "harvest_low": ("cells/mL", "From here on it is harvested."),
        "harvest_high": ("cells/mL", "Above this it is past its best."),
        "max_days_without_split": ("day", "After this it is overdue."),
        "rate_low_per_day": ("1/day", "Usual growth, the slowest, where its own is unknown."),
        "rate_high_per_day": ("1/day", "Usual growth, the fastest."),
        "keep_cold_days": ("day", "How long a harvest keeps cold."),
        "salinity_g_per_kg": ("g/kg", "Of its water."),
    }
)
_RULE_FIELDS = {f.name: f for f in fields(Rule)}


@dataclass(frozen=True)
class Settings:
    """Numbers by section of the file.

    Parameters
    ----------
    sections : mapping of str to mapping of str to float
        "all", "species <id>" or "vessel <name>", in lower case, to name and number.
    source : str
        File they came from, for messages.
    """

    sections: Mapping[str, Mapping[str, float]]
    source: str = "the settings"


def read_settings(text: str, source: str = "the settings") -> Settings:
    """Read and check a settings file.

    Parameters
    ----------
    text : str
        Its content: sections [all], [species isochrysis], [vessel left jar]; lines such as
        `harvest_low = 6e6`; "#" begins a comment.
    source : str
        Name of the file, for messages.

    Returns
    -------
    Settings
        Empty where the text sets nothing.

    Raises
    ------
    DensitycamError
        For a section, name or number that cannot be used, with the file and the place.
    """
    parser = configparser.ConfigParser(
        interpolation=None, inline_comment_prefixes=("#",), default_section="\0"
    )
    try:
        parser.read_string(text, source)
    except configparser.Error as error:
        first = str(error).splitlines()[0]
        raise DensitycamError(
            f"{source} cannot be read: {first}",
            "Write sections such as [all] with lines such as: harvest_low = 6e6",
        ) from error
    sections: dict[str, Mapping[str, float]] = {}
    for title in parser.sections():
        kind, _, name = title.strip().lower().partition(" ")
        key = f"{kind} {name.strip()}".strip()
        if not (key == "all" or (kind in ("species", "vessel") and name.strip())):
            raise DensitycamError(
                f"{source} has a section [{title}].",
                "Sections are [all], [species NAME] and [vessel NAME].",
            )
        if key in sections:
            raise DensitycamError(f"{source} has [{title}] twice.", "Join the two.")
        sections[key] = MappingProxyType(
            {n: _number(n, v, f"{source}, [{title}]") for n, v in parser.items(title)}
        )
    return Settings(MappingProxyType(sections), source)


def _number(name: str, text: str, place: str) -> float:
    """Check one line."""
    if name in _RULE_FIELDS:
        about = _RULE_FIELDS[name].metadata
        least, most, unit = about["least"], about["most"], about["unit"]
    elif name in FACTS_NUMBERS:
        least, most, unit = 0.0, LARGEST[name], FACTS_NUMBERS[name][0]
    else:
        known = (*_RULE_FIELDS, *FACTS_NUMBERS)
        close = difflib.get_close_matches(name, known, n=1)
        raise DensitycamError(
            f"{place} sets {name!r}, which is not known.",
            f"Did you mean {close[0]!r}?" if close else f"Known are {', '.join(known)}.",
        )
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (least <= value <= most and (value > 0 or name in _RULE_FIELDS)):
        raise DensitycamError(
            f"{place} sets {name} to {text!r}.",
            f"Give a number from {least:g} to {most:g} ({unit}), without the unit.",
        )
    return value


def thresholds_of(
    settings: Settings, facts: SpeciesFacts, vessel: VesselRecord | None = None
) -> tuple[Rule, SpeciesFacts]:
    """Return the rule and the facts that hold for a vessel.

    Parameters
    ----------
    settings : Settings
        From `read_settings`.
    facts : SpeciesFacts
        The species' own.
    vessel : VesselRecord or None
        The vessel; None leaves vessel sections aside.

    Returns
    -------
    rule : Rule
        As it ships, then [all], then the species' section, then the vessel's.
    facts : SpeciesFacts
        Likewise, each number that was set with the section as its source.

    Raises
    ------
    DensitycamError
        Where a band's lower edge does not lie below its upper one.
    """
    places = ["all", f"species {facts.id}".lower()]
    if vessel is not None:
        places.append(f"vessel {vessel.name.strip()}".lower())
    values: dict[str, float] = {}
    sources: dict[str, str] = {}
    for place in places:
        for name, value in settings.sections.get(place, {}).items():
            values[name] = value
            sources[name] = f"{settings.source}, [{place}]"
    rule = replace(RULE, **{n: v for n, v in values.items() if n in _RULE_FIELDS})
    mine = {n: v for n, v in values.items() if n in FACTS_NUMBERS}
    told = {**facts.sources, **{n: sources[n] for n in mine}}
    changed = replace(facts, sources=MappingProxyType(told), **mine)  # type: ignore[arg-type]
    for low, high in IN_ORDER:
        if not getattr(changed, low) < getattr(changed, high):
            raise DensitycamError(
                f"For {vessel.name if vessel else facts.title}, {low} is "
                f"{getattr(changed, low):g} and {high} {getattr(changed, high):g}.",
                f"In {settings.source}, set {low} below {high}.",
            )
    return rule, changed


def settings_text(facts: SpeciesFacts | None = None) -> str:
    """Return a settings file that sets nothing: every threshold with its meaning and source.

    Parameters
    ----------
    facts : SpeciesFacts or None
        Adds a section for this species.

    Returns
    -------
    str
        To be kept, and edited by taking the "#" away from a line.
    """
    lines = [
        "# Thresholds of the decision. Take the # away from a line to set its number.",
        "# What [all] sets holds everywhere; [species NAME] and [vessel NAME] go before it.",
        "",
        "[all]",
    ]
    for f in fields(Rule):
        about = f.metadata
        lines += _entry(f.name, f.default, about["unit"], about["meaning"], about["source"])
    if facts is not None:
        lines += ["", f"[species {facts.id}]"]
        for name, (unit, meaning) in FACTS_NUMBERS.items():
            lines += _entry(name, getattr(facts, name), unit, meaning, facts.sources[name])
    return "\n".join(lines) + "\n"


def _entry(name: str, value: object, unit: str, meaning: str, source: str) -> list[str]:
    about = textwrap.wrap(f"{meaning} Source: {source}.", 96, break_long_words=False)
    return ["", *(f"# {line}" for line in about), f"# {name} = {value:g}   # {unit}"]
