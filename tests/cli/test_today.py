"""`densitycam today`: from the journal alone, by urgency, splits spread over days, bottles."""

from __future__ import annotations

import json
import math
import re
from datetime import timedelta

import pytest
from seen_photos import BEGIN, photo, refused

from densitycam.journal.bottle_records import BottleRecord
from densitycam.journal.logbook import EndRecord
from densitycam.journal.store import Journal, SplitRecord
from densitycam.vessel.record import VesselRecord

#: Bands far apart from what the invented readings give, with wide room above.
BAND = "[all]\nharvest_low = 2e5\nharvest_high = 2e7\n"


def day(days: float) -> str:
    return f"{BEGIN + timedelta(days=days):%Y-%m-%d %H:%M}"


@pytest.fixture
def journal(tmp_path, monkeypatch):
    monkeypatch.setenv("DENSITYCAM_JOURNAL", str(tmp_path / "journal.sqlite"))
    (tmp_path / "journal.settings.ini").write_text(BAND)
    with Journal(tmp_path / "journal.sqlite") as opened:
        yield opened


def fill(journal, name, first, days=6, rate=0.4, last_flags=()):
    """A vessel that grows from a density on for some days."""
    journal.add_vessel(VesselRecord(name, "tetraselmis", 900.0, 60.0))
    for n in range(days):
        flags = last_flags if n == days - 1 else ()
        journal.put_photo(photo(n, first * math.exp(rate * n), vessel=name, flags=flags))


def told(run, days):
    found = json.loads(run("today", "--when", day(days), "--json").output)
    return {v["vessel"]: v for v in found["vessels"]}, found["bottles"]


def test_an_empty_journal_says_what_to_do(run):
    assert "No vessel yet" in run("today").output


def test_vessels_are_listed_by_urgency_in_80_columns(run, journal):
    fill(journal, "thin", 2e4)
    fill(journal, "ripe", 1e5)
    fill(journal, "a vessel with a very long name", 1e5, last_flags=("settled", "foam"))
    fill(journal, "long ago", 1e5, days=3)
    journal.add_vessel(VesselRecord("new", "isochrysis", 500.0, 60.0))
    text = run("today", "--when", day(5.2)).output
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    starts = [text.index(f"\n{n}") for n in ("a vess", "ripe", "long ago", "thin")]
    assert starts == sorted(starts)
    row = next(line for line in lines if line.startswith("ripe"))
    assert row.endswith(" split today")
    assert " today " in row
    assert re.search(r" 0\.5\d growing ", row)  # near 0.4/ln 2 a day
    old = next(line for line in lines if line.startswith("long ago"))
    assert " 3 d " in old
    assert old.endswith("take a photo")
    assert any(line.startswith("new            none ") for line in lines)
    assert "swirl, photo again; settled" in " ".join(text.split())
    assert "Keep 225 mL, harvest 675 mL" in text
    assert "Plugs out before you pour" in text


def test_an_old_photo_decides_nothing(run, journal):
    fill(journal, "jar", 2e5)
    assert told(run, 5.5)[0]["jar"]["advice"]["action"] == "harvest"
    assert told(run, 6.9)[0]["jar"]["advice"]["action"] == "harvest"
    old = told(run, 7.1)[0]["jar"]
    assert old["advice"]["action"] == "cannot-tell"
    assert old["advice"]["plan"] is None
    assert old["age_days"] == pytest.approx(2.1, abs=0.01)


def test_two_ripe_vessels_are_not_split_on_one_day(run, journal):
    fill(journal, "left", 2e5)
    fill(journal, "right", 3e5)
    vessels, _ = told(run, 5.2)
    assert [v["split_today"] for v in vessels.values()] == [True, False]
    assert list(vessels) == ["right", "left"]  # the denser one first
    assert vessels["left"]["do"] == "split tomorrow"
    assert "not all are split on one day" in vessels["left"]["why_then"]
    assert "Mix its water today: 675 mL" in " ".join(
        run("today", "--when", day(5.2)).output.split()
    )
    assert "\nleft: Ripe: split it tomorrow.\n" in run("today", "--when", day(5.2)).output
    # Once the first is split and logged, the other still waits for tomorrow.
    run("split", "--vessel", "right", "--kept-ml", "225", "--when", day(5.25))
    vessels, _ = told(run, 5.3)
    assert vessels["left"]["do"] == "split tomorrow"
    assert told(run, 6.2)[0]["left"]["do"] == "split today"


def test_a_split_since_the_photo_is_reckoned_with(run, journal):
    fill(journal, "jar", 2e5)
    before = told(run, 5.1)[0]["jar"]
    assert before["do"] == "split today"
    # Of the day only: it counts as after that day's photo, although that is later than now.
    journal.add_split(SplitRecord("jar", (BEGIN + timedelta(days=5)).replace(hour=0), 90.0, 900.0))
    after = told(run, 5.1)[0]["jar"]
    assert after["new_water_since"]
    for limit in ("cells_per_ml", "low", "high"):
        assert after["estimate"][limit] == pytest.approx(before["estimate"][limit] / 10, rel=1e-12)
    assert after["advice"]["action"] == "wait"
    assert after["growth"]["days_since_split"] < 1


def test_a_photo_that_was_not_measured_is_told(run, journal):
    fill(journal, "jar", 1e4)
    journal.put_photo(refused(5.5))
    text = " ".join(run("today", "--when", day(5.6)).output.split())
    assert "; last photo not measured" in text
    assert text.endswith("jar: The photo of 2026-03-06 20:00 was not measured: Too soft.")
    assert told(run, 5.4)[0]["jar"]["not_measured"] is None
    assert told(run, 5.6)[0]["jar"]["not_measured"]["problem"] == "Too soft."


def test_an_ended_culture_comes_last_and_asks_for_nothing(run, journal):
    fill(journal, "gone", 2e6)
    fill(journal, "jar", 1e4)
    journal.add_to_log(EndRecord("gone", BEGIN + timedelta(days=5, hours=1), "cleaned"))
    vessels, _ = told(run, 5.2)
    assert list(vessels) == ["jar", "gone"]
    assert vessels["gone"]["do"] == "ended"
    assert "gone:" not in run("today", "--when", day(5.2)).output


def test_bottles_in_the_cold_say_which_first_which_to_shake_which_are_past(run, journal):
    fill(journal, "jar", 1e4)
    for days, species, suspect in (
        (4, "isochrysis", False),
        (0, "Tetraselmis", False),
        (-9, "Tetraselmis", False),
        (3, "Tetraselmis", True),
    ):
        journal.add_bottle(
            BottleRecord(species, BEGIN + timedelta(days=days), 250.0, 1e6, suspect=suspect)
        )
    text = run("today", "--when", day(5.2)).output
    assert max(map(len, text.splitlines())) <= 80
    said = " ".join(text.partition("In the cold")[2].split())
    assert said.startswith("Use first Bottle 2: Tetraselmis")  # a day and a half less than bottle 1
    assert "Then bottle 1 Shake bottle 2, 1, gently" in said
    assert "Past Bottle 3" in said
    assert "Do not use Bottle 4" in said
    _, bottles = told(run, 5.2)
    assert [b["number"] for b in bottles] == [2, 1, 3, 4]
    assert told(run, -1)[1][0]["number"] == 3  # the others were not filled yet
