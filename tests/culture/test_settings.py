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
    assert facts.sources["harvest_low"] == "mine.ini, [vessel left jar]"
    rule, facts = thresholds_of(settings, FACTS)
    assert (rule.kept_share, facts.harvest_low) == (0.3, 9e5)
    rule, facts = thresholds_of(settings, load_species("isochrysis"), replace(JAR, name="b"))
    assert (rule.kept_share, facts) == (0.4, load_species("isochrysis"))


def test_nothing_set_changes_nothing():
    for text in ("", "# only a comment\n", "[all]\n", settings_text(FACTS)):
        assert thresholds_of(read_settings(text), FACTS, JAR) == (RULE, FACTS)


@pytest.mark.parametrize("species", species_ids())
def test_the_file_it_writes_names_every_threshold_and_can_be_set(species):
    facts = load_species(species)
    text = settings_text(facts)
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


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("stale_days = 3", "mine.ini cannot be read: File contains no section headers"),
        ("[all]\nstale_days", "mine.ini cannot be read"),
        ("[everything]\n", r"a section \[everything\]"),
        ("[vessel]\n", r"a section \[vessel\]"),
        ("[all]\n[ALL]\n", r"has \[ALL\] twice"),
        ("[all]\nharvest_lo = 1", "Did you mean 'harvest_low'"),
        ("[all]\nxyzzy = 1", "Known are ceiling_share"),
        ("[all]\nstale_days = two", "sets stale_days to 'two'. Give a number from 0.25 to 14"),
        ("[all]\nkept_share = 1.0", "from 0.02 to 0.98"),
        ("[all]\nharvest_low = 0", "sets harvest_low to '0'"),
        ("[all]\nharvest_low = nan", "sets harvest_low to 'nan'"),
        ("[all]\nharvest_low = 1e6 cells", "without the unit"),
    ],
)
def test_faults_are_named(text, match):
    with pytest.raises(DensitycamError, match=match):
        read_settings(text, "mine.ini")


def test_a_band_must_have_its_edges_in_order():
    settings = read_settings("[vessel left jar]\nharvest_low = 9e6", "mine.ini")
    with pytest.raises(DensitycamError, match=r"For Left jar, harvest_low is 9e\+06"):
        thresholds_of(settings, FACTS, JAR)
