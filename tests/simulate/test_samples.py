"""The shipped samples: complete, consistent with their truth, and what the generator draws."""

import csv
import math
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from densitycam.simulate import render, samples

FOLDER = Path(__file__).resolve().parents[2] / "samples"


def table(name):
    with (FOLDER / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_every_photo_has_a_truth_and_every_truth_a_photo():
    named = {row["photo"] for row in table("truth.csv")}
    there = {p.relative_to(FOLDER).as_posix() for p in FOLDER.glob("*/*.jpg")}
    assert there - named == {"bare-card/bare-card.jpg"}
    assert named - there == set()
    assert sum(p.stat().st_size for p in FOLDER.rglob("*")) < 25e6


def test_every_file_says_it_is_simulated():
    assert "simulated" in (FOLDER / "README.md").read_text(encoding="utf-8")
    for path in FOLDER.glob("*/*.jpg"):
        with Image.open(path) as photo:
            assert photo.getexif()[0x010F] == "simulated", path


def test_names_carry_the_exif_time():
    for path in FOLDER.glob("*-*/2026*.jpg"):
        with Image.open(path) as photo:
            taken = photo.getexif().get_ifd(0x8769)[0x9003]
        named = datetime.strptime(path.stem, "%Y-%m-%d_%H%M")
        assert datetime.strptime(taken, "%Y:%m:%d %H:%M:%S") == named


def test_counts_are_draws_of_the_truth():
    # Improved Neubauer: 1 mm2 and 0.04 mm2, 0.1 mm deep (TRADE.md, counting chambers).
    volume_ml = {"large": 1e-4, "group": 4e-6}
    truth = {row["photo"]: float(row["cells_per_ml"]) for row in table("truth.csv")}
    slides = table("slides.csv")
    scores = []
    for row in slides:
        cells, squares = int(row["cells"]), float(row["squares"])
        factor = float(row["dilution"]) * (1.0 + float(row["fixative_fraction"]))
        found = cells * factor / (squares * volume_ml[row["unit"]])
        sd = math.hypot(1.0 / math.sqrt(cells), 0.05)
        scores.append(math.log(found / truth[row["photo"]]) / sd)
        assert 90 <= cells <= 600
    assert max(map(abs, scores)) < 3.5
    assert 0.5 < np.std(scores) < 1.6
    for vessel in ("window-bottle", "flat-flask"):
        assert sum(row["vessel"] == vessel for row in slides) >= 5


def test_a_split_leaves_a_quarter():
    truth = table("truth.csv")
    for row in table("splits.csv"):
        share = float(row["kept_ml"]) / float(row["total_ml"])
        assert share == 0.25
        when = datetime.fromisoformat(row["when"])
        days = [
            (datetime.strptime(Path(t["photo"]).stem, "%Y-%m-%d_%H%M"), float(t["cells_per_ml"]))
            for t in truth
            if t["photo"].startswith(row["vessel"])
        ]
        before = max(d for d in days if d[0] < when)
        after = min(d for d in days if d[0] > when)
        assert share < after[1] / before[1] < 2.0 * share  # a day's growth follows


@pytest.mark.parametrize("number", [0, 1])
def test_the_truth_is_what_the_generator_grows(number):
    story = samples._STORIES[number]
    rng = np.random.default_rng([samples._SEED, number])
    moments = samples._moments(rng)
    densities, made = samples._densities(story, moments, rng)
    shipped = {row["photo"]: float(row["cells_per_ml"]) for row in table("truth.csv")}
    for when, density in zip(moments, densities, strict=True):
        photo = f"{story.name}/{when:%Y-%m-%d_%H%M}.jpg"
        assert shipped[photo] == pytest.approx(density, rel=1e-3)
    stamps = [row["when"] for row in table("splits.csv") if row["vessel"] == story.name]
    assert stamps == [when.isoformat(timespec="minutes") for when in made.values()]


def test_the_first_photo_is_what_the_generator_draws():
    story = samples._STORIES[0]
    rng = np.random.default_rng([samples._SEED, 0])
    moments = samples._moments(rng)
    densities, _ = samples._densities(story, moments, rng)
    scene = samples._scene(story, 0, moments[0], densities[0], rng)
    drawn = render(scene)[0].astype(float)
    with Image.open(FOLDER / story.name / f"{moments[0]:%Y-%m-%d_%H%M}.jpg") as photo:
        assert photo.getexif()[0x0112] == scene.orientation
        shown = np.asarray(ImageOps.exif_transpose(photo), dtype=float)
    assert np.mean(np.abs(shown - drawn)) < 3.0


def test_logistic_growth_doubles_early_and_stops_at_the_ceiling():
    # Far below the ceiling logistic growth is exponential: ln 2 / rate days double it.
    early = samples._grown(1.0, rate=0.4, ceiling=1e9, days=math.log(2.0) / 0.4)
    assert early == pytest.approx(2.0, rel=1e-6)
    assert samples._grown(1e5, rate=0.4, ceiling=1e6, days=200.0) == pytest.approx(1e6, rel=1e-9)
    half = samples._grown(5e5, rate=0.4, ceiling=1e6, days=0.0)
    assert half == pytest.approx(5e5, rel=1e-12)
