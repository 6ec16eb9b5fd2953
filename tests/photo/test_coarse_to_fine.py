"""A large photo is read at a quarter of its scale, where the card is large enough in it."""

from __future__ import annotations

import numpy as np
import pytest
from tagged_photo import with_tag

from densitycam.errors import PhotoRefusedError
from densitycam.photo.card_finder import ENOUGH_PX_PER_MM, decode_with_card, find_card
from densitycam.photo.card_finder import project as marker_place
from densitycam.photo.decode import FIRST_SIDE_PX, WORKING_SIDE_PX, decode_photo
from densitycam.simulate import Scene, write_photo
from densitycam.simulate.camera import hold, project, sheet_to_world
from densitycam.vessel.read import picture_of, read_photo

SIZE_12_MP = (4000, 3000)
GOOD = Scene(seed=21, cells_per_ml=2e7, size_px=SIZE_12_MP, jpeg_quality=90)


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    path = tmp_path_factory.mktemp("large") / "good.jpg"
    write_photo(GOOD, path)
    return path


def test_a_photo_with_a_large_card_is_decoded_to_a_quarter(good):
    photo, fix = decode_with_card(good)
    assert max(photo.rgb.shape) == FIRST_SIDE_PX
    assert fix.px_per_mm >= ENOUGH_PX_PER_MM


def test_the_quarter_scale_finds_the_card_where_the_simulator_put_it(good):
    photo, fix = decode_with_card(good)
    places = np.array([[x, y] for x in (20.0, 150.0, 280.0) for y in (20.0, 180.0)])
    seen = project(hold(GOOD, fix.layout), sheet_to_world(fix.layout, places)) / 4 - 0.375
    found = np.c_[places, np.ones(len(places))] @ fix.sheet_to_photo.T
    off = found[:, :2] / found[:, 2:] - seen
    # A fifth of a pixel is 0.07 mm on the card.
    assert np.sqrt(np.mean(np.sum(off**2, axis=1))) < 0.2
    assert len(photo.rgb)


def test_both_scales_read_the_same_attenuation(good, monkeypatch):
    coarse = read_photo(good, path_mm=20, shape="flat").reading
    monkeypatch.setattr("densitycam.photo.card_finder.FIRST_SIDE_PX", WORKING_SIDE_PX)
    fine = read_photo(good, path_mm=20, shape="flat").reading
    # Of 96 simulated photos of 12 MP the two scales differed by 0.8 % in 95 of 100, 1.9 % at most.
    assert coarse.attenuation[:2] == pytest.approx(fine.attenuation[:2], rel=0.02)
    assert coarse.attenuation != fine.attenuation


def test_what_is_drawn_on_is_finer_and_the_marks_stay_where_they_belong(good):
    seen = read_photo(good, path_mm=20, shape="flat")
    rgb, to_picture = picture_of(good, seen)
    assert (max(seen.upright_rgb.shape), max(rgb.shape)) == (FIRST_SIDE_PX, WORKING_SIDE_PX)
    places = np.array([[20.0, 20.0], [280.0, 180.0]])
    own = find_card(rgb).sheet_to_photo
    np.testing.assert_allclose(
        marker_place(to_picture, places), marker_place(own, places), rtol=0, atol=0.5
    )


@pytest.mark.parametrize("fill", [0.5, 0.7])  # refused at a quarter of the scale, and merely small
def test_a_small_card_is_read_at_the_finer_scale(tmp_path, fill):
    write_photo(Scene(seed=22, cells_per_ml=2e7, size_px=SIZE_12_MP, fill=fill), tmp_path / "a.jpg")
    photo, fix = decode_with_card(tmp_path / "a.jpg")
    assert max(photo.rgb.shape) == WORKING_SIDE_PX
    assert fix.px_per_mm > ENOUGH_PX_PER_MM


def test_a_photo_that_cannot_be_finer_is_refused_at_once(tmp_path, monkeypatch):
    from densitycam.photo import card_finder

    write_photo(Scene(seed=23, cells_per_ml=1e6, size_px=(640, 480), fill=0.5), tmp_path / "a.jpg")
    decoded = []

    def counted(path, **options):
        decoded.append(path)
        return decode_photo(path, **options)

    monkeypatch.setattr(card_finder, "decode_photo", counted)
    with pytest.raises(PhotoRefusedError):
        decode_with_card(tmp_path / "a.jpg")
    assert len(decoded) == 1


def test_the_quick_search_finds_the_markers_that_the_thorough_one_does(good):
    from densitycam.photo import card_finder

    grey = decode_photo(good).rgb[..., 1].copy()
    quick, thorough = card_finder._markers(grey), card_finder._all_markers(grey)
    assert len(quick) >= card_finder._ENOUGH_MARKERS
    assert set(quick) <= set(thorough)
    for number, corners in quick.items():
        np.testing.assert_allclose(corners, thorough[number].reshape(4, 2), rtol=0, atol=0.75)


@pytest.mark.parametrize("place", ["beside, at the right", "over the top edge, left"])
def test_a_tag_is_seen_though_the_quick_search_knows_only_the_card(good, place):
    rgb = with_tag(decode_photo(good, side_px=FIRST_SIDE_PX).rgb, 105, place)
    assert find_card(rgb).tags == (105,)
