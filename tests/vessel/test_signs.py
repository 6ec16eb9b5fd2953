"""Foam, bubbles and film: the rules on strips drawn here by hand, and on a few whole photos."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from densitycam.simulate import VESSELS, Scene, write_photo
from densitycam.vessel.read import read_photo
from densitycam.vessel.signs import (
    BUBBLY,
    PATCHY,
    bubble_area,
    find_spots,
    foam_bottom_row,
    is_settled,
    patchiness,
    spotted_share,
    without_bubbles,
)

PX = 5.0
HEIGHT_MM, WIDTH_MM = 150, 24
ROWS, COLUMNS = round(HEIGHT_MM * PX), round(WIDTH_MM * PX)

#: Of each row, from the top downward: its height, its bar, how far the bar's nearest edge is.
HEIGHT = HEIGHT_MM - (np.arange(ROWS) + 0.5) / PX
BAR = (HEIGHT // 10).astype(int)
FROM_EDGE = np.minimum(HEIGHT % 10, 10 - HEIGHT % 10)


def strip(*, level_mm=110.0, noise=0.01, seed=0):
    """Draw bars through a green culture up to its surface, and through glass above it."""
    rng = np.random.default_rng(seed)
    card = np.where(BAR % 2 == 1, 1.0, 0.04)[:, None]
    through = np.array([0.45, 0.55, 0.20])
    fluid = 0.6 * through * card + 0.4 * through * 0.5
    dry = 0.85 * card + 0.02
    rows = np.where((level_mm > HEIGHT)[:, None], fluid, dry)
    light = np.repeat(rows[:, None, :], COLUMNS, axis=1)
    light += noise * rng.standard_normal(light.shape) * np.sqrt(light)
    return light.astype(np.float32)


def with_discs(light, *, count, radius_mm, below_mm, seed=1, column_mm=(1.0, WIDTH_MM - 1.0)):
    """Draw bubbles: a dark rim and a bright middle."""
    light = light.copy()
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:ROWS, :COLUMNS] / PX
    for _ in range(count):
        cy = rng.uniform(HEIGHT_MM - below_mm, HEIGHT_MM - 8.0)
        cx = rng.uniform(*column_mm)
        away = np.hypot(y - cy, x - cx)
        light[away < radius_mm] *= 0.6
        light[away < 0.5 * radius_mm] += 0.3
    return light


def with_patches(light, *, depth, count=60, seed=2):
    """Draw film: soft dark patches 3 mm wide on average this deep where they are."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:ROWS, :COLUMNS] / PX
    film = np.zeros((ROWS, COLUMNS))
    for _ in range(count):
        away = np.hypot(y - rng.uniform(0, HEIGHT_MM), x - rng.uniform(0, WIDTH_MM))
        film += depth * np.exp(-0.5 * (away / 3.0) ** 2)
    return (light * np.exp(-film)[..., None]).astype(np.float32)


def share_of_spots(light):
    fluid = HEIGHT < 100.0
    return spotted_share(find_spots(light[fluid], px_per_mm=PX), px_per_mm=PX)


def patches_of(light):
    fluid = HEIGHT < 100.0
    return patchiness(light[fluid], bar=BAR[fluid], from_edge_mm=FROM_EDGE[fluid], px_per_mm=PX)


def foam_height(light, *, among_bubbles=False):
    row = foam_bottom_row(
        light,
        black=(BAR % 2 == 0) & (FROM_EDGE > 1.2),
        height_mm=HEIGHT,
        px_per_mm=PX,
        among_bubbles=among_bubbles,
    )
    return None if row is None else HEIGHT[row]


@pytest.mark.parametrize("noise", [0.005, 0.03, 0.08])
def test_a_clean_strip_shows_nothing_however_noisy(noise):
    light = strip(noise=noise)
    assert share_of_spots(light) < 0.5 * BUBBLY
    assert patches_of(light) < 0.5 * PATCHY
    assert foam_height(light) is None


def test_bubbles_all_over_are_told_and_a_cluster_on_the_wall_is_not():
    # 120 discs of 0.8 mm radius: 240 mm2, a tenth of 24 x 100 mm.
    assert share_of_spots(with_discs(strip(), count=120, radius_mm=0.8, below_mm=100)) > 2 * BUBBLY
    few = with_discs(strip(), count=4, radius_mm=0.8, below_mm=100)
    low = with_discs(strip(), count=60, radius_mm=0.8, below_mm=40)
    assert share_of_spots(few) < BUBBLY
    assert share_of_spots(low) < BUBBLY


def test_a_stripe_of_glare_and_the_edges_of_bars_are_no_spots():
    light = strip()
    light[200:600, 40:46] += 0.5
    assert share_of_spots(light) < 0.5 * BUBBLY


def test_bubbles_are_left_out_of_the_light():
    clear = strip(noise=0.003)
    bubbly = with_discs(clear, count=120, radius_mm=0.8, below_mm=100)
    fluid = HEIGHT < 100.0
    spots = find_spots(bubbly[fluid], px_per_mm=PX)
    mended = without_bubbles(bubbly[fluid], spots, px_per_mm=PX)
    before, after = (np.abs(part - clear[fluid]).mean() for part in (bubbly[fluid], mended))
    assert after < 0.4 * before
    assert 0.1 < bubble_area(spots, px_per_mm=PX).mean() < 0.4


