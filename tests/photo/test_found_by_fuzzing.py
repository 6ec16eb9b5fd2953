"""Photos that once ended in a traceback: found by tests/benchmarks/fuzz.py and the corpus."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from densitycam.errors import PhotoRefusedError
from densitycam.photo.card_finder import find_card
from densitycam.vessel.read import read_photo

#: A PNG whose colours Pillow's own reader trips over: more arguments than its decoder takes.
PALETTE_ODD = bytes.fromhex(
    "89504e470d0a1a0a0000000d494844520000007f00000030100200007f27fb82137fffffff494441"
    "54789c249c6550965d17851f3a94eeeeee92ee464190ee6e04a99794eeee909006e9eeeeee0ee9ee"
    "12c9f93cf3ed3fcc30c3f070df27f65aebda408a8bf7f69a9a4a4bcfcf4b4bb1b02626eeeed2d2c6"
    "c66061a9a9b9b9e7e72726babacacbe1e0dcdc44440c0d4f4f03028cf0712d"
)


def gif_cut_in_a_frame() -> bytes:
    """A second frame begins (GIF89a, 20: image separator) and one byte of its place is there."""
    stream = io.BytesIO()
    Image.new("RGB", (8, 8), (90, 20, 20)).save(stream, "GIF")
    return stream.getvalue()[:-1] + b",\1"


@pytest.mark.parametrize(
    ("data", "flag"),
    [
        (PALETTE_ODD, "unreadable"),
        (gif_cut_in_a_frame(), "unreadable"),
        # A damaged sample: three markers put the rest past the picture's edge.
        ((Path(__file__).parent / "markers_past_the_edge.jpg").read_bytes(), "card-cut"),
    ],
    ids=["png", "gif", "jpeg"],
)
def test_it_is_refused_by_name(tmp_path, data, flag):
    (tmp_path / "a.jpg").write_bytes(data)
    with pytest.raises(PhotoRefusedError) as caught:
        read_photo(tmp_path / "a.jpg", path_mm=60, shape="cylinder")
    assert caught.value.flag == flag


@pytest.mark.parametrize("size", [(1, 1), (1, 900), (900, 31)])
def test_a_picture_too_small_for_the_detector_is_too_small(size):
    with pytest.raises(PhotoRefusedError, match=f"{size[1]} x {size[0]} pixels") as caught:
        find_card(np.zeros((*size, 3), np.uint8))
    assert caught.value.flag == "too-small"
