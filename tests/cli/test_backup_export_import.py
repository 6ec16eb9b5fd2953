"""backup, export and import through the command line; nothing private leaves the journal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image

#: What a phone writes into a photo that is nobody's business.
SERIAL, OWNER, PLACE = "SN-4711-0815", "Erika Mustermann", (48, 8, 13.0)


@pytest.fixture
def private_photo(photo_stock, tmp_path: Path) -> Path:
    """Copy a photo with a position, a serial number and an owner's name in its EXIF."""
    path = tmp_path / "private.jpg"
    with Image.open(photo_stock["day1"]) as image:
        exif = image.getexif()
        detail = exif.get_ifd(0x8769)
        detail[0xA431], detail[0xA430] = SERIAL, OWNER  # BodySerialNumber, CameraOwnerName
        exif[0x010F], exif[0x0110] = "Kamera", "Modell 1"
        where = exif.get_ifd(0x8825)
        where[1], where[2] = "N", PLACE
        where[3], where[4] = "E", PLACE
        image.save(path, exif=exif, quality=95)
    with Image.open(path) as image:
        assert image.getexif().get_ifd(0x8825)[2] == PLACE
        assert image.getexif().get_ifd(0x8769)[0xA431] == SERIAL
    return path


def test_a_journal_goes_out_and_comes_back(run, photo_folder, tmp_path: Path):
    run("batch", photo_folder)
    run("log", "note", "lamp moved", "--vessel", "slim", "--when", "2026-04-03")
    for place in ("out.json", "tables"):
        text = run("export", tmp_path / place).output
        assert f"{place}.\nHolds         1 vessel, 4 photos, 3 slides, 1 split, 0 bottles" in text
        new = ("--journal", tmp_path / f"{place}.sqlite")
        text = run("import", tmp_path / place, *new).output
        assert "1 vessel, 4 photos, 3 slides, 1 split, 1 log entry" in text
        again = json.loads(run("import", tmp_path / place, *new, "--json").output)
        assert again["added"] == {}
        assert again["known"] == 11  # those and a calibration
        batch = json.loads(run("batch", photo_folder, *new, "--json").output)
        assert [p["fresh"] for p in batch["photos"]] == [False] * 4
        assert batch["photos"] == json.loads(run("batch", photo_folder, "--json").output)["photos"]


def test_nothing_private_is_exported(run, slim, private_photo, tmp_path: Path):
    run("snap", private_photo, "--vessel", slim)
    run("export", tmp_path / "out.json")
    run("export", tmp_path / "tables")
    run("backup", tmp_path / "backup.sqlite")
    files = [tmp_path / "out.json", tmp_path / "backup.sqlite", *(tmp_path / "tables").iterdir()]
    for file in files:
        data = file.read_bytes()
        for word in (SERIAL, OWNER, "Modell 1", "GPS", "48.13", "Kamera"):
            assert word.encode() not in data, (file, word)
    assert b"private.jpg" in files[0].read_bytes()  # the photo itself is there


def test_a_backup_takes_the_settings_along(run, slim, tmp_path: Path):
    target = tmp_path / "copies" / "spring.sqlite"
    target.parent.mkdir()
    assert json.loads(run("backup", target, "--json").output)["settings"] is None
    run("settings", "--write")
    said = " ".join(run("backup", target).output.split())
    beside = target.with_name("spring.settings.ini")
    assert f"Copied its settings to {beside}" in said
    written = json.loads(run("settings", "--json").output)["file"]
    assert beside.read_bytes() == Path(written).read_bytes()


SETTINGS = "[vessel slim]\r\nharvest_low = 6e6  # \u00b5 in a comment\r\n"


