"""`densitycam bottle`: a harvest goes into the cold with its photo's density, and out again."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import pytest

ON = ("--when", "2026-04-04 18:00")


@pytest.fixture(autouse=True)
def at_five_days(monkeypatch: pytest.MonkeyPatch):
    """Let it be the evening of 5 April, so that no bottle of the tests is of the future or old."""
    monkeypatch.setattr("densitycam.cli.bottle.now", lambda: datetime(2026, 4, 5, 20))


@pytest.fixture
def snapped(run, slim, photo_stock) -> dict:
    """Snap the photo of 4 April, 8:30."""
    return json.loads(run("snap", photo_stock["day4"], "--vessel", slim, "--json").output)


def test_a_bottle_has_the_density_of_the_last_photo(run, slim, snapped):
    estimate = snapped["estimate"]
    kept = json.loads(run("bottle", "add", "--vessel", slim, "--ml", "300", *ON, "--json").output)
    assert kept == {
        "species": "nannochloropsis",
        "filled_at": "2026-04-04 18:00:00",
        "volume_ml": 300.0,
        "cells_per_ml": estimate["cells_per_ml"],
        "low": estimate["low"],
        "high": estimate["high"],
        "vessel": "slim",
        "suspect": False,
        "uses": [],
        "number": 1,
        "left_ml": 300.0,
        "use_by": "2026-04-11 18:00:00",  # 7 days, calibration/nannochloropsis/species.json
    }
    text = run("bottle", "add", "--vessel", slim, "--ml", "200", *ON).output
    assert text.startswith("Bottle 2, slim, 2026-04-04 18:00: 200 mL at ")
    assert "Density       that of day4.jpg, 2026-04-04 08:30\n" in text


@pytest.mark.parametrize(
    ("when", "why"),
    [
        ("2026-04-06 09:00", "the photo is two days old"),
        ("2026-04-04 07:00", "the photo was taken later"),
    ],
)
def test_without_a_photo_near_enough_the_density_is_not_guessed(run, slim, snapped, when, why):
    words = ("bottle", "add", "--vessel", slim, "--ml", "300", "--when", when)
    assert json.loads(run(*words, "--json").output)["cells_per_ml"] is None, why
    assert "bottle add --cells-per-ml" in " ".join(run(*words).output.split())
    given = json.loads(run(*words, "--cells-per-ml", "2.5e7", "--json").output)
    assert (given["cells_per_ml"], given["low"], given["high"]) == (2.5e7, None, None)


def test_after_a_split_or_a_new_culture_the_photo_before_it_tells_nothing(run, slim, snapped):
    words = ("bottle", "add", "--vessel", slim, "--ml", "50", *ON, "--json")
    assert json.loads(run(*words).output)["cells_per_ml"] is not None
    run("split", "--vessel", slim, "--kept-ml", "125", "--when", "2026-04-04 12:00")
    assert json.loads(run(*words).output)["cells_per_ml"] is None
    run("log", "undo")
    run("log", "undo")
    assert json.loads(run(*words).output)["cells_per_ml"] is not None
    run("log", "inoculation", "--vessel", slim, "--when", "2026-04-04 12:00")
    assert json.loads(run(*words).output)["cells_per_ml"] is None


def test_bottles_are_listed_used_and_thrown_away(run, slim, snapped):
    run("bottle", "add", "--vessel", slim, "--ml", "300", *ON)
    run("bottle", "add", "--species", "pavlova", "--ml", "400", "--cells-per-ml", "3e6",
        "--when", "2026-04-02")  # fmt: skip
    # Pavlova keeps 5 days and the other 7: it is the one to use first.
    listed = json.loads(run("bottle", "list", "--json").output)
    assert [(b["number"], b["state"]) for b in listed] == [(2, "use today"), (1, "keeps")]
    text = run("bottle", "use", "2", "--ml", "150", "--when", "2026-04-05 19:00").output
    assert text == "Bottle 2, 2026-04-05 19:00: 150 mL used; 250 mL left.\n"
    assert "250 mL at 3.0 million cells/mL" in " ".join(run("bottle", "list").output.split())
    text = run("bottle", "discard", "2", "--when", "2026-04-05").output
    assert text == "Bottle 2, 2026-04-05: 250 mL discarded; it is empty now.\n"
    assert [b["number"] for b in json.loads(run("bottle", "list", "--json").output)] == [1]
    everything = json.loads(run("bottle", "list", "--all", "--json").output)
    assert [b["state"] for b in everything] == ["keeps", "empty"]
    assert "nothing more can be taken" in run("bottle", "use", "2", exit_code=1).output
    text = run("log", "undo").output
    assert text == "Taken back: Bottle 2, 2026-04-05: 250 mL discarded, and is in it again.\n"
    assert "250 mL at" in " ".join(run("bottle", "list").output.split())


def test_a_suspect_bottle_says_so_everywhere(run, slim):
    text = run("bottle", "add", "--vessel", slim, "--ml", "300", "--suspect", *ON).output
    assert "Suspect       marked so, not to be fed\n" in text
    assert "Do not feed from it" in " ".join(run("bottle", "list").output.split())
    text = run("bottle", "use", "1", "--ml", "10", *ON).output
    assert "It is marked as suspect: do not feed from it." in text


def test_labels_are_written_with_the_bottle_and_again(run, slim, tmp_path: Path):
    first, again = tmp_path / "one.pdf", tmp_path / "two.png"
    run("bottle", "add", "--vessel", slim, "--ml", "300", *ON, "--label", first)
    run("bottle", "label", "1", "1", "--out", again)
    assert first.read_bytes().startswith(b"%PDF-")
    assert again.read_bytes().startswith(b"\x89PNG")
    for name in ("label.doc", "none/label.pdf"):
        code = 2 if name.endswith("doc") else 1
        run("bottle", "add", "--vessel", slim, "--ml", "9", "--label", tmp_path / name,
            exit_code=code)  # fmt: skip
    assert len(json.loads(run("bottle", "list", "--json").output)) == 1
    assert "no bottle 5" in run("bottle", "label", "5", "--out", again, exit_code=1).output


def test_vessel_or_species_must_be_named(run, slim):
    for extra in ((), ("--vessel", slim, "--species", "pavlova")):
        text = run("bottle", "add", "--ml", "300", *extra, exit_code=2).output
        assert "--vessel, or the species" in " ".join(text.split())
    assert "No bottle in the cold." in run("bottle", "list").output
