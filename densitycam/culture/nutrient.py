"""Nutrient: the dose for new water, and how many cells its nitrogen can feed."""

from __future__ import annotations

import math

from densitycam.calibration.species import SpeciesFacts
from densitycam.errors import DensitycamError

__all__ = [
    "F2_NITROGEN_MG_PER_L",
    "carbon_per_cell_pg",
    "nitrogen_ceiling",
    "nitrogen_per_cell_pg",
    "two_part_dose_ml",
]

#: Molar masses [g/mol], rounded sums of IUPAC standard atomic weights.
SODIUM_NITRATE_G_PER_MOL, NITROGEN_G_PER_MOL, CARBON_G_PER_MOL = 84.995, 14.007, 12.011
#: Sodium nitrate in f/2 medium [mg/L] (Guillard 1975, as a university's recipe gives it).
F2_SODIUM_NITRATE_MG_PER_L = 75.0
#: Nitrogen in f/2 medium [mg/L].
F2_NITROGEN_MG_PER_L = F2_SODIUM_NITRATE_MG_PER_L * NITROGEN_G_PER_MOL / SODIUM_NITRATE_G_PER_MOL

#: Carbon a cell [pg] = a x volume^b [um3]: of diatoms, and of all others (Menden-Deuer & Lessard
#: 2000, Limnol. Oceanogr. 45:569, from memory).
DIATOM_CARBON, OTHER_CARBON = (0.288, 0.811), (0.216, 0.939)
#: Carbon to nitrogen [mol/mol]: well fed (Redfield 106:16), and starved as far as cells still
#: divide (twice that; our own choice, cells run out of nitrogen between 12 and 20).
FED_C_TO_N, STARVED_C_TO_N = 106.0 / 16.0, 2 * 106.0 / 16.0
#: Highest label rate that is believed [mL/L]. Our own choice: a hundredth of it is usual.
LABEL_TOP_ML_PER_L = 50.0


def two_part_dose_ml(*, label_ml_per_l: float, new_water_ml: float) -> float:
    """Return the dose of each part of a two-part nutrient.

    Parameters
    ----------
    label_ml_per_l : float
        What the label gives of each part per litre of new water, 0 to 50 [mL/L].
    new_water_ml : float
        New water only, >= 0 [mL]: what is kept has had its dose.

    Returns
    -------
    float
        Of each part [mL].

    Raises
    ------
    DensitycamError
        For a rate out of range.
    """
    if not 0 <= label_ml_per_l <= LABEL_TOP_ML_PER_L:
        raise DensitycamError(
            f"A nutrient dose of {label_ml_per_l:g} mL/L is not possible.",
            "Give the millilitres of each part per litre that its label says, such as 0.5.",
        )
    return label_ml_per_l * new_water_ml / 1000.0


def carbon_per_cell_pg(facts: SpeciesFacts) -> float:
    """Return the carbon in one cell of usual size, taken as a sphere [pg].

    Parameters
    ----------
    facts : SpeciesFacts
        Its size in micrometres, and whether it is a diatom, which needs silicate.

    Notes
    -----
    a x volume^b (Menden-Deuer & Lessard 2000, see `DIATOM_CARBON`); of the size's range the
    geometric mean is the diameter.
    """
    diameter = math.sqrt(facts.size_low_um * facts.size_high_um)
    factor, power = DIATOM_CARBON if facts.needs_silicate else OTHER_CARBON
    return float(factor * (math.pi / 6.0 * diameter**3) ** power)


def nitrogen_per_cell_pg(facts: SpeciesFacts) -> tuple[float, float]:
    """Return the nitrogen in one cell, starved and well fed [pg].

    Parameters
    ----------
    facts : SpeciesFacts
        As in `carbon_per_cell_pg`.
    """
    carbon = carbon_per_cell_pg(facts)
    ratio = NITROGEN_G_PER_MOL / CARBON_G_PER_MOL
    return carbon * ratio / STARVED_C_TO_N, carbon * ratio / FED_C_TO_N


def nitrogen_ceiling(
    *,
    facts: SpeciesFacts,
    density_after: float,
    new_share: float,
    nitrogen_mg_per_l: float = F2_NITROGEN_MG_PER_L,
) -> tuple[float, float]:
    """Return the density that the nitrogen in the new water can feed.

    Parameters
    ----------
    facts : SpeciesFacts
        Gives the cell's size.
    density_after : float
        Right after the top-up, >= 0 [cells/mL].
    new_share : float
        New water over culture, 0 to 1.
    nitrogen_mg_per_l : float, default that of f/2
        In the new water once dosed, >= 0 [mg/L].

    Returns
    -------
    fed, starved : float
        While cells stay well fed, and when they run out [cells/mL]. What was left over in the
        kept culture is not counted. Good to a factor of two: cells differ.

    Raises
    ------
    DensitycamError
        For a value out of range.
    """
    if not (density_after >= 0 and 0 <= new_share <= 1 and 0 <= nitrogen_mg_per_l < math.inf):
        raise DensitycamError(
            f"No nitrogen ceiling for {density_after:g} cells/mL, a share of {new_share:g} of new "
            f"water and {nitrogen_mg_per_l:g} mg/L of nitrogen.",
            "Give a density and a nitrogen content from 0 on, and a share from 0 to 1.",
        )
    starved_pg, fed_pg = nitrogen_per_cell_pg(facts)
    # 1 mg/L is 1e6 pg/mL.
    new = 1e6 * nitrogen_mg_per_l * new_share
    return density_after + new / fed_pg, density_after + new / starved_pg
