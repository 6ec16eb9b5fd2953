"""Reading files: orientation, colour, depth, time, and every way a file can be no photo."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from datetime import datetime, timedelta

import colour
import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from display_profile import icc_profile
from linear_camera import photo_of_slab
from PIL import Image

from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.photo.card_finder import find_card
from densitycam.photo.card_view import square_up
from densitycam.photo.decode import WORKING_SIDE_PX, decode_photo, linear
from densitycam.vessel.read import CRUSHED, read_photo, read_view

TIME = "2026:03:02 08:15:30"
#: Primaries of SMPTE EG 432-1 with white D65, and of IEC 61966-2-1, as colour-science has them.
P3, SRGB = colour.RGB_COLOURSPACES["Display P3"], colour.RGB_COLOURSPACES["sRGB"]
P3_PROFILE = icc_profile(P3, "Display P3")
RED, BLACK = [200, 40, 40], [0, 0, 0]

UNDO = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def red_corner() -> Image.Image:
    codes = np.zeros((60, 100, 3), np.uint8)
    codes[:30, :50] = RED  # in the upper left
    return Image.fromarray(codes)


def exif_block(orientation=1, time=TIME, offset=None, digitized=None, changed=None):
    exif = Image.Exif()
    exif[274] = orientation
    told = {0x9003: time, 0x9011: offset, 0x9004: digitized}
    if detail := {tag: value for tag, value in told.items() if value}:
        exif[0x8769] = detail  # as get_ifd(), which older Pillows forget to write
    if changed:
        exif[0x0132] = changed
    return exif


def picture(path, orientation=1, time=TIME, mode="RGB", **exif):
    image = red_corner().convert(mode)
    if orientation in UNDO:
        image = image.transpose(UNDO[orientation])
    image.save(path, exif=exif_block(orientation, time, **exif))
    return path


def assert_upright(rgb, atol=0):
    assert rgb.shape == (60, 100, 3)
    assert rgb.dtype == np.uint8
    assert rgb.flags.c_contiguous
    np.testing.assert_allclose(rgb[10, 10].astype(int), RED, rtol=0, atol=atol)
    np.testing.assert_allclose(rgb[50, 90].astype(int), BLACK, rtol=0, atol=atol)


# Orientation ------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["png", "tif"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_eight_exif_orientations_come_upright(tmp_path, orientation, suffix):
    assert_upright(decode_photo(picture(tmp_path / f"a.{suffix}", orientation, None)).rgb)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_heic_turned_by_its_own_box_is_not_turned_again_by_exif(tmp_path, orientation):
    """The file then carries both (ISO/IEC 23008-12, 6.5.10: the box rules)."""
    image = red_corner()
    if orientation in UNDO:
        image = image.transpose(UNDO[orientation])
    file = pillow_heif.from_pillow(image)
    file.save(tmp_path / "a.heic", quality=95, exif=exif_block(orientation).tobytes())
    raw = pillow_heif.open_heif(tmp_path / "a.heic").info["exif"]
    stored = Image.Exif()
    stored.load(raw)
    assert stored[274] == orientation  # EXIF does ask for the turn
    photo = decode_photo(tmp_path / "a.heic")
    assert_upright(photo.rgb, atol=6)  # a lossy file
    assert (photo.taken_at, photo.time_source) == (datetime(2026, 3, 2, 8, 15, 30), "exif")


# Colour -----------------------------------------------------------------------------------------


def linear_srgb(p3_codes):
    """Display P3 codes as linear light on sRGB's primaries, not clipped, by colour-science."""
    return colour.RGB_to_RGB(P3.cctf_decoding(np.asarray(p3_codes) / 255), P3, SRGB)


@pytest.fixture(scope="module")
def greens():
    """Culture greens from pale to dense, as a P3 phone codes them; none leaves sRGB."""
    red, blue = np.meshgrid(np.linspace(0.50, 0.85, 8), np.linspace(0.36, 0.8, 5))
    green = np.linspace(60, 230, 8)[None, :] * np.ones((5, 1))
    codes = np.stack([red * green, green, blue * green], axis=-1).reshape(-1, 3)
    assert np.all(linear_srgb(codes) > 0.004)
    return codes


