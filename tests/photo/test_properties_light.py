"""From codes to light and back, turned, averaged and dated: properties for any picture."""

from __future__ import annotations

import io
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as nph
from PIL import Image, ImageOps

from densitycam.card.layout import Rect
from densitycam.photo import decode
from densitycam.photo.decode import (
    linear,
    photo_suffix,
    possible_time,
    srgb_to_linear_table,
    time_in_name,
)
from densitycam.photo.quantiles import median, quantile
from densitycam.photo.sheet import SHEET_PX_PER_MM, Sheet, medians, window

PICTURE = nph.arrays(
    np.uint8,
    st.tuples(st.integers(1, 9), st.integers(1, 9), st.just(3)),
    elements=st.integers(0, 255),
)


@given(PICTURE)
def test_light_goes_back_to_the_codes_it_came_from(codes):
    """The inverse as IEC 61966-2-1:1999 writes it, rounded to 8 bits."""
    light = linear(codes).astype(float)
    assert light.min() >= 0.0
    assert light.max() <= 1.0
    back = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    np.testing.assert_array_equal(np.round(255 * back).astype(np.uint8), codes)


def test_more_code_is_more_light():
    assert (np.diff(srgb_to_linear_table()) > 0).all()


@given(PICTURE, st.integers(1, 8))
def test_every_orientation_is_the_one_that_pillow_knows(codes, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    image = Image.fromarray(codes)
    image.info["exif"] = exif.tobytes()
    expected = np.asarray(ImageOps.exif_transpose(image))
    np.testing.assert_array_equal(decode._upright(codes, orientation), expected)


@given(nph.arrays(np.uint16, (3, 4, 3), elements=st.integers(0, 65_535)))
def test_sixteen_bits_lie_half_a_code_from_their_eight_at_most(codes):
    eight = decode._eight_bit(codes)
    assert np.abs(eight.astype(float) - codes / 257.0).max() <= 0.5 + 1e-12
    np.testing.assert_array_equal(decode._eight_bit(eight.astype(np.uint16) * 257), eight)


@given(nph.arrays(np.float64, st.tuples(st.integers(1, 40), st.just(3)),
                  elements=st.floats(-1e6, 1e6)), st.floats(0, 1))  # fmt: skip
def test_middles_lie_among_the_values_and_move_with_them(values, share):
    for found in (median(values), quantile(values, share)):
        assert (values.min(axis=0) <= found).all()
        assert (found <= values.max(axis=0)).all()
    np.testing.assert_allclose(median(2.0 * values + 3.0), 2.0 * median(values) + 3.0, atol=1e-6)
    np.testing.assert_allclose(median(-values), -median(values), atol=1e-9)


@st.composite
def looks(draw):
    """Draw a picture of a sheet and the way from its millimetres to it, seen at an angle."""
    low, high = sorted((draw(st.integers(0, 255)), draw(st.integers(0, 255))))
    chance = np.random.default_rng(draw(st.integers(0, 2**31)))
    rgb = chance.integers(low, high + 1, (60, 80, 3)).astype(np.uint8)
    scale, turn = draw(st.floats(0.15, 0.3)), draw(st.floats(-0.2, 0.2))
    lean = draw(st.floats(-3e-4, 3e-4))
    way = np.array([[scale, -turn * scale, 8.0], [turn * scale, scale, 6.0], [lean, lean / 2, 1.0]])
    return rgb, way, (low, high)


@settings(max_examples=40)
@given(looks(), st.floats(0, 100), st.floats(0, 80), st.floats(1, 40), st.floats(1, 40))
def test_averages_lie_between_the_darkest_and_the_lightest_pixel(look, x, y, width, height):
    rgb, way, (low, high) = look
    table = srgb_to_linear_table()
    sheet = Sheet(rgb=rgb, table=table, to_photo=way, size_mm=(297.0, 210.0))
    rect = Rect(x, y, width, height)
    seen = window(sheet, rect)
    assert seen.shape[0] == pytest.approx(height * SHEET_PX_PER_MM, abs=1.01)
    for found in (seen, medians(sheet, [rect])):
        assert found.min() >= table[low] - 1e-6
        assert found.max() <= table[high] + 1e-6
    # Half the light everywhere is half the average, whatever the picture.
    half = Sheet(rgb=rgb, table=table / 2, to_photo=way, size_mm=(297.0, 210.0))
    np.testing.assert_allclose(
        2 * medians(half, [rect]), medians(sheet, [rect]), rtol=1e-5, atol=1e-7
    )


#: How phones and people write a moment into a file's name.
PATTERNS = (
    "{:%Y-%m-%d_%H%M}", "IMG_{:%Y%m%d_%H%M%S}", "IMG_{:%Y%m%d_%H%M%S}123", "{:%Y%m%d-%H%M%S}_1",
    "left jar {:%Y-%m-%d %H.%M.%S} (2)", "{:%Y.%m.%d_%Hh%M}",
)  # fmt: skip


@given(st.datetimes(datetime(2000, 1, 1), datetime(2026, 11, 1)), st.sampled_from(PATTERNS))
def test_a_time_in_a_name_is_read(when, pattern):
    read = time_in_name(pattern.format(when))
    assert read is not None
    assert timedelta(0) <= when - read < timedelta(minutes=1)


@given(st.text(max_size=60) | st.text("20189-_. 0123:hT", max_size=30))
@example("20260230_250000")
@example("99999999_999999")
def test_any_name_tells_a_possible_time_or_none(stem):
    read = time_in_name(stem)
    assert read is None or possible_time(read)


#: First bytes as their standards give them: ITU-T T.81, PNG 3rd ed. 5.2, TIFF 6.0, RFC 9649,
#: ISO/IEC 23008-12.
MAGIC = {
    b"\xff\xd8\xff": ".jpg", b"\x89PNG\r\n\x1a\n": ".png", b"II*\0": ".tif", b"MM\0*": ".tif",
    b"RIFF\x10\0\0\0WEBP": ".webp", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic": ".heic",
}  # fmt: skip


@given(st.sampled_from(sorted(MAGIC)), st.binary(max_size=400))
def test_a_kind_is_known_by_its_first_bytes_whatever_follows(magic, rest):
    assert photo_suffix(magic + rest) == MAGIC[magic]


@given(st.binary(max_size=300), st.binary(max_size=300))
def test_what_begins_otherwise_is_no_photo_and_the_end_does_not_matter(head, rest):
    known = photo_suffix(head)
    if not any(head.startswith(m[:4]) for m in MAGIC) and head[4:8] != b"ftyp":
        assert known is None
    if len(head) >= 256:
        assert photo_suffix(head + rest) == known


WORD = st.text(st.characters(codec="ascii", exclude_categories=("Cc",)), max_size=12)


def _photo_with(exif: bytes) -> Image.Image:
    stream = io.BytesIO()
    Image.new("RGB", (8, 8), (90, 20, 20)).save(stream, "JPEG", exif=exif)
    return Image.open(io.BytesIO(stream.getvalue()))


@given(st.datetimes(datetime(2000, 1, 1), datetime(2026, 11, 1)), st.integers(1, 8),
       st.integers(1, 9999), WORD, WORD, st.integers(0, 999))  # fmt: skip
def test_what_a_camera_wrote_is_read(when, orientation, focal, make, model, fraction):
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110] = orientation, make, model
    detail = exif.get_ifd(0x8769)
    detail[0x9003], detail[0x9291], detail[0xA405] = (
        f"{when:%Y:%m:%d %H:%M:%S}",
        str(fraction),
        focal,
    )
    detail[0x9011] = "+05:30"
    told = decode._read_exif(_photo_with(exif.tobytes()))
    assert told.taken_at == when.replace(microsecond=0)
    assert (told.orientation, told.focal_35mm, told.utc_offset) == (orientation, focal, "+05:30")
    assert told.capture is not None
    assert told.capture.endswith(f".{fraction}")
    # Another second is another capture; the same one told again is the same.
    detail[0x9003] = f"{when + timedelta(seconds=1):%Y:%m:%d %H:%M:%S}"
    assert decode._read_exif(_photo_with(exif.tobytes())).capture != told.capture


@pytest.mark.filterwarnings("ignore:.*:UserWarning")  # decoding leaves them out
@given(st.binary(max_size=200), st.sampled_from((b"", b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08")))
def test_any_exif_block_is_read_or_as_good_as_none(block, head):
    image = Image.new("RGB", (8, 8))
    image.info["exif"] = b"Exif\0\0" + head + block
    told = decode._read_exif(image)
    assert told.taken_at is None or possible_time(told.taken_at)
    assert told.focal_35mm is None or 0 < told.focal_35mm < 1e4
