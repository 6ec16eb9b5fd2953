"""Feeding from a harvest: millilitres a day for a tank, and how many days the harvest lasts."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densitycam.culture.nutrient import F2_NITROGEN_MG_PER_L, NITROGEN_G_PER_MOL
from densitycam.errors import DensitycamError
from densitycam.wording import significant

__all__ = ["FeedPlan", "feed_plan"]

#: Of a feed, given in the first days. Our own choice: start low.
START_SHARE = 0.25
#: Of the tank's volume: a feed above this brings much of the culture's own water. Our own choice.
MUCH_WATER_SHARE = 0.02
#: Of the tank's volume: no feed is planned above this, it would be a change of water. Our own
#: choice.
MOST_WATER_SHARE = 0.25
#: Nitrate [g/mol] (IUPAC standard atomic weights, abridged).
NITRATE_G_PER_MOL = 62.004


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
    start_ml : float
        For the first days, of one feed [mL].
    cells : float
        In one feed.
    nitrate_mg_per_l : float
        Most that one feed adds to the tank, as if the culture had used none of its dose [mg/L].
    volume_low_ml, volume_high_ml : float
        Of `volume_ml`, 95 % interval from that of the harvest's density [mL]; nan where it has
        none, and of the upper one where the harvest may be no denser than the target.
    """

    volume_ml: float
    feeds: float
    days: float
    cautions: tuple[str, ...]
    start_ml: float = math.nan
    cells: float = math.nan
    nitrate_mg_per_l: float = math.nan
    volume_low_ml: float = math.nan
    volume_high_ml: float = math.nan


def feed_plan(
    *,
    tank_l: float,
    target_cells_per_ml: float,
    harvest_cells_per_ml: float,
    present_cells_per_ml: float = 0.0,
    harvest_ml: float = math.nan,
    keep_cold_days: float = math.nan,
    harvest_low: float = math.nan,
    harvest_high: float = math.nan,
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
    harvest_low, harvest_high : float, optional
        95 % interval of the harvest's density [cells/mL].

    Returns
    -------
    FeedPlan
        0 mL where the tank holds the target already.

    Raises
    ------
    DensitycamError
        For a value out of range, a harvest thinner than the target, or a feed that would be more
        than a quarter of the tank.

    Notes
    -----
    V = Vt (ct - c0)/(ch - ct), a mass balance. The nitrate is that of f/2, diluted by the tank.
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

    def volume_at(density: float) -> float:
        above = density - target_cells_per_ml
        return 1000.0 * tank_l * missing / above if above > 0 else math.nan

    volume = volume_at(harvest_cells_per_ml)
    feeds = harvest_ml / volume if volume > 0 else math.nan
    # nan where its volume is not known: min() keeps the first of two that cannot be compared.
    days = min(feeds, keep_cold_days) if keep_cold_days >= 0 else feeds
    share = volume / (1000.0 * tank_l)
    if share > MOST_WATER_SHARE:
        raise DensitycamError(
            f"One feed would be {significant(100 * share)} % of the tank: the harvest is hardly "
            "denser than the target.",
            "Lower the target or let the culture grow.",
        )
    nitrate = F2_NITROGEN_MG_PER_L * NITRATE_G_PER_MOL / NITROGEN_G_PER_MOL * share / (1 + share)
    start = START_SHARE * volume
    much = (
        f"One feed is {significant(100 * share)} % of the tank: it brings the culture's own water "
        "with it. A denser harvest, or less at a time, is kinder."
    )
    return FeedPlan(
        volume_ml=volume,
        feeds=feeds,
        days=days,
        cautions=(
            "Start well below this and watch the animals: algae use oxygen at night and the "
            f"culture's water brings nutrients. Begin with {significant(start, 3)} mL a day and go "
            "up while the water is clear again by the next.",
            f"Nutrient: one feed adds at most {significant(nitrate)} mg/L of nitrate, if the "
            "culture had used none of a dose like f/2. Measure the tank's now and then.",
            *((much,) if share > MUCH_WATER_SHARE else ()),
            "Air or flow on in the tank, above all at night; gasping or sinking animals: stop "
            "feeding, change water.",
            "Feed only from a culture that looks, smells and reads healthy.",
            "Algae for animals, not for people to eat; what is left over goes where local rules "
            "say, never into natural water.",
        ),
        start_ml=start,
        cells=volume * harvest_cells_per_ml,
        nitrate_mg_per_l=nitrate,
        volume_low_ml=volume_at(harvest_high),
        volume_high_ml=volume_at(harvest_low),
    )
