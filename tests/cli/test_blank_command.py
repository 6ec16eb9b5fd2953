"""A vessel's blank comes off all its readings, and off no other vessel's."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace

import pytest

from densitycam.simulate.photo_file import write_photo
from densitycam.simulate.scene import Scene


@pytest.fixture(scope="module")
def water(tmp_path_factory):
    """Two photos of the flat bottle with clean salt water."""
    folder = tmp_path_factory.mktemp("water")
    scene = Scene(seed=70, cells_per_ml=0.0, size_px=(1000, 750))
    paths = []
    for n in range(2):
        paths.append(folder / f"water-{n}.jpg")
        write_photo(replace(scene, seed=70 + n, yaw_deg=2.0 * n), paths[-1])
    return paths


def snapped(run, photo, *words):
    return json.loads(run("snap", photo, "--json", *words).output)


def test_a_blank_is_kept_with_its_detection_limit(run, slim, water):
    said = json.loads(run("blank", *water, "--vessel", "slim", "--json").output)
    assert said["blank"]["photos"] == 2
    # By hand, from the published rule and the calibration's own curve.
    from densitycam.calibration.model import detection_limit, start_calibration
    from densitycam.vessel.blank import blank_of, detectable_attenuation
    from densitycam.vessel.read import read_photo

    readings = [read_photo(p, path_mm=20, shape="flat").reading for p in water]
    least = detectable_attenuation(blank_of(readings))[1]
    path_mm = (readings[0].path_mm + readings[1].path_mm) / 2
    expected = detection_limit(
        start_calibration("nannochloropsis"), attenuation=least, path_mm=path_mm
    )
    assert said["detection_limit_cells_per_ml"] == pytest.approx(expected, rel=1e-6, abs=0)
    text = run("blank", *water, "--vessel", "slim").output
    assert "ISO 11843" in text
    assert "not yet checked by a count" in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "blank: 2 photos" in run("vessel", "slim").output
    alone = run("blank", water[0], "--vessel", "slim").output
    assert "Snap it two or three times" in alone


def test_it_comes_off_readings_made_before_and_after(run, slim, water, photo_stock):
    before = snapped(run, photo_stock["day2"], "--vessel", "slim")
    blank = json.loads(run("blank", *water, "--vessel", "slim", "--json").output)["blank"]
    for photo in ("day2", "day1"):
        found = snapped(run, photo_stock[photo], "--vessel", "slim")["reading"]
        for c in range(2):
            raw = -math.log(found["contrast_t"][c])
            assert found["attenuation"][c] == pytest.approx(raw - blank["attenuation"][c], abs=1e-9)
        assert found["blank_se"] == pytest.approx(blank["se"])
    again = snapped(run, photo_stock["day2"], "--vessel", "slim")
    assert again["reading"]["contrast_t"] == before["reading"]["contrast_t"]  # raw stays raw
    assert again["estimate"]["cells_per_ml"] != before["estimate"]["cells_per_ml"]


def test_past_readings_and_slides_follow_without_their_photos(run, photo_folder, water):
    def look():
        found = json.loads(run("batch", photo_folder, "--json").output)
        return found["vessels"][0]["calibration_id"], found["photos"]

    first, old = look()
    run("blank", *water, "--vessel", "slim")
    last = json.loads(run("calibrate", "--vessel", "slim", "--json").output)
    second, new = look()
    assert second != first
    assert last["calibration_id"] == second  # the blank had refitted it already
    assert [p["fresh"] for p in new] == [False] * 4
    assert all(a["reading"]["attenuation"] != b["reading"]["attenuation"]
               for a, b in zip(old, new, strict=True))  # fmt: skip


def test_clean_water_among_a_batchs_photos_is_less_than_and_no_fall(run, photo_folder, water):
    plain = json.loads(run("batch", photo_folder, "--json").output)["photos"]
    shutil.copy(water[0], photo_folder / "slim" / "rinsed.jpg")  # taken a month before the others
    found = json.loads(run("batch", photo_folder, "--json").output)["photos"]
    assert found[0]["estimate"]["status"] == "less-than"
    # Clean water is told from the thinnest culture of the series.
    assert found[0]["estimate"]["high"] < found[1]["estimate"]["low"]
    assert [p["growth"] for p in found[1:]] == [p["growth"] for p in plain]


def test_a_sample_in_another_bottle_does_not_use_the_vessels_blank(run, slim, water, photo_stock):
    run("vessel", "jar", "--species", "nannochloropsis", "--volume-ml", "900", "--path-mm", "21",
        "--shape", "flat")  # fmt: skip
    other = ("--vessel", "jar", "--path-mm", "20", "--shape", "flat")
    before = snapped(run, photo_stock["day2"], *other)
    diluted = snapped(run, photo_stock["day3"], "--vessel", "jar", "--dilution", "2")
    run("blank", *water, "--vessel", "jar")
    assert snapped(run, photo_stock["day2"], *other)["reading"] == before["reading"]
    # Diluted in the vessel itself, it does.
    after = snapped(run, photo_stock["day3"], "--vessel", "jar", "--dilution", "2")
    assert after["reading"]["attenuation"] != diluted["reading"]["attenuation"]


def test_a_culture_is_no_blank_and_nothing_is_kept(run, slim, water, photo_stock):
    for bad, why in (("day4", "day4.jpg: This is no blank"), ("bare", "bare.jpg")):
        result = run("blank", water[0], photo_stock[bad], "--vessel", "slim", exit_code=1)
        assert why in result.output
        assert result.output.count("\n") == 1
    assert "blank: none of its own" in run("vessel", "slim").output
    assert "Did you mean slim" in run("blank", water[0], "--vessel", "slam", exit_code=1).output


def test_a_thin_culture_is_no_blank_either(run, slim, water, tmp_path):
    # A sixth of the bars' contrast is gone, as in a bottle that was emptied and not rinsed.
    thin = Scene(seed=72, species="isochrysis", cells_per_ml=4e5, size_px=(1000, 750))
    write_photo(thin, tmp_path / "thin.jpg")
    result = run("blank", *water, tmp_path / "thin.jpg", "--vessel", "slim", exit_code=1)
    assert "thin.jpg: This is no blank: it scatters light and takes blue" in result.output
    assert "blank: none of its own" in run("vessel", "slim").output


def test_a_hazy_wall_and_tinted_glass_are_no_culture(run, slim, tmp_path):
    hazy = Scene(seed=73, cells_per_ml=0.0, haze=0.9, size_px=(1000, 750))
    write_photo(hazy, tmp_path / "hazy.jpg")
    assert "Kept with slim" in run("blank", tmp_path / "hazy.jpg", "--vessel", "slim").output
