"""A photo filed under the wrong flat bottle is refused, by its width."""

from __future__ import annotations

import json
import shutil
from datetime import timedelta

import pytest
from growth_series import START

from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Scene


@pytest.fixture(scope="module")
def other_bottle(tmp_path_factory):
    """Photos of a bottle 60 mm wide inside, where that of the series is 80 mm wide."""
    folder = tmp_path_factory.mktemp("other")
    paths = []
    for n in range(4):
        scene = Scene(
            seed=60 + n,
            vessel="flat-30",
            cells_per_ml=2e7,
            taken_at=START + timedelta(days=4 + n),
            size_px=(1000, 750),
        )
        paths.append(folder / f"a{n}.jpg")  # sorts before the day's own photos
        write_photo(scene, paths[-1])
    return paths


def test_batch_refuses_it_and_leaves_it_out(run, photo_folder, other_bottle):
    plain = json.loads(run("batch", photo_folder, "--json").output)
    shutil.copy(other_bottle[0], photo_folder / "slim")
    found = json.loads(run("batch", photo_folder, "--json", exit_code=1).output)
    assert [f["flag"] for f in found["failed"]] == ["wrong-vessel"]
    assert "mm wide, 8" in found["failed"][0]["problem"]
    assert [p["estimate"] for p in found["photos"]] == [p["estimate"] for p in plain["photos"]]
    text = run("batch", photo_folder, exit_code=1).output
    assert "not the recorded vessel" in " ".join(text.split())
    assert "4 measured, 1 not; 0 read now" in text


def test_snap_refuses_it_and_a_sample_in_another_bottle_is_no_stranger(
    run, slim, photo_stock, other_bottle
):
    run("snap", photo_stock["day1"], "--vessel", slim)
    run("snap", other_bottle[0], "--vessel", slim, "--no-journal")  # one earlier photo: no verdict
    run("snap", photo_stock["day2"], "--vessel", slim)
    said = run("snap", other_bottle[0], "--vessel", slim, exit_code=1).output
    assert "a0.jpg: The vessel looks wider or narrower than" in said
    assert "check its name, light path and outer width" in said
    assert said.count("\n") == 1
    sample = ("--path-mm", "30", "--shape", "flat")
    run("snap", other_bottle[0], "--vessel", slim, *sample)
    # The same bottle again is no stranger.
    run("snap", photo_stock["day3"], "--vessel", slim)


def test_a_new_bottle_under_the_old_name_is_believed_in_the_end(
    run, slim, photo_stock, other_bottle
):
    for day in ("day1", "day2"):
        run("snap", photo_stock[day], "--vessel", slim)
    for path in other_bottle[:3]:
        run("snap", path, "--vessel", slim, exit_code=1)
    run("snap", other_bottle[3], "--vessel", slim)