def test_a_row_of_bubbles_from_wall_to_wall_is_left_as_it_is():
    light = np.full((60, 40, 3), 0.5, dtype=np.float32)
    spots = np.zeros((60, 40), dtype=bool)
    spots[30] = True
    np.testing.assert_array_equal(without_bubbles(light, spots, px_per_mm=PX), light)


def test_patches_are_film_and_settling_glare_and_a_cylinders_chord_are_not():
    assert patches_of(with_patches(strip(), depth=0.2)) > PATCHY
    settled = strip() * np.exp(-0.008 * (100.0 - HEIGHT))[:, None, None]
    chord = strip() * np.linspace(0.7, 1.0, COLUMNS)[None, :, None]
    glare = strip()
    glare[300:500, 50:60] += 0.4  # ends half way up
    for light in (settled, chord, glare):
        assert patches_of(light.astype(np.float32)) < PATCHY


def test_too_little_fluid_to_tell_patches_tells_none():
    light, low = with_patches(strip(), depth=0.3), HEIGHT < 38.0
    assert patchiness(
        light[low], bar=BAR[low], from_edge_mm=FROM_EDGE[low], px_per_mm=PX
    ) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("foam_mm", [3.0, 8.0, 20.0])
@pytest.mark.parametrize("level_mm", [92.0, 101.0, 110.0])
def test_foam_is_told_by_its_cells_and_its_lower_edge_found(foam_mm, level_mm):
    light = strip(level_mm=level_mm)
    rng = np.random.default_rng(3)
    band = (level_mm < HEIGHT) & (level_mm + foam_mm > HEIGHT)
    cells = np.kron(rng.choice([0.55, 0.8], size=(200, 40)), np.ones((5, 5)))[:ROWS, :COLUMNS]
    light[band] = cells[band][..., None]
    assert foam_height(light) == pytest.approx(level_mm, abs=1.0)
    if foam_mm == 3.0:  # as thin as that it may be a cluster of bubbles
        assert foam_height(light, among_bubbles=True) is None


def test_fine_foam_is_told_where_it_hides_a_black_bar():
    light = strip(level_mm=98.0)
    band = (HEIGHT > 98.0) & (HEIGHT < 108.0)
    light[band] = 0.7
    # The black bar from 100 mm up, less what lies within 1.2 mm of its edge.
    assert foam_height(light) == pytest.approx(101.3, abs=0.4)


def test_a_thin_clear_culture_is_no_foam():
    light = strip() ** 0.2
    assert foam_height(light.astype(np.float32)) is None


def test_rows_that_the_fluids_surface_reaches_into_do_not_hide_settling():
    clearing = np.exp(-np.linspace(1.5, 0.9, 10))
    heights = 15.0 + 10.0 * np.arange(12)
    broken = np.r_[clearing, 0.05, -0.1]
    assert is_settled(heights_mm=heights, row_contrast=broken, row_mean=np.full(12, 0.6))
    even = np.r_[np.full(10, 0.3), 0.9, 0.9]
    assert not is_settled(heights_mm=heights, row_contrast=even, row_mean=np.full(12, 0.6))


SCENE = Scene(
    seed=6, vessel="flat-20", cells_per_ml=1.6e7, level_mm=125.0, size_px=(1400, 1050), haze=0.2
)  # fmt: skip


@pytest.fixture(scope="module")
def even(tmp_path_factory):
    return seen(SCENE, tmp_path_factory.mktemp("even"))


def seen(scene, folder):
    write_photo(scene, folder / "a.jpg")
    vessel = VESSELS[scene.vessel]
    return read_photo(folder / "a.jpg", path_mm=vessel.path_mm, shape=vessel.shape).reading


@pytest.mark.parametrize(
    ("change", "signs"),
    [
        ({"foam_mm": 10.0, "foam_cell_mm": 1.5}, ("foam",)),
        ({"aeration": 0.10}, ("bubbles",)),
        ({"film": 0.5}, ("film",)),
    ],
)
def test_photos_show_what_is_in_them_and_foam_and_bubbles_leave_the_reading_alone(
    tmp_path, even, change, signs
):
    assert even.flags == ()
    assert even.left_out == 0.0
    found = seen(replace(SCENE, **change), tmp_path)
    assert found.flags == signs
    if signs == ("film",):  # it cannot be told from the water behind it
        assert found.attenuation[1] > 1.1 * even.attenuation[1]
    else:
        assert found.attenuation[:2] == pytest.approx(even.attenuation[:2], rel=0.03)
    assert (found.left_out > 0.02) == (signs == ("bubbles",))


def test_patches_on_the_wall_do_not_pass_for_the_fluids_surface(tmp_path):
    # This one's lowest rows lie behind thick patches: brighter rows above them, but no empty
    # glass.
    scene = Scene(
        seed=4, vessel="cylinder-60", species="isochrysis", cells_per_ml=6e5, level_mm=128.0,
        haze=0.2, film=0.4,
    )  # fmt: skip
    found = seen(scene, tmp_path)
    assert "film" in found.flags
    assert found.rows[-1].height_mm > 100
