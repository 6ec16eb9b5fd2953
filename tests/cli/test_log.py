"""`densitycam log` keeps what was said, corrects it, takes it back, and growth listens."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

#: For each kind a line as a keeper would type it, what the answer says, and the fields kept.
LINES = {
    "inoculation": (
        ["--source", "slant 3", "--cells-per-ml", "4e5"],
        "inoculated from slant 3, 0.40 million cells/mL.",
        {"source": "slant 3", "cells_per_ml": 4e5},
    ),
    "end": (
        ["--reason", "turned milky"],
        "culture ended: turned milky.",
        {"reason": "turned milky"},
    ),
    "top-up": (["--ml", "60"], "topped up with 60 mL.", {"added_ml": 60.0, "total_ml": None}),
    "loss": (
        ["--ml", "45", "--evaporated"],
        "45 mL evaporated.",
        {"lost_ml": 45.0, "evaporated": True},
    ),
    "dose": (
        ["--ml-each", "0.35", "--new-water-ml", "375"],
        "nutrient: 0.35 mL of each part for 375 mL new water.",
        {"part_a_ml": 0.35, "part_b_ml": 0.35, "new_water_ml": 375.0},
    ),
    "note": (["lamp moved nearer"], "note: lamp moved nearer.", {"text": "lamp moved nearer"}),
}
WHEN = ("--vessel", "slim", "--when", "2026-04-02 18:00")


@pytest.mark.parametrize("kind", LINES)
def test_each_kind_is_said_kept_listed_and_taken_back(run, slim, kind):
    words, said, fields = LINES[kind]
    assert run("log", kind, *words, *WHEN).output == f"slim, 2026-04-02 18:00: {said}\n"
    found = json.loads(run("log", kind, *words, *WHEN, "--json").output)
    replaced = found.pop("replaced")
    kept = {"kind": kind, "vessel": "slim", "done_at": "2026-04-02 18:00:00", **fields}
    assert found == kept
    assert replaced == (None if kind == "note" else kept)
    listed = run("log", "list").output.splitlines()
    assert listed == [f"slim, 2026-04-02 18:00: {said}"] * (2 if kind == "note" else 1)
    assert run("log", "undo").output == f"Taken back: slim, 2026-04-02 18:00: {said}\n"


def test_a_correction_says_what_it_replaces(run, slim):
    run("log", "top-up", "--ml", "60", *WHEN)
    text = run("log", "top-up", "--ml", "90", *WHEN).output
    assert text.splitlines()[1] == "It replaces: topped up with 60 mL."
    run("split", "--kept-ml", "100", *WHEN)
    listed = json.loads(run("log", "list", "--vessel", "slim", "--json").output)
    assert [entry["kind"] for entry in listed] == ["top-up", "split"]
    assert "Taken back: slim, 2026-04-02 18:00: split" in run("log", "undo").output
    assert json.loads(run("log", "undo", "--json").output)["undone"]["added_ml"] == 90.0
    assert "nothing to take back" in run("log", "undo", exit_code=1).output
    assert run("log", "list").output == "Nothing was logged yet.\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["top-up", "--ml", "500"], "The 500 mL added must be below the 500 mL of slim"),
        (["top-up", "--ml", "300", "--total-ml", "300"], "must be below the total of 300 mL"),
        (["loss", "--ml", "500"], "must be below the 500 mL that slim holds"),
    ],
)
def test_more_water_than_the_vessel_can_hold_is_refused(run, slim, words, said):
    assert said in " ".join(run("log", *words, "--vessel", "slim", exit_code=1).output.split())
    assert run("log", "list").output == "Nothing was logged yet.\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["dose"], "Say how much"),
        (["dose", "--ml", "1", "--ml-each", "1"], "Say how much"),
        (["note", "  "], "needs words"),
        (["loss", "--ml", "5", "--when", "2099-01-01"], "cannot be: today is"),
        (["loss", "--ml", "5", "--when", "1980-01-01"], "cannot be: today is"),
    ],
)
def test_what_cannot_be_is_refused_and_not_kept(run, slim, words, said):
    assert said in " ".join(run("log", *words, "--vessel", "slim", exit_code=2).output.split())
    assert run("log", "list").output == "Nothing was logged yet.\n"


def test_a_second_loss_counts_what_the_first_left(run, slim):
    run("log", "loss", "--ml", "300", *WHEN)
    later = ("--vessel", "slim", "--when", "2026-04-03 18:00")
    text = run("log", "loss", "--ml", "250", *later, exit_code=1).output
    assert "below the 200 mL" in " ".join(text.split())
    run("log", "loss", "--ml", "350", *WHEN)  # a correction is not a second loss


def test_an_unknown_vessel_is_named_with_near_ones(run, slim):
    text = run("log", "end", "--vessel", "slimm", exit_code=1).output
    assert "no vessel named 'slimm'. Did you mean slim?" in text


def test_growth_takes_a_top_up_off_and_starts_anew_from_an_inoculation(
    run, slim, photo_stock, tmp_path: Path
):
    folder = tmp_path / "series" / "slim"
    folder.mkdir(parents=True)
    for day in (1, 2, 3, 4):
        shutil.copy(photo_stock[f"day{day}"], folder)

    def last():
        return json.loads(run("batch", folder.parent, "--json").output)["photos"][-1]["growth"]

    plain = last()
    run("log", "top-up", "--vessel", "slim", "--ml", "100", "--when", "2026-04-03 20:00")
    # A fifth of new water between the third and fourth photo: the cells grew by more than shows.
    topped = last()
    assert topped["rate_per_day"] > plain["rate_per_day"] + 0.04
    assert topped["days_since_split"] == plain["days_since_split"]
    run("log", "undo")
    assert last() == plain
    run("log", "inoculation", "--vessel", "slim", "--when", "2026-04-03")
    fresh = last()
    assert fresh["points"] == 2
    assert 1 < fresh["days_since_split"] < 2
    run("log", "end", "--vessel", "slim", "--when", "2026-04-03 20:00")
    assert last()["phase"] == "unknown"
