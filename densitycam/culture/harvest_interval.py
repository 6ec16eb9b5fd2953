"""Which share to keep and how often to harvest for most cells a week, beside common practice."""

from __future__ import annotations

import math
from dataclasses import dataclass

from densitycam.culture.split import KEPT_SHARE, check_kept_share
from densitycam.culture.wording import days_words, density_words, significant
from densitycam.errors import DensitycamError

__all__ = ["COMMON", "HarvestChoice", "HarvestRound", "best_harvest", "best_share", "harvest_round"]

#: Common practice at home, no source: a quarter is kept, and split again after 7 to 10 days.
COMMON = ((KEPT_SHARE, 7.0), (KEPT_SHARE, 10.0))
#: Longest round that is looked at, in whole days. Our own choice: twice the common week.
LONGEST_DAYS = 14
#: Of rounds that bring nearly as many cells as the best, the longest is advised: this share of the
#: best is nearly as many. Our own choice: each split is work, and a chance for what should stay
#: out.
NEARLY = 0.9
#: Shares kept that a keeper can pour: between these. Our own choice.
LEAST_KEPT, MOST_KEPT = 0.1, 0.9


@dataclass(frozen=True)
class HarvestRound:
    """One way of harvesting, once it repeats itself.

    Parameters
    ----------
    kept_share : float
        Share kept back at each split, 0 < share < 1.
    interval_days : float
        Days between splits [day].
    density : float
        At each harvest [cells/mL]; 0 where the culture is thinned out.
    density_after : float
        After each top-up [cells/mL].
    cells_per_week : float
        Harvested [cells/week].
    share_of_most : float
        Of what harvesting all the time at half the ceiling would bring, 0 to 1.
    """

    kept_share: float
    interval_days: float
    density: float
    density_after: float
    cells_per_week: float
    share_of_most: float


@dataclass(frozen=True)
class HarvestChoice:
    """The advised round beside the common ones.

    Parameters
    ----------
    advised : HarvestRound
        The longest round that brings nearly as many cells as the best.
    most : HarvestRound
        The round of whole days that brings most.
    common : tuple of HarvestRound
        Keeping a quarter for 7 and for 10 days.
    sentence : str
        Plainly.
    notes : tuple of str
        What it rests on.
    """

    advised: HarvestRound
    most: HarvestRound
    common: tuple[HarvestRound, ...]
    sentence: str
    notes: tuple[str, ...]


