"""A keeper's own thresholds, for all cultures, a species or a vessel, from a small text file.

The file is written like INI: sections, `name = number`, comments, so that each number can stand
beside its meaning and source, which JSON cannot. It is read here and not with configparser, which
cannot say in which line a number stands and joins an indented line to the one above.
"""

from __future__ import annotations

import difflib
import math
import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Any

from densitycam.calibration.species import IN_ORDER, LARGEST, SpeciesFacts
from densitycam.culture.readiness import RULE, Rule
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

__all__ = [
    "FACTS_NUMBERS",
    "Settings",
    "Threshold",
    "plain_number",
    "read_settings",
    "settings_text",
    "thresholds",
    "thresholds_of",
]

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
        "salinity_g_per_kg": ("g/kg", "Of the salt water it is topped up with."),
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
    lines : mapping of str to int
        Section, and "section/name", to the line of the file where it stands.
    """

    sections: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    source: str = "the settings"
    lines: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Threshold:
    """One number of the decision as it holds for a vessel.

    Parameters
    ----------
    name : str
        What it is set by in the settings file.
    value : float
        In `unit`.
    unit : str
        Of `value`.
    meaning : str
        One sentence.
    source : str
        Where the value comes from.
    """

    name: str
    value: float
    unit: str
    meaning: str
    source: str


def read_settings(
    text: str,
    source: str = "the settings",
    *,
    species: Iterable[str] | None = None,
    vessels: Iterable[str] | None = None,
) -> Settings:
    """Read and check a settings file.

    Parameters
    ----------
    text : str
        Its content: sections [all], [species isochrysis], [vessel left jar]; lines such as
        `harvest_low = 6e6`; "#" begins a comment.
    source : str
        Name of the file, for messages.
    species, vessels : iterable of str, optional
        Names that sections may have; not checked if None.

    Returns
    -------
    Settings
        Empty where the text sets nothing.

    Raises
    ------
    DensitycamError
        For a section, name or number that cannot be used, with the file and the line.
    """
    sections: dict[str, dict[str, float]] = {}
    lines: dict[str, int] = {}
    here = ""
    for number, line in enumerate(text.splitlines(), start=1):
        place = f"{source}, line {number}"
        bare = line.strip()
        if not bare or bare.startswith("#"):
            continue
        if bare.startswith("["):
            # A vessel may be named "jar #2".
            title = re.match(r"\[(.*?)\]\s*(#.*)?$", bare)
            bare = f"[{title[1].strip()}]" if title else bare
            here = _section(bare, place, species=species, vessels=vessels)
            if here in sections:
                raise DensitycamError(
                    f"{place}: the section {bare} was begun in line {lines[here]} already.",
                    "Join the two.",
                )
            sections[here] = {}
            lines[here] = number
            continue
        bare = bare.split("#")[0].strip()
        name, sign, value = (part.strip() for part in bare.partition("="))
        if not sign:
            raise DensitycamError(
                f"{place}: {bare!r} sets nothing.", "Write a line such as: harvest_low = 6e6"
            )
        if not here:
            raise DensitycamError(
                f"{place}: {name} stands before the first section.",
                "Put [all], [species NAME] or [vessel NAME] above it.",
            )
        if name in sections[here]:
            raise DensitycamError(
                f"{place}: {name} was set in line {lines[f'{here}/{name}']} already.",
                "Keep one of the two.",
            )
        sections[here][name] = _number(name, value, place)
        lines[f"{here}/{name}"] = number
    frozen = {key: MappingProxyType(numbers) for key, numbers in sections.items()}
    return Settings(MappingProxyType(frozen), source, MappingProxyType(lines))


def _section(
    bare: str, place: str, *, species: Iterable[str] | None, vessels: Iterable[str] | None
) -> str:
    """Return a section's key, or refuse its name."""
    kind, _, name = bare.removeprefix("[").removesuffix("]").strip().lower().partition(" ")
    name = name.strip()
    known = {"all": None, "species": species, "vessel": vessels}
    if not bare.endswith("]") or kind not in known or (kind == "all") == bool(name):
        raise DensitycamError(
            f"{place}: {bare} is no section.",
            "Sections are [all], [species NAME] and [vessel NAME].",
        )
    names = known[kind]
    if names is not None:
        own = {n.strip().lower(): n for n in names}
        if name not in own:
            close = difflib.get_close_matches(name, own, n=1, cutoff=0.5)
            raise DensitycamError(
                f"{place}: there is no {kind} named {name!r}.",
                f"Did you mean {own[close[0]]!r}?"
                if close
                else f"Known are {', '.join(own.values()) or 'none yet'}.",
            )
    return f"{kind} {name}".strip()


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
            f"{place}: {name!r} is not known.",
            f"Did you mean {close[0]!r}?" if close else f"Known are {', '.join(known)}.",
        )
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (least <= value <= most and (value > 0 or name in _RULE_FIELDS)):
        raise DensitycamError(
            f"{place}: {name} cannot be {text!r}.",
            f"Give a number from {plain_number(least)} to {plain_number(most)} ({unit}), without "
            "the unit.",
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
    values: dict[str, float] = {}
    sources: dict[str, str] = {}
    for place in _places(facts, vessel):
        for name, value in settings.sections.get(place, {}).items():
            values[name] = value
            sources[name] = _set_in(settings, place, name)
    rule = replace(RULE, **{n: v for n, v in values.items() if n in _RULE_FIELDS})
    mine: dict[str, Any] = {n: v for n, v in values.items() if n in FACTS_NUMBERS}
    told = {**facts.sources, **{n: sources[n] for n in mine}}
    changed = replace(facts, sources=MappingProxyType(told), **mine)
    for low, high in IN_ORDER:
        below, above = getattr(changed, low), getattr(changed, high)
        if not below < above:
            raise DensitycamError(
                f"For {vessel.name if vessel else facts.title}, {low} is {plain_number(below)} and "
                f"{high} {plain_number(above)} "
                f"({' and '.join(sources[n] for n in (low, high) if n in sources)}).",
                f"Set {low} below {high}.",
            )
    return rule, changed


def thresholds(
    settings: Settings, facts: SpeciesFacts, vessel: VesselRecord | None = None
) -> tuple[Threshold, ...]:
    """Return every number of the decision as it holds for a vessel, each with its source.

    Parameters
    ----------
    settings, facts, vessel
        As in `thresholds_of`.

    Raises
    ------
    DensitycamError
        As in `thresholds_of`.
    """
    rule, changed = thresholds_of(settings, facts, vessel)
    set_in = {
        name: _set_in(settings, place, name)
        for place in _places(facts, vessel)
        for name in settings.sections.get(place, {})
    }
    return (
        *_of_facts(changed),
        *(
            replace(t, value=getattr(rule, t.name), source=set_in.get(t.name, t.source))
            for t in _of_rule()
        ),
    )


def _of_rule() -> Iterator[Threshold]:
    for f in fields(Rule):
        about = f.metadata
        yield Threshold(
            f.name,
            float(f.default),  # type: ignore[arg-type]  # all are numbers with a default
            about["unit"],
            about["meaning"],
            about["source"],
        )


def _of_facts(facts: SpeciesFacts) -> Iterator[Threshold]:
    for name, (unit, meaning) in FACTS_NUMBERS.items():
        yield Threshold(name, getattr(facts, name), unit, meaning, facts.sources[name])


def settings_text(species: Iterable[SpeciesFacts] = ()) -> str:
    """Return a settings file that sets nothing: every threshold with its meaning and source.

    Parameters
    ----------
    species : iterable of SpeciesFacts
        Adds a section for each.

    Returns
    -------
    str
        To be kept, and edited by taking the "#" away from a line.
    """
    lines = [
        "# Thresholds of the decision. Take the # away from a line to set its number.",
        "# What [all] sets holds everywhere; [species NAME] and [vessel NAME] go before it and may",
        "# set any of these numbers.",
        "",
        "[all]",
        *(line for threshold in _of_rule() for line in _entry(threshold)),
    ]
    for facts in species:
        lines += ["", "", f"[species {facts.id}]"]
        lines += [line for threshold in _of_facts(facts) for line in _entry(threshold)]
    return "\n".join(lines) + "\n"


def _entry(threshold: Threshold) -> list[str]:
    about = f"{threshold.meaning} Source: {threshold.source}."
    said = textwrap.wrap(about, 96, break_long_words=False)
    setting = f"# {threshold.name} = {plain_number(threshold.value)}   # {threshold.unit}"
    return ["", *(f"# {line}" for line in said), setting]


def plain_number(value: float) -> str:
    """Return a number as a keeper would type it: 0.25, 700000, 5e6.

    Parameters
    ----------
    value : float
        Any number.

    Returns
    -------
    str
        Up to six significant figures.
    """
    return f"{value:g}".replace("e+0", "e").replace("e+", "e")


def _places(facts: SpeciesFacts, vessel: VesselRecord | None) -> tuple[str, ...]:
    """Return the sections that hold for a vessel, the nearest last."""
    own = () if vessel is None else (f"vessel {vessel.name.strip()}".lower(),)
    return ("all", f"species {facts.id}".lower(), *own)


def _set_in(settings: Settings, place: str, name: str) -> str:
    line = settings.lines.get(f"{place}/{name}")
    return f"{settings.source}, {f'line {line}, ' if line else ''}[{place}]"
