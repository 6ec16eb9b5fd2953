"""Milky, bleached and another species: from the picture through the commands to the decision."""

from __future__ import annotations

import json
import shutil
from datetime import timedelta

import pytest
from growth_series import START

from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Scene

#: True densities of a growing batch, by day [cells/mL]; invented. The fifth would be 25.5e6.
GROWING = {1: 5.0e6, 2: 7.5e6, 3: 11.3e6, 4: 17.0e6}
#: What stands there on the fifth day.
FIFTH = {
    "good": {"cells_per_ml": 25.5e6},
    # Colourless scatter four times the cells' own; a fifth of the pigment.
    "milky": {"cells_per_ml": 10.0e6, "extra_scatter": 4.0},
    "bleached": {"cells_per_ml": 25.5e6, "pigment_scale": 0.2},
    "other": {"cells_per_ml": 1.0e7, "species": "isochrysis"},
}


@pytest.fixture(scope="module")
def batch_photos(tmp_path_factory):
    """One batch of daily photos, and the fifth day's in several ways."""
    folder = tmp_path_factory.mktemp("batch")
    for day, density in GROWING.items():
        scene = Scene(
            seed=day,
            cells_per_ml=density,
            taken_at=START + timedelta(days=day - 1),
            size_px=(1000, 750),
        )
        write_photo(scene, folder / f"day{day}.jpg")
    for name, what in FIFTH.items():
        taken_at = START + timedelta(days=4)
        write_photo(
            Scene(seed=5, taken_at=taken_at, size_px=(1000, 750), **what), folder / f"{name}.jpg"
        )
    return folder


@pytest.fixture
def counted(run, tmp_path, batch_photos):
    """Score the batch, three of its days counted: the truth in whole cells, diluted 1:5."""
    folder = tmp_path / "photos"
    (folder / "slim").mkdir(parents=True)
    for day in GROWING:
        shutil.copy(batch_photos / f"day{day}.jpg", folder / "slim")
    (folder / "vessels.csv").write_text(
        "name,species,working_volume_ml,path_mm,shape\nslim,nannochloropsis,500,20,flat\n"
    )
    rows = "".join(
        f"slim,2026-04-0{day} 09:00,slim/day{day}.jpg,improved-neubauer,group,"
        f"{round(GROWING[day] * 25 * 4e-6 / 5)},25,5,\n"
        for day in (1, 3, 4)
    )
    (folder / "slides.csv").write_text(
        "vessel,when,photo,chamber,unit,cells,squares,dilution,fixative_fraction\n" + rows
    )
    run("batch", folder)
    return folder


def looked_at(run, photo):
    said = json.loads(run("snap", photo, "--vessel", "slim", "--no-journal", "--json").output)
    return said["reading"]["flags"], said["advice"]


@pytest.mark.parametrize(
    ("name", "signs", "action"),
    [
        ("good", [], "harvest"),
        ("milky", ["milky"], "hold"),
        ("bleached", ["bleached"], "rescue"),
        ("other", ["colour-shift"], "hold"),
    ],
)
def test_snap_sees_what_is_wrong_against_the_vessels_own_slides(
    run, counted, batch_photos, name, signs, action
):
    flags, advice = looked_at(run, batch_photos / f"{name}.jpg")
    assert flags == signs
    assert advice["action"] == action
    assert (advice["plan"] is None) == (name != "good")


def test_with_too_few_photos_since_the_split_it_is_pale(run, counted, batch_photos):
    run("split", "--vessel", "slim", "--kept-ml", "125", "--when", "2026-04-04 20:00")
    for name in ("milky", "bleached"):
        flags, advice = looked_at(run, batch_photos / f"{name}.jpg")
        assert flags == ["pale"]
        assert advice["action"] == "hold"
        assert "too few photos of this batch tell which" in advice["reasons"][1]
    text = run("snap", batch_photos / "bleached.jpg", "--vessel", "slim", "--no-journal").output
    text = " ".join(text.split())
    assert text.count("less pigment for its turbidity than your counted cultures had") == 1


def test_uncounted_there_is_nothing_to_compare_with(run, slim, batch_photos):
    for name in ("milky", "bleached", "other"):
        assert looked_at(run, batch_photos / f"{name}.jpg")[0] == []


def test_batch_says_it_on_its_day_and_the_next_photo_is_not_misled(run, counted, batch_photos):
    shutil.copy(batch_photos / "milky.jpg", counted / "slim" / "day5.jpg")
    taken_at = START + timedelta(days=5)
    scene = Scene(
        seed=6, cells_per_ml=25.5e6, pigment_scale=0.2, taken_at=taken_at, size_px=(1000, 750)
    )
    write_photo(scene, counted / "slim" / "day6.jpg")
    text = run("batch", counted).output
    lines = {line.split()[0]: line for line in text.splitlines() if line.startswith("day")}
    assert lines["day5"].endswith("do not harvest; milky")
    # Milky photos foretell nothing: against the four good ones this is not milky again.
    assert "bleached" in lines["day6"]
    assert lines["day4"].rstrip().endswith(("wait under a day", "wait 1 day"))
