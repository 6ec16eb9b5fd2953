"""Photos spoilt in every way we know, made by code from one that is read, each with what may come.

The good one is a sample, shrunk to 1000 pixels.
"""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from hostile_photos import as_jpeg, chunk, png, saved, with_app1, zeros
from PIL import Image, ImageOps

_SAMPLE = Path(__file__).resolve().parents[1] / "samples" / "window-bottle" / "2026-03-08_0811.jpg"
#: The sample's vessel.
PATH_MM, SHAPE = 60.0, "cylinder"

#: Attenuation and absorbance of a photo that was spoilt and yet is read may be off by so much: the
#: sample's own 95 % interval is 0.16 wide to either side.
AS_GOOD = 0.16
#: Other kinds of file and other compression: so far readings of one picture lie apart, several
#: times what compression does (0.02).
SAME_PICTURE = 0.05
#: The same pixels: rounding alone.
SAME_PIXELS = 1e-9


@dataclass(frozen=True)
class Case:
    """One file.

    Parameters
    ----------
    name : str
        What it is called.
    data : bytes
        Its content.
    flags : tuple of str
        Refusals that may come of it; ("any",) for all of them.
    within : float or None
        Where it may be read: how near to the good photo; None where it must be refused.
    """

    name: str
    data: bytes
    flags: tuple[str, ...] = ()
    within: float | None = None


@cache
def good_picture() -> Image.Image:
    """Return the sample, upright, 1000 pixels wide."""
    with Image.open(_SAMPLE) as image:
        whole = ImageOps.exif_transpose(image).convert("RGB")
    return whole.resize((1000, 750), Image.Resampling.LANCZOS)


@cache
def good(kind: str) -> bytes:
    """Return the good picture as a file of a kind."""
    how: dict[str, Any] = {
        "JPEG": {"quality": 90},
        "PNG": {"compress_level": 1},
        "WEBP": {"quality": 90},
        "TIFF": {},
        "HEIC": {"quality": 80},
    }[kind]
    return saved(good_picture(), kind, **how)


def cases() -> Iterator[Case]:
    """Yield the whole corpus."""
    yield Case("good.jpg", good("JPEG"), within=SAME_PICTURE)
    yield from _cut_short()
    yield from _flipped()
    yield from _bombs()
    yield from _sizes()
    yield from _kinds()
    yield from _turned()
    yield from _scenes()


