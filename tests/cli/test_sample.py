"""A dense culture of a wide vessel, sampled into a narrow flat bottle, diluted or not."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from growth_series import START

from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Scene

#: True density of the culture by day, and how far its sample was diluted; invented.
CULTURE = {1: (4.0e7, 1), 2: (6.0e7, 2), 3: (9.0e7, 3), 4: (1.2e8, 6)}
NARROW = ("--path-mm", "20", "--shape", "flat")


@pytest.fixture(scope="module")
def samples(tmp_path_factory):
    """The wide vessel itself on the fourth day, and a flat bottle with each day's sample."""
    folder = tmp_path_factory.mktemp("samples")
    for day, (density, dilution) in CULTURE.items():
        taken_at = START + timedelta(days=day - 1)
        scene = Scene(seed=day, taken_at=taken_at, size_px=(1000, 750))
        neat = Scene(**{**vars(scene), "cells_per_ml": density / dilution})
        write_photo(neat, folder / f"sample{day}.jpg")
    wide = Scene(
        seed=9, vessel="cylinder-100", cells_per_ml=1.2e8, taken_at=taken_at, size_px=(1000, 750)
    )
    write_photo(wide, folder / "wide.jpg")
    return folder


@pytest.fixture
def carboy(run):
    run("vessel", "carboy", "--species", "nannochloropsis", "--volume-ml", "1200",
        "--path-mm", "100")  # fmt: skip
    return "carboy"


def sampled(run, samples, day, *words):
    photo, dilution = samples / f"sample{day}.jpg", CULTURE[day][1]
    said = run("snap", photo, "--vessel", "carboy", *NARROW, "--dilution", dilution, *words)
    return said.output


def test_the_advised_sample_answers_where_the_wide_vessel_does_not(run, carboy, samples):
    wide = json.loads(run("snap", samples / "wide.jpg", "--vessel", carboy, "--json").output)
    assert wide["estimate"]["status"] == "more-than"
    assert "narrow flat bottle" in wide["advice"]["would_settle"]
    said = json.loads(sampled(run, samples, 4, "--json"))
    assert said["estimate"]["status"] == "measured"
    assert said["estimate"]["low"] < 1.2e8 < said["estimate"]["high"]
    assert said["dilution"] == 6
    text = " ".join(sampled(run, samples, 4).split())
    assert "in the undiluted culture; the sample was diluted 1:6" in text
    # The plan is for the vessel's culture, not for the sample.
    assert "Keep 300 mL of culture (25 %)" in text


def test_slides_of_diluted_samples_calibrate_and_the_answer_is_of_the_culture(run, carboy, samples):
    for day in (1, 2, 4):
        sampled(run, samples, day)
        # Twenty-five 0.04 mm2 squares, 0.1 mm deep, diluted 1:10: the truth in whole cells.
        cells = round(CULTURE[day][0] / 10 * 25 * 4e-6)
        run("count", "--vessel", carboy, "--cells", cells, "--squares", "25", "--unit", "group",
            "--dilution", "10", "--reading", samples / f"sample{day}.jpg")  # fmt: skip
    run("calibrate", "--vessel", carboy)
    said = json.loads(sampled(run, samples, 3, "--json"))["estimate"]
    assert said["checked_by_counts"] == 3
    assert said["low"] < 9.0e7 < said["high"]
    assert said["cells_per_ml"] == pytest.approx(9.0e7, rel=0.15, abs=0)
    assert said["high"] / said["low"] < 2.5


def test_growth_is_that_of_the_culture_across_dilutions(run, carboy, samples):
    for day in CULTURE:
        last = json.loads(sampled(run, samples, day, "--json"))
    # ln(1.2e8 / 4e7) over three days; a dilution not taken off would make it fall.
    assert last["growth"]["rate_per_day"] == pytest.approx(0.366, abs=0.08)


def test_a_dilution_below_one_is_no_dilution(run, carboy, samples):
    words = ("snap", samples / "sample1.jpg", "--vessel", carboy, *NARROW, "--dilution", "0.5")
    assert "must be at least 1" in run(*words, exit_code=2).output
