"""The split plan: millilitres to keep, harvest and top up, salt, nutrient, next date."""

from __future__ import annotations

import math

from densitycam.calibration.species import SpeciesFacts
from densitycam.culture.advice import Growth, SplitPlan
from densitycam.culture.logistic import split_cycle
from densitycam.culture.nutrient import (
    F2_NITROGEN_MG_PER_L,
    nitrogen_ceiling,
    two_part_dose_ml,
)
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord
from densitycam.wording import days_words, density_words, interval_words, significant

__all__ = ["KEPT_SHARE", "check_kept_share", "salt_water", "split_plan"]

#: Share of the culture kept back. Common practice at home, no source: two doublings bring it back.
KEPT_SHARE = 0.25
#: Of the working volume, held back in a second vessel, and at most this share of the harvest. That
#: a second starter is kept is common practice, no source; how much is our own choice.
STARTER_SHARE, STARTER_OF_HARVEST = 0.05, 0.25
#: How far nitrogen a cell may be off either way: a dose that is short by less is not spoken of.
DOSE_DOUBT = 2.0
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
    "Bleach and alcohol: never together, away from flames and from the culture; rinse tools until "
    "no smell is left.",
    "Mains power beside salt water can kill: plugs out before you pour.",
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


def check_kept_share(kept_share: float) -> None:
    """Refuse a share of the culture that cannot be kept back.

    Parameters
    ----------
    kept_share : float
        Share kept back, dimensionless.

    Raises
    ------
    DensitycamError
        Unless 0 < share < 1.
    """
    if not 0 < kept_share < 1:
        raise DensitycamError(
            f"A kept share of {kept_share:g} makes no split.",
            "Give a share between 0 and 1, such as 0.25 for a quarter.",
        )


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
    nitrogen_mg_per_l: float = F2_NITROGEN_MG_PER_L,
    present_ml: float | None = None,
    starter_ml: float | None = None,
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
        What the nutrient's label gives of each part per litre of new water, 0 to 50 [mL/L].
    nitrogen_mg_per_l : float, default that of f/2
        In the new water once dosed, >= 0 [mg/L].
    present_ml : float, optional
        Culture in the vessel now, at most its working volume [mL]; full if None.
    starter_ml : float, optional
        Of the harvest, held back in a second vessel, >= 0 and less than the harvest [mL]; about a
        twentieth of the working volume if None.

    Returns
    -------
    SplitPlan
        Kept and harvested culture add up to what is present, kept culture and top-up to the
        working volume.

    Raises
    ------
    DensitycamError
        For a share, rate, salinity or temperature out of range, volumes that do not add up, or a
        plan under which the culture would be thinned out round by round.

    Notes
    -----
    Semi-continuous culture is steady when days = -ln(kept share)/mu and is washed out when mu is
    less than -ln(kept share)/days. Under a shown ceiling K with harvest at h K, the days are
    ln[(h/(1-h)) (1-r h)/(r h)]/mu_max. Salt is the mass of the top-up times its salinity.
    """
    check_kept_share(kept_share)
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
            wanting = f"{needed / best:.1f} days" if best > 0 else "growth to start first"
            raise DensitycamError(
                f"Keeping {100 * kept_share:.0f} % every {every_days:g} days would thin the "
                f"culture out: it grows by {significant(best)} a day and that needs {wanting}.",
                f"Keep at least {100 * math.exp(-max(best, 0.0) * every_days):.0f} %, "
                "or wait longer.",
            )

    keep, harvest, fresh, starter = _volumes(vessel, kept_share, present_ml, starter_ml)
    days = _days_to_next(density, growth, kept_share)
    dose = (
        math.nan
        if label_ml_per_l is None
        else two_part_dose_ml(label_ml_per_l=label_ml_per_l, new_water_ml=fresh)
    )
    after = density * kept_share
    fed, starved = math.nan, math.nan
    if math.isfinite(after):
        fed, starved = nitrogen_ceiling(
            facts=facts,
            density_after=after,
            new_share=fresh / vessel.working_volume_ml,
            nitrogen_mg_per_l=nitrogen_mg_per_l,
        )

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
    if DOSE_DOUBT * starved < density:  # False for nan
        notes.append(
            f"A dose like f/2 in the new water feeds about {interval_words(fed, starved)}, less "
            f"than the {density_words(density)} of today: it will grow pale before it is back, "
            "unless the label's dose is richer."
        )
    salt = salinity * kg_per_l * fresh / 1000.0
    return SplitPlan(
        keep_ml=keep,
        harvest_ml=harvest,
        top_up_ml=fresh,
        kept_share=kept_share,
        salt_g=salt,
        salinity_g_per_kg=salinity,
        temperature_c=temperature_c,
        specific_gravity=gravity,
        nutrient_ml_each=dose,
        density_after=after,
        doublings_needed=math.log2(1.0 / kept_share),
        days_to_next=days,
        harvest_cells=density * harvest,
        keep_cold_days=facts.keep_cold_days,
        cautions=_CAUTIONS,
        notes=tuple(notes),
        harvest_cells_low=density_low * harvest,
        harvest_cells_high=density_high * harvest,
        starter_ml=starter,
        nitrogen_fed=fed,
        nitrogen_starved=starved,
        checklist=_checklist(
            facts=facts,
            keep_ml=keep,
            harvest_ml=harvest - starter,
            starter_ml=starter,
            top_up_ml=fresh,
            salt_g=salt,
            gravity=gravity,
            temperature_c=temperature_c,
            dose_ml=dose,
        ),
    )


def _volumes(
    vessel: VesselRecord, kept_share: float, present_ml: float | None, starter_ml: float | None
) -> tuple[float, float, float, float]:
    """Return keep, harvest, top-up and starter [mL], or refuse what does not add up."""
    full = vessel.working_volume_ml
    present = full if present_ml is None else present_ml
    if not 0 < present <= full:
        raise DensitycamError(
            f"{vessel.name} holds {full:g} mL when full, so it cannot hold {present:g} mL now.",
            "Give the millilitres in it now, or correct its working volume.",
        )
    keep = kept_share * full
    harvest = present - keep
    if not harvest > 0:
        raise DensitycamError(
            f"Keeping {keep:.0f} mL leaves nothing to harvest of the {present:.0f} mL in "
            f"{vessel.name}.",
            f"Keep less than {100 * present / full:.0f} %, or top it up and let it grow.",
        )
    starter = min(STARTER_SHARE * full, STARTER_OF_HARVEST * harvest)
    starter = starter if starter_ml is None else starter_ml
    if not 0 <= starter < harvest:
        raise DensitycamError(
            f"A starter of {starter:g} mL cannot come out of a harvest of {harvest:.0f} mL.",
            "Hold back less than the harvest, or keep a smaller share.",
        )
    return keep, harvest, full - keep, starter


def _checklist(
    *,
    facts: SpeciesFacts,
    keep_ml: float,
    harvest_ml: float,
    starter_ml: float,
    top_up_ml: float,
    salt_g: float,
    gravity: float,
    temperature_c: float,
    dose_ml: float,
) -> tuple[str, ...]:
    """Say what to do in order, clean work first. Common practice, no source."""

    def ml(volume: float) -> str:
        return f"{volume:.0f} mL" if volume >= 20 else f"{significant(volume, 3)} mL"

    each = "as its label says" if math.isnan(dose_ml) else f"{ml(dose_ml)} of each"
    return (
        f"The day before: {significant(salt_g, 3)} g of dry sea salt into boiled and cooled or "
        f"filtered fresh water, for {ml(top_up_ml)}; stir clear, check specific gravity "
        f"{gravity:.4f} at {temperature_c:g} C, lid on, same temperature as the culture.",
        "Look and smell first: odd colour, clumps, milky or foul, and you stop here.",
        "Pull the plugs of lamp and pump; dry hands.",
        "Wash hands; wipe the place with alcohol, no flame near; tools rinsed free of bleach, "
        "others for each vessel, the healthiest first.",
        "Air off, swirl until even, take the photo.",
        *(
            (f"Starter first: {ml(starter_ml)} into a clean vessel, lid loose, with light, apart.",)
            if starter_ml > 0
            else ()
        ),
        f"Harvest: {ml(harvest_ml)} into clean bottles with species, cells/mL and date; into the "
        "refrigerator, out of children's reach.",
        f"{ml(keep_ml)} must be left: check the mark. Brush film off the wall.",
        f"Top up slowly with the {ml(top_up_ml)} of salt water.",
        f"Nutrient, {each}: one part, swirl, the other; undiluted together they can clot."
        + (" Then silicate, for a diatom." if facts.needs_silicate else ""),
        "Air and plugs back on, a drip loop in each lead; log the split; a photo tomorrow.",
        "Rinse the tools, let them dry.",
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