def _cut_short() -> Iterator[Case]:
    """A file whose end is missing, or filled with zeros as a broken copy leaves it."""
    for kind in ("JPEG", "PNG", "WEBP", "TIFF", "HEIC"):
        data = good(kind)
        for percent in range(5, 100, 5):
            kept = data[: len(data) * percent // 100]
            yield Case(f"cut-{percent:02d}.{kind.lower()}", kept, ("unreadable",))
            if kind in ("JPEG", "PNG") and percent % 10 == 5:
                filled = kept + bytes(len(data) - len(kept))
                # Where all of the card is there, what lies below it does not matter.
                yield Case(f"zeros-{percent:02d}.{kind.lower()}", filled, ("any",), SAME_PICTURE)


def _flipped() -> Iterator[Case]:
    """One bit, or some bytes, of the pixels are others."""
    for kind, many in (("JPEG", 24), ("PNG", 6), ("WEBP", 6), ("HEIC", 8)):
        for number in range(many):
            chance, data = random.Random(number), bytearray(good(kind))
            for _ in range(1 if number % 4 else 5):
                data[chance.randrange(700, len(data))] ^= 1 << chance.randrange(8)
            yield Case(f"flip-{number:02d}.{kind.lower()}", bytes(data), ("any",), AS_GOOD)


def _bombs() -> Iterator[Case]:
    """Small on the disk; see also hostile_photos.py."""
    unreadable = ("unreadable",)
    plain = as_jpeg()
    place = plain.index(b"\xff\xc0")
    claimed = plain[: place + 5] + struct.pack(">HH", 60_000, 60_000) + plain[place + 9 :]
    yield Case("60000.jpg", claimed, unreadable)
    yield Case("60000.png", png(60_000, 60_000), unreadable)
    yield Case("text.png", png(64, 64, chunk(b"zTXt", b"a\0\0" + zeros(200 << 20))), unreadable)
    empty = chunk(b"IDAT", b"")
    rows = zlib.compress(bytes(64 * (1 + 64 * 3)))
    many = png(64, 64, *[empty] * 50_000, rows=rows)
    yield Case("many-idat.png", many, unreadable)  # its pixels are black, so it is grey
    yield Case("bad-crc.png", _with_bad_checksum(good("PNG")), unreadable)
    whole = good("JPEG")
    noise = np.random.default_rng(3).bytes(60_000)
    long = b"".join(
        _icc_part(noise, number, 255) for number in range(1, 256)
    )  # the most that a JPEG can hold (ICC.1:2022, annex B.4): 15 MB
    yield Case("profile-noise.jpg", whole[:2] + _icc_part(noise, 1, 1) + whole[2:], unreadable)
    yield Case("profile-huge.jpg", whole[:2] + long + whole[2:], unreadable)
    part = whole[:2] + _icc_part(noise, 7, 2) + whole[2:]
    yield Case("profile-part.jpg", part, unreadable, SAME_PICTURE)  # as good as none
    for number, block in enumerate(_exif_blocks()):
        yield Case(f"exif-{number}.jpg", with_app1(whole, block), within=SAME_PIXELS)


def _icc_part(content: bytes, number: int, of: int) -> bytes:
    body = b"ICC_PROFILE\0" + bytes((number, of)) + content
    return b"\xff\xe2" + struct.pack(">H", len(body) + 2) + body


def _with_bad_checksum(data: bytes) -> bytes:
    place = data.index(b"IDAT")
    (length,) = struct.unpack(">I", data[place - 4 : place])
    end = place + 4 + length
    return data[:end] + bytes(b ^ 0xFF for b in data[end : end + 4]) + data[end + 4 :]


def _exif_blocks() -> Iterator[bytes]:
    """Damaged EXIF, as good as none (Exif 2.32, 4.5.2: a TIFF header, then directories)."""
    head = b"Exif\0\0II*\0"
    yield head + struct.pack("<I", 8) + struct.pack("<H", 0xFFFF) + bytes(60_000)
    # Two directories that are each other's next, the second the detail of the first.
    first = struct.pack("<HHHIII", 1, 0x8769, 4, 1, 26, 26)
    yield head + struct.pack("<I", 8) + first + struct.pack("<HHHIII", 1, 0x8769, 4, 1, 8, 8)
    times = struct.pack("<HHHIII", 1, 0x9003, 2, 0xFFFFFFFF, 0x7FFFFFFF, 0)
    yield head + struct.pack("<I", 8) + times
    yield head + struct.pack("<I", 0xFFFFFFFF)
    yield b"Exif\0\0" + np.random.default_rng(4).bytes(65_000)
    # A focal length of 1/0 and a time that cannot be.
    detail = struct.pack(
        "<HHHIIHHIIHHIII", 3, 0xA405, 5, 1, 60, 0x0112, 3, 1, 99, 0x9003, 2, 20, 68, 0
    )
    yield head + struct.pack("<I", 8) + detail + struct.pack("<II", 1, 0) + b"2026:99:99 99:99:99\0"


def _sizes() -> Iterator[Case]:
    shapes = {
        "1x1": (1, 1), "1x3000": (1, 3000), "3000x1": (3000, 1), "2x2": (2, 2), "3x40": (3, 40),
        "30000x2": (30_000, 2), "2x30000": (2, 30_000), "7x7": (7, 7),
    }  # fmt: skip
    for name, (width, height) in shapes.items():
        noise = np.random.default_rng(6).integers(0, 255, (height, width, 3), np.uint8)
        for kind in ("JPEG", "PNG"):
            data = saved(Image.fromarray(noise), kind)
            yield Case(f"{name}.{kind.lower()}", data, ("too-small",))
    for name, size in (("0x0", (0, 0)), ("0x9", (0, 9)), ("9x0", (9, 0))):
        yield Case(f"{name}.png", png(*size), ("unreadable",))
    plain = as_jpeg()
    place = plain.index(b"\xff\xc0")
    for name, size in (("0x0", (0, 0)), ("0x64", (64, 0)), ("64x0", (0, 64))):
        data = plain[: place + 5] + struct.pack(">HH", *size) + plain[place + 9 :]
        yield Case(f"{name}.jpg", data, ("unreadable",))


def _kinds() -> Iterator[Case]:
    picture = good_picture()
    other = ImageOps.invert(picture)
    animated = {"save_all": True, "append_images": [other], "duration": 99}
    for kind in ("GIF", "PNG", "WEBP"):
        yield Case(f"animated.{kind.lower()}", saved(picture, kind, **animated), ("unreadable",))
    unreadable = ("unreadable",)
    yield Case("cmyk.jpg", saved(picture.convert("CMYK"), "JPEG"), unreadable)
    yield Case("grey.jpg", saved(picture.convert("L"), "JPEG"), unreadable)
    yield Case("mpo.jpg", saved(picture, "MPO", save_all=True, append_images=[other], quality=90),
               within=SAME_PICTURE)  # fmt: skip
    for kind in ("PNG", "WEBP", "TIFF", "HEIC"):
        yield Case(f"plain.{kind.lower()}", good(kind), within=SAME_PICTURE)
    clear = picture.convert("RGBA")
    clear.putalpha(Image.linear_gradient("L").resize(picture.size))
    yield Case("alpha.png", saved(clear, "PNG", compress_level=1), within=SAME_PICTURE)
    codes = np.asarray(picture).astype(">u2") * 257
    raw = b"".join(b"\0" + row.tobytes() for row in codes)
    deep = struct.pack(">IIBBBBB", picture.width, picture.height, 16, 2, 0, 0, 0)
    yield Case("deep.png", b"".join((b"\x89PNG\r\n\x1a\n", chunk(b"IHDR", deep),
                                     chunk(b"IDAT", zlib.compress(raw, 1)), chunk(b"IEND", b""))),
               within=SAME_PICTURE)  # fmt: skip
    # 256 colours are too few for a fine measurement, and yet within the interval.
    yield Case("palette.png", saved(picture.quantize(256), "PNG"), ("any",), AS_GOOD)


#: For each EXIF orientation (Exif 2.32, 4.6.4 A) what a camera had done to the upright picture.
_STORED = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM, 5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90, 7: Image.Transpose.TRANSVERSE, 8: Image.Transpose.ROTATE_270,
}  # fmt: skip


