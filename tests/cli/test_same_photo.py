"""A photo renamed, saved anew or exported is the same photo: it counts once, and that is said."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from PIL import Image


def save_anew(source: Path, target: Path, *, keep_exif: bool = True, **changes) -> Path:
    """Save a photo again as other programs do; `changes` set EXIF tags of the capture."""
    with Image.open(source) as image:
        exif = image.getexif()
        for tag, value in changes.pop("tags", {}).items():
            exif.get_ifd(0x8769)[tag] = value
        words = {"exif": exif} if keep_exif else {}
        image.save(target, **words, **changes)
    return target


def kept(run) -> int:
    """Return how many readings of the vessel the journal holds."""
    return int(run("vessel", "slim").output.splitlines()[1].split()[0])


SUBSECOND = 0x9291


@pytest.mark.parametrize("how", ["renamed", "exported smaller", "as png", "bytes added"])
def test_a_copy_is_no_second_measurement(run, slim, photo_stock, tmp_path: Path, how: str):
    original = photo_stock["day2"]
    copies = {
        "renamed": lambda: shutil.copy(original, tmp_path / "IMG_1 (1).jpg"),
        "exported smaller": lambda: save_anew(original, tmp_path / "e.jpg", quality=70),
        "as png": lambda: save_anew(original, tmp_path / "e.png", keep_exif=False),
        "bytes added": lambda: (tmp_path / "e.jpg").write_bytes(
            original.read_bytes() + b"\0" * 20
        ) and tmp_path / "e.jpg",
    }  # fmt: skip
    first = json.loads(run("snap", original, "--vessel", slim, "--json").output)
    again = json.loads(run("snap", copies[how](), "--vessel", slim, "--json").output)
    assert again["reading_number"] == first["reading_number"]
    assert again["estimate"] == first["estimate"]
    assert again["taken_at"] == first["taken_at"]
    assert kept(run) == 1
    said = "the same photo as day2.jpg, which is kept already: it counts once"
    assert any(said in note for note in again["notes"]) == (how != "renamed")
    # A count paired with the copy is paired with the photo.
    run("count", "--vessel", slim, "--reading", copies[how](), "--cells", "311", "--squares", "4")
    assert "1 slide count (1 paired with a photo)" in run("vessel", slim).output


def test_photos_of_one_second_with_other_fractions_of_it_are_two(run, slim, photo_stock, tmp_path):
    first = save_anew(photo_stock["day2"], tmp_path / "a.jpg", tags={SUBSECOND: "120"}, quality=95)
    second = save_anew(photo_stock["day2"], tmp_path / "b.jpg", tags={SUBSECOND: "620"}, quality=80)
    exported = save_anew(first, tmp_path / "c.jpg", quality=70)
    for path in (first, second, exported):
        run("snap", path, "--vessel", slim)
    assert kept(run) == 2
    # An export that dropped the fraction belongs to one of the two.
    run("snap", save_anew(photo_stock["day2"], tmp_path / "d.jpg", quality=60), "--vessel", slim)
    assert kept(run) == 2


def test_a_folder_with_a_copy_in_it_counts_it_once(run, photo_folder, photo_stock):
    save_anew(photo_stock["day3"], photo_folder / "slim" / "z export.jpg", quality=75)
    for fresh in (5, 0):
        found = json.loads(run("batch", photo_folder, "--json").output)
        copies = {p["photo"]: p["duplicate_of"] for p in found["photos"] if p["duplicate_of"]}
        assert copies == {"slim/z export.jpg": "slim/day3.jpg"}
        assert sum(p["fresh"] for p in found["photos"]) == fresh
    text = run("batch", photo_folder).output
    assert "same as slim/day3.jpg" in text
    assert kept(run) == 4
    # The original gone, the copy stands for it.
    (photo_folder / "slim" / "day3.jpg").unlink()
    (photo_folder / "slides.csv").unlink()
    found = json.loads(run("batch", photo_folder, "--json").output)
    assert [p["duplicate_of"] for p in found["photos"]] == [None] * 4
    assert [p["fresh"] for p in found["photos"]] == [False] * 4
    assert found["photos"][2]["photo"] == "slim/z export.jpg"
    assert kept(run) == 4


def test_the_sample_bottles_optics_outlive_a_copy_of_the_photo(run, slim, photo_stock, tmp_path):
    run("vessel", slim, "--path-mm", "60")
    words = ("--vessel", slim, "--path-mm", "20", "--json")
    first = json.loads(run("snap", photo_stock["day2"], *words).output)
    copy = tmp_path / "in" / slim / "copy.jpg"
    copy.parent.mkdir(parents=True)
    save_anew(photo_stock["day2"], copy, quality=80)
    found = json.loads(run("batch", tmp_path / "in", "--json").output)["photos"]
    assert found[0]["estimate"] == first["estimate"]


def test_one_photo_for_two_vessels_is_wrong_for_one(run, slim, photo_stock):
    run("vessel", "other", "--species", "nannochloropsis", "--volume-ml", "500", "--path-mm",
        "20", "--shape", "flat")  # fmt: skip
    run("snap", photo_stock["day1"], "--vessel", slim)
    notes = json.loads(run("snap", photo_stock["day1"], "--vessel", "other", "--json").output)
    said = "The very same photo is kept for slim too: one of the two vessels is wrong."
    assert said in notes["notes"]


def test_a_photo_years_off_is_named_by_batch(run, photo_folder, photo_stock):
    save_anew(photo_stock["day1"], photo_folder / "slim" / "old.jpg", quality=95,
              tags={0x9003: "2019:01:01 00:00:10"})  # fmt: skip
    text = " ".join(run("batch", photo_folder).output.split())
    assert "Clock old.jpg: It lies about 7 years from the vessel's nearest other photo" in text
    found = json.loads(run("batch", photo_folder, "--json").output)
    assert [m["photo"] for m in found["misdated"]] == ["old.jpg"]
