"""Which share to keep and how often to harvest for most cells a week, beside common practice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from densitycam.culture.advice import Growth
from densitycam.culture.series import DensityPoint, Split
from densitycam.culture.split import KEPT_SHARE, check_kept_share
from densitycam.culture.usual import photos_of, usual_growth
from densitycam.errors import DensitycamError
from densitycam.wording import days_words, density_words, significant

__all__ = [
    "COMMON",
    "HarvestChoice",
    "HarvestRound",
    "best_harvest",
    "best_harvest_of",
    "best_share",
    "harvest_round",
]

#: Common practice at home, no source: a quarter is kept, and split again after 7 to 10 days.
COMMON = ((KEPT_SHARE, 7.0), (KEPT_SHARE, 10.0))
#: Longest round that is looked at, in whole days. Our own choice: twice the common week.
LONGEST_ROUND_DAYS = 14
#: Of rounds that bring nearly as many cells as the best, the longest is advised: this share of the
#: best is nearly as many. Our own choice: each split is work, and a chance for what should stay
#: out.
NEARLY = 0.9
#: Shares kept that a keeper can pour: between these. Our own choice.
LEAST_KEPT, MOST_KEPT = 0.1, 0.9


#: Fewest steps between photos that tell how a vessel slows, and by how many of its standard errors
#: the slowing, or a split's setback, must stand out. Our own choice: enough for a line to bend, and
#: the usual two.
LEAST_STEPS, FIRM = 5, 2.0


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
    """Return the share to keep for most cells at a given interval: exp(-rate x days/2).

    Parameters
    ----------
    interval_days : float
        Days between splits, > 0 [day].
    rate_per_day : float
        Specific growth rate far below the ceiling, > 0 [1/day].
    lag_days : float, default 0.0
        Days after each split without growth [day]; they are taken off the interval, down to 0.

    Returns
    -------
    float
        Share kept back, > 0 to 1, dimensionless.

    Raises
    ------
    DensitycamError
        For an interval or rate that is not above 0.

    Notes
    -----
    Setting the derivative of h (1 - r) to zero, both as in `harvest_round`, gives r = E^(-1/2): the
    culture then swings as far above half its ceiling as below it, and brings
    ceiling x tanh(rate x days/4) a round.
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
    if not 1 <= least_days <= LONGEST_ROUND_DAYS:
        raise DensitycamError(
            f"A shortest round of {least_days} days is not possible.",
            f"Give 1 to {LONGEST_ROUND_DAYS}.",
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
    for days in range(least_days, LONGEST_ROUND_DAYS + 1):
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
            f"At this growth no round of up to {LONGEST_ROUND_DAYS} days reaches "
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
        sentence=_sentence(advised, common),
        notes=(
            f"Most cells in all: keep {100 * most.kept_share:.0f} % every "
            f"{days_words(most.interval_days)}, {_cells(most.cells_per_week)} a week.",
            "It swings about half of the density it levels off at, where growth makes most cells.",
            "It rests on the growth that these photos show: another lamp or season, another "
            "answer.",
        ),
    )


def _share_for_density(level: float, growing: float) -> float:
    """Least share to keep that harvests at this density over the ceiling; all where nothing grows.

    From (1 - r h)/(r (1 - h)) = E: r = 1/(E - (E - 1) h).
    """
    left = math.exp(-growing)
    return left / (1.0 - (1.0 - left) * level)


def _cells(count: float) -> str:
    return density_words(count).removesuffix(" cells/mL") + " cells"


def _sentence(advised: HarvestRound, common: Sequence[HarvestRound]) -> str:
    keep = (
        f"Keep {100 * advised.kept_share:.0f} % and harvest every "
        f"{days_words(advised.interval_days)}"
    )
    thinned = [r.interval_days for r in common if r.cells_per_week <= 0]
    if thinned:
        days = days_words(max(thinned))
        return f"{keep}: the common quarter kept for {days} would thin this culture out."
    usual = f"the common quarter kept for {common[0].interval_days:.0f} to "
    usual += days_words(common[-1].interval_days)
    times = sorted(advised.cells_per_week / r.cells_per_week for r in common)
    if times[-1] < 1.05:
        return f"{keep}: as many cells a week as {usual}."
    low, high = significant(times[0]), significant(times[-1])
    more = f"{high} times" if low == high else f"{low} to {high} times"
    if times[0] < 1.05:
        more = f"up to {high} times"
    return f"{keep}: {more} the cells a week of {usual}."


def best_harvest_of(
    points: Sequence[DensityPoint],
    splits: Sequence[Split],
    now: datetime,
    *,
    growth: Growth,
    working_volume_ml: float,
    harvest_low: float,
) -> HarvestChoice | None:
    """Find the round that brings most cells from what a vessel's photos show of its growth.

    Parameters
    ----------
    points : sequence of DensityPoint
        Densities of one vessel over all its batches; those after `now` are left out.
    splits : sequence of Split
        Logged and inferred; those after `now` are left out.
    now : datetime
        The moment asked about, local, naive.
    growth : Growth
        Of the running batch: the ceiling that it shows goes before the vessel's usual.
    working_volume_ml, harvest_low
        As in `best_harvest`.

    Returns
    -------
    HarvestChoice or None
        None where the photos do not show at which density the vessel levels off, or where no
        round is worth it.
    """
    past = [s for s in splits if s.when <= now]
    usual = usual_growth(
        photos_of([p for p in points if p.when <= now], past), least_steps=LEAST_STEPS
    )
    rate, ceiling, lag = growth.max_rate_per_day, growth.ceiling_cells_per_ml, 0.0
    if usual is not None and usual.rate > 0:
        errors = [math.sqrt(max(float(usual.covariance[n, n]), 0.0)) for n in range(3)]
        if not (rate > 0 and 0 < ceiling < math.inf) and usual.slope > FIRM * errors[1]:
            rate, ceiling = usual.rate, usual.rate / usual.slope
        if usual.setback > FIRM * errors[2]:
            lag = usual.setback / usual.rate
    try:
        return best_harvest(
            rate_per_day=rate,
            ceiling_cells_per_ml=ceiling,
            working_volume_ml=working_volume_ml,
            harvest_low=harvest_low,
            lag_days=lag,
        )
    except DensitycamError:  # no ceiling is known, or no round of two weeks reaches the band
        return None
