"""One photo in, density and decision out; a photo that cannot be read says why in one line."""

from __future__ import annotations

import json
import shutil

import pytest
from growth_series import GROWTH


def test_a_photo_of_a_known_vessel_is_read_and_kept(run, slim, photo_stock):
    text = run("snap", photo_stock["day2"], "--vessel", "slim").output
    labels = ("Density", "Today", "Because", "Measured", "  Light path", "  Turbidity", "  Growth")
    assert [label for label in labels if f"\n{label}" not in text] == []
    assert "starting calibration, not yet checked by a count" in text
    assert "the advice below is that of its day" in " ".join(text.split())
    assert text.endswith("Kept in the journal as reading 1.\n")
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "1 reading, 0 photos refused" in run("vessel", "slim").output


def test_json_holds_the_answer_and_the_truth_lies_inside(run, slim, photo_stock):
    found = json.loads(run("snap", photo_stock["day3"], "--vessel", "slim", "--json").output)
    estimate = found["estimate"]
    assert estimate["status"] == "measured"
    # The truth is the simulator's; the starting calibration claims a factor of about two.
    assert estimate["low"] < GROWTH[3] < estimate["high"]
    assert found["taken_at"] == "2026-04-03 08:30:00"
    assert found["time_source"] == "exif"
    assert found["reading"]["dilution"] == 1
    assert found["advice"]["action"] in {"harvest", "wait"}
    assert found["reading_number"] == 1


def test_without_the_journal_nothing_is_kept(run, slim, photo_stock, tmp_path):
    before = (tmp_path / "journal.sqlite").read_bytes()
    text = run("snap", photo_stock["day2"], "--vessel", "slim", "--no-journal").output
    assert "Not kept in the journal." in text
    assert (tmp_path / "journal.sqlite").read_bytes() == before


def test_a_vessel_described_on_the_line_needs_no_journal(run, photo_stock, tmp_path):
    words = ("--species", "nannochloropsis", "--path-mm", "20", "--shape", "flat")
    text = run("snap", photo_stock["day2"], *words).output
    assert text.startswith("Unnamed vessel, Nannochloropsis, 2026-04-02 08:30\n")
    assert "no vessel named" in text
    assert not (tmp_path / "journal.sqlite").exists()
    # A volume is guessed, and said to be, where there is a plan to guess it for.
    plans = []
    for day in ("day1", "day4"):
        text = run("snap", photo_stock[day], *words).output
        plans.append("Split plan" in text)
        assert ("No volume was given: the plan is for 1000 mL." in text) == plans[-1]
    assert True in plans


def test_a_diluted_sample_counts_for_the_culture(run, slim, photo_stock):
    plain = json.loads(run("snap", photo_stock["day2"], "--vessel", "slim", "--json").output)
    words = ("--vessel", "slim", "--dilution", "4", "--json")
    diluted = json.loads(run("snap", photo_stock["day2"], *words).output)
    ratio = diluted["estimate"]["cells_per_ml"] / plain["estimate"]["cells_per_ml"]
    assert ratio == pytest.approx(4, rel=1e-9, abs=0)
    assert diluted["reading_number"] == plain["reading_number"]


def test_a_sample_bottles_own_width_is_used_and_remembered(run, slim, photo_stock, tmp_path):
    run("vessel", "jar", "--species", "nannochloropsis", "--volume-ml", "900", "--path-mm", "90")
    words = ("snap", photo_stock["day2"], "--vessel", "jar", "--json")
    sample = json.loads(run(*words, "--path-mm", "20", "--shape", "flat").output)
    # A flat bottle's light path is its inner width, a little longer where the view is aslant.
    assert sample["reading"]["path_mm"] == pytest.approx(20, rel=0.02, abs=0)
    (tmp_path / "p" / "jar").mkdir(parents=True)
    shutil.copy(photo_stock["day2"], tmp_path / "p" / "jar")
    scored = json.loads(run("batch", tmp_path / "p", "--json").output)
    assert scored["photos"][0]["fresh"] is False
    assert scored["photos"][0]["reading"]["path_mm"] == sample["reading"]["path_mm"]


