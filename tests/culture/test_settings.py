"""Thresholds from a file: every one named and sourced, the nearest section wins, faults named."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import datetime

import pytest

from densitycam.calibration.estimate import Estimate
from densitycam.calibration.species import load_species, species_ids
from densitycam.culture.advice import Growth
from densitycam.culture.readiness import RULE, Rule, decide
from densitycam.culture.settings import (
    FACTS_NUMBERS,
    read_settings,
    settings_text,
    thresholds,
    thresholds_of,
)
from densitycam.errors import DensitycamError
from densitycam.vessel.record import VesselRecord

FACTS = load_species("tetraselmis")
JAR = VesselRecord("Left jar", "tetraselmis", 1800.0, 92.0)

MINE = """
[all]
stale_days = 3          # I count on Sundays
kept_share = 0.4
[species tetraselmis]
harvest_low = 9e5
kept_share = 0.3
[vessel left jar]
harvest_low = 5e5
[vessel other]
harvest_low = 1
"""


@pytest.mark.parametrize("f", fields(Rule), ids=lambda f: f.name)
def test_every_number_of_the_rule_has_a_meaning_limits_and_a_source(f):
    about = f.metadata
    assert about["meaning"].endswith(".")
    assert about["source"]
    assert about["unit"]
    assert about["least"] <= f.default <= about["most"]


def test_the_nearest_section_wins():
    settings = read_settings(MINE, "mine.ini")
    rule, facts = thresholds_of(settings, FACTS, JAR)
    assert (rule.stale_days, rule.kept_share, facts.harvest_low) == (3.0, 0.3, 5e5)
    assert facts.sources["harvest_low"] == "mine.ini, line 9, [vessel left jar]"
    rule, facts = thresholds_of(settings, FACTS)
    assert (rule.kept_share, facts.harvest_low) == (0.3, 9e5)
    rule, facts = thresholds_of(settings, load_species("isochrysis"), replace(JAR, name="b"))
    assert (rule.kept_share, facts) == (0.4, load_species("isochrysis"))


@pytest.mark.parametrize(
    ("name", "least", "most"),
    # Our own choices; salt water formulas hold from 0 to 40 degrees C.
    [
        ("ceiling_share", 0.1, 0.95), ("thin_share", 0.0, 1.0), ("usual_days", 0.5, 60.0),
        ("stale_days", 0.25, 14.0), ("longest_forecast_days", 1.0, 90.0),
        ("kept_share", 0.02, 0.98), ("temperature_c", 0.0, 40.0), ("label_ml_per_l", 0.0, 50.0),
        ("nitrogen_mg_per_l", 0.0, 1000.0),
    ],
)  # fmt: skip
def test_at_both_ends_of_what_may_be_set_there_is_an_answer_and_beyond_it_is_refused(
    name, least, most
):
    growth = Growth(0.45, 0.35, 0.55, 0.65, "exponential", 5, 5.0, "It rises.")
    for value in (least, most):
        rule, facts = thresholds_of(read_settings(f"[all]\n{name} = {value}"), FACTS, JAR)
        assert getattr(rule, name) == value
        for density, action in ((1e6, "harvest"), (3e5, "wait")):
            estimate = Estimate("measured", density, 9e5, 1.1e6, 0.05, "t", 3, True)
            advice = decide(
                estimate=estimate, flags=(), growth=growth, facts=facts, vessel=JAR, rule=rule,
                now=datetime(2024, 3, 9, 19),
            )  # fmt: skip
            assert advice.action == action
    for value in (least - 0.01, most * 1.01):
        with pytest.raises(DensitycamError, match=f"{name} cannot be"):
            read_settings(f"[all]\n{name} = {value}")


def test_nothing_set_changes_nothing():
    for text in ("", "# only a comment\n", "[all]\n", settings_text([FACTS])):
        assert thresholds_of(read_settings(text), FACTS, JAR) == (RULE, FACTS)


@pytest.mark.parametrize("species", species_ids())
def test_the_file_it_writes_names_every_threshold_and_can_be_set(species):
    facts = load_species(species)
    text = settings_text([facts])
    for name in (*(f.name for f in fields(Rule)), *FACTS_NUMBERS):
        assert f"# {name} = " in text
    assert max(map(len, text.splitlines())) <= 100
    # As it would be with every "#" before a number taken away: the same thresholds again.
    names = {*(f.name for f in fields(Rule)), *FACTS_NUMBERS}
    bare = "\n".join(
        line[2:] if line[2:].split(" = ")[0] in names else line for line in text.splitlines()
    )
    settings = read_settings(bare)
    assert len(settings.sections[f"species {species}"]) == len(FACTS_NUMBERS)
    rule, same = thresholds_of(settings, facts)
    assert rule == RULE
    assert replace(same, sources=facts.sources) == facts


def test_what_is_set_decides():
    growth = Growth(0.45, 0.35, 0.55, 0.65, "exponential", 5, 5.0, "It rises.")
    estimate = Estimate("measured", 6e5, 5e5, 7e5, 0.1, "t", 3, True)

    def ask(rule, facts):
        return decide(
            estimate=estimate, flags=(), growth=growth, facts=facts, vessel=JAR, rule=rule,
            now=datetime(2024, 3, 9, 19),
        )  # fmt: skip

    assert ask(RULE, FACTS).action == "wait"
    advice = ask(*thresholds_of(read_settings(MINE), FACTS, JAR))
    assert advice.action == "harvest"
    assert advice.plan.keep_ml == pytest.approx(540.0, rel=1e-12)


def test_the_plan_goes_by_what_is_set():
    text = """[species tetraselmis]
