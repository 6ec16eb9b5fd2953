"""The morning's text: one line a vessel by urgency, what to do and why, bottles in the cold."""

from __future__ import annotations

import math
from collections.abc import Sequence

from densitycam.culture.advice import SplitPlan
from densitycam.culture.bottles import BottleState
from densitycam.flags import FLAGS
from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.history import Today
from densitycam.journal.morning import VesselLine
from densitycam.report.daily_work import bottle_line
from densitycam.report.numbers import (
    format_density,
    format_grams,
    format_ml,
)
from densitycam.report.text import decision_words, table_line
from densitycam.wording import bullet, entry, paragraph, shorten

__all__ = ["bottles_text", "do_words", "headline", "today_text"]

#: Densities of all vessels in one unit, so that they can be held against each other.
_MILLION = (1e6, "million")
_NAME, _AGE, _DENSITY, _TREND = 14, 5, 20, 13
_PHASES = {
    "exponential": "growing",
    "slowing": "slowing",
    "stationary": "level",
    "decline": "falling",
    "lag": "lag",
}
_CAUTION = (
    "Plugs out before you pour salt water. Never feed from a suspect culture, keep no starter from "
    "it; nothing here is for people to eat. The whole list of cautions comes with each split plan."
)


def do_words(line: VesselLine) -> str:
    """Return what to do with a vessel in two or three words.

    Parameters
    ----------
    line : VesselLine
        The vessel as of today.
    """
    today, advice = line.today, line.today.advice
    if today.ended is not None:
        return "ended"
    if line.turn is not None:
        if not line.turn.today:
            return "split tomorrow"
        return "split today, overdue" if advice.action == "overdue" else "split today"
    if advice.action == "cannot-tell" and (today.reading is None or today.age_days >= 1):
        return "take a photo"
    if advice.action == "hold" and "settled" in today.flags:
        return "swirl, photo again"
    return decision_words(advice)


def headline(line: VesselLine) -> str:
    """Return the sentence that says what to do, a split put off until tomorrow said as such.

    Parameters
    ----------
    line : VesselLine
        The vessel as of today.
    """
    if line.turn is not None and not line.turn.today:
        return "Ripe: split it tomorrow."
    return line.today.advice.headline


def _trend(today: Today) -> str:
    rate, phase = today.growth.divisions_per_day, _PHASES.get(today.growth.phase, "")
    number = f"{rate:.2f}" if math.isfinite(rate) else ""
    return " ".join(p for p in (number, phase) if p) or "not known"


def _age(today: Today) -> str:
    if today.reading is None:
        return "none"
    days = (today.now.date() - today.reading.when.date()).days
    return "today" if days <= 0 else f"{days} d"


def _signs(line: VesselLine) -> str:
    shown = [FLAGS[n].title for n in FLAGS if n in line.today.flags]
    if line.today.advice.warnings:
        shown.append("early warning")
    if line.refused is not None:
        shown.append("last photo not measured")
    return ", ".join(shown)


def _heading() -> str:
    return (
        f"{'vessel':<{_NAME}} {'photo':<{_AGE}} {'million/mL (95 %)':<{_DENSITY}} "
        f"{'doublings/day':<{_TREND}} do"
    )


def _row(line: VesselLine) -> str:
    today = line.today
    density = "" if today.estimate is None else format_density(today.estimate, unit=_MILLION)
    trend = "" if today.reading is None else _trend(today)
    start = (
        f"{shorten(today.history.vessel.name, _NAME):<{_NAME}} {_age(today):<{_AGE}} "
        f"{density:<{_DENSITY}} {trend:<{_TREND}} "
    )
    words = "; ".join(p for p in (do_words(line), _signs(line)) if p)
    return table_line(start, words)


def _amounts(plan: SplitPlan) -> str:
    dose = (
        f"nutrient {format_ml(plan.nutrient_ml_each)} of each part"
        if math.isfinite(plan.nutrient_ml_each)
        else "nutrient by its label"
    )
    return (
        f"Keep {format_ml(plan.keep_ml)}, harvest {format_ml(plan.harvest_ml)}; {_water(plan)}; "
        + (f"{dose}, for the new water only.")
    )


def _water(plan: SplitPlan) -> str:
    return (
        f"{format_ml(plan.top_up_ml)} of salt water with {format_grams(plan.salt_g)} of sea salt "
        f"(specific gravity {plan.specific_gravity:.4f} at {plan.temperature_c:g} C)"
    )


def _said(line: VesselLine) -> list[str]:
    """Say what to do, why, and with which amounts; nothing for a vessel that just grows on."""
    today, advice = line.today, line.today.advice
    if today.ended is not None:
        return []
    parts = []
    if advice.action != "wait":
        parts += [headline(line), *advice.reasons[:1]]
    parts += [w for w in advice.warnings if w not in parts]
    if line.turn is not None:
        parts.append(line.turn.why)
    if advice.plan is not None:
        parts.append(
            _amounts(advice.plan)
            if line.turn is None or line.turn.today
            else f"Mix its water today: {_water(advice.plan)}."
        )
    if line.refused is not None:
        taken = line.refused.taken_at
        at = "" if taken is None else f" of {taken:%Y-%m-%d %H:%M}"
        parts.append(f"The photo{at} was not measured: {line.refused.message}")
    settle = advice.would_settle
    urgent = advice.action != "wait" or advice.warnings
    if urgent and settle and settle.rstrip(".") not in parts[0]:
        parts.append(f"To be surer: {settle}")
    return [p for p in parts if p]


def today_text(lines: Sequence[VesselLine]) -> str:
    """Return the vessels' lines and under them what to do and why.

    Parameters
    ----------
    lines : sequence of VesselLine
        By urgency.

    Returns
    -------
    str
        At most 80 columns wide.
    """
    parts = [_heading(), *(_row(line) for line in lines)]
    for line in lines:
        said = _said(line)
        if not said:
            continue
        name = line.today.history.vessel.name
        parts += [
            "",
            paragraph(f"{name}: {said[0]}", indent=2),
        ]
        parts += [bullet(sentence) for sentence in said[1:]]
    if any(line.today.advice.plan is not None for line in lines):
        parts += ["", paragraph(_CAUTION)]
    return "\n".join(parts)


def bottles_text(bottles: Sequence[tuple[BottleRecord, BottleState]]) -> str:
    """Return which bottle to use first, which to shake, and which are past; "" for none.

    Parameters
    ----------
    bottles : sequence of (BottleRecord, BottleState)
        In the order in which to use them.

    Returns
    -------
    str
        At most 80 columns wide.

    Raises
    ------
    DensitycamError
        For a bottle of an unknown species.
    """
    if not bottles:
        return ""

    def numbers(states: Sequence[str]) -> str:
        return ", ".join(str(b.number) for b, s in bottles if s.state in states)

    fit = [pair for pair in bottles if pair[1].state in ("use today", "keeps")]
    parts = ["In the cold"]
    entries = []
    if fit:
        entries.append(("Use first", bottle_line(*fit[0])))
    if len(fit) > 1:
        entries.append(("Then", f"bottle {', '.join(str(b.number) for b, _ in fit[1:])}"))
    if fit:
        entries.append(("Shake", f"bottle {numbers(('use today', 'keeps'))}, gently"))
    for bottle, state in bottles:
        if state.state == "past its time":
            entries.append(("Past", bottle_line(bottle, state)))
        elif state.state == "do not use":
            entries.append(("Do not use", bottle_line(bottle, state)))
    parts += [entry(f"  {label}", text) for label, text in entries]
    return "\n".join(parts)
