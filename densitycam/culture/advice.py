"""What to do today: the decision, its reasons, and the plan in millilitres and grams."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from densitycam.culture.harvest_interval import HarvestChoice


@dataclass(frozen=True)
class Growth:
    """Growth since the last split.

    Parameters
    ----------
    rate_per_day, low, high : float
        Specific growth rate and its 95 % interval [1/day]; nan when not known.
    divisions_per_day : float
        Specific rate over ln 2 [1/day] (Guillard 1973); nan likewise.
    phase : {"unknown", "lag", "exponential", "slowing", "stationary", "decline"}
        Growth phase now.
    points : int
        Densities behind the rate.
    days_since_split : float
        Days since the last split or the first photo [day].
    evidence : str
        One sentence.
    ceiling_cells_per_ml : float
        Density the batch levels off at [cells/mL]; nan where no bend is shown.
    max_rate_per_day : float
        Specific growth rate far below that ceiling [1/day]; nan likewise.
    split_inferred : bool
        True where the last split was not logged but concluded from the densities.
    """

    rate_per_day: float
    low: float
    high: float
    divisions_per_day: float
    phase: str
    points: int
    days_since_split: float
    evidence: str
    ceiling_cells_per_ml: float = math.nan
    max_rate_per_day: float = math.nan
    split_inferred: bool = False


@dataclass(frozen=True)
class SplitPlan:
    """Volumes, salt, nutrient and next date of one split.

    Parameters
    ----------
    keep_ml, harvest_ml, top_up_ml : float
        Culture kept back, culture taken, fresh salt water added [mL].
    kept_share : float
        Culture kept back over working volume, 0 to 1.
    salt_g : float
        Dry sea salt in the top-up [g] (salt mixes hold water: weigh, stir, measure).
    salinity_g_per_kg, temperature_c : float
        What the top-up is to have [g/kg], [degree C].
    specific_gravity : float
        To check it with, against fresh water at the same temperature.
    nutrient_ml_each : float
        Dose of each of the two parts, for the new water only [mL]; nan where it is not known.
    density_after : float
        Density after the top-up [cells/mL].
    doublings_needed : float
        Doublings that bring the density back, log2(1 / kept_share).
    days_to_next : float
        At the present growth rate [day]; nan when the rate is not known or not above zero.
    harvest_cells : float
        Cells in the harvest.
    keep_cold_days : float
        How long the harvest keeps cold [day].
    cautions : tuple of str
        Plain sentences.
    notes : tuple of str
        Plain sentences on how to carry the plan out.
    harvest_cells_low, harvest_cells_high : float
        95 % interval of harvest_cells; nan where the density has none.
    starter_ml : float
        Of the harvest, held back in a second vessel as insurance [mL].
    nitrogen_fed, nitrogen_starved : float
        Density that the new water's nitrogen feeds while cells stay well fed, and at which they
        run out [cells/mL]; nan where not reckoned.
    checklist : tuple of str
        What to do, in order, each a plain sentence.
    """

    keep_ml: float
    harvest_ml: float
    top_up_ml: float
    kept_share: float
    salt_g: float
    salinity_g_per_kg: float
    temperature_c: float
    specific_gravity: float
    nutrient_ml_each: float
    density_after: float
    doublings_needed: float
    days_to_next: float
    harvest_cells: float
    keep_cold_days: float
    cautions: tuple[str, ...]
    notes: tuple[str, ...] = ()
    harvest_cells_low: float = math.nan
    harvest_cells_high: float = math.nan
    starter_ml: float = 0.0
    nitrogen_fed: float = math.nan
    nitrogen_starved: float = math.nan
    checklist: tuple[str, ...] = ()


@dataclass(frozen=True)
class Advice:
    """The decision for one vessel today.

    Parameters
    ----------
    action : {"harvest", "wait", "overdue", "rescue", "hold", "cannot-tell"}
        Harvest now; wait; past its best, harvest today; save the starter; do not harvest for
        a state sign; not enough is known.
    headline : str
        One short sentence, what to do today.
    reasons : tuple of str
        What decided it, most important first.
    would_settle : str
        The single action that would make it surer, or "".
    wait_days : float
        Days until the harvest band at the present rate, nan when not known or not waiting.
    ready_on : datetime or None
        The date of that.
    ready_earliest, ready_latest : datetime or None
        Its 95 % interval; None where not known, or, of the latest, where it may never get there.
    plan : SplitPlan or None
        For "harvest" and "overdue".
    uncertain : tuple of str
        Those of the reasons that say what makes it unsure.
    best_harvest : HarvestChoice or None
        Beside a plan: which share to keep and how often to harvest for most cells; None where the
        growth that tells it is not known.
    warnings : tuple of str
        Those of the reasons that are early warnings.
    """

    action: str
    headline: str
    reasons: tuple[str, ...]
    would_settle: str
    wait_days: float
    ready_on: datetime | None
    plan: SplitPlan | None
    uncertain: tuple[str, ...] = ()
    ready_earliest: datetime | None = None
    ready_latest: datetime | None = None
    best_harvest: HarvestChoice | None = None
    warnings: tuple[str, ...] = ()
