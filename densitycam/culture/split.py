"""The split plan: millilitres to keep, harvest and top up, salt, nutrient, next date."""

from __future__ import annotations

import math

from densitycam.calibration.species import SpeciesFacts
from densitycam.culture.advice import Growth, SplitPlan
from densitycam.culture.logistic import split_cycle
from densitycam.culture.wording import days_words, significant
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

__all__ = ["KEPT_SHARE", "salt_water", "split_plan"]

#: Share of the culture kept back. Common practice at home, no source: two doublings bring it back.
KEPT_SHARE = 0.25
#: Coldest and warmest culture a plan is made for [degree C]; salt water formulas hold there.
TEMPERATURE_RANGE_C = (0.0, 40.0)
#: Highest salinity a plan is made for [g/kg]; TEOS-10 ends at 120.
SALINITY_TOP_G_PER_KG = 120.0

_CAUTIONS = (
    "A tank: feed small portions and watch the animals; a whole harvest at once can use up the "
    "oxygen at night, and it adds nutrients.",
    "Never feed a culture that smells off, has changed colour or has clumped, and keep no starter "
    "from it.",
    "Not for people to eat.",
    "Bleach and alcohol: apart from each other, from flames and from the culture; rinse tools "
    "until no smell is left.",
    "Mains power beside salt water: pull plugs before you pour; a drip loop in each lead.",
    "Cultures, fixative and bleach do not belong in natural water; local rules come first.",
)


def salt_water(*, salinity_g_per_kg: float, temperature_c: float) -> tuple[float, float]:
    """Density and specific gravity of salt water at the surface.

    Parameters
    ----------
    salinity_g_per_kg : float
        Absolute salinity, 0 to 120 [g/kg].
    temperature_c : float
        0 to 40 [degree C].

    Returns
    -------
    density_kg_per_l : float
        [kg/L].
    specific_gravity : float
        Over fresh water of the same temperature (t/t), dimensionless.

    Raises
    ------
    DensitycamError
        For a salinity or temperature outside its range.

    Notes
    -----
    TEOS-10 (IOC, SCOR and IAPSO 2010) through gsw, at 0 dbar.
    """
    if not 0 <= salinity_g_per_kg <= SALINITY_TOP_G_PER_KG:
        raise DensitycamError(
            f"A salinity of {salinity_g_per_kg:g} g/kg cannot be planned for.",
            f"Give 0 to {SALINITY_TOP_G_PER_KG:g} g/kg; ocean water has 35.",
        )
    low, high = TEMPERATURE_RANGE_C
    if not low <= temperature_c <= high:
        raise DensitycamError(
            f"A temperature of {temperature_c:g} degrees C cannot be planned for.",
            f"Give {low:g} to {high:g} degrees C.",
        )
    import gsw

    salty, fresh = (
        float(gsw.rho(s, gsw.CT_from_t(s, temperature_c, 0.0), 0.0))
        for s in (salinity_g_per_kg, 0.0)
    )
    return salty / 1000.0, salty / fresh


