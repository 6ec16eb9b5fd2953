"""Pictures are written whole, and in no other form than their names say."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from densitycam.errors import DensitycamError
from densitycam.report.picture import write_picture


def test_png_is_whole_and_lossless(tmp_path):
    picture = np.random.default_rng(6).integers(0, 256, (48, 64, 3), dtype=np.uint8)
    write_picture(picture, tmp_path / "a.png")
    with Image.open(tmp_path / "a.png") as read:
        assert np.array_equal(np.asarray(read), picture)
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
    with pytest.raises(DensitycamError, match="Cannot write"):
        write_picture(picture, tmp_path / "nowhere" / "a.png")


def test_written_as_jpeg_or_png_only(tmp_path):
    rgb = np.full((480, 760, 3), 200, np.uint8)
    for name in ("a.jpg", "b.png"):
        write_picture(rgb, tmp_path / name)
        with Image.open(tmp_path / name) as image:
            assert image.size == (760, 480)
            assert image.format == {"a.jpg": "JPEG", "b.png": "PNG"}[name]
    with pytest.raises(DensitycamError, match=r"\.jpg or \.png"):
        write_picture(rgb, tmp_path / "c.svg")
