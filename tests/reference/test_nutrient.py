"""f/2 against its published molarities, and nitrogen a cell against tabulated cell masses."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from densitycam.calibration.species import load_species, species_ids
from densitycam.culture.nutrient import (
    F2_NITROGEN_MG_PER_L,
    F2_SODIUM_NITRATE_MG_PER_L,
    SODIUM_NITRATE_G_PER_MOL,
    carbon_per_cell_pg,
    nitrogen_ceiling,
    nitrogen_per_cell_pg,
    two_part_dose_ml,
)
from densitycam.errors import DensitycamError


def test_f2_nitrate():
    # R. R. L. Guillard 1975, in Culture of Marine Invertebrate Animals: 75 mg/L of NaNO3 (read in a
    # university's recipe) is 8.82e-4 M (from memory); its further digits and 12.36 mg/L of nitrogen
    # are computed.
    molar = F2_SODIUM_NITRATE_MG_PER_L / 1000 / SODIUM_NITRATE_G_PER_MOL
    assert molar == pytest.approx(8.8241e-4, rel=1e-4)
    assert pytest.approx(12.36, abs=0.005) == F2_NITROGEN_MG_PER_L


@pytest.mark.parametrize(
    ("species", "organic_pg"),
    [
        # Organic mass of a cell: FAO Fisheries Technical Paper 471, table 1 (from memory).
        ("tetraselmis", 200.0),
        ("dunaliella", 85.0),
        ("isochrysis", 21.5),
        ("pavlova", 21.5),
        ("thalassiosira", 22.0),
        ("chaetoceros", 7.0),
    ],
)
def test_carbon_from_size_agrees_with_tabulated_mass(species, organic_pg):
    # About half of organic mass is carbon (from memory). Species' sizes span a factor of two, so
    # that mass from size is good to a factor of two.
    ratio = carbon_per_cell_pg(load_species(species)) / (0.5 * organic_pg)
    assert 0.5 < ratio < 2.0


@pytest.mark.parametrize(
    ("species", "pg"),
    # A sphere of 10 um holds 523.6 um3; 0.288 x V^0.811 in a diatom, 0.216 x V^0.939 in others
    # (Menden-Deuer & Lessard 2000, from memory), computed.
    [("chaetoceros", 46.18), ("isochrysis", 77.20)],
)
def test_carbon_of_a_ten_micron_cell(species, pg):
    facts = replace(load_species(species), size_low_um=10.0, size_high_um=10.0)
    assert carbon_per_cell_pg(facts) == pytest.approx(pg, abs=0.005)


@pytest.mark.parametrize("species", species_ids())
def test_cells_that_are_starved_hold_half_the_nitrogen(species):
    facts = load_species(species)
    starved, fed = nitrogen_per_cell_pg(facts)
    assert starved == pytest.approx(fed / 2, rel=1e-12)
    # Redfield 106:16 by atoms is 5.68 by mass (computed).
    assert carbon_per_cell_pg(facts) / fed == pytest.approx(5.681, abs=1e-3)


def test_the_ceiling_is_a_mass_balance():
    facts = load_species("isochrysis")
    fed, starved = nitrogen_ceiling(facts=facts, density_after=2e6, new_share=0.75)
    per_cell = nitrogen_per_cell_pg(facts)[1]
    assert (fed - 2e6) * per_cell / 1e6 == pytest.approx(0.75 * 12.36, rel=1e-3)
    assert starved - 2e6 == pytest.approx(2 * (fed - 2e6), rel=1e-12)
    # FAO 471 and Laing 1991 (from memory) harvest T-Iso at 1e7 on a medium about as rich: inside.
    assert fed < 1e7 < starved
    none = nitrogen_ceiling(facts=facts, density_after=2e6, new_share=0.75, nitrogen_mg_per_l=0)
    assert none == (2e6, 2e6)
    assert nitrogen_ceiling(facts=facts, density_after=2e6, new_share=0.0) == (2e6, 2e6)


def test_dose():
    assert two_part_dose_ml(label_ml_per_l=0.5, new_water_ml=1300.0) == 0.65
    assert two_part_dose_ml(label_ml_per_l=0.0, new_water_ml=1300.0) == 0.0
    assert two_part_dose_ml(label_ml_per_l=50.0, new_water_ml=1000.0) == 50.0


@pytest.mark.parametrize("rate", [-0.1, 51.0, math.nan, math.inf])
def test_doses_that_cannot_be(rate):
    with pytest.raises(DensitycamError, match="nutrient dose of"):
        two_part_dose_ml(label_ml_per_l=rate, new_water_ml=1000.0)


@pytest.mark.parametrize(
    "change",
    [
        {"density_after": -1.0},
        {"new_share": 1.2},
        {"nitrogen_mg_per_l": math.nan},
        {"nitrogen_mg_per_l": math.inf},
    ],
)
def test_ceilings_that_cannot_be(change):
    given = {"facts": load_species("isochrysis"), "density_after": 1e6, "new_share": 0.5}
    with pytest.raises(DensitycamError, match="No nitrogen ceiling"):
        nitrogen_ceiling(**(given | change))


def test_the_density_that_a_known_nitrate_fed():
    # Fabregas, Herrero, Cabezas & Abalde 1986, Aquaculture 53:101, abstract: Isochrysis galbana
    # reached 65.5e6 cells/mL and 374 ug/mL of protein on 4 mmol/L of nitrate, all of which was
    # turned into protein. The copy we read has lost the exponent; 5.7 pg of protein a cell shows
    # which it is.
    nitrogen_mg_per_l = 4 * 14.007
    assert nitrogen_mg_per_l * 6.25 == pytest.approx(374, rel=0.1)  # protein is 16 % nitrogen
    fed, starved = nitrogen_ceiling(
        facts=load_species("isochrysis"), density_after=0.0, new_share=1.0,
        nitrogen_mg_per_l=nitrogen_mg_per_l,
    )  # fmt: skip
    # Cells that run out end near our ceiling of starved ones, good to its stated factor of two.
    assert fed < 65.5e6
    assert 0.5 < starved / 65.5e6 < 2.0
