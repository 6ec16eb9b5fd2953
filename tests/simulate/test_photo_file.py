"""Files as a phone would leave them: orientation, time, and the word simulated."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from PIL import Image, ImageOps

from densitycam.simulate import Scene, render, write_photo

SCENE = Scene(
    seed=7,
    size_px=(320, 240),
    fill=0.7,
    taken_at=datetime(2026, 4, 3, 7, 5, 9),
    utc_offset="+02:00",
    jpeg_quality=95,
)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_upright_again_on_display(tmp_path, orientation):
    # Meaning of the eight values: Exif 2.32 (CIPA DC-008), tag 0x0112, as Pillow applies it.
    path = tmp_path / "photo.jpg"
    write_photo(replace(SCENE, orientation=orientation), path)
    with Image.open(path) as stored:
        assert stored.getexif()[0x0112] == orientation
        assert stored.size == ((320, 240) if orientation < 5 else (240, 320))
        shown = np.asarray(ImageOps.exif_transpose(stored), dtype=float)
    upright = render(SCENE)[0].astype(float)
    assert shown.shape == upright.shape
    assert np.mean(np.abs(shown - upright)) < 3.0


def test_the_file_says_when_and_that_it_is_simulated(tmp_path):
    path = tmp_path / "photo.jpg"
    write_photo(SCENE, path)
    with Image.open(path) as stored:
        exif = stored.getexif()
        detail = exif.get_ifd(0x8769)
        assert exif[0x010F] == "simulated"
        assert exif[0x010E] == "simulated photo, densitycam demo"
        assert detail[0x9003] == "2026:04:03 07:05:09"
        assert detail[0x9011] == "+02:00"
        assert b"simulated" in stored.info["comment"]


def test_the_same_scene_gives_the_same_bytes(tmp_path):
    for name in ("a.jpg", "b.jpg"):
        write_photo(SCENE, tmp_path / name)
    assert (tmp_path / "a.jpg").read_bytes() == (tmp_path / "b.jpg").read_bytes()