def _turned() -> Iterator[Case]:
    """Every orientation, and every orientation that lies."""
    picture = good_picture()
    for orientation in range(1, 9):
        exif = Image.Exif()
        exif[0x0112] = orientation
        stored = picture.transpose(_STORED[orientation]) if orientation > 1 else picture
        how = {"exif": exif, "compress_level": 1}
        yield Case(f"turned-{orientation}.png", saved(stored, "PNG", **how), within=SAME_PIXELS)
        whole = saved(stored, "JPEG", quality=90, exif=exif)
        yield Case(f"turned-{orientation}.jpg", whole, within=SAME_PICTURE)
        lie = saved(picture, "JPEG", quality=90, exif=exif)
        if orientation in (2, 4, 5, 7):
            yield Case(f"lies-{orientation}.jpg", lie, ("mirrored",))
        else:  # the markers tell which way is up
            yield Case(f"lies-{orientation}.jpg", lie, within=SAME_PICTURE)
    for orientation in (0, 9, 65_535):
        exif = Image.Exif()
        exif[0x0112] = orientation
        data = saved(picture, "JPEG", quality=90, exif=exif)
        yield Case(f"no-orientation-{orientation}.jpg", data, within=SAME_PICTURE)


def _scenes() -> Iterator[Case]:
    picture = good_picture()

    def jpeg(image: Image.Image) -> bytes:
        return saved(image, "JPEG", quality=90)

    pair = Image.new("RGB", (2000, 750))
    pair.paste(picture, (0, 0))
    pair.paste(picture, (1000, 0))
    yield Case("two-cards.jpg", jpeg(pair), ("two-cards",))
    far = Image.new("RGB", (1700, 750), (120, 130, 140))
    far.paste(picture, (0, 0))
    far.paste(picture.resize((700, 525)), (1000, 100))
    yield Case("two-cards-one-far.jpg", jpeg(far), ("two-cards",))
    yield Case("mirror.jpg", jpeg(ImageOps.mirror(picture)), ("mirrored",))
    yield Case("upside-down.jpg", jpeg(picture.rotate(180)), within=SAME_PICTURE)
    # A screen that shows a photo gives the light of that photo: it reads as the photo does, and
    # nothing tells the two apart. Where its lines and the camera's beat, it is refused or near.
    for width in (900, 1300, 1700):
        screen = jpeg(_of_a_screen(picture, width))
        yield Case(f"screen-{width}.jpg", screen, ("any",), AS_GOOD)


def _of_a_screen(picture: Image.Image, width: int) -> Image.Image:
    """Return a photo of a screen: upright stripes of red, green and blue, dark lines between."""
    import cv2

    s = np.asarray(picture).astype(np.float32) / 255.0
    light = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
    high, wide = 3 * light.shape[0], 3 * light.shape[1]
    shown = np.zeros((high, wide, 3), np.float32)
    for colour in range(3):
        shown[:, colour::3, colour] = 3.0 * np.repeat(light[:, :, colour], 3, axis=0)
    shown[2::3] *= 0.75
    shown += 0.002  # what a black screen still shines
    scale = width / wide
    height = round(high * scale)
    turn = cv2.getRotationMatrix2D((wide / 2, high / 2), 1.0, scale)
    turn[:, 2] += ((width - wide) / 2, (height - high) / 2)
    soft = cv2.GaussianBlur(shown, (0, 0), max(0.45 / scale, 0.3))
    seen = np.clip(0.9 * cv2.warpAffine(soft, turn, (width, height)), 0.0, 1.0)
    codes = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    return Image.fromarray((255.0 * codes + 0.5).astype(np.uint8))
