"""Another photo of the same scene, quickly: other pixels and another moment, the same reading."""

from __future__ import annotations

import io
from datetime import datetime, timedelta
from pathlib import Path

from PIL import Image

_EXIF_IFD, _ORIGINAL, _FORM = 0x8769, 0x9003, "%Y:%m:%d %H:%M:%S"


def write_another(source: Path, target: Path, *, number: int) -> None:
    """Save a photo with its moment moved by some seconds, and a corner painted over.

    Parameters
    ----------
    source, target : Path
        JPEG files.
    number : int
        From 1 on; each gives another photo of the same source.
    """
    with Image.open(source) as image:
        exif = image.getexif()
        detail = exif.get_ifd(_EXIF_IFD)
        when = datetime.strptime(detail[_ORIGINAL], _FORM) + timedelta(seconds=number)
        detail[_ORIGINAL] = when.strftime(_FORM)
        picture = image.convert("RGB")
    shade = (number % 251, number // 251 % 251, 40)
    picture.paste(shade, (0, 0, 32, 32))
    stream = io.BytesIO()
    picture.save(stream, "JPEG", quality=95, exif=exif)
    target.write_bytes(stream.getvalue())
