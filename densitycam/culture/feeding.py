"""Feeding from a harvest: millilitres a day for a tank, and how many days the harvest lasts."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densitycam.errors import DensitycamError

__all__ = ["FeedPlan", "feed_plan"]


@dataclass(frozen=True)
class FeedPlan:
    """One tank's daily feed.

    Parameters
    ----------
    volume_ml : float
        Harvest for one feed [mL].
    feeds : float
        Feeds that the harvest holds; nan where its volume is not given.
    days : float
        Days the harvest serves at one feed a day, cold keeping counted [day]; nan likewise.
    cautions : tuple of str
        Plain sentences.
    """

    volume_ml: float
    feeds: float
    days: float
    cautions: tuple[str, ...]


def feed_plan(
    *,
    tank_l: float,
    target_cells_per_ml: float,
    harvest_cells_per_ml: float,
    present_cells_per_ml: float = 0.0,
    harvest_ml: float = math.nan,
    keep_cold_days: float = math.nan,
) -> FeedPlan:
    """Volume of harvest that brings a tank to a target density.

    Parameters
    ----------
    tank_l : float
        Water in the tank, > 0 [L].
    target_cells_per_ml : float
        Wanted density in the tank, > 0 [cells/mL].
    harvest_cells_per_ml : float
        Density of the harvest, above the target [cells/mL].
    present_cells_per_ml : float, default 0.0
        Algae in the tank already, >= 0 [cells/mL].
    harvest_ml : float, optional
        Harvest at hand [mL].
    keep_cold_days : float, optional
        How long it keeps [day].

    Returns
    -------
    FeedPlan
        0 mL where the tank holds the target already.

    Raises
    ------
    DensitycamError
        For a value out of range, or a harvest thinner than the target.

    Notes
    -----
    V = Vt (ct - c0)/(ch - ct), a mass balance.
    """
    positive = {
        "The tank's volume": tank_l,
        "The target density": target_cells_per_ml,
        "The harvest's density": harvest_cells_per_ml,
    }
    for name, value in positive.items():
        if not (value > 0 and math.isfinite(value)):
            raise DensitycamError(f"{name} must be above 0, not {value:g}.", "Give a number.")
    if not (present_cells_per_ml >= 0 and math.isfinite(present_cells_per_ml)):
        raise DensitycamError(
            f"The tank's present density cannot be {present_cells_per_ml:g}.", "Give 0 or more."
        )
    if harvest_cells_per_ml <= target_cells_per_ml:
        raise DensitycamError(
            "The harvest is no denser than the target, so no volume of it will do.",
            "Lower the target or let the culture grow.",
        )
    missing = max(target_cells_per_ml - present_cells_per_ml, 0.0)
    volume = 1000.0 * tank_l * missing / (harvest_cells_per_ml - target_cells_per_ml)
    feeds = harvest_ml / volume if volume > 0 else math.nan
    # nan where either is not known: comparisons with nan are false, so min() would hide it.
    days = min(feeds, keep_cold_days) if feeds == feeds and keep_cold_days > 0 else feeds
    return FeedPlan(
        volume_ml=volume,
        feeds=feeds,
        days=days,
        cautions=(
            "Start well below this and watch the animals: algae use oxygen at night and the "
            "culture's water brings nutrients.",
            "Feed only from a culture that looks, smells and reads healthy.",
        ),
    )
