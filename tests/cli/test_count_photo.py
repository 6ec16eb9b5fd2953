"""`densitycam count --photo`: nothing is kept until the keeper has looked and accepted."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from densitycam.simulate.slide import SlideScene, write_slide


@pytest.fixture(scope="module")
def slide(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[int]]:
    path = tmp_path_factory.mktemp("slides") / "slide.jpg"
    scene = SlideScene(
        seed=21, size_px=(1060, 860), centre_um=(1600.0, 1600.0), px_per_um=1.6, rotation_deg=-8.0,
        species="nannochloropsis", diameter_um=4.0,
    )  # fmt: skip
    return path, [square.cells for square in write_slide(scene, path).squares]


def test_a_photo_is_shown_and_kept_only_when_accepted(run, slim, slide, tmp_path):
    path, true = slide
    words = ("count", "--vessel", "slim", "--photo", path)
    seen = run(*words)
    beside = path.with_name("slide-counted.jpg")
    assert "Nothing was kept" in seen.output
    assert "top or left line" in " ".join(seen.output.split())
    with Image.open(beside) as image:
        assert image.width >= 1000
    assert "0 slide counts" in run("vessel", "slim").output

    chosen = tmp_path / "look.png"
    kept = json.loads(
        run(*words, "--correct", "1=50", "--accept", "--picture", chosen, "--json").output
    )
    assert chosen.exists()
    tally = kept["tally"]
    assert tally["machine_assisted"] is True
    assert tally["unit"] == "group"
    counts = tally["fillings"][0]["counts"]
    assert counts[0] == 50
    assert len(counts) == len(true)
    assert kept["count"]["cells"] == sum(counts)
    # Squares of 0.04 mm2, 0.1 mm deep: 4 nL each.
    assert kept["count"]["cells_per_ml"] == pytest.approx(
        sum(counts) / len(counts) * 2.5e5, rel=1e-9, abs=0
    )
    assert "1 slide count" in run("vessel", "slim").output
    beside.unlink()


def test_faults_are_named(run, slim, slide, tmp_path):
    path, _ = slide
    words = ("count", "--vessel", "slim", "--photo", path)
    assert "3=41" in run(*words, "--correct", "three", exit_code=2).output
    assert "twice" in run(*words, "--correct", "1=4", "--correct", "1=5", exit_code=2).output
    assert "one of" in run(*words, "--cells", "4,5", exit_code=2).output
    assert "go with --photo" in run(
        "count", "--vessel", "slim", "--cells", "4,5", "--accept", exit_code=2
    ).output  # fmt: skip
    refused = run(*words, "--picture", path, exit_code=1)
    assert "replace the slide photo" in refused.output
    form = run(*words, "--picture", tmp_path / "look.svg", exit_code=1)
    assert ".jpg or .png" in " ".join(form.output.split())
    bare = tmp_path / "bare.jpg"
    noise = np.random.default_rng(4).normal((170, 160, 140), 8, (600, 800, 3))
    Image.fromarray(noise.astype(np.uint8)).save(bare)
    refused = run("count", "--vessel", "slim", "--photo", bare, exit_code=1)
    assert "ruling of the improved-neubauer chamber was not found" in " ".join(
        refused.output.split()
    )
    assert "0 slide counts" in run("vessel", "slim").output
