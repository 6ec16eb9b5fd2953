"""`densitycam recalibrate`: before and after, past estimates, drift, and bad slides by name."""

from __future__ import annotations

import json

import pytest
from kept_journal import add_slide, density, fill

from densitycam.journal.store import Journal


@pytest.fixture
def kept(run, tmp_path):
    """Fill the journal that `run` uses; return what opens it."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        fill(journal)
    return lambda: Journal(tmp_path / "journal.sqlite")


def test_a_drift_is_told_and_one_slide_mends_it(run, kept):
    with kept() as journal:
        for day in (10, 11):
            add_slide(journal, day)
    text = run("recalibrate", "--vessel", "jar", "--since", "2026-05-11").output
    said = " ".join(text.split())
    assert text.startswith("jar, slides since 2026-05-11\n")
    assert "Before 6 slides, holds from" in said
    assert "After 2 slides, holds from" in said
    assert "The calibration no longer holds: since 2026-05-11 day 10.jpg, 2 slides count" in said
    assert "4 of 14 past estimates change" in said
    line = next(ln for ln in text.splitlines() if "day 11.jpg" in ln)
    assert line.split()[:3] == ["12", "May", "day"]
    assert line.endswith(" %")
    # A gain of 1.5 taken away: the count is a third lower.
    assert -40 < float(line.split()[-2]) < -27
    assert "Kept as isochrysis-" in said
    assert max(len(ln) for ln in text.splitlines()) <= 80


def test_slides_of_a_drift_are_not_called_bad(run, kept):
    with kept() as journal:
        for day in (10, 11):
            add_slide(journal, day)
    said = " ".join(run("recalibrate", "--vessel", "jar", "--try").output.split())
    assert "The calibration no longer holds: since 2026-05-11 day 10.jpg" in said
    assert "too low by what the other slides say" not in said


def test_json_and_try(run, kept):
    with kept() as journal:
        add_slide(journal, 11)
    words = ("recalibrate", "--vessel", "jar", "--since", "2026-05-11", "--json")
    tried = json.loads(run(*words, "--try").output)
    assert tried["kept"] is False
    with kept() as journal:
        assert len(journal.calibrations("isochrysis")) == 1
    done = json.loads(run(*words).output)
    assert done["kept"] is True
    assert done["after"] == tried["after"]
    assert (done["before"]["slides"], done["after"]["slides"]) == (6, 1)
    last = done["changes"][-1]
    assert last["after"]["cells_per_ml"] == pytest.approx(density(13), rel=0.08)
    assert last["after"]["calibration_id"] == done["after"]["calibration_id"]
    assert done["changes"][0]["before"] == done["changes"][0]["after"]


def test_a_bad_slide_is_named_with_its_factor(run, kept):
    with kept() as journal:
        add_slide(journal, 9, wrong=2.0)
    said = " ".join(run("recalibrate", "--vessel", "jar").output.split())
    assert "2026-05-10 day 9.jpg is 2.0 times too high by what the other slides say" in said
    assert "it hardly counts" in said
    found = json.loads(run("recalibrate", "--vessel", "jar", "--json").output)
    (doubtful,) = found["after"]["doubtful"]
    assert doubtful["label"] == "2026-05-10 day 9.jpg"
    assert doubtful["off"] == pytest.approx(2.0, rel=0.15)
    assert found["drift"]["state"] == "one slide off"


def test_of_two_slides_of_one_photo_only_the_bad_one_is_named(run, kept, tmp_path):
    with kept() as journal:
        add_slide(journal, 8, wrong=2.0)  # a good one is there already
    found = json.loads(run("recalibrate", "--vessel", "jar", "--json").output)
    (doubtful,) = found["after"]["doubtful"]
    assert doubtful["off"] == pytest.approx(2.0, rel=0.15)
    said = " ".join(run("recalibrate", "--vessel", "jar").output.split())
    assert said.count("by what the other slides say") == 1
    run("calibrate", "--vessel", "jar", "--plot", tmp_path / "fit.svg")
    assert (tmp_path / "fit.svg").read_text().count(": 2.0 times too high") == 1


def test_a_count_that_is_too_low_is_named_as_such(run, kept):
    with kept() as journal:
        add_slide(journal, 9, wrong=0.4)
    said = " ".join(run("recalibrate", "--vessel", "jar").output.split())
    assert "day 9.jpg is 2.5 times too low by what the other slides say" in said


def test_nothing_new_changes_nothing(run, kept):
    said = run("recalibrate", "--vessel", "jar").output
    assert "No estimate of 14 past photos changes." in said
    assert "The calibration holds: 5 slides" in " ".join(said.split())
    assert "was in force already" in said
    with kept() as journal:
        assert len(journal.calibrations("isochrysis")) == 1


def test_the_chart_is_written_or_refused(run, kept, tmp_path):
    out = tmp_path / "drift.svg"
    assert f"Wrote {out}." in run("recalibrate", "--vessel", "jar", "--chart", out).output
    assert "Slides of jar" in out.read_text()
    bad = run("recalibrate", "--vessel", "jar", "--chart", tmp_path / "drift.bmp", exit_code=1)
    assert "drift.bmp" in bad.output
    missing = run("recalibrate", "--vessel", "jar", "--chart", tmp_path / "no" / "a.png",
                  exit_code=1)  # fmt: skip
    assert "there is no folder" in missing.output


def test_calibrate_after_a_drift_leaves_the_slides_before_it_out(run, kept):
    with kept() as journal:
        add_slide(journal, 11)
    run("recalibrate", "--vessel", "jar", "--since", "2026-05-11")
    with kept() as journal:
        add_slide(journal, 13)
    said = " ".join(run("calibrate", "--vessel", "jar").output.split())
    assert "Slides 2" in said
    assert "Slides counted before 2026-05-11 stay out" in said
    run("recalibrate", "--vessel", "jar")
    assert "Slides 8" in " ".join(run("calibrate", "--vessel", "jar").output.split())


def test_calibrate_names_a_bad_slide_in_text_and_plot(run, kept, tmp_path):
    with kept() as journal:
        add_slide(journal, 9, wrong=2.0)
    out = tmp_path / "fit.svg"
    said = " ".join(run("calibrate", "--vessel", "jar", "--plot", out).output.split())
    assert "day 9.jpg is 2.0 times too high" in said
    assert "The slide of 2026-05-10 day 9.jpg counts 2.0 times what its photo foretold" in said
    drawn = out.read_text()
    assert "10 May: 2.0 times too high" in drawn
    assert "where 95 % of new photos lie" in drawn


@pytest.mark.parametrize(
    ("words", "exit_code", "expected"),
    [
        (("--vessel", "jam"), 1, "Did you mean jar?"),
        (("--vessel", "jar", "--since", "soon"), 2, "'soon' is not a time"),
        (("--vessel", "jar", "--since", "2026-05-11"), 1, "counted since 2026-05-11"),
        ((), 2, "Missing option '--vessel'"),
    ],
)
def test_bad_input_is_named_and_nothing_is_kept(run, kept, words, exit_code, expected):
    assert expected in " ".join(run("recalibrate", *words, exit_code=exit_code).output.split())
    with kept() as journal:
        assert len(journal.calibrations("isochrysis")) == 1
