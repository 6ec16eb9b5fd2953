"""A photo's name or tag tells its vessel; two tags, or another vessel's, are said."""

from __future__ import annotations

from pathlib import Path

import pytest

from densitycam.card.tags import TAG_IDS
from densitycam.errors import DensitycamError
from densitycam.journal.sorting import contradiction, vessel_by_tag, vessel_in_name
from densitycam.journal.store import Journal
from densitycam.vessel.record import VesselRecord

VESSELS = ("jar", "jar 2", "left-jar", "Bag", "***")


@pytest.mark.parametrize(
    ("stem", "vessel"),
    [
        ("jar_2026-05-09", "jar"),
        ("jar 2 2026-05-09", "jar 2"),
        ("jar-2", "jar 2"),
        ("jar 20260509", "jar"),
        ("jars 1", None),
        ("Left Jar (3)", "left-jar"),
        ("left_jar", "left-jar"),
        ("BAG-0812", "Bag"),
        ("IMG_jar", None),
        ("", None),
    ],
)
def test_a_name_that_begins_with_the_vessels(stem, vessel):
    assert vessel_in_name(stem, VESSELS) == vessel
    assert vessel_in_name(stem, reversed(VESSELS)) == vessel


@pytest.fixture
def journal(tmp_path: Path):
    with Journal(tmp_path / "journal.sqlite") as opened:
        for name in ("jar", "bag"):
            opened.add_vessel(VesselRecord(name, "isochrysis", 800.0, 82.0))
        yield opened


def test_a_vessel_keeps_its_tag(journal: Journal):
    assert journal.give_tags(["jar"]) == {100: "jar"}
    assert journal.give_tags(["bag", "jar"]) == {100: "jar", 101: "bag"}
    assert journal.give_tags(["bag"]) == {101: "bag"}
    assert journal.tags() == {100: "jar", 101: "bag"}
    with pytest.raises(DensitycamError, match="no vessel named 'bog'"):
        journal.give_tags(["bog"])


def test_when_all_are_given_away_it_says_so(journal: Journal):
    names = [f"v{n}" for n in range(len(TAG_IDS) + 1)]
    for name in names:
        journal.add_vessel(VesselRecord(name, "isochrysis", 800.0, 82.0))
    journal.give_tags(names[:-1])
    with pytest.raises(DensitycamError, match="All 150 vessel tags"):
        journal.give_tags(names)


def test_tags_tell_the_vessel_and_two_do_not(journal: Journal):
    journal.give_tags(["jar", "bag"])
    assert vessel_by_tag(journal, (101,)) == "bag"
    assert vessel_by_tag(journal, (101, 240)) == "bag"  # of another journal
    assert vessel_by_tag(journal, (240,)) is None
    assert vessel_by_tag(journal, ()) is None
    with pytest.raises(DensitycamError, match="the tags of bag and jar"):
        vessel_by_tag(journal, (100, 101))


def test_a_tag_of_another_vessel_is_said(journal: Journal):
    journal.give_tags(["jar", "bag"])
    assert contradiction(journal, (100,), "jar") == ""
    assert contradiction(journal, (240,), "jar") == ""
    assert contradiction(journal, (100,), "bag") == (
        "It shows the tag of jar, and was kept for bag: one is wrong."
    )
