"""Harvest bottles: what ends first is used first, what is doubtful last or never."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from densitycam.calibration.species import load_species, species_ids
from densitycam.culture.bottles import Bottle, bottle_states, keeping_words
from densitycam.errors import DensitycamError

NOW = datetime(2024, 3, 9, 19, 0)
FACTS = {name: load_species(name) for name in species_ids()}


def bottle(label, species, days_ago, **kwargs):
    return Bottle(label, species, NOW - timedelta(days=days_ago), 900.0, 2e7, **kwargs)


def order(*bottles):
    return [s.bottle.label for s in bottle_states(bottles, FACTS, NOW)]


def test_what_ends_first_is_used_first_not_what_is_oldest():
    # Pavlova keeps 5 days, Chaetoceros 7: the younger Pavlova ends before the older Chaetoceros.
    old, young = bottle("c", "chaetoceros", 3), bottle("p", "pavlova", 2)
    assert FACTS["pavlova"].keep_cold_days == 5
    assert FACTS["chaetoceros"].keep_cold_days == 7
    assert order(old, young) == ["p", "c"]


def test_past_and_suspect_ones_come_last():
    gone, bad = bottle("gone", "pavlova", 6), bottle("bad", "pavlova", 1, suspect=True)
    fresh = bottle("fresh", "pavlova", 0)
    assert order(bad, gone, fresh) == ["fresh", "gone", "bad"]
    assert bottle_states([], FACTS, NOW) == ()


@pytest.mark.parametrize(
    ("days_ago", "state", "word"),
    [
        (0, "keeps", "shake"),
        (3, "keeps", "shake"),
        (3.5, "use today", "first"),
        (4.5, "use today", "first"),
        (5, "use today", "first"),
        (5.1, "past its time", "microscope"),
    ],
)
def test_states(days_ago, state, word):
    (found,) = bottle_states([bottle("p", "pavlova", days_ago)], FACTS, NOW)
    assert found.state == state
    assert found.days_left == pytest.approx(5 - days_ago, abs=1e-9)
    assert word in found.sentence


def test_half_a_millilitre_is_a_bottle_too():
    assert order(replace(bottle("p", "pavlova", 1), volume_ml=0.5)) == ["p"]


@pytest.mark.parametrize("species", species_ids())
def test_keeping_times_have_a_source_or_say_that_they_have_none(species):
    said = keeping_words(FACTS[species])
    assert "shaken every 2 days, never frozen" in said
    assert FACTS[species].sources["keep_cold_days"] in said
    assert ("Published" in said) == (
        species in ("nannochloropsis", "tetraselmis", "chaetoceros", "pavlova", "isochrysis")
    )
    bare = replace(FACTS[species], sources={})
    assert "common practice, no source" in keeping_words(bare)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"species": "kelp"}, "of 'kelp', of which nothing is known"),
        ({"volume_ml": 0.0}, "cannot hold 0 mL"),
        ({"volume_ml": math.nan}, "cannot hold nan mL"),
        ({"filled": NOW + timedelta(days=1)}, "filled after today"),
    ],
)
def test_refused(change, match):
    with pytest.raises(DensitycamError, match=match):
        bottle_states([replace(bottle("p", "pavlova", 1), **change)], FACTS, NOW)
