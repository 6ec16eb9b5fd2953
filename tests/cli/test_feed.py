"""`densitycam feed`: a day's millilitres from a vessel, a bottle or a density; nonsense refused."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from seen_photos import BEGIN, photo

from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.store import Journal
from densitycam.vessel.record import VesselRecord

TANK = ("feed", "--tank-l", "100", "--target")


@pytest.fixture
def journal(tmp_path, monkeypatch):
    monkeypatch.setenv("DENSITYCAM_JOURNAL", str(tmp_path / "journal.sqlite"))
    monkeypatch.setattr("densitycam.cli.feed.now", lambda: BEGIN + timedelta(days=5, hours=3))
    (tmp_path / "journal.settings.ini").write_text("[all]\nharvest_low = 2e5\nharvest_high = 2e7\n")
    with Journal(tmp_path / "journal.sqlite") as opened:
        opened.add_vessel(VesselRecord("jar", "tetraselmis", 900.0, 60.0))
        for day in range(6):
            opened.put_photo(photo(day, 3e5 * 1.3**day))
        yield opened


def test_a_given_density(run, journal):
    # V = Vt (ct - c0)/(ch - ct): 100 L to 5e4 from 5e6 is 1010 mL (computed).
    text = run(*TANK, "5e4", "--cells-per-ml", "5e6", "--ml", "3100").output
    assert "Feed          1010 mL a day, about 5.1 billion cells" in text
    assert "Start with    253 mL a day" in text
    assert "3.1 feeds, 3 days at one a day" in text
    assert "not for people to eat" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


def test_a_vessels_harvest_has_the_interval_of_its_density(run, journal):
    found = json.loads(run(*TANK, "2e3", "--vessel", "jar", "--json").output)
    plan, harvest = found["plan"], found["from"]
    assert plan["volume_low_ml"] < plan["volume_ml"] < plan["volume_high_ml"]
    assert plan["volume_ml"] == pytest.approx(
        1e5 * 2e3 / (harvest["cells_per_ml"] - 2e3), rel=1e-12
    )
    assert harvest["ml"] == 900 * 0.75 - 45  # less the starter
    text = run(*TANK, "2e3", "--vessel", "jar").output
    assert "(95 %: " in text
    assert "jar, 2026-03-06 08:00: " in text


def test_a_tank_that_holds_enough_gets_nothing(run, journal):
    text = run(*TANK, "5e4", "--present", "6e4", "--cells-per-ml", "5e6").output
    assert "nothing today" in text
    assert "With care" not in text


def test_a_bottle(run, journal):
    journal.add_bottle(BottleRecord("tetraselmis", BEGIN, 250.0, 1e6, 8e5, 1.2e6, "jar"))
    text = " ".join(run(*TANK, "1e3", "--bottle", "1").output.split())
    assert "bottle 1, tetraselmis: 250 mL at 1.0 million cells/mL" in text
    assert "2.5 feeds, 2 days at one a day" in text  # two days of its week are left
    assert "Log what you take" in text


@pytest.mark.parametrize(
    ("bottle", "match"),
    [
        (BottleRecord("tetraselmis", BEGIN - timedelta(days=9), 250.0, 1e6), "past its time"),
        (BottleRecord("tetraselmis", BEGIN, 250.0, 1e6, suspect=True), "Do not feed from it"),
        (BottleRecord("tetraselmis", BEGIN, 250.0), "Give it with --cells-per-ml"),
    ],
)
def test_a_bottle_that_is_not_to_be_fed_is_refused(run, journal, bottle, match):
    journal.add_bottle(bottle)
    assert match in run(*TANK, "1e3", "--bottle", "1", exit_code=1).output


def test_an_empty_bottle_is_refused(run, journal):
    journal.add_bottle(BottleRecord("tetraselmis", BEGIN, 250.0, 1e6))
    journal.take_from_bottle(1, done_at=BEGIN + timedelta(days=1))
    assert "Bottle 1 is empty" in run(*TANK, "1e3", "--bottle", "1", exit_code=1).output


def test_a_suspect_old_or_unknown_culture_is_refused(run, journal, monkeypatch):
    monkeypatch.setattr("densitycam.cli.feed.now", lambda: BEGIN + timedelta(days=9))
    text = run(*TANK, "1e3", "--vessel", "jar", exit_code=1).output
    assert "no photo of the last 2 days" in text
    journal.put_photo(photo(8.9, 1.2e6, flags=("settled",)))
    text = run(*TANK, "1e3", "--vessel", "jar", exit_code=1).output
    assert "Do not feed from jar: Swirl it gently" in text
    journal.put_photo(photo(8.95, 9e6))
    text = run(*TANK, "1e3", "--vessel", "jar", exit_code=1).output
    assert "is not known: more than" in text


@pytest.mark.parametrize(
    ("words", "exit_code", "match"),
    [
        (("--target", "5e4"), 2, "Say what to feed from"),
        (("--target", "5e4", "--vessel", "jar", "--bottle", "1"), 2, "Say what to feed from"),
        (("--target", "5e4", "--cells-per-ml", "4e4"), 1, "no denser than the target"),
        (("--target", "5e4", "--cells-per-ml", "1e5"), 1, "100 % of the tank"),
        (("--target", "-5", "--cells-per-ml", "1e5"), 2, "must be above 0"),
        (("--target", "nan", "--cells-per-ml", "1e5"), 2, "must be above 0"),
    ],
)
def test_nonsense_is_refused(run, journal, words, exit_code, match):
    assert match in run("feed", "--tank-l", "100", *words, exit_code=exit_code).output


def test_the_first_feed_is_one_number(run, journal):
    words = ("feed", "--tank-l", "100", "--target", "5e4", "--cells-per-ml", "1e7", "--ml", "500")
    text = " ".join(run(*words).output.split())
    assert "Start with 126 mL a day" in text
    assert "Begin with 126 mL a day" in text