def patches(codes, side, noise_codes):
    rng = np.random.default_rng(20260305)
    flat = np.repeat(np.repeat(codes[None], side, axis=0), side, axis=1)
    return np.clip(flat + rng.normal(0, noise_codes, flat.shape), 0, 255).round().astype(np.uint8)


@pytest.mark.parametrize("suffix", ["png", "tif", "webp"])
def test_greens_of_a_p3_photo_have_the_light_that_colour_science_gives(tmp_path, greens, suffix):
    side = 40
    codes = patches(greens, side, noise_codes=2.0)
    lossless = {"webp": {"lossless": True, "exact": True}}.get(suffix, {})
    Image.fromarray(codes).save(tmp_path / f"a.{suffix}", icc_profile=P3_PROFILE, **lossless)
    got = linear(decode_photo(tmp_path / f"a.{suffix}").rgb)
    mean = got.reshape(side, -1, side, 3).mean(axis=(0, 2))
    expected = linear_srgb(codes).reshape(side, -1, side, 3).mean(axis=(0, 2))
    # Half a code of rounding: noise dithers it in red and blue, but green hardly changes.
    np.testing.assert_allclose(
        255 * SRGB.cctf_encoding(mean), 255 * SRGB.cctf_encoding(expected), rtol=0, atol=0.5
    )
    np.testing.assert_allclose(mean, expected, rtol=0.02, atol=0)
    # A photo read as if it were sRGB would be far off, most in red: the test can fail.
    as_srgb = linear(codes).reshape(side, -1, side, 3).mean(axis=(0, 2))
    assert np.median(as_srgb[:, 0] / expected[:, 0]) > 1.2


