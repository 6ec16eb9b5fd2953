"""Salt water against TEOS-10 and against UNESCO 1983."""

from __future__ import annotations

import math

import pytest

from densitycam.calibration.species import load_species
from densitycam.culture.advice import Growth
from densitycam.culture.split import salt_water, split_plan
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

#: Reference-composition salinity over practical salinity [g/kg] (Millero et al. 2008, Deep-Sea
#: Research I 55, 50-72).
G_PER_KG_PER_PSS = 35.16504 / 35.0


@pytest.mark.parametrize(
    ("practical", "kg_per_m3", "gravity_20", "salt_g_per_l"),
    [
        # TEOS-10 at 20 degrees C through gsw, and SG 20/20 from its ratio.
        (35, 1024.7654, 1.02661, 36.036),
        (30, 1020.9577, 1.02279, 30.773),
        (25, 1017.1577, 1.01898, 25.549),
    ],
)
def test_teos_10(practical, kg_per_m3, gravity_20, salt_g_per_l):
    salinity = practical * G_PER_KG_PER_PSS
    density, gravity = salt_water(salinity_g_per_kg=salinity, temperature_c=20.0)
    assert 1000 * density == pytest.approx(kg_per_m3, abs=1e-3)
    assert gravity == pytest.approx(gravity_20, abs=6e-6)
    assert salinity * density == pytest.approx(salt_g_per_l, abs=1e-3)


@pytest.mark.parametrize(("practical", "gravity_25"), [(35, 1.02637)])
def test_specific_gravity_at_25(practical, gravity_25):
    # SG 25/25, TEOS-10. A 25/4 scale read as 25/25 would be four salinity units off.
    _, gravity = salt_water(salinity_g_per_kg=practical * G_PER_KG_PER_PSS, temperature_c=25.0)
    assert gravity == pytest.approx(gravity_25, abs=6e-6)


@pytest.mark.parametrize(
    ("practical", "t68", "kg_per_m3"),
    [
        # UNESCO Technical Papers in Marine Science 44 (1983), check values at atmospheric pressure.
        (35, 5, 1027.67547),
        (35, 25, 1023.34306),
        (0, 25, 997.04796),
    ],
)
def test_unesco_1983(practical, t68, kg_per_m3):
    density, _ = salt_water(
        salinity_g_per_kg=practical * G_PER_KG_PER_PSS,
        temperature_c=t68 / 1.00024,  # its temperatures are IPTS-68
    )
    # The two equations of state are separate fits; they agree to a few g per m3.
    assert 1000 * density == pytest.approx(kg_per_m3, abs=5e-3)


def test_salt_of_a_plan():
    growth = Growth(0.5, 0.4, 0.6, 0.72, "exponential", 5, 7.0, "")
    plan = split_plan(
        density=3e7,
        vessel=VesselRecord("a", "nannochloropsis", 2000.0, 90.0),
        facts=load_species("nannochloropsis"),
        growth=growth,
        kept_share=0.5,
        salinity_g_per_kg=35 * G_PER_KG_PER_PSS,
    )
    # One litre of top-up: 36.036 g/L, TEOS-10 as above.
    assert plan.salt_g == pytest.approx(36.036, abs=1e-3)
    assert plan.specific_gravity == pytest.approx(1.02661, abs=6e-6)


def test_fresh_water():
    density, gravity = salt_water(salinity_g_per_kg=0.0, temperature_c=20.0)
    assert gravity == 1.0
    assert density == pytest.approx(0.9982, abs=5e-5)  # handbook value of pure water at 20 C


@pytest.mark.parametrize(
    ("salinity", "temperature", "match"),
    [
        (-1.0, 20.0, "salinity of -1"),
        (121.0, 20.0, "salinity of 121"),
        (math.nan, 20.0, "salinity of nan"),
        (30.0, -2.0, "temperature of -2"),
        (30.0, 68.0, "temperature of 68"),
    ],
)
def test_out_of_range(salinity, temperature, match):
    with pytest.raises(DensitycamError, match=match):
        salt_water(salinity_g_per_kg=salinity, temperature_c=temperature)