temperature_c = 18
label_ml_per_l = 0.6    # both parts
salinity_g_per_kg = 33
nitrogen_mg_per_l = 25
"""
    rule, facts = thresholds_of(read_settings(text), FACTS, JAR)
    growth = Growth(0.45, 0.35, 0.55, 0.65, "exponential", 5, 5.0, "It rises.")
    estimate = Estimate("measured", 1e6, 9e5, 1.1e6, 0.05, "t", 3, True)
    given = {"estimate": estimate, "flags": (), "growth": growth, "vessel": JAR,
             "now": datetime(2024, 3, 9, 19)}  # fmt: skip
    plan = decide(facts=facts, rule=rule, **given).plan
    shipped = decide(facts=FACTS, **given).plan
    assert (plan.temperature_c, plan.salinity_g_per_kg) == (18.0, 33.0)
    # 0.6 mL/L on the new three quarters of 1800 mL.
    assert plan.nutrient_ml_each == pytest.approx(0.6 * 1.35, rel=1e-12)
    assert plan.nitrogen_fed > 1.5 * shipped.nitrogen_fed
    # By the label where no dose is entered.
    assert not shipped.nutrient_ml_each > 0


def test_every_threshold_in_force_is_told_with_its_source():
    told = {t.name: t for t in thresholds(read_settings(MINE, "mine.ini"), FACTS, JAR)}
    assert set(told) == {f.name for f in fields(Rule)} | set(FACTS_NUMBERS)
    assert (told["kept_share"].value, told["kept_share"].source) == (
        0.3, "mine.ini, line 7, [species tetraselmis]",
    )  # fmt: skip
    assert told["harvest_low"].source == "mine.ini, line 9, [vessel left jar]"
    assert told["harvest_high"].source == FACTS.sources["harvest_high"]
    assert told["usual_days"].source == "common practice, no source"


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("\nstale_days = 3", "mine.ini, line 2: stale_days stands before the first section"),
        ("[all]\nstale_days", "mine.ini, line 2: 'stale_days' sets nothing"),
        ("[everything]\n", r"line 1: \[everything\] is no section"),
        ("[vessel]\n", r"line 1: \[vessel\] is no section"),
        ("[all jars]\n", r"line 1: \[all jars\] is no section"),
        ("[vessel left jar\n", r"line 1: \[vessel left jar is no section"),
        ("[all]\n\n[ALL]\n", r"line 3: the section \[ALL\] was begun in line 1 already"),
        ("[all]\nharvest_lo = 1", "line 2: 'harvest_lo' is not known. Did you mean 'harvest_low'"),
        ("[all]\nxyzzy = 1", "Known are ceiling_share"),
        ("[all]\nstale_days = 2\nstale_days = 3", "line 3: stale_days was set in line 2 already"),
        ("[all]\nstale_days = two", "stale_days cannot be 'two'. Give a number from 0.25 to 14"),
        ("[all]\nkept_share = 1.0", "from 0.02 to 0.98"),
        ("[all]\nharvest_low = 0", "harvest_low cannot be '0'. Give a number from 0 to 1e10"),
        ("[all]\nharvest_low = nan", "harvest_low cannot be 'nan'"),
        ("[all]\nharvest_low = 1e6 cells", "without the unit"),
        ("[vessel lefd jar]", "line 1: there is no vessel named 'lefd jar'. Did you mean 'Left"),
        ("[species zzz]", "line 1: there is no species named 'zzz'. Known are isochrysis"),
    ],
)
def test_faults_are_named_with_their_line(text, match):
    with pytest.raises(DensitycamError, match=match) as caught:
        read_settings(text, "mine.ini", species=species_ids()[3:], vessels=["Left jar"])
    assert "\n" not in str(caught.value)


def test_a_vessel_may_be_named_with_a_number_sign():
    text = "[vessel jar #2]   # [the small one]\nkept_share = 0.3 # less\n"
    assert read_settings(text).sections == {"vessel jar #2": {"kept_share": 0.3}}


def test_a_band_must_have_its_edges_in_order():
    settings = read_settings("[vessel left jar]\nharvest_low = 9e6", "mine.ini")
    with pytest.raises(DensitycamError, match="For Left jar, harvest_low is 9e6 and harvest_high "
                       r"2e6 \(mine.ini, line 2,"):  # fmt: skip
        thresholds_of(settings, FACTS, JAR)
