"""A folder is scored whole; a second run costs nothing; bad photos lose nothing."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from growth_series import GROWTH

ROOT = Path(__file__).resolve().parents[2]


def scored(run, *words, exit_code: int = 0) -> dict:
    return json.loads(run("batch", *words, "--json", exit_code=exit_code).output)


def test_a_folder_becomes_lines_a_table_and_a_chart(run, photo_folder, tmp_path):
    table, chart = tmp_path / "o.csv", tmp_path / "o.png"
    text = run("batch", photo_folder, "--csv", table, "--chart", chart).output
    assert "new or changed: 1 vessel, 3 slide counts, 1 split." in text
    assert "calibrated with 3 slide counts of your own" in text
    assert "4 photos: 4 measured, 0 not; 4 read now, 0 known from the journal." in text
    assert "slim on 2026-04-04" in text
    assert max(len(line) for line in text.splitlines() if str(tmp_path) not in line) <= 80
    assert chart.read_bytes().startswith(b"\x89PNG")
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert [r["photo"] for r in rows] == [f"slim/day{n}.jpg" for n in (1, 2, 3, 4)]
    for row, truth in zip(rows, GROWTH.values(), strict=True):
        # The truth is the simulator's; day 2 was not counted.
        assert float(row["low_95"]) < truth < float(row["high_95"])
        assert row["decision"]
        assert row["slides_behind_it"] == "3"
        assert row["days_since_split"] != ""


def test_a_second_run_reads_only_what_is_new_or_changed(run, photo_folder, photo_stock):
    first = scored(run, photo_folder)
    assert [p["fresh"] for p in first["photos"]] == [True] * 4
    assert "new or changed" not in run("batch", photo_folder).output
    changed = photo_folder / "slim" / "day1.jpg"
    changed.write_bytes(changed.read_bytes() + b"\0")  # behind the JPEG's end: same picture
    (photo_folder / "slides.csv").unlink()  # it names the photo that was changed
    shutil.copy(photo_stock["day2"], photo_folder / "slim" / "renamed.jpg")
    (photo_folder / "slim" / "day2.jpg").unlink()
    second = scored(run, photo_folder)
    assert {p["photo"]: p["fresh"] for p in second["photos"]} == {
        "slim/day1.jpg": True,
        "slim/renamed.jpg": False,
        "slim/day3.jpg": False,
        "slim/day4.jpg": False,
    }


def test_a_corrected_light_path_reads_the_photos_again(run, photo_folder):
    first = scored(run, photo_folder)
    table = photo_folder / "vessels.csv"
    table.write_text(table.read_text().replace(",20,flat", ",25,flat"))
    second = scored(run, photo_folder)
    assert [p["fresh"] for p in second["photos"]] == [True] * 4
    paths = [found["photos"][0]["reading"]["path_mm"] for found in (first, second)]
    assert paths[1] / paths[0] == pytest.approx(25 / 20, rel=1e-9, abs=0)


def test_other_measuring_code_reads_the_photos_again(run, photo_folder, monkeypatch):
    scored(run, photo_folder)
    monkeypatch.setattr("densitycam.journal.scoring.measuring_version", lambda: "9.9.9+other")
    assert [p["fresh"] for p in scored(run, photo_folder)["photos"]] == [True] * 4


def test_a_decision_knows_nothing_of_later_days(run, photo_folder, tmp_path):
    (photo_folder / "slides.csv").unlink()  # the calibration must not differ between the runs
    early = tmp_path / "early"
    shutil.copytree(photo_folder, early)
    (early / "slim" / "day4.jpg").unlink()
    words = ("--no-journal",)
    until_day_3 = scored(run, early, *words)["photos"]
    until_day_4 = scored(run, photo_folder, *words)["photos"]
    assert len(until_day_4) == 4
    assert until_day_4[:3] == until_day_3
    assert until_day_4[3]["growth"]["points"] > until_day_4[2]["growth"]["points"]


def test_photos_that_fail_are_listed_and_stop_nothing(run, photo_folder, photo_stock, tmp_path):
    shutil.copy(photo_stock["no-card"], photo_folder / "slim" / "b-no-card.jpg")
    (photo_folder / "slim" / "a-empty.jpg").write_bytes(b"")
    (photo_folder / "slim" / "c-text.JPG").write_text("no picture")
    table = tmp_path / "o.csv"
    text = run("batch", photo_folder, "--csv", table, exit_code=1).output
    assert "7 photos: 4 measured, 3 not;" in text
    assert "3 photos were not measured" in text
    for name in ("a-empty.jpg", "b-no-card.jpg", "c-text.JPG"):
        assert f"slim/{name}: " in text
    rows = {r["photo"]: r for r in csv.DictReader(table.read_text().splitlines())}
    assert rows["slim/a-empty.jpg"]["status"] == "not measured"
    assert "is empty" in rows["slim/a-empty.jpg"]["problem"]
    found = scored(run, photo_folder, exit_code=1)
    assert len(found["photos"]) == 4
    assert {f["flag"] for f in found["failed"]} == {"unreadable", "no-card"}
    no_card = next(f for f in found["failed"] if f["flag"] == "no-card")
    assert no_card["taken_at"] == "2026-04-02 12:30:00"


def test_a_fault_of_ours_in_one_photo_costs_no_other(run, photo_folder, monkeypatch):
    from densitycam.vessel import read

    # A worker would not know of it: photos are read in a thread here.
    monkeypatch.setattr("densitycam.cli.batch._workers", lambda count: ThreadPoolExecutor(1))
    real = read.read_photo

    def stumble(path, **optics):
        if path.name == "day2.jpg":
            raise ZeroDivisionError("float division by zero")
        return real(path, **optics)

    monkeypatch.setattr(read, "read_photo", stumble)
    text = run("batch", photo_folder, exit_code=1).output
    assert "4 photos: 3 measured, 1 not" in text
    assert "please report it: ZeroDivisionError" in " ".join(text.split())
    monkeypatch.setattr(read, "read_photo", real)
    assert "1 read now, 3 known" in run("batch", photo_folder).output


def test_photos_of_no_known_vessel_are_skipped_with_why(run, photo_folder, photo_stock):
    (photo_folder / "attic").mkdir()
    shutil.copy(photo_stock["bare"], photo_folder / "attic" / "sheet.jpg")
    text = run("batch", photo_folder).output
    assert "Skipped       attic/sheet.jpg: There is no vessel named 'attic'" in text
    assert scored(run, photo_folder)["skipped"][0]["photo"] == "attic/sheet.jpg"


def test_a_bare_card_folder_registers_the_print_first_and_once(run, photo_folder, photo_stock):
    plain = scored(run, photo_folder)
    assert plain["prints"] == []
    assert "Print         not registered" in run("batch", photo_folder).output
    (photo_folder / "bare-card").mkdir()
    shutil.copy(photo_stock["bare"], photo_folder / "bare-card" / "sheet.jpg")
    found = run("batch", photo_folder).output
    assert "Print         registered from 1 photo of the bare card\n" in found
    assert "4 photos: 4 measured, 0 not; 4 read now" in found
    assert "Skipped" not in found
    again = run("batch", photo_folder).output
    assert "4 photos: 4 measured, 0 not; 0 read now" in again
    assert " ".join(again.split()).count("from 1 photo of the bare card") == 1
    registered = scored(run, photo_folder)
    assert [p["photos"] for p in registered["prints"]] == [1]
    before, after = ([p["reading"]["contrast_t"] for p in x["photos"]] for x in (plain, registered))
    assert before != after


def test_a_bare_card_that_is_none_is_listed_and_stops_nothing(run, photo_folder, photo_stock):
    (photo_folder / "bare-card").mkdir()
    shutil.copy(photo_stock["day1"], photo_folder / "bare-card" / "oops.jpg")
    text = run("batch", photo_folder, exit_code=1).output
    assert "bare-card/oops.jpg: oops.jpg: something stands before the card." in " ".join(
        text.split()
    )
    assert "4 photos: 4 measured, 0 not" in text
    # A good one beside it serves, and the second run reads nothing again.
    shutil.copy(photo_stock["bare"], photo_folder / "bare-card" / "sheet.jpg")
    text = run("batch", photo_folder, exit_code=1).output
    assert "registered from 1 photo" in text
    assert "4 read now" in text
    text = run("batch", photo_folder, exit_code=1).output
    assert "something stands before" in text
    assert "0 read now" in text


def test_bare_cards_of_two_prints_stop_nothing_and_are_named(run, photo_folder, tmp_path):
    from densitycam.simulate.photo_file import write_photo
    from densitycam.simulate.scene import Scene

    (photo_folder / "bare-card").mkdir()
    for name in ("inkjet", "draft"):
        scene = Scene(seed=40, vessel=None, print_name=name, size_px=(1000, 750))
        write_photo(scene, photo_folder / "bare-card" / f"{name}.jpg")
    text = " ".join(run("batch", photo_folder, exit_code=1).output.split())
    assert "Print not registered" in text
    assert "too much for one print and one phone; nothing was registered" in text
    assert "4 photos: 4 measured, 0 not" in text


def test_where_a_time_is_not_the_cameras_batch_says_whose_it_is(run, slim, photo_stock, tmp_path):
    from PIL import Image

    folder = tmp_path / "slim"
    folder.mkdir()
    with Image.open(photo_stock["day1"]) as picture:
        picture.save(folder / "2026-04-01_0830.png")  # without EXIF
    text = " ".join(run("batch", folder).output.split())
    assert "Times 1 photo without a capture time: the time in the file's name was taken" in text
    text = " ".join(run("snap", folder / "2026-04-01_0830.png", "--vessel", "slim").output.split())
    assert "carries no capture time; the time in the file's name was taken" in text


def test_one_folder_can_be_given_to_one_vessel(run, slim, photo_stock, tmp_path):
    folder = tmp_path / "april"
    folder.mkdir()
    shutil.copy(photo_stock["day1"], folder)
    result = run("batch", folder, exit_code=1)
    assert "no vessel named 'april'" in result.output
    assert "Name the vessel with --vessel" in result.output
    assert "1 photo: 1 measured" in run("batch", folder, "--vessel", "slim").output
    folder.rename(tmp_path / "slim")
    assert "1 known from the journal" in run("batch", tmp_path / "slim").output


def test_the_same_picture_twice_counts_once(run, photo_folder):
    shutil.copy(photo_folder / "slim" / "day2.jpg", photo_folder / "slim" / "day2 copy.jpg")
    found = scored(run, photo_folder)
    assert [p["photo"] for p in found["photos"] if p["duplicate_of"]] == ["slim/day2.jpg"]
    assert "same as slim/day2 copy" in run("batch", photo_folder).output


def test_without_the_journal_nothing_is_kept(run, photo_folder, tmp_path):
    assert "Nothing was kept in the journal." in run("batch", photo_folder, "--no-journal").output
    assert not (tmp_path / "journal.sqlite").exists()


def test_what_the_user_calibrated_since_is_not_calibrated_again(run, photo_folder, tmp_path):
    def versions() -> list[tuple[str, int]]:
        with sqlite3.connect(tmp_path / "journal.sqlite") as db:
            found = db.execute("SELECT made_by, slides FROM calibrations ORDER BY id").fetchall()
        db.close()
        return found

    run("batch", photo_folder)
    run("batch", photo_folder)
    assert versions() == [("batch", 3)]
    run("calibrate", "--species", "nannochloropsis")
    run("batch", photo_folder)
    assert versions() == [("batch", 3), ("calibrate", 3)]
    run("count", "--vessel", "slim", "--cells", "50", "--squares", "5", "--unit", "group",
        "--dilution", "5", "--reading", photo_folder / "slim" / "day2.jpg")  # fmt: skip
    run("batch", photo_folder)
    assert versions() == [("batch", 3), ("calibrate", 3), ("batch", 4)]


@pytest.mark.parametrize(
    ("table", "old", "new", "expected"),
    [
        ("vessels.csv", ",20,flat", ",-20,flat", "line 2, column path_mm: must be above 0"),
        ("vessels.csv", "flat\n", "box\n", "line 2, column shape: must be one of cylinder"),
        ("vessels.csv", "nannochl", "nanochl", "line 2, column species: There is no species"),
        ("vessels.csv", "path_mm", "path", "line 1, column path: not a known column; did you mean"),
        ("slides.csv", "slim,2026-04-03", "slum,2026-04-03", "line 3, column vessel: There is no"),
        ("slides.csv", "2026-04-04 09:00", "4.4.2026", "line 4, column when: '4.4.2026' is not"),
        ("slides.csv", "slim/day4", "slim/day9", "line 4, column photo:"),
        ("slides.csv", "group,32", "group,-32", "line 2, column cells: must be at least 0"),
        ("slides.csv", "group,32", "group,3.5", "line 2, column cells: must be a whole number"),
        ("slides.csv", "group,32", "group,", "line 2, column cells: is empty"),
        ("slides.csv", "group,32", "grop,32", "line 2, column unit: The improved Neubauer"),
        ("slides.csv", "group,32,5", "group,32,500", "line 2, column squares: one improved"),
        ("slides.csv", "group,32,5,5,", "group,32,5,5,2", "line 2, column fixative_fraction:"),
        ("slides.csv", "group,32,5,5,", "group,32,5,5,0,x", "line 2, column fixative_fraction:"),
        ("splits.csv", ",125,500", ",600,500", "line 2, column kept_ml: must be below total_ml"),
        ("splits.csv", ",125,500", ",lots,500", "line 2, column kept_ml: 'lots' is not a number"),
        ("splits.csv", ",125,500", f',125,"{"5" * 140_000}', "line 2: cannot be read (field"),
        ("splits.csv", "kept_ml,total_ml", "kept_ml", "line 1: the column total_ml is missing"),
    ],
)  # fmt: skip
def test_a_bad_row_is_named_and_nothing_is_kept(run, photo_folder, table, old, new, expected):
    file = photo_folder / table
    assert old in file.read_text()
    file.write_text(file.read_text().replace(old, new, 1))
    result = run("batch", photo_folder, exit_code=1)
    assert result.output.startswith("Error: ")
    assert result.output.count("\n") == 1
    assert f"{table}, " in result.output
    assert expected in result.output
    assert "No vessels yet" in run("vessel").output


def test_semicolons_are_read_as_a_spreadsheet_may_write_them(run, photo_folder):
    file = photo_folder / "splits.csv"
    file.write_text("\ufeff" + file.read_text().replace(",", ";"), encoding="utf-8")
    assert "1 split." in run("batch", photo_folder).output


def test_two_sides_of_a_slide_with_one_number_are_two_counts(run, photo_folder):
    file = photo_folder / "slides.csv"
    lines = file.read_text().splitlines()
    file.write_text("\n".join([*lines, lines[1]]) + "\n")
    assert "4 slide counts" in run("batch", photo_folder).output
    assert "new or changed" not in run("batch", photo_folder).output


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda p: None, "There is no folder"),
        (lambda p: p.write_text("x"), "is not a folder"),
        (lambda p: p.mkdir(), "There are no photos in"),
    ],
)
def test_a_folder_that_cannot_be_scored_is_named(run, tmp_path, make, expected):
    make(tmp_path / "f")
    result = run("batch", tmp_path / "f", exit_code=1)
    assert expected in result.output
    assert result.output.count("\n") == 1


def test_an_output_that_cannot_be_written_is_named(run, photo_folder, tmp_path):
    assert "must end in .png or .svg" in run("batch", photo_folder, "--chart", "c.pdf",
                                             exit_code=2).output  # fmt: skip
    result = run("batch", photo_folder, "--csv", tmp_path / "none" / "o.csv", exit_code=1)
    assert "Error: Cannot write" in result.output
    assert "there is no folder" in result.output
    assert "No vessels yet" in run("vessel").output  # said before anything was read


def _records(journal: Path) -> int:
    try:
        db = sqlite3.connect(f"{journal.as_uri()}?mode=ro", uri=True)
        try:
            return db.execute("SELECT count(*) FROM photos").fetchone()[0]
        finally:
            db.close()
    except sqlite3.OperationalError:
        return 0


def test_a_missing_system_library_is_said_once_and_not_for_every_photo(photo_folder, tmp_path):
    (tmp_path / "fake").mkdir()
    (tmp_path / "fake" / "cv2.py").write_text(
        "raise ImportError('libGL.so.1: cannot open shared object file: No such file')\n"
    )
    words = ["--journal", str(tmp_path / "j.sqlite"), "batch", str(photo_folder)]
    script = (
        f"import sys; sys.path.insert(0, {str(tmp_path / 'fake')!r})\n"
        f"from densitycam.cli.main import main; main({words!r}, prog_name='densitycam')"
    )
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert ended.returncode == 1
    assert ended.stderr.count("\n") == 1
    assert "apt-get install libgl1" in ended.stderr
    assert _records(tmp_path / "j.sqlite") == 0
