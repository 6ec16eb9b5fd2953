"""Photos with a tag in them find their vessel by themselves, in snap and in batch."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from tagged_photo import write_tagged


@pytest.fixture
def two(run, slim, tmp_path: Path) -> None:
    """Describe a second vessel like the first, and give both their tags: slim 101, other 100."""
    run("vessel", "other", "--species", "nannochloropsis", "--volume-ml", "500", "--path-mm",
        "20", "--shape", "flat")  # fmt: skip
    text = run("tags", "--pdf", tmp_path / "tags.pdf").output
    assert text.startswith("Tag 100: other\nTag 101: slim\nWrote ")
    assert (tmp_path / "tags.pdf").read_bytes().startswith(b"%PDF-")


@pytest.fixture(scope="module")
def tagged(photo_stock, tmp_path_factory) -> dict[str, Path]:
    """Three photos with the tags of slim, of other, and of both."""
    folder = tmp_path_factory.mktemp("tagged")
    found = {}
    for name, source, numbers in (
        ("slim", "day1", (101,)),
        ("other", "day2", (100,)),
        ("both", "day3", (100, 101)),
    ):
        found[name] = folder / f"IMG_{name[0]}.jpg"
        write_tagged(photo_stock[source], found[name], *numbers)
    return found


def test_tags_are_listed_and_stay(run, two, tmp_path: Path):
    listed = json.loads(run("tags", "--json").output)
    assert listed == [{"tag": 100, "vessel": "other"}, {"tag": 101, "vessel": "slim"}]
    again = run("tags", "--vessel", "slim", "--pdf", tmp_path / "one.pdf", "--json").output
    assert json.loads(again) == [{"tag": 101, "vessel": "slim"}]


@pytest.mark.parametrize(
    "name", ["a $\\x$ b", "$", "_^\\{", "\u05d0\u05d1 jar", "left\U0001f33fjar"]
)
def test_any_name_can_stand_on_a_tag(run, name, tmp_path: Path):
    run("vessel", name, "--species", "nannochloropsis", "--volume-ml", "500", "--path-mm", "20")
    run("tags", "--pdf", tmp_path / "tags.pdf")
    assert (tmp_path / "tags.pdf").read_bytes().startswith(b"%PDF-")


def test_a_tag_that_was_not_written_is_not_given(run, slim, tmp_path: Path):
    run("tags", "--pdf", tmp_path / "none" / "tags.pdf", exit_code=1)
    (tmp_path / "dir.pdf").mkdir()
    run("tags", "--pdf", tmp_path / "dir.pdf", exit_code=1)
    assert "No vessel has a tag yet" in run("tags").output


def test_snap_needs_no_vessel_where_the_tag_is_in_the_picture(run, two, tagged, photo_stock):
    found = json.loads(run("snap", tagged["slim"], "--json").output)
    assert found["vessel"]["name"] == "slim"
    assert found["reading_number"] == 1
    assert any("by the photo's name or tag it is slim" in note for note in found["notes"])
    # The same as without the tag, to a thousandth.
    plain = json.loads(run("snap", photo_stock["day1"], "--vessel", "slim", "--no-journal",
                           "--json").output)  # fmt: skip
    density = found["estimate"]["cells_per_ml"]
    assert density == pytest.approx(plain["estimate"]["cells_per_ml"], rel=0.01)
    text = run("snap", photo_stock["day2"], exit_code=2).output
    assert "Name the vessel with --vessel" in text
    assert "Neither a known tag" in " ".join(text.split())
    text = " ".join(run("snap", tagged["both"], exit_code=1).output.split())
    assert "The photo shows the tags of other and slim. Leave one tag" in text


def test_snap_says_that_the_tag_is_another_vessels(run, two, tagged):
    notes = json.loads(run("snap", tagged["other"], "--vessel", "slim", "--json").output)["notes"]
    assert "It shows the tag of other, and was kept for slim: one is wrong." in notes


def test_a_mixed_folder_sorts_itself(run, two, tagged, photo_stock, tmp_path: Path):
    folder = tmp_path / "mixed"
    (folder / "slim").mkdir(parents=True)
    for path in tagged.values():
        shutil.copy(path, folder)
    shutil.copy(photo_stock["day3"], folder / "Other 2026-04-03.jpg")
    shutil.copy(photo_stock["day4"], folder / "IMG_unknown.jpg")
    shutil.copy(tagged["other"], folder / "slim" / "wrong.jpg")
    (folder / "broken.jpg").write_bytes(b"x")
    found = json.loads(run("batch", folder, "--json").output)
    assert {p["photo"]: p["vessel"] for p in found["photos"]} == {
        "IMG_s.jpg": "slim",
        "IMG_o.jpg": "other",
        "Other 2026-04-03.jpg": "other",
        "slim/wrong.jpg": "slim",
    }
    assert {s["photo"] for s in found["skipped"]} == {"IMG_b.jpg", "IMG_unknown.jpg", "broken.jpg"}
    assert [w["photo"] for w in found["wrong_tags"]] == ["slim/wrong.jpg"]
    text = " ".join(run("batch", folder).output.split())
    assert "Tag slim/wrong.jpg: It shows the tag of other, and was kept for slim" in text
    assert "0 read now, 4 known" in text