def test_a_p3_photo_that_is_shrunk_keeps_its_greens(tmp_path, greens):
    side = 104
    codes = patches(greens, side, noise_codes=0.0)
    assert codes.shape[1] >= 2 * WORKING_SIDE_PX
    save = {"icc_profile": P3_PROFILE, "quality": 98, "subsampling": 0}
    Image.fromarray(codes).save(tmp_path / "a.jpg", **save)
    Image.fromarray(codes).save(tmp_path / "a.png", icc_profile=P3_PROFILE)
    for name in ("a.jpg", "a.png"):
        rgb = decode_photo(tmp_path / name).rgb
        assert rgb.shape == (side // 2, codes.shape[1] // 2, 3)
        middles = rgb[side // 4, side // 4 :: side // 2].astype(float)
        expected = 255 * SRGB.cctf_encoding(linear_srgb(greens.round()))
        # One code of rounding in P3, one in sRGB, one of JPEG.
        np.testing.assert_allclose(middles, expected, rtol=0, atol=3.0)


def test_a_green_outside_srgb_falls_to_zero_where_it_does_not_fit_and_only_there(tmp_path):
    codes = np.array([(0, 255, 0), (40, 130, 30), (60, 160, 20), (20, 90, 60), (90, 140, 0)])
    exact = linear_srgb(codes)
    outside = exact < 0
    assert outside.any(axis=1).all()
    assert outside[:, 0].any()
    assert outside[:, 2].any()
    Image.fromarray(patches(codes, 8, 0.0)).save(tmp_path / "a.png", icc_profile=P3_PROFILE)
    got = decode_photo(tmp_path / "a.png").rgb[4, 4::8]
    assert np.all(got[outside] == 0)
    # Such a channel is known to be unusable, so the clipping is never silent.
    assert np.all(linear(got[None])[0][outside] < CRUSHED)
    inside = 255 * SRGB.cctf_encoding(np.clip(exact, 0, 1))
    np.testing.assert_allclose(got[~outside], inside[~outside], rtol=0, atol=1.0)


def test_a_culture_reads_the_same_from_an_srgb_and_a_p3_phone(tmp_path):
    plain = photo_of_slab(tmp_path / "srgb.png", depths=(1.9, 0.7, 2.2), width_mm=60.0)
    codes = cv2.resize(
        np.asarray(Image.open(plain)), None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA
    )
    Image.fromarray(codes).save(plain)
    light = colour.RGB_to_RGB(SRGB.cctf_decoding(codes / 255), SRGB, P3)
    wide = Image.fromarray((255 * P3.cctf_encoding(light)).round().astype(np.uint8))
    wide.save(tmp_path / "p3.png", icc_profile=P3_PROFILE)
    wide.save(tmp_path / "untagged.png")
    depths = {}
    for name in ("srgb", "p3", "untagged"):
        reading = read_photo(tmp_path / f"{name}.png", path_mm=20, shape="flat").reading
        depths[name] = np.array([*reading.attenuation, *reading.absorbance])
    np.testing.assert_allclose(depths["p3"], depths["srgb"], rtol=0.01, atol=0.005)
    # Red read on P3's own primary would make the culture look a good deal thinner.
    assert depths["untagged"][0] < 0.9 * depths["srgb"][0]


def test_a_profile_that_changes_little_is_honoured_too(tmp_path, greens):
    """SMPTE C's primaries as colour-science has them, with the sRGB curve."""
    near = colour.RGB_COLOURSPACES["SMPTE C"]
    Image.fromarray(patches(greens, 8, 0.0)).save(
        tmp_path / "a.png", icc_profile=icc_profile(near, "near")
    )
    got = decode_photo(tmp_path / "a.png").rgb[4, 4::8]
    light = colour.RGB_to_RGB(SRGB.cctf_decoding(greens.round() / 255), near, SRGB)
    expected = 255 * SRGB.cctf_encoding(np.clip(light, 0, 1))
    np.testing.assert_allclose(got, expected, rtol=0, atol=1.0)
    assert 2 < np.abs(got - greens).max() < 40


def test_an_srgb_profile_changes_no_code(tmp_path):
    codes = np.random.default_rng(5).integers(0, 256, (40, 60, 3), np.uint8)
    Image.fromarray(codes).save(tmp_path / "a.png", icc_profile=icc_profile(SRGB, "no name"))
    np.testing.assert_array_equal(decode_photo(tmp_path / "a.png").rgb, codes)


def test_a_profile_that_is_no_profile_is_refused(tmp_path):
    red_corner().save(tmp_path / "a.png", icc_profile=b"not a profile" * 20)
    with pytest.raises(PhotoRefusedError, match="colour profile that cannot be used"):
        decode_photo(tmp_path / "a.png")


@pytest.mark.parametrize("how", ["profile", "nclx"])
def test_a_p3_heic_is_converted_whether_a_profile_or_code_points_say_so(tmp_path, greens, how):
    """Code points of ITU-T H.273: primaries 12 are SMPTE EG 432-1, transfer 13 is sRGB's."""
    side = 32
    file = pillow_heif.from_pillow(Image.fromarray(patches(greens, side, 0.0)))
    extra = {"icc_profile": P3_PROFILE} if how == "profile" else {"color_primaries": 12}
    file.save(
        tmp_path / "a.heic",
        quality=-1,
        chroma=444,
        matrix_coefficients=0,  # red, green and blue as they are: nothing is lost
        **transfer(13),
        **extra,
    )
    got = decode_photo(tmp_path / "a.heic").rgb[side // 2, side // 2 :: side].astype(float)
    expected = 255 * SRGB.cctf_encoding(linear_srgb(greens.round()))
    np.testing.assert_allclose(got, expected, rtol=0, atol=1.0)
    assert np.abs(got - greens).max() > 15


def transfer(code):
    """Name the transfer function as older and newer pillow-heif want it."""
    return {"transfer_characteristic": code, "transfer_characteristics": code}


def test_a_heic_that_is_coded_for_bright_screens_is_refused(tmp_path):
    file = pillow_heif.from_pillow(red_corner())
    for code in (16, 18):  # ITU-T H.273: PQ and HLG
        file.save(tmp_path / "a.heic", color_primaries=9, **transfer(code))
        with pytest.raises(PhotoRefusedError, match="HDR"):
            decode_photo(tmp_path / "a.heic")


# Depth, size ------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["png", "tif"])
@pytest.mark.parametrize("channels", [3, 4])
def test_sixteen_bits_are_rounded_not_cut(tmp_path, suffix, channels):
    codes = np.random.default_rng(8).integers(0, 65536, (50, 70, channels), np.uint16)
    cv2.imwrite(str(tmp_path / f"a.{suffix}"), codes[..., [2, 1, 0, 3][:channels]])
    got = decode_photo(tmp_path / f"a.{suffix}").rgb
    # 65535 is full scale (PNG 3rd ed., 13.12); cutting the low byte is off by up to a code.
    exact = codes[..., :3] * (255 / 65535)
    np.testing.assert_allclose(got, exact, rtol=0, atol=0.5 + 1e-9)
    assert np.abs((codes[..., :3] >> 8) - exact).max() > 0.9


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_sixteen_bit_tiff_comes_upright(tmp_path, orientation):
    image = red_corner()
    if orientation in UNDO:
        image = image.transpose(UNDO[orientation])
    deep = np.asarray(image).astype(np.uint16) * 257
    tag = (274, "H", 1, orientation, True)
    tifffile.imwrite(tmp_path / "a.tif", deep, photometric="rgb", extratags=[tag])
    assert_upright(decode_photo(tmp_path / "a.tif").rgb)


def test_a_sixteen_bit_p3_photo_is_converted(tmp_path, greens):
    eight = patches(greens, 16, 0.0)
    _, plain = cv2.imencode(".png", eight[..., ::-1].astype(np.uint16) * 257)
    data = plain.tobytes()
    # OpenCV writes no profile: put the chunk behind IHDR, 8 + 25 bytes in (PNG 3rd ed., 11.3.2).
    import struct
    import zlib

    body = b"iCCPp3\0\0" + zlib.compress(P3_PROFILE)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    (tmp_path / "a.png").write_bytes(data[:33] + chunk + data[33:])
    got = decode_photo(tmp_path / "a.png").rgb[8, 8::16].astype(float)
    expected = 255 * SRGB.cctf_encoding(linear_srgb(greens.round()))
    np.testing.assert_allclose(got, expected, rtol=0, atol=1.0)


def test_eight_working_bits_read_a_sixteen_bit_photo_within_one_percent(tmp_path):
    """Against quarter codes: four photos, each rounded at another quarter, are averaged.

    With noise of one code, less than any phone's: it dithers the rounding.
    """
    plain = photo_of_slab(tmp_path / "slab.png", depths=(1.9, 0.7, 2.4))
    codes = np.asarray(Image.open(plain)).astype(np.float32)
    fade = np.linspace(1.0, 0.97, codes.shape[1], dtype=np.float32)[None, :, None]
    fine = cv2.GaussianBlur(codes, (0, 0), 1.5) * fade
    fine += np.random.default_rng(6).normal(0, 1.0, fine.shape)
    deep = (np.clip(fine, 0, 255) * 257).round().astype(np.uint16)
    cv2.imwrite(str(tmp_path / "deep.png"), deep[..., ::-1])
    photo = decode_photo(tmp_path / "deep.png")

    def depths(rgb):
        view = square_up(replace(photo, rgb=rgb), find_card(rgb, focal_35mm=None))
        reading = read_view(view, path_mm=20, shape="flat")
        return np.array([*reading.attenuation, *reading.absorbance])

    quarters = [np.floor(deep / 257 + (k + 0.5) / 4).astype(np.uint8) for k in range(4)]
    assert sum((q != photo.rgb).mean() for q in quarters) > 0.3  # rounding does lose something
    finer = np.mean([depths(q) for q in quarters], axis=0)
    np.testing.assert_allclose(depths(photo.rgb), finer, rtol=0.01, atol=0.0)


def test_a_ten_bit_heic_is_read(tmp_path):
    deep = np.asarray(red_corner()).astype(np.uint16) * 257
    file = pillow_heif.from_bytes("RGB;16", (100, 60), deep.tobytes())
    file.save(tmp_path / "a.heic", quality=-1, chroma=444)
    assert pillow_heif.open_heif(tmp_path / "a.heic").info["bit_depth"] == 10
    assert_upright(decode_photo(tmp_path / "a.heic").rgb, atol=2)


@pytest.mark.parametrize("suffix", ["jpg", "png", "heic"])
def test_large_photos_are_shrunk_by_a_whole_number(tmp_path, suffix):
    wide = red_corner().resize((4200, 252), Image.Resampling.NEAREST)
    if suffix == "heic":
        pillow_heif.from_pillow(wide).save(tmp_path / "a.heic")
    else:
        wide.save(tmp_path / f"a.{suffix}")
    assert decode_photo(tmp_path / f"a.{suffix}").rgb.shape == (126, 2100, 3)


# Time -------------------------------------------------------------------------------------------


def test_time_comes_from_exif_then_name_then_file(tmp_path):
    exif = decode_photo(picture(tmp_path / "2020-01-01_0000.jpg"))
    assert (exif.taken_at, exif.time_source) == (datetime(2026, 3, 2, 8, 15, 30), "exif")
    named = decode_photo(picture(tmp_path / "IMG_20260304_071500.jpg", time=None))
    assert (named.taken_at, named.time_source) == (datetime(2026, 3, 4, 7, 15), "name")
    dated = decode_photo(picture(tmp_path / "2026-03-05.jpg", time=None))
    assert (dated.taken_at, dated.time_source) == (datetime(2026, 3, 5, 12, 0), "name")
    bare = picture(tmp_path / "bottle.jpg", time=None)
    os.utime(bare, (1_772_700_000, 1_772_700_000))
    filed = decode_photo(bare)
    assert (filed.taken_at, filed.time_source) == (datetime.fromtimestamp(1_772_700_000), "file")
    nonsense = decode_photo(picture(tmp_path / "20261399.jpg", time="0000:00:00 00:00:00"))
    assert nonsense.time_source == "file"


def test_the_offset_is_kept_and_the_time_stays_local(tmp_path):
    photo = decode_photo(picture(tmp_path / "a.jpg", offset="+09:30"))
    assert (photo.taken_at, photo.utc_offset) == (datetime(2026, 3, 2, 8, 15, 30), "+09:30")
    for nonsense in ("   :  ", "+27:00", "Z"):
        photo = decode_photo(picture(tmp_path / "a.jpg", offset=nonsense))
        assert (photo.time_source, photo.utc_offset) == ("exif", None)


@pytest.mark.parametrize(
    "impossible",
    ["0000:01:01 00:00:00", "2099:01:01 00:00:00", "1970:01:01 00:00:12", "2026:02:30 08:00:00"],
)
def test_an_impossible_time_falls_to_the_next_source(tmp_path, impossible):
    second = decode_photo(picture(tmp_path / "a.jpg", time=impossible, digitized=TIME))
    assert (second.taken_at, second.time_source) == (datetime(2026, 3, 2, 8, 15, 30), "exif")
    third = decode_photo(picture(tmp_path / "a.jpg", time=impossible, changed=TIME))
    assert (third.taken_at, third.time_source) == (datetime(2026, 3, 2, 8, 15, 30), "exif")
    named = decode_photo(picture(tmp_path / "2026-03-04_0715.jpg", time=impossible))
    assert (named.taken_at, named.time_source) == (datetime(2026, 3, 4, 7, 15), "name")


def test_an_impossible_time_in_a_name_falls_to_the_file(tmp_path):
    for name in ("2099-03-04_0715.jpg", "20260230.jpg"):
        assert decode_photo(picture(tmp_path / name, time=None)).time_source == "file"
    later = decode_photo(picture(tmp_path / "2099-01-01 seen 2026-03-04.jpg", time=None))
    assert (later.taken_at, later.time_source) == (datetime(2026, 3, 4, 12), "name")


def test_a_photo_from_an_eastern_zone_is_not_from_the_future(tmp_path, monkeypatch):
    monkeypatch.setattr("densitycam.photo.decode._CLOCK_RUNS_SINCE", datetime(2020, 1, 1))
    ahead = (datetime.now() + timedelta(hours=14)).replace(microsecond=0)
    photo = decode_photo(picture(tmp_path / "a.jpg", time=f"{ahead:%Y:%m:%d %H:%M:%S}"))
    assert (photo.taken_at, photo.time_source) == (ahead, "exif")
    ahead += timedelta(days=2)
    photo = decode_photo(picture(tmp_path / "a.jpg", time=f"{ahead:%Y:%m:%d %H:%M:%S}"))
    assert photo.time_source == "file"


def test_a_computer_whose_clock_is_behind_still_believes_the_photo(tmp_path, monkeypatch):
    class Behind(datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(1970, 1, 1, 0, 3)

    monkeypatch.setattr("densitycam.photo.decode.datetime", Behind)
    photo = decode_photo(picture(tmp_path / "a.jpg"))
    assert (photo.taken_at, photo.time_source) == (datetime(2026, 3, 2, 8, 15, 30), "exif")


@pytest.mark.parametrize("suffix", ["jpg", "png"])
@pytest.mark.parametrize(
    "block",
    [b"Exif\0\0MM\0*\0\0\0", b"Exif\0\0garbage and more of it", b"Exif\0\0MM\0*\0\0\0\x08\0\x05"],
)
def test_a_damaged_exif_block_does_not_spoil_the_photo(tmp_path, suffix, block):
    path = tmp_path / f"2026-03-04_0715.{suffix}"
    red_corner().save(path, exif=block, quality=95, subsampling=0)
    photo = decode_photo(path)
    assert_upright(photo.rgb, atol=6)
    assert photo.time_source == "name"


# Kinds of picture -------------------------------------------------------------------------------


def test_a_jpeg_with_further_pictures_inside_gives_the_photo_itself(tmp_path):
    """As phones write them (CIPA DC-007): the photo first, then a gain map or another lens's."""
    wide = red_corner().resize((4200, 2520), Image.Resampling.NEAREST)
    gain_map = Image.new("L", (1050, 630), 77).convert("RGB")
    wide.save(tmp_path / "a.jpg", "MPO", save_all=True, append_images=[gain_map], quality=95)
    with Image.open(tmp_path / "a.jpg") as stored:
        assert (stored.format, stored.n_frames) == ("MPO", 2)
    rgb = decode_photo(tmp_path / "a.jpg").rgb
    assert rgb.shape == (1260, 2100, 3)  # shrunk while decoding, as any JPEG
    np.testing.assert_allclose(rgb[200, 200].astype(int), RED, rtol=0, atol=3)


def test_a_tiff_of_several_pages_gives_the_first(tmp_path):
    other = Image.new("RGB", (100, 60), (10, 200, 10))
    red_corner().save(tmp_path / "a.tif", save_all=True, append_images=[other])
    assert_upright(decode_photo(tmp_path / "a.tif").rgb)


def test_a_heic_of_several_pictures_gives_the_main_one(tmp_path):
    file = pillow_heif.from_pillow(Image.new("RGB", (100, 60), (10, 200, 10)))
    file.add_from_pillow(red_corner())
    file.save(tmp_path / "a.heic", quality=95, primary_index=1)
    assert_upright(decode_photo(tmp_path / "a.heic").rgb, atol=6)


@pytest.mark.parametrize("suffix", ["gif", "webp", "png"])
def test_an_animation_is_refused(tmp_path, suffix):
    frames = [Image.new("RGB", (100, 60), (10, 200, 10)), red_corner().rotate(180)]
    red_corner().save(tmp_path / f"a.{suffix}", save_all=True, append_images=frames)
    with pytest.raises(PhotoRefusedError, match="is an animation") as caught:
        decode_photo(tmp_path / f"a.{suffix}")
    assert caught.value.flag == "unreadable"


@pytest.mark.parametrize("mode", ["P", "RGBA"])
def test_palette_and_transparency_are_read_as_colour(tmp_path, mode):
    image = red_corner().quantize(8) if mode == "P" else red_corner().convert(mode)
    if mode == "RGBA":
        image.putalpha(90)  # what shines through is not asked for
    image.save(tmp_path / "a.png")
    with Image.open(tmp_path / "a.png") as stored:
        assert stored.mode == mode
    assert_upright(decode_photo(tmp_path / "a.png").rgb)


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif", "a.webp", "a.heic"])
def test_a_grey_picture_is_refused_also_when_stored_as_colour(tmp_path, name):
    codes = np.random.default_rng(9).integers(0, 256, (60, 100), np.uint8)
    grey = Image.fromarray(codes)
    for image in (grey, grey.convert("RGB")):
        if name.endswith("heic"):
            pillow_heif.from_pillow(image).save(tmp_path / name)
        else:
            image.save(tmp_path / name)
        with pytest.raises(PhotoRefusedError, match="is a grey picture") as caught:
            decode_photo(tmp_path / name)
        assert caught.value.flag == "unreadable"


def test_sixteen_bit_grey_is_refused(tmp_path):
    codes = np.random.default_rng(9).integers(0, 65536, (60, 100), np.uint16)
    for name in ("a.png", "a.tif"):
        cv2.imwrite(str(tmp_path / name), codes)
        with pytest.raises(PhotoRefusedError, match="is a grey picture"):
            decode_photo(tmp_path / name)


def test_a_small_patch_of_colour_makes_a_colour_photo(tmp_path):
    codes = np.full((300, 400, 3), 120, np.uint8)
    codes[201:205, 77:81] = (130, 150, 110)
    Image.fromarray(codes).save(tmp_path / "a.png")
    np.testing.assert_array_equal(decode_photo(tmp_path / "a.png").rgb, codes)


@pytest.mark.parametrize(("mode", "suffix"), [("CMYK", "jpg"), ("CMYK", "tif"), ("LAB", "tif")])
def test_pictures_for_print_are_refused_by_name(tmp_path, mode, suffix):
    red_corner().convert(mode).save(tmp_path / f"a.{suffix}")
    with pytest.raises(PhotoRefusedError, match=mode) as caught:
        decode_photo(tmp_path / f"a.{suffix}")
    assert caught.value.flag == "unreadable"


# No photo at all --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.jpg", b"", "is empty"),
        ("text.jpg", b"dear diary, today the culture was green", "is not a picture"),
        ("film.mp4", b"\0\0\0\x18ftypisom\0\0\0\0isommp42" + bytes(100), "is not a picture"),
        ("hollow.heic", b"\0\0\0\x18ftypheic\0\0\0\0heicmif1" + bytes(100), "is damaged"),
    ],
)
def test_what_is_no_picture_is_refused(tmp_path, name, content, words):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(PhotoRefusedError, match=words) as caught:
        decode_photo(tmp_path / name)
    assert caught.value.flag == "unreadable"


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif", "a.webp", "a.heic", "deep.png"])
def test_a_photo_cut_short_is_refused(tmp_path, name):
    noise = np.random.default_rng(3).integers(0, 255, (300, 400, 3), np.uint8)
    if name == "deep.png":
        cv2.imwrite(str(tmp_path / name), noise.astype(np.uint16) * 257)
    elif name.endswith("heic"):
        pillow_heif.from_pillow(Image.fromarray(noise[:80, :100])).save(tmp_path / name)
    else:
        Image.fromarray(noise).save(tmp_path / name)
    whole = (tmp_path / name).read_bytes()
    for share in (0.1, 0.5, 0.9):
        (tmp_path / f"cut-{name}").write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(PhotoRefusedError, match=r"is (cut short|damaged|not a picture)"):
            decode_photo(tmp_path / f"cut-{name}")


def test_a_heic_without_pillow_heif_names_the_package(tmp_path, monkeypatch):
    pillow_heif.from_pillow(red_corner()).save(tmp_path / "a.heic")
    picture(tmp_path / "a.jpg")
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(DensitycamError, match="pip install pillow-heif") as caught:
        decode_photo(tmp_path / "a.heic")
    assert not isinstance(caught.value, PhotoRefusedError)  # the photo is not at fault
    assert decode_photo(tmp_path / "a.jpg").time_source == "exif"


def test_a_missing_file_and_a_folder_are_errors_not_refusals(tmp_path):
    with pytest.raises(DensitycamError, match="There is no file"):
        decode_photo(tmp_path / "none.jpg")
    with pytest.raises(DensitycamError, match="is a folder"):
        decode_photo(tmp_path)