@pytest.mark.parametrize("place", ["out.json", "tables"])
def test_an_export_takes_the_settings_along(run, slim, tmp_path: Path, place):
    own = Path(json.loads(run("settings", "--json").output)["file"])
    assert "settings" not in run("export", tmp_path / f"without-{place}").output
    own.write_bytes(SETTINGS.encode())
    assert "and its settings\n" in run("export", tmp_path / place).output
    new = ("--journal", tmp_path / "new.sqlite")
    theirs = tmp_path / "new.settings.ini"
    found = json.loads(run("import", tmp_path / f"without-{place}", *new, "--json").output)
    assert found["settings"] is None
    assert not theirs.exists()
    said = " ".join(run("import", tmp_path / place, *new).output.split())
    assert f"Wrote the settings to {theirs}." in said
    assert theirs.read_bytes() == SETTINGS.encode()
    shown = json.loads(run("settings", "--vessel", slim, "--json", *new).output)
    low = next(n for n in shown["vessels"][slim] if n["name"] == "harvest_low")
    assert low["value"] == 6e6
    again = json.loads(run("import", tmp_path / place, *new, "--json").output)
    assert again["settings"] == "known"


@pytest.mark.parametrize("place", ["out.json", "tables"])
def test_settings_that_differ_are_not_overwritten_and_said(run, slim, tmp_path: Path, place):
    own = Path(json.loads(run("settings", "--json").output)["file"])
    own.write_bytes(SETTINGS.encode())
    run("export", tmp_path / place)
    own.write_text("[all]\nkept_share = 0.3\n")
    assert json.loads(run("import", tmp_path / place, "--json").output)["settings"] == "differs"
    said = " ".join(run("import", tmp_path / place).output.split())
    assert f"This journal's own settings stay, {own.name} beside it" in said
    assert "move that file away" in said
    assert own.read_text() == "[all]\nkept_share = 0.3\n"
    own.rename(own.with_suffix(".away"))  # what it advises
    run("import", tmp_path / place)
    assert own.read_bytes() == SETTINGS.encode()


def test_an_import_that_fails_writes_no_settings(run, slim, tmp_path: Path):
    own = Path(json.loads(run("settings", "--json").output)["file"])
    own.write_bytes(SETTINGS.encode())
    run("export", tmp_path / "out.json")
    broken = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    broken["tables"]["vessels"][0]["path_mm"] = "wide"
    (tmp_path / "out.json").write_text(json.dumps(broken))
    new = ("--journal", tmp_path / "new.sqlite")
    run("import", tmp_path / "out.json", *new, exit_code=1)
    assert not (tmp_path / "new.settings.ini").exists()
    # Where they cannot be written, nothing else is kept either.
    run("export", tmp_path / "whole.json")
    blocked = tmp_path / "blocked.settings.ini"
    blocked.mkdir()
    new = ("--journal", tmp_path / "blocked.sqlite")
    run("import", tmp_path / "whole.json", *new, exit_code=1)
    assert "slim" not in run("vessel", *new).output


def test_a_backup_can_be_named_as_the_journal(run, slim, tmp_path: Path):
    target = tmp_path / "stick.sqlite"
    assert "and checked it" in run("backup", target).output
    assert run("vessel", "--journal", target).output == run("vessel").output
    found = json.loads(run("backup", target, "--json").output)
    assert found["bytes"] == target.stat().st_size


def test_errors_are_one_line_each(run, slim, tmp_path: Path):
    missing = ("--journal", tmp_path / "none.sqlite")
    for words, code, said in (
        (("export", tmp_path / "x.json", *missing), 1, "There is no journal"),
        (("backup", tmp_path / "x.sqlite", *missing), 1, "There is no journal"),
        (("export", tmp_path / "x.csv"), 2, "must end in .json"),
        (("export", tmp_path / "none" / "x.json"), 1, "no folder"),
        (("import", tmp_path / "none.json"), 1, "Check the name"),
    ):
        text = run(*words, exit_code=code).output
        assert said in " ".join(text.split())
        assert "Traceback" not in text
    assert not (tmp_path / "none.sqlite").exists()


def test_a_bottle_whose_number_was_taken_is_named(run, slim, tmp_path: Path):
    add = ("bottle", "add", "--vessel", slim, "--when", "2026-04-02", "--ml")
    run(*add, "100")
    run("export", tmp_path / "out.json")
    run("log", "undo")
    run(*add, "200")
    text = run("import", tmp_path / "out.json").output
    assert "Bottle 1 is bottle 2 here: write it on its label." in text
