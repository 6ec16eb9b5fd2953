"""Whole pictures: seeded, markers where the truth says, physics to be seen, marked simulated."""

import ast
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

import densitycam.simulate
from densitycam.card.layout import MARKER_DICTIONARY, card_layout
from densitycam.simulate import PHONES, SPECIES, Scene, picture, random_scene, render, spoilt

SMALL = (800, 600)
PLAIN = Scene(seed=5, size_px=SMALL, level_mm=150.0, haze=0.0, gradient=(0.0, 0.0), hollow=0.0)


def bar_light(image, truth, *, x_mm, bars):
    """Return mean green code on bars, read at a place of the card's plane."""
    layout = card_layout("a4")
    w, fold = layout.width_mm, layout.base_line_y_mm
    corners = np.array([(0, 0), (w, 0), (w, fold), (0, fold)], dtype=np.float32)
    to_px = cv2.getPerspectiveTransform(corners, truth.card_corners_px.astype(np.float32))
    values = []
    for number in bars:
        rect = layout.bars[number].rect
        middle = (x_mm, rect.y_mm + rect.height_mm / 2.0)
        u, v = cv2.perspectiveTransform(np.array([[middle]], dtype=np.float32), to_px)[0, 0]
        values.append(image[round(v) - 1 : round(v) + 2, round(u) - 3 : round(u) + 4, 1].mean())
    return float(np.mean(values))


def test_the_same_seed_draws_the_same_picture():
    first, second = (
        random_scene(np.random.default_rng(42), size_px=(400, 300), fill_range=(0.7, 0.8))
        for _ in range(2)
    )
    assert first == second
    np.testing.assert_array_equal(render(first)[0], render(second)[0])
    other = render(replace(first, seed=first.seed + 1))[0]
    assert np.any(other != render(first)[0])


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_markers_are_found_where_the_truth_says(paper):
    scene = replace(
        PLAIN, vessel=None, paper=paper, yaw_deg=14.0, pitch_deg=11.0, roll_deg=3.0,
        size_px=(1200, 900), fill=0.9,
    )  # fmt: skip
    image, truth = render(scene)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, options).detectMarkers(grey)
    expected = [m.id for m in card_layout(paper).markers]
    assert sorted(ids.ravel().tolist()) == sorted(expected)
    for found, number in zip(corners, ids.ravel(), strict=True):
        truly = truth.marker_corners_px[expected.index(number)]
        np.testing.assert_allclose(found[0], truly, rtol=0, atol=1.0)


def test_the_whole_card_is_in_the_picture_at_the_asked_size():
    for seed in range(30):
        scene = random_scene(np.random.default_rng(seed), max_tilt_deg=30.0, size_px=SMALL)
        layout = card_layout(scene.paper)
        camera = picture.hold(scene, layout)
        w, fold, h = layout.width_mm, layout.base_line_y_mm, layout.height_mm
        corners = np.array([(0, 0), (w, 0), (0, fold), (w, fold), (0, h), (w, h)], dtype=float)
        seen = picture.project(camera, picture.sheet_to_world(layout, corners))
        assert seen.min() >= 0.0
        assert np.all(seen.max(axis=0) <= np.array(SMALL) - 1.0)
        assert camera.place[2] > 150.0
        tilt = np.degrees(np.arccos(-camera.turn[2][2]))
        assert tilt <= 30.0 + 1e-6


def test_more_cells_leave_less_contrast_and_less_light():
    black, white = range(2, 14, 2), range(3, 13, 2)
    contrasts, means = [], []
    for cells in (0.0, 1e7, 3e7, 6e7, 1.2e8):
        image, truth = render(replace(PLAIN, cells_per_ml=cells))
        b, w = (bar_light(image, truth, x_mm=148.5, bars=bars) for bars in (black, white))
        contrasts.append(w - b)
        means.append((w / 255) ** 2.2 + (b / 255) ** 2.2)  # light, not code
    assert np.all(np.diff(contrasts) < 0)
    assert np.all(np.diff(means) < 0)
    assert contrasts[0] > 100
    assert contrasts[-1] < 4  # past an attenuation of 5 nothing is left to see
    assert means[-1] > 0.2 * means[0]  # but it is not black


