"""Slides paired with photos become the vessel's own calibration, and every version is kept."""

from __future__ import annotations

import json

import pytest
from growth_series import GROWTH


@pytest.fixture
def counted(run, slim, photo_stock):
    """Count the truth of three days, five 0.04 mm2 squares at 1:5."""
    for day in (1, 3, 4):
        cells = round(GROWTH[day] * 5 * 4e-6 / 5)
        run("count", "--vessel", "slim", "--cells", str(cells), "--squares", "5", "--unit", "group",
            "--dilution", "5", "--reading", photo_stock[f"day{day}"],
            "--when", f"2026-04-0{day} 09:00")  # fmt: skip


def test_until_the_first_slide_the_starting_calibration_serves(run, slim):
    text = run("calibrate", "--vessel", "slim").output
    assert "none yet: starting calibration" in text
    assert "Kept as" not in text
    assert "not yet checked by a count" in run("vessel", "slim").output


def test_slides_narrow_the_interval_and_hold_the_truth(run, slim, counted, photo_stock):
    words = ("snap", photo_stock["day2"], "--vessel", "slim", "--json")
    before = json.loads(run(*words).output)["estimate"]
    text = run("calibrate", "--vessel", "slim").output
    assert "Slides        3" in text
    assert "(median, each count predicted from the others)" in " ".join(text.split())
    assert "Holds from" in text
    after = json.loads(run(*words).output)["estimate"]
    assert (before["checked_by_counts"], after["checked_by_counts"]) == (0, 3)
    assert after["high"] / after["low"] < 0.5 * before["high"] / before["low"]
    # The truth is the simulator's and was not among the counts.
    assert after["low"] < GROWTH[2] < after["high"]
    assert "calibration: 3 slides, from its own slides" in run("vessel", "slim").output


def test_json_names_points_error_and_range(run, slim, counted):
    found = json.loads(run("calibrate", "--vessel", "slim", "--json").output)
    assert found["slides"] == 3
    assert [p["label"] for p in found["points"]] == [
        "2026-04-01 day1.jpg",
        "2026-04-03 day3.jpg",
        "2026-04-04 day4.jpg",
    ]
    assert 0 <= found["median_error"] < 0.5
    assert 0 < found["range_low"] < GROWTH[1] < GROWTH[4] < found["range_high"]


def test_a_species_takes_the_slides_of_all_its_vessels(run, slim, counted):
    text = run("calibrate", "--species", "nannochloropsis").output
    assert text.startswith("Nannochloropsis, all vessels")
    assert "from all vessels of the species" in run("vessel", "slim").output


def test_slides_that_cannot_calibrate_are_listed_with_why(run, slim, counted, photo_stock):
    run("count", "--vessel", "slim", "--cells", "50", "--squares", "4", "--when", "2026-04-02")
    run("count", "--vessel", "slim", "--cells", "0", "--squares", "4", "--when", "2026-04-05",
        "--reading", photo_stock["day2"])  # fmt: skip
    text = run("calibrate", "--vessel", "slim").output
    assert "2026-04-02: not paired with a reading" in text
    assert "2026-04-05: a count of zero sets no gain" in text
    assert "Slides        3" in text


def test_the_plot_is_written_or_refused(run, slim, counted, tmp_path):
    out = tmp_path / "fit.svg"
    assert f"Wrote {out}." in run("calibrate", "--vessel", "slim", "--plot", out).output
    assert "<svg" in out.read_text()[:1000]
    wrong = run("calibrate", "--vessel", "slim", "--plot", tmp_path / "fit.bmp", exit_code=1)
    assert wrong.output.startswith("Error: ")


def test_there_is_nothing_to_plot_without_slides(run, slim, tmp_path):
    result = run("calibrate", "--vessel", "slim", "--plot", tmp_path / "fit.png", exit_code=1)
    assert "nothing to plot yet" in result.output
    assert not (tmp_path / "fit.png").exists()


def test_bad_names_bring_near_matches(run, slim):
    assert "Did you mean slim?" in run("calibrate", "--vessel", "slin", exit_code=1).output
    assert "Did you mean pavlova" in run("calibrate", "--species", "pavlowa", exit_code=1).output
    assert "either --vessel or --species" in run("calibrate", exit_code=2).output