def split_plan(
    *,
    density: float,
    density_low: float = math.nan,
    density_high: float = math.nan,
    vessel: VesselRecord,
    facts: SpeciesFacts,
    growth: Growth,
    kept_share: float = KEPT_SHARE,
    every_days: float | None = None,
    salinity_g_per_kg: float | None = None,
    temperature_c: float = 20.0,
    label_ml_per_l: float | None = None,
) -> SplitPlan:
    """Plan one harvest with top-up.

    Parameters
    ----------
    density, density_low, density_high : float
        Density of the culture now and its 95 % interval [cells/mL]; nan where not known.
    vessel : VesselRecord
        Gives the working volume.
    facts : SpeciesFacts
        Gives cold keeping, silicate and usual salinity.
    growth : Growth
        Gives the present rate and, where shown, the ceiling.
    kept_share : float, default 0.25
        Share kept back, 0 < share < 1.
    every_days : float, optional
        Days between splits you want to keep to, > 0 [day]; refused where the culture would be
        thinned out.
    salinity_g_per_kg : float, optional
        Of the top-up, 0 to 120 [g/kg]; the species' usual one if None.
    temperature_c : float, default 20.0
        Of the top-up, 0 to 40 [degree C].
    label_ml_per_l : float, optional
        What the nutrient's label gives of each part per litre of new water [mL/L], >= 0.

    Returns
    -------
    SplitPlan
        Volumes add up to the working volume.

    Raises
    ------
    DensitycamError
        For a share, rate, salinity or temperature out of range, or a plan under which the culture
        would be thinned out round by round.

    Notes
    -----
    Semi-continuous culture is steady when days = -ln(kept share)/mu and is washed out when mu is
    less than -ln(kept share)/days. Under a shown ceiling K with harvest at h K, the days are
    ln[(h/(1-h)) (1-r h)/(r h)]/mu_max. Salt is the mass of the top-up times its salinity.
    """
    if not 0 < kept_share < 1:
        raise DensitycamError(
            f"A kept share of {kept_share:g} makes no split.",
            "Give a share between 0 and 1, such as 0.25 for a quarter.",
        )
    if label_ml_per_l is not None and not (label_ml_per_l >= 0 and math.isfinite(label_ml_per_l)):
        raise DensitycamError(
            f"A nutrient dose of {label_ml_per_l:g} mL/L is not possible.",
            "Give the millilitres of each part per litre that its label says.",
        )
    if every_days is not None and not (every_days > 0 and math.isfinite(every_days)):
        raise DensitycamError(
            f"A split every {every_days:g} days is not possible.", "Give a number above 0."
        )
    salinity = facts.salinity_g_per_kg if salinity_g_per_kg is None else salinity_g_per_kg
    kg_per_l, gravity = salt_water(salinity_g_per_kg=salinity, temperature_c=temperature_c)

    needed = -math.log(kept_share)
    rate = growth.rate_per_day
    if every_days is not None:
        # The best rate the batch has shown: below its ceiling after a split it grows faster again.
        best = growth.max_rate_per_day if math.isfinite(growth.max_rate_per_day) else rate
        if best * every_days < needed:  # False for nan: nothing known against it
            days = f"{needed / best:.1f} days" if best > 0 else "growth to start first"
            raise DensitycamError(
                f"Keeping {100 * kept_share:.0f} % every {every_days:g} days would thin the "
                f"culture out: it grows by {significant(best)} a day and that needs {days}.",
                f"Keep at least {100 * math.exp(-max(best, 0.0) * every_days):.0f} %, "
                "or wait longer.",
            )

    keep = kept_share * vessel.working_volume_ml
    fresh = vessel.working_volume_ml - keep
    days = _days_to_next(density, growth, kept_share)
    dose = math.nan if label_ml_per_l is None else label_ml_per_l * fresh / 1000.0

    notes = [
        "Salt mixes hold water: weigh, stir until clear, then measure. The specific gravity is "
        f"against fresh water of the same temperature ({temperature_c:g}/{temperature_c:g} C); a "
        "hydrometer marked otherwise reads another number.",
        "Top up evaporation with fresh water, a harvest with salt water.",
    ]
    if facts.needs_silicate:
        notes.insert(0, "A diatom: the new water needs silicate too.")
    if not math.isfinite(days):
        low, high = needed / facts.rate_high_per_day, needed / facts.rate_low_per_day
        notes.append(
            "How fast it grows after the split is not known yet; this species usually needs "
            f"{low:.0f} to {days_words(high)} for {needed / math.log(2):.1f} doublings."
        )
    return SplitPlan(
        keep_ml=keep,
        harvest_ml=fresh,
        top_up_ml=fresh,
        kept_share=kept_share,
        salt_g=salinity * kg_per_l * fresh / 1000.0,
        salinity_g_per_kg=salinity,
        temperature_c=temperature_c,
        specific_gravity=gravity,
        nutrient_ml_each=dose,
        density_after=density * kept_share,
        doublings_needed=math.log2(1.0 / kept_share),
        days_to_next=days,
        harvest_cells=density * fresh,
        keep_cold_days=facts.keep_cold_days,
        cautions=_CAUTIONS,
        notes=tuple(notes),
        harvest_cells_low=density_low * fresh,
        harvest_cells_high=density_high * fresh,
    )


def _days_to_next(density: float, growth: Growth, kept_share: float) -> float:
    """Days until the density of today is back; nan where the rate is not known or not above 0."""
    rate = growth.rate_per_day
    ceiling, best = growth.ceiling_cells_per_ml, growth.max_rate_per_day
    if 0 < ceiling < math.inf and best > 0 and density > 0:
        # Near the ceiling the last percents take for ever: the next harvest is at 90 % of it.
        share = min(density / ceiling, 0.9)
        return split_cycle(kept_share=kept_share, harvest_share=share)[0] / best
    if growth.phase in ("stationary", "decline") or not (growth.low > 0 and rate > 0):
        return math.nan
    return -math.log(kept_share) / rate