def test_contrast_in_the_picture_is_the_optics_contrast(monkeypatch):
    # A camera with a straight tone curve sees the attenuation that the optics worked out.
    straight = replace(
        PHONES["heron"], saturation=1.0, sharpening=0.0, read_noise=0.0, full_well=1e9
    )
    monkeypatch.setitem(PHONES, "heron", straight)
    monkeypatch.setattr(
        picture, "tone_table", lambda phone: np.linspace(0, 1, 4096, dtype=np.float32)
    )
    monkeypatch.setattr(picture, "colour_matrix", lambda phone: np.eye(3))
    black, white = range(4, 12, 2), range(3, 13, 2)

    def contrast(cells, share):
        scene = replace(PLAIN, cells_per_ml=cells, shaded_share=share, exposure=0.95)
        image, truth = render(scene)
        b, w = (bar_light(image, truth, x_mm=148.5, bars=bars) for bars in (black, white))
        return w - b, truth.attenuation

    clear, water = contrast(0.0, 0.0)
    dimmed, culture = contrast(2.0e7, 0.0)
    assert np.log(clear / dimmed) == pytest.approx(culture - water, rel=0.12)
    shaded, _ = contrast(2.0e7, 0.5)
    assert 0.5 < shaded / dimmed < 0.95


def test_blue_of_a_dense_green_culture_clips_to_zero():
    scene = replace(PLAIN, species="tetraselmis", vessel="cylinder-60", level_mm=140.0,
                    cells_per_ml=1.6e6, phone="ember")  # fmt: skip
    image, truth = render(scene)
    left, top, right, bottom = (round(b) for b in truth.vessel_box_px)
    middle = image[(top + bottom) // 2 - 20 : (top + bottom) // 2 + 20,
                   (left + right) // 2 - 10 : (left + right) // 2 + 10]  # fmt: skip
    assert np.median(middle[..., 2]) == 0
    assert np.median(middle[..., 1]) > 40


def test_a_settled_culture_is_denser_below_with_the_same_mean():
    scene = replace(PLAIN, cells_per_ml=2e7, settled=1.5)
    height = np.linspace(0.0, scene.level_mm, 2001)
    profile = picture._density_profile(scene, height)
    assert np.mean((profile[1:] + profile[:-1]) / 2.0) == pytest.approx(1.0, rel=1e-5)
    image, truth = render(scene)
    below, above = (
        bar_light(image, truth, x_mm=148.5, bars=(n + 1,))
        - bar_light(image, truth, x_mm=148.5, bars=(n,))
        for n in (2, 10)
    )
    assert below < 0.7 * above


def test_the_mark_stands_on_the_background(monkeypatch):
    for seed in (1, 2):
        scene = random_scene(np.random.default_rng(seed), size_px=(640, 480))
        marked, _ = render(scene)
        layout = card_layout(scene.paper)
        camera = picture.hold(scene, layout)
        with monkeypatch.context() as patched:
            patched.setattr(picture, "_stamp", lambda image, keep_clear: None)
            bare, truth = render(scene)
        changed = np.any(marked != bare, axis=2)
        assert np.count_nonzero(changed) > 400
        keep = picture._clear_of(scene, camera, layout, truth.vessel_box_px)
        assert not np.any(changed & (keep > 0))
        rows, columns = np.nonzero(changed)
        box = marked[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
        # Nearer to the letters' 235 than to the plate, which is no lighter than 0.45 x 255: OpenCV
        # before 5 draws thin strokes so softly that hardly a pixel has the full colour.
        assert np.count_nonzero(np.all(box >= (235 + 115) / 2, axis=2)) > 60


@pytest.mark.parametrize("how", ["blurred", "dark", "overexposed", "no-card", "hand", "far"])
def test_spoilt_shots_are_what_they_say(how):
    scene = replace(PLAIN, size_px=(640, 480))
    good, _ = render(scene)
    bad, truth = render(spoilt(scene, how))
    assert truth.note == how
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    detector = cv2.aruco.ArucoDetector(dictionary)

    def markers(image):
        ids = detector.detectMarkers(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))[1]
        return 0 if ids is None else len(ids)

    def sharpness(image):
        return cv2.Laplacian(image[..., 1], cv2.CV_64F)[60:].var()

    if how == "blurred":
        assert sharpness(bad) < 0.1 * sharpness(good)
    elif how == "dark":
        assert np.percentile(bad, 99) < 90
    elif how == "overexposed":
        assert np.mean(np.all(bad == 255, axis=2)) > 0.15
    else:
        assert markers(bad) < markers(good)


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="species must be one of nannochloropsis"):
        Scene(seed=1, species="kelp")
    with pytest.raises(ValueError, match="cells_per_ml must not be below 0"):
        Scene(seed=1, cells_per_ml=-1.0)
    with pytest.raises(ValueError, match="how must be one of blurred"):
        spoilt(PLAIN, "upside-down")
    assert sorted(SPECIES) == ["isochrysis", "nannochloropsis", "rhodomonas", "tetraselmis"]


def test_of_the_house_only_the_cards_layout_is_imported():
    folder = Path(densitycam.simulate.__file__).parent
    files = sorted(folder.glob("*.py"))
    assert len(files) > 8
    seen = set()
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, file
                names = [node.module]
            seen |= {n for n in names if n.split(".")[0] == "densitycam"}
    outside = {n for n in seen if not n.startswith("densitycam.simulate.")}
    assert outside == {"densitycam.card.layout"}
