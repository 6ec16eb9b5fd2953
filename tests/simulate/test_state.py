"""Foam, bubbles and film in simulated pictures: as much of each as asked, where it belongs."""

from dataclasses import replace

import numpy as np
import pytest

from densitycam.card.layout import card_layout
from densitycam.simulate import VESSELS, Scene, picture, render
from densitycam.simulate.optics import film_tables
from densitycam.simulate.state import film_depths
from densitycam.simulate.vessels import Rays, trace_flat

SMALL = Scene(
    seed=5, size_px=(800, 600), level_mm=112.0, haze=0.0, gradient=(0.0, 0.0), hollow=0.0,
    cells_per_ml=0.0, pitch_deg=0.0, grain=0.05,
)  # fmt: skip
FLAT = VESSELS["flat-20"]


def fronts(scene):
    """Return the scene's camera and, for each pixel, its place on the vessel's front [mm]."""
    layout = card_layout(scene.paper)
    camera = picture.hold(scene, layout)
    width, height = scene.size_px
    grid = np.broadcast_arrays(
        np.arange(width, dtype=np.float32)[None, :], np.arange(height, dtype=np.float32)[:, None]
    )
    direction = picture.lines_of_sight(camera, grid[0], grid[1])
    rays = trace_flat(
        FLAT,
        camera=camera.place.astype(np.float32),
        direction=direction,
        x_mm=0.0,
        back_mm=layout.gap_mm,
        level_mm=scene.level_mm,
    )
    return rays, (height, width)


def inside(rays: Rays, shape, *, low, high, half=34.0):
    x, y = rays.entry[:, 0], rays.entry[:, 1]
    return ((np.abs(x) < half) & (y > low) & (y < high)).reshape(shape)


def changed(scene, without):
    """Return where the green code of two pictures differs by more than the noise."""
    a, b = (render(s)[0][..., 1].astype(float) for s in (scene, without))
    return np.abs(a - b) > 12


def test_foam_hides_the_bars_above_the_fluid_and_nothing_under_it():
    foamy = replace(SMALL, foam_mm=20.0, foam_cell_mm=1.5)
    rays, shape = fronts(SMALL)
    band = inside(rays, shape, low=114.0, high=126.0)
    clear, covered = (render(s)[0][..., 1][band].astype(float) for s in (SMALL, foamy))
    # A black and a white bar lie there: two heaps of codes without foam, one with.
    assert np.std(clear) > 50
    assert np.std(covered) < 25
    assert np.median(covered) > 140
    # Away from the surface the culture and the glass above the foam are as they were.
    others = inside(rays, shape, low=8.0, high=105.0) | inside(rays, shape, low=142.0, high=160.0)
    assert np.mean(changed(foamy, SMALL)[others]) < 0.002


@pytest.mark.parametrize("share", [0.04, 0.12])
def test_bubbles_cover_the_share_that_the_scene_says(share):
    # The camera's blur makes a disc of two pixels' radius a third wider; some of it is not
    # bright or dark enough to be told from what lies behind.
    rays, shape = fronts(SMALL)
    fluid = inside(rays, shape, low=8.0, high=108.0, half=39.0)
    found = np.mean(changed(replace(SMALL, aeration=share), SMALL)[fluid])
    assert 0.6 * share < found < 1.6 * share
    above = inside(rays, shape, low=118.0, high=160.0)
    assert np.mean(changed(replace(SMALL, aeration=share), SMALL)[above]) < 0.002


def test_bubbles_deep_in_a_dense_culture_are_not_seen():
    rays, shape = fronts(SMALL)
    fluid = inside(rays, shape, low=8.0, high=108.0)

    def seen(cells):
        thick = replace(SMALL, cells_per_ml=cells)
        return np.mean(changed(replace(thick, aeration=0.1), thick)[fluid])

    assert seen(6e7) < 0.6 * seen(1e6)


def test_film_is_as_thick_as_the_scene_says_and_ends_where_it_grew_to():
    rays, shape = fronts(SMALL)
    scene = replace(SMALL, film=0.6, film_top_mm=140.0)
    front, back = film_depths(scene, FLAT, rays, shape)
    both = (front + back).reshape(shape)
    # Log-normal patches of mean 1 on two walls of 80 x 130 mm: some forty patches each.
    assert np.mean(both[inside(rays, shape, low=8.0, high=130.0)]) == pytest.approx(0.6, rel=0.25)
    assert np.std(both[inside(rays, shape, low=8.0, high=130.0)]) > 0.15
    assert np.max(both[inside(rays, shape, low=146.0, high=160.0)]) == 0.0
    # It stays on the dry wall above the fluid and takes its share of the bars' contrast there.
    dry = inside(rays, shape, low=118.0, high=132.0)
    clean, grown = ((render(s)[0][..., 1][dry].astype(float) / 255) ** 2.2 for s in (SMALL, scene))
    assert 0.4 < np.std(grown) / np.std(clean) < 0.85


def test_the_ring_lies_at_the_waterline():
    rays, shape = fronts(SMALL)
    front, back = film_depths(replace(SMALL, film_ring=0.8), FLAT, rays, shape)
    both = (front + back).reshape(shape)
    middle = inside(rays, shape, low=106.0, high=109.0)
    # Two walls, uneven by 35 % over some five lengths each.
    assert np.mean(both[middle]) == pytest.approx(0.8, rel=0.3)
    assert np.max(both[inside(rays, shape, low=8.0, high=85.0)]) < 0.01


def test_the_films_table_is_the_optical_depth_at_550_nm():
    # Green sees around 540 nm, where cells scatter a little more, so the contrast left is close
    # to exp(-depth); scattered light still comes through: the mean keeps more than the contrast.
    film = film_tables(SMALL)
    for depth in (0.3, 1.0, 2.0):
        sharp, mean = (
            np.array([np.interp(depth, film.depth, table[:, c]) for c in range(3)])
            for table in (film.sharp, film.mean)
        )
        assert -np.log(sharp[1]) == pytest.approx(depth, rel=0.15)
        assert np.all(mean > sharp)
        assert mean[1] > mean[2]  # green cells