def test_annotate_writes_a_picture_of_the_photo_and_more(run, slim, photo_stock, tmp_path):
    from PIL import Image

    out = tmp_path / "seen.png"
    assert f"Wrote {out}." in run("snap", photo_stock["day2"], "--vessel", "slim", "--annotate",
                                  out).output  # fmt: skip
    with Image.open(out) as picture:
        assert picture.width >= 900
        assert picture.height > 750  # the photo's own height, and the answer below it
    wrong = run("snap", photo_stock["day2"], "--vessel", "slim", "--annotate", "x.jpg", exit_code=2)
    assert "must end in .png" in wrong.output


def _cut_card(stock: dict, path) -> None:
    from PIL import Image

    with Image.open(stock["day2"]) as picture:
        half = picture.crop((0, 0, picture.width * 45 // 100, picture.height))
        half.save(path, quality=92)


def test_a_photo_that_cannot_be_measured_says_why(run, slim, photo_stock, tmp_path):
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "empty.jpg").write_bytes(b"")
    (bad / "text.jpg").write_text("dear diary, the culture is green today\n" * 50)
    whole = photo_stock["day2"].read_bytes()
    (bad / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    shutil.copy(photo_stock["no-card"], bad / "no-card.jpg")
    shutil.copy(photo_stock["bare"], bad / "bare.jpg")
    _cut_card(photo_stock, bad / "half.jpg")
    expected = {
        "empty": "is empty",
        "text": "is not a picture",
        "cut": "is cut short",
        "no-card": "markers",
        "bare": "vessel",
        "half": "Retake|whole card|Step back",
    }
    for name, words in expected.items():
        result = run("snap", bad / f"{name}.jpg", "--vessel", "slim", exit_code=1)
        assert result.output.startswith("Error: "), result.output
        assert result.output.count("\n") == 1, result.output
        assert any(w in result.output for w in words.split("|")), (name, result.output)
        assert result.output.count(f"{name}.jpg") == 1
    shown = run("vessel", "slim").output
    assert f"0 readings, {len(expected)} photos refused" in shown


@pytest.mark.parametrize(
    ("words", "exit_code", "expected"),
    [
        (("/no/such/photo.jpg", "--vessel", "slim"), 1, "There is no file /no/such/photo.jpg."),
        ((".", "--vessel", "slim"), 1, "is a folder. Name one photo"),
        (("DAY2", "--vessel", "slam"), 1, "no vessel named 'slam'. Did you mean slim?"),
        (("DAY2", "--species", "clorella", "--path-mm", "9"), 1, "Did you mean chlorella"),
        (("DAY2",), 2, "Name the vessel with --vessel"),
        (("DAY2", "--species", "chlorella"), 2, "Name the vessel with --vessel"),
        (("DAY2", "--vessel", "slim", "--species", "chlorella"), 2, "already says species"),
        (("DAY2", "--vessel", "slim", "--dilution", "0.2"), 2, "Invalid value for '--dilution'"),
        (("DAY2", "--vessel", "slim", "--path-mm", "-20"), 2, "Invalid value for '--path-mm'"),
    ],
)
def test_bad_input_is_named(run, slim, photo_stock, words, exit_code, expected):
    words = [photo_stock["day2"] if w == "DAY2" else w for w in words]
    assert expected in " ".join(run("snap", *words, exit_code=exit_code).output.split())


def test_a_newer_journal_is_refused_in_one_line(run, slim, photo_stock, tmp_path):
    import sqlite3

    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        db.execute("PRAGMA user_version = 999")
    db.close()
    for words in (("--vessel", "slim"), ("--vessel", "slim", "--no-journal")):
        result = run("snap", photo_stock["day2"], *words, exit_code=1)
        assert "schema version 999" in result.output
        assert "written by a newer densitycam" in result.output
        assert "Upgrade densitycam" in result.output
        assert result.output.count("\n") == 1
