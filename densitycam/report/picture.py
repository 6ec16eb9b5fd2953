"""What the pictures drawn on photos share: colours, font, and how they are written."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from densitycam.atomic_file import write_whole
from densitycam.errors import DensitycamError
from densitycam.report.figures import GREY, INK

if TYPE_CHECKING:
    import numpy as np
    from PIL import Image, ImageFont

RGBCode = tuple[int, int, int]

__all__ = [
    "INK_RGB",
    "PANEL_RGB",
    "QUIET_RGB",
    "RGBCode",
    "jpeg_bytes",
    "need_rgb",
    "panel_font",
    "photo_jpeg",
    "picture_format",
    "rgb_code",
    "write_picture",
]

#: A JPEG's quality: drawn lines stay clean (chosen by eye).
_JPEG_QUALITY = 88


def rgb_code(colour: str) -> RGBCode:
    """Return a chart's colour such as "#0072B2" as red, green and blue, 0 to 255.

    Parameters
    ----------
    colour : str
        A hash and six hexadecimal digits.
    """
    red, green, blue = bytes.fromhex(colour.removeprefix("#"))
    return red, green, blue


#: Words of the panel below a photo as in the charts, and its ground.
INK_RGB, QUIET_RGB, PANEL_RGB = rgb_code(INK), rgb_code(GREY), (250, 250, 247)


def need_rgb(picture: np.ndarray) -> None:
    """Refuse what cannot be drawn on.

    Parameters
    ----------
    picture : ndarray
        Any array.

    Raises
    ------
    ValueError
        For a picture that is not uint8, shape (H, W, 3).
    """
    import numpy as np

    if picture.dtype != np.uint8 or picture.ndim != 3 or picture.shape[2] != 3:
        raise ValueError(f"need a uint8 RGB picture, not {picture.dtype} {picture.shape}")


def panel_font(size: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Return the font of a size, of 10 px at least so that it can be read.

    Parameters
    ----------
    size : float
        Height of its letters [px].

    Returns
    -------
    ImageFont
        Pillow's own; one that is scaled where Pillow was built with FreeType.
    """
    from PIL import ImageFont

    return ImageFont.load_default(size=max(10, round(size)))


def picture_format(path: str | Path) -> str:
    """Return "JPEG" or "PNG" by the file's suffix, or say which of the two to choose.

    Parameters
    ----------
    path : str or Path
        The file asked for.

    Returns
    -------
    str
        Its format.

    Raises
    ------
    DensitycamError
        For another suffix.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in (".jpg", ".jpeg", ".png"):
        raise DensitycamError(
            f"The picture cannot be written as {Path(path).name!r}.",
            "Give it a name that ends in .jpg or .png.",
        )
    return "PNG" if suffix == ".png" else "JPEG"


def jpeg_bytes(array: np.ndarray) -> bytes:
    """Return a picture as a JPEG without any metadata: no place, no time, no camera.

    Parameters
    ----------
    array : ndarray of uint8, shape (H, W, 3)
        RGB picture.

    Returns
    -------
    bytes
        The file's content.
    """
    from PIL import Image

    return _encoded(Image.fromarray(array), _JPEG_QUALITY)


def photo_jpeg(path: Path, longest_px: int, *, quality: int = _JPEG_QUALITY) -> bytes:
    """Return a photo, upright and small, as a JPEG without any metadata.

    Parameters
    ----------
    path : Path
        The photo.
    longest_px : int
        Its longer side at most [px], up to `densitycam.photo.decode.WORKING_SIDE_PX`.
    quality : int, default 88
        The JPEG's, 1 to 95.

    Raises
    ------
    DensitycamError
        When it cannot be read.
    """
    from PIL import Image

    from densitycam.photo.decode import decode_photo

    image = Image.fromarray(decode_photo(path).rgb)
    image.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    return _encoded(image, quality)


def _encoded(image: Image.Image, quality: int) -> bytes:
    stream = io.BytesIO()
    image.save(stream, format="JPEG", quality=quality, optimize=True)
    return stream.getvalue()


def write_picture(array: np.ndarray, path: str | Path) -> None:
    """Write a picture as JPEG or PNG, by the file's suffix; whole or not at all.

    Parameters
    ----------
    array : ndarray of uint8, shape (H, W, 3)
        RGB picture.
    path : str or Path
        Where to; must end in .jpg, .jpeg or .png.

    Raises
    ------
    DensitycamError
        For another suffix, or where the file cannot be written.
    """
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(array).save(stream, format=picture_format(path), quality=_JPEG_QUALITY)
    write_whole(path, stream.getvalue())
