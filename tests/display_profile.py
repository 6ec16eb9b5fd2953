"""Writes the ICC profile of an RGB colour space from colour-science's primaries, for tests."""

from __future__ import annotations

import struct

import colour
import numpy as np

#: The profile connection space's white, ICC.1:2022, 7.2.16.
D50_XYZ = np.array([0.9642, 1.0, 0.8249])


def s15_fixed16(value: float) -> bytes:
    return struct.pack(">i", round(float(value) * 65536))


def icc_profile(space: colour.RGB_Colourspace, name: str) -> bytes:
    """Return a matrix-and-curve display profile (ICC.1:2022, 8.4.3) of an RGB colour space."""
    white = colour.xy_to_XYZ(space.whitepoint)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        white, D50_XYZ, transform="Bradford"
    )
    colorants = adapt @ space.matrix_RGB_to_XYZ
    xyz = [b"XYZ \0\0\0\0" + b"".join(map(s15_fixed16, column)) for column in colorants.T]
    # Parametric curve of type 3 (10.18): the sRGB function, which Display P3 shares.
    curve = b"para\0\0\0\0" + struct.pack(">HH", 3, 0)
    curve += b"".join(map(s15_fixed16, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))
    utf16 = name.encode("utf-16-be")
    text = b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(utf16), 28) + utf16
    tags = {
        b"desc": text,
        b"cprt": text,
        b"wtpt": b"XYZ \0\0\0\0" + b"".join(map(s15_fixed16, D50_XYZ)),
        b"rXYZ": xyz[0],
        b"gXYZ": xyz[1],
        b"bXYZ": xyz[2],
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
        b"chad": b"sf32\0\0\0\0" + b"".join(map(s15_fixed16, adapt.ravel())),
    }
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for signature, data in tags.items():
        table += signature + struct.pack(">II", start + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    header = struct.pack(
        ">I4sI4s4s4s12s4s28s12s48s",
        start + len(body),
        b"\0\0\0\0",
        0x04300000,
        b"mntr",
        b"RGB ",
        b"XYZ ",
        b"\0" * 12,
        b"acsp",
        b"\0" * 28,
        b"".join(map(s15_fixed16, D50_XYZ)),
        b"\0" * 48,
    )
    return header + struct.pack(">I", len(tags)) + table + body
