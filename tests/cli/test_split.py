"""A split is logged with its kept share."""

from __future__ import annotations

import json

from densitycam.errors import DensitycamError


def test_a_split_is_logged_and_corrected(run, slim):
    words = ("split", "--vessel", "slim", "--when", "2026-04-02 18:00", "--kept-ml")
    assert "kept 125 of 500 mL (25 %)" in run(*words, "125").output
    found = json.loads(run(*words, "100", "--total-ml", "400", "--json").output)
    assert found == {
        "vessel": "slim",
        "done_at": "2026-04-02 18:00:00",
        "kept_ml": 100.0,
        "total_ml": 400.0,
        "bottle": None,
    }
    assert "1 split" in run("vessel", "slim").output.splitlines()[1]


def test_a_day_without_a_time_is_said_to_come_after_its_photos(run, slim):
    text = run("split", "--vessel", "slim", "--when", "2026-04-02", "--kept-ml", "125").output
    assert "slim, 2026-04-02: kept 125 of 500 mL (25 %)." in text
    assert "It counts as after that day's last photo." in text
    assert "after that day's last photo" in " ".join(run("split", "--help").output.split())


def test_growth_is_not_read_across_a_split_dated_with_its_days_photo(run, photo_folder):
    # Day 4 was photographed at 8:30 and split later; midnight would put the split before it.
    (photo_folder / "splits.csv").write_text(
        "vessel,when,kept_ml,total_ml\nslim,2026-04-04,125,500\n"
    )
    found = json.loads(run("batch", photo_folder, "--json").output)["photos"]
    assert found[3]["growth"]["points"] >= 3
    assert found[3]["growth"]["rate_per_day"] > 0
    assert found[3]["growth"]["days_since_split"] > 2.5
    run("batch", photo_folder)
    assert "1 split" in run("vessel", "slim").output.splitlines()[1]


def test_more_kept_than_there_is_is_refused(run, slim):
    result = run("split", "--vessel", "slim", "--kept-ml", "500", exit_code=1)
    assert "The 500 mL kept must be below the total of 500 mL" in result.output
    assert (
        "Invalid value" in run("split", "--vessel", "slim", "--kept-ml", "-5", exit_code=2).output
    )
    assert "0 splits" in run("vessel", "slim").output


def test_a_split_fills_a_bottle_with_what_was_in_the_vessel_before(
    run, slim, photo_stock, tmp_path
):
    seen = json.loads(run("snap", photo_stock["day4"], "--vessel", slim, "--json").output)
    words = ("split", "--vessel", slim, "--kept-ml", "125", "--when", "2026-04-04")
    label = tmp_path / "label.pdf"
    found = json.loads(run(*words, "--bottle-ml", "300", "--label", label, "--json").output)
    assert found["kept_ml"] == 125.0
    assert found["bottle"]["volume_ml"] == 300.0
    assert found["bottle"]["cells_per_ml"] == seen["estimate"]["cells_per_ml"]
    assert label.read_bytes().startswith(b"%PDF-")
    # 500 mL less what is kept.
    text = run(*words, "--bottle-ml", "376", exit_code=1).output
    assert "The bottle's 376 mL are more than the harvest, 500 - 125 mL" in " ".join(text.split())
    assert "Bottle 2, slim, 2026-04-04: 375 mL at" in run(*words, "--bottle-ml", "375").output
    assert "--bottle-ml" in run(*words, "--label", label, exit_code=2).output


def test_what_was_spilt_that_day_is_not_in_the_harvest_of_a_split_without_a_time(run, slim):
    run("log", "loss", "--vessel", slim, "--ml", "100", "--when", "2026-04-04 08:00")
    words = ("split", "--vessel", slim, "--kept-ml", "125", "--when", "2026-04-04", "--bottle-ml")
    text = run(*words, "276", exit_code=1).output
    assert "The bottle's 276 mL are more than the harvest, 400 - 125 mL" in " ".join(text.split())
    assert "Bottle 1, slim, 2026-04-04: 275 mL" in run(*words, "275").output


def test_without_its_label_a_split_is_not_kept(run, slim, tmp_path, monkeypatch):
    def full(*_: object, **__: object) -> None:
        raise DensitycamError("Cannot write it: No space left on device.", "Make room.")

    words = ("split", "--vessel", slim, "--kept-ml", "125", "--bottle-ml", "300", "--label")
    with monkeypatch.context() as patch:
        patch.setattr("densitycam.report.bottle_label.write_labels", full)
        assert "No space left" in run(*words, tmp_path / "l.pdf", exit_code=1).output
    assert "0 splits" in run("vessel", slim).output
    assert "No bottle" in run("bottle", "list").output
    run(*words, tmp_path / "l.pdf")
    assert "1 split" in run("vessel", slim).output
    assert run("bottle", "list").output.count("Bottle ") == 1