def _check(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise DensitycamError(
                f"The {name} must be above 0, not {value:g}.",
                "Take photos until the batch levels off once, so that its growth is known.",
            )


def harvest_round(
    *,
    kept_share: float,
    interval_days: float,
    rate_per_day: float,
    ceiling_cells_per_ml: float,
    working_volume_ml: float,
    lag_days: float = 0.0,
) -> HarvestRound:
    """Work out what a way of harvesting settles to under logistic growth.

    Parameters
    ----------
    kept_share : float
        Share kept back, 0 < share < 1.
    interval_days : float
        Days between splits, > 0 [day].
    rate_per_day : float
        Specific growth rate far below the ceiling, > 0 [1/day].
    ceiling_cells_per_ml : float
        Density it levels off at, > 0 [cells/mL].
    working_volume_ml : float
        Culture in the vessel, > 0 [mL].
    lag_days : float, default 0.0
        Days after each split without growth, >= 0 [day].

    Returns
    -------
    HarvestRound
        Of zero density where it is thinned out: share x exp(rate x days) at most 1.

    Raises
    ------
    DensitycamError
        For a value out of range.

    Notes
    -----
    With E = exp(rate x (days - lag)), r the share kept and h the density at harvest over the
    ceiling, a round returns to itself where (1 - r h)/(r (1 - h)) = E, so that
    h = (E r - 1)/(r (E - 1)); harvested are h (1 - r) of ceiling x volume a round. The most any
    way can bring is rate x ceiling/4 a day, at half the ceiling (M. B. Schaefer 1954, maximum
    sustainable yield, from memory).
    """
    check_kept_share(kept_share)
    _check(
        **{
            "days between splits": interval_days,
            "growth rate": rate_per_day,
            "ceiling": ceiling_cells_per_ml,
            "volume": working_volume_ml,
        }
    )
    if not lag_days >= 0:
        raise DensitycamError(f"A lag of {lag_days:g} days is not possible.", "Give 0 or more.")
    growing = max(interval_days - lag_days, 0.0) * rate_per_day
    # h = (r - 1/E)/(r (1 - 1/E)), written so that long rounds do not overflow.
    left = math.exp(-growing)
    gain = kept_share - left
    h = gain / (kept_share * (1.0 - left)) if gain > 0 else 0.0
    density = h * ceiling_cells_per_ml
    per_day = density * working_volume_ml * (1.0 - kept_share) / interval_days
    most = rate_per_day * ceiling_cells_per_ml * working_volume_ml / 4.0
    return HarvestRound(
        kept_share=kept_share,
        interval_days=interval_days,
        density=density,
        density_after=density * kept_share,
        cells_per_week=7.0 * per_day,
        share_of_most=per_day / most,
    )


def best_share(*, interval_days: float, rate_per_day: float, lag_days: float = 0.0) -> float:
    """Share to keep for most cells at a given interval: exp(-rate x days/2).

    Setting the derivative of h (1 - r) to zero gives r = E^(-1/2): the culture then swings as far
    above half its ceiling as below it, and brings ceiling x tanh(rate x days/4) a round.
    """
    _check(**{"days between splits": interval_days, "growth rate": rate_per_day})
    return math.exp(-rate_per_day * max(interval_days - lag_days, 0.0) / 2.0)


def best_harvest(
    *,
    rate_per_day: float,
    ceiling_cells_per_ml: float,
    working_volume_ml: float,
    harvest_low: float = 0.0,
    least_days: int = 1,
    lag_days: float = 0.0,
) -> HarvestChoice:
    """Find the share to keep and the days between harvests that bring most cells a week.

    Parameters
    ----------
    rate_per_day, ceiling_cells_per_ml, working_volume_ml, lag_days
        As in `harvest_round`.
    harvest_low : float, default 0.0
        Least density worth harvesting, >= 0 [cells/mL]; left aside where the ceiling lies below
        it.
    least_days : int, default 1
        Shortest round the keeper wants [day].

    Returns
    -------
    HarvestChoice
        Rounds of whole days.

    Raises
    ------
    DensitycamError
        For a value out of range.
    """
    _check(
        **{
            "growth rate": rate_per_day,
            "ceiling": ceiling_cells_per_ml,
            "volume": working_volume_ml,
        }
    )
    if not 1 <= least_days <= LONGEST_DAYS:
        raise DensitycamError(
            f"A shortest round of {least_days} days is not possible.",
            f"Give 1 to {LONGEST_DAYS}.",
        )

    def settled(share: float, days: float) -> HarvestRound:
        return harvest_round(
            kept_share=share,
            interval_days=days,
            rate_per_day=rate_per_day,
            ceiling_cells_per_ml=ceiling_cells_per_ml,
            working_volume_ml=working_volume_ml,
            lag_days=lag_days,
        )

    low = harvest_low if harvest_low < ceiling_cells_per_ml else 0.0
    rounds = []
    for days in range(least_days, LONGEST_DAYS + 1):
        free = best_share(interval_days=days, rate_per_day=rate_per_day, lag_days=lag_days)
        needed = _share_for_density(
            low / ceiling_cells_per_ml, rate_per_day * max(days - lag_days, 0.0)
        )
        # Yield falls on both sides of the best share, so the nearest allowed one is the best.
        share = min(max(free, needed, LEAST_KEPT), MOST_KEPT)
        if needed <= share:
            rounds.append(settled(share, float(days)))
    if not rounds:
        raise DensitycamError(
            f"At this growth no round of up to {LONGEST_DAYS} days reaches "
            f"{density_words(harvest_low)}.",
            "Give it more light and nutrient, or harvest thinner.",
        )
    most = max(rounds, key=lambda r: r.cells_per_week)
    advised = [r for r in rounds if r.cells_per_week >= NEARLY * most.cells_per_week][-1]
    common = tuple(settled(share, days) for share, days in COMMON)
    return HarvestChoice(
        advised=advised,
        most=most,
        common=common,
        sentence=_sentence(advised, common[0]),
        notes=(
            f"Most cells in all: keep {100 * most.kept_share:.0f} % every "
            f"{days_words(most.interval_days)}, {_cells(most.cells_per_week)} a week.",
            "It swings about half of the density it levels off at, where growth makes most cells.",
            "It rests on the growth that these photos show: another lamp or season, another "
            "answer.",
        ),
    )


def _share_for_density(level: float, growing: float) -> float:
    """Least share to keep that harvests at this density over the ceiling; 2 where none does.

    From (1 - r h)/(r (1 - h)) = E: r = 1/(E - (E - 1) h).
    """
    if growing <= 0:
        return 2.0
    left = math.exp(-growing)
    return left / (1.0 - (1.0 - left) * level)


def _cells(count: float) -> str:
    return density_words(count).removesuffix(" cells/mL") + " cells"


def _sentence(advised: HarvestRound, common: HarvestRound) -> str:
    keep = (
        f"Keep {100 * advised.kept_share:.0f} % and harvest every "
        f"{days_words(advised.interval_days)}"
    )
    if common.cells_per_week <= 0:
        return f"{keep}: a quarter kept for a week would thin this culture out."
    times = advised.cells_per_week / common.cells_per_week
    if times < 1.05:
        return f"{keep}: as many cells a week as the common quarter kept for a week."
    return (
        f"{keep}: {significant(times)} times the cells a week of the common quarter kept for a "
        "week."
    )
