"""Reading files: orientation, time, and every way in which a file can be no photo."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest
from PIL import Image

from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.photo.decode import decode_photo

TIME = "2026:03:02 08:15:30"


def picture(path, orientation=1, time=TIME, mode="RGB"):
    codes = np.zeros((60, 100, 3), np.uint8)
    codes[:30, :50] = (200, 40, 40)  # red in the upper left
    image = Image.fromarray(codes).convert(mode)
    exif = Image.Exif()
    exif[274] = orientation
    if time:
        exif.get_ifd(0x8769)[36867] = time
    undo = {
        2: [Image.Transpose.FLIP_LEFT_RIGHT],
        3: [Image.Transpose.ROTATE_180],
        4: [Image.Transpose.FLIP_TOP_BOTTOM],
        5: [Image.Transpose.TRANSPOSE],
        6: [Image.Transpose.ROTATE_90],
        7: [Image.Transpose.TRANSVERSE],
        8: [Image.Transpose.ROTATE_270],
    }
    for step in undo.get(orientation, []):
        image = image.transpose(step)
    image.save(path, exif=exif)
    return path


@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_eight_exif_orientations_come_upright(tmp_path, orientation):
    photo = decode_photo(picture(tmp_path / "a.png", orientation))
    assert photo.rgb.shape == (60, 100, 3)
    assert photo.rgb[10, 10].tolist() == [200, 40, 40]
    assert photo.rgb[50, 90].tolist() == [0, 0, 0]


def test_time_comes_from_exif_then_name_then_file(tmp_path):
    exif = decode_photo(picture(tmp_path / "2020-01-01_0000.jpg"))
    assert (exif.taken_at, exif.time_source) == (datetime(2026, 3, 2, 8, 15, 30), "exif")
    named = decode_photo(picture(tmp_path / "IMG_20260304_071500.jpg", time=None))
    assert (named.taken_at, named.time_source) == (datetime(2026, 3, 4, 7, 15), "name")
    dated = decode_photo(picture(tmp_path / "2026-03-05.jpg", time=None))
    assert (dated.taken_at, dated.time_source) == (datetime(2026, 3, 5, 12, 0), "name")
    assert decode_photo(picture(tmp_path / "bottle.jpg", time=None)).time_source == "file"
    nonsense = decode_photo(picture(tmp_path / "20261399.jpg", time="0000:00:00 00:00:00"))
    assert nonsense.time_source == "file"


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.jpg", b"", "is empty"),
        ("text.jpg", b"dear diary, today the culture was green", "is not a picture"),
    ],
)
def test_what_is_no_picture_is_refused(tmp_path, name, content, words):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(PhotoRefusedError, match=words) as caught:
        decode_photo(tmp_path / name)
    assert caught.value.flag == "unreadable"


def test_a_photo_cut_short_is_refused(tmp_path):
    noise = np.random.default_rng(3).integers(0, 255, (300, 400, 3), np.uint8)
    Image.fromarray(noise).save(tmp_path / "a.jpg")
    whole = (tmp_path / "a.jpg").read_bytes()
    for share in (0.1, 0.5, 0.9):
        (tmp_path / "cut.jpg").write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(PhotoRefusedError, match=r"cut\.jpg is (cut short|damaged)"):
            decode_photo(tmp_path / "cut.jpg")


@pytest.mark.parametrize("mode", ["L", "CMYK"])
def test_grey_and_cmyk_are_refused_by_name(tmp_path, mode):
    picture(tmp_path / "a.jpg", mode=mode)
    with pytest.raises(PhotoRefusedError, match="grey" if mode == "L" else "CMYK"):
        decode_photo(tmp_path / "a.jpg")


def test_a_missing_file_and_a_folder_are_errors_not_refusals(tmp_path):
    with pytest.raises(DensitycamError, match="There is no file"):
        decode_photo(tmp_path / "none.jpg")
    with pytest.raises(DensitycamError, match="is a folder"):
        decode_photo(tmp_path)
