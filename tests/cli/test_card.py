"""The card command writes what it is asked for and refuses what it cannot."""

from __future__ import annotations

import json
import math

import pytest


@pytest.fixture(scope="module")
def bare_cards(tmp_path_factory):
    """Three photos of one print, one by a phone with a tone curve of its own, one of another."""
    from densitycam.simulate.photo_file import write_photo
    from densitycam.simulate.scene import Scene

    folder = tmp_path_factory.mktemp("bare")
    scenes = {
        f"bare-{n}": Scene(seed=40 + n, vessel=None, yaw_deg=3.0 * n, size_px=(1000, 750))
        for n in range(3)
    }
    scenes["other-phone"] = Scene(seed=50, vessel=None, phone="ember", size_px=(1000, 750))
    scenes["other-print"] = Scene(seed=51, vessel=None, print_name="draft", size_px=(1000, 750))
    for name, scene in scenes.items():
        write_photo(scene, folder / f"{name}.jpg")
    return {name: folder / f"{name}.jpg" for name in scenes}


def test_json_lists_the_sheet(run):
    layout = json.loads(run("card", "--paper", "letter", "--json").output)
    # ANSI/ASME Y14.1 Letter, landscape.
    assert "279.4" in json.dumps(layout)
    assert layout["paper"] == "letter"


def test_pdf_and_png_are_written(run, tmp_path):
    pdf, png = tmp_path / "c.pdf", tmp_path / "c.png"
    said = run("card", "--pdf", pdf, "--png", png, "--px-per-mm", "2").output
    assert pdf.read_bytes().startswith(b"%PDF-")
    header = png.read_bytes()[:24]
    assert header.startswith(b"\x89PNG")
    # PNG specification, 11.2.2 IHDR: width and height. A4 lies 297 x 210 mm (ISO 216).
    size = int.from_bytes(header[16:20], "big"), int.from_bytes(header[20:24], "big")
    assert size == (594, 420)
    assert f"Wrote {pdf}." in said


def test_what_cannot_be_done_is_said(run, tmp_path):
    assert "Say what to make" in run("card", exit_code=2).output
    assert "Invalid value for '--paper'" in run("card", "--paper", "a3", exit_code=2).output
    assert "Invalid value for '--px-per-mm'" in run("card", "--px-per-mm", "-1", exit_code=2).output
    result = run("card", "--pdf", tmp_path / "none" / "c.pdf", exit_code=1)
    assert result.output.startswith("Error: Cannot write")
    assert result.output.count("\n") == 1


def test_a_print_is_registered_and_used_from_then_on(run, slim, bare_cards, photo_stock):
    snap = ("snap", photo_stock["day2"], "--vessel", "slim")
    before = " ".join(run(*snap).output.split())
    assert "Print not registered" in before
    plain = json.loads(run(*snap, "--json").output)["reading"]
    good = [bare_cards[f"bare-{n}"] for n in range(3)]
    said = " ".join(run("card", "register", *good).output.split())
    assert "registered from 3 photos of the bare card, which differ by" in said
    assert "good (below 5 % is)" in said
    assert "Print not registered" not in " ".join(run(*snap).output.split())
    # Against the library itself: the mean profile of these photos, passed by hand.
    from densitycam.card.profile import mean_profile
    from densitycam.photo.print_registration import register_print
    from densitycam.vessel.read import read_photo

    profile = mean_profile([register_print(path) for path in good])
    expected = read_photo(photo_stock["day2"], path_mm=20, shape="flat", profile=profile).reading
    found = json.loads(run(*snap, "--json").output)["reading"]
    assert found["contrast_t"] == pytest.approx(expected.contrast_t, rel=1e-6, abs=0)
    assert found["contrast_t"] != plain["contrast_t"]


def test_a_photo_that_strays_from_the_others_is_named(run, bare_cards):
    four = [path for name, path in bare_cards.items() if name != "other-print"]
    said = json.loads(run("card", "register", *four, "--json").output)
    assert [s["photo"] for s in said["strays"]] == ["other-phone.jpg"]
    assert said["disagreement"] > 0.05
    text = " ".join(run("card", "register", *four).output.split())
    assert "below 5 % is good. other-phone.jpg (by" in text
    assert "strays from the others: register again without" in text


def test_one_photo_alone_is_registered_and_more_are_asked_for(run, bare_cards):
    twice = (bare_cards["bare-0"], bare_cards["bare-0"])  # the same picture counts once
    said = json.loads(run("card", "register", *twice, "--json").output)
    assert said["photos"] == 1
    assert said["disagreement"] is None
    assert all(0 < v < 2 and math.isfinite(v) for v in said["reflectance"]["grey left 4"])
    assert "two or three photos together" in run("card", "register", *twice).output


def test_only_a_bare_card_is_registered(run, bare_cards, photo_stock):
    for bad, why in (
        ("day2", "day2.jpg: something stands before the card"),
        ("no-card", "no-card.jpg"),
    ):
        result = run("card", "register", bare_cards["bare-0"], photo_stock[bad], exit_code=1)
        assert why in result.output
        assert result.output.count("\n") == 1
    found = run("card", "register", exit_code=2).output
    assert "Missing argument" in found
    both = run("card", "--pdf", "x.pdf", "register", bare_cards["bare-0"], exit_code=2).output
    assert "in two steps" in both


def test_photos_that_differ_too_much_are_not_averaged(run, slim, bare_cards, photo_stock):
    two = (bare_cards["bare-0"], bare_cards["other-print"])
    said = run("card", "register", *two, exit_code=1).output
    assert "differ by 22 %, too much for one print and one phone" in said
    assert "Take them anew" in said
    good = [bare_cards[f"bare-{n}"] for n in range(3)]
    said = run("card", "register", *good, bare_cards["other-print"], exit_code=1).output
    assert "Leave out other-print.jpg, or take them anew" in said
    assert said.count("\n") == 1
    # Nothing was kept, and the advised step works.
    snap = ("snap", photo_stock["day2"], "--vessel", slim)
    assert "Print not registered" in " ".join(run(*snap).output.split())
    assert json.loads(run("card", "register", *good, "--json").output)["photos"] == 3
