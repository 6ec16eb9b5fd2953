"""What to feed, in words: millilitres a day, how to begin, how long the harvest lasts."""

from __future__ import annotations

import math

from densitycam.culture.feeding import FeedPlan
from densitycam.report.numbers import format_cells, format_days, format_ml, significant
from densitycam.wording import bullet, entry

__all__ = ["feed_text"]


def feed_text(plan: FeedPlan, *, source: str, tank_l: float, target_cells_per_ml: float) -> str:
    """Return a feed plan in words.

    Parameters
    ----------
    plan : FeedPlan
        The plan.
    source : str
        What is fed from, with its density.
    tank_l, target_cells_per_ml : float
        As asked [L, cells/mL].

    Returns
    -------
    str
        At most 80 columns wide.
    """
    goal = f"{significant(tank_l, 3)} L at {format_cells(target_cells_per_ml)}"
    lines = [entry("From", source), entry("Tank", goal)]
    if plan.volume_ml == 0:
        return "\n".join([*lines, entry("Feed", "nothing today: the tank holds that much already")])
    low, high = plan.volume_low_ml, plan.volume_high_ml
    interval = ""
    if math.isfinite(low):
        upper = format_ml(high) if math.isfinite(high) else "any amount: it may be too thin"
        interval = f" (95 %: {format_ml(low)} to {upper})"
    lines += [
        entry("Feed", f"{format_ml(plan.volume_ml)} a day{interval}, about {_cells(plan.cells)}"),
        entry("Start with", f"{format_ml(plan.start_ml)} a day in the first days"),
    ]
    if math.isfinite(plan.feeds):
        lines.append(
            entry(
                "Lasts",
                f"{significant(plan.feeds)} feeds, {format_days(plan.days)} at one a day"
                if plan.feeds >= 1
                else "less than one such feed",
            )
        )
    return "\n".join([*lines, "With care", *(bullet(caution) for caution in plan.cautions)])


def _cells(cells: float) -> str:
    return format_cells(cells).removesuffix("/mL")
