"""Writing a rendered scene as the JPEG a phone would leave, EXIF included, marked simulated."""

from __future__ import annotations

from pathlib import Path

from densitycam.simulate.phones import phone_of
from densitycam.simulate.picture import Truth, render
from densitycam.simulate.scene import Scene

_DESCRIPTION = "simulated photo, densitycam demo"


def write_photo(scene: Scene, path: str | Path) -> Truth:
    """Render a scene and write it as JPEG with 4:2:0 chroma.

    Parameters
    ----------
    scene : Scene
        The shot; its `orientation` says how the pixels are stored.
    path : str or Path
        File to write; its folder must exist.

    Returns
    -------
    Truth
        What is known of the picture.

    Raises
    ------
    OSError
        When the file cannot be written.

    Notes
    -----
    EXIF tags after Exif 2.32: Orientation 0x0112, Make 0x010F, ImageDescription 0x010E,
    Software 0x0131, DateTimeOriginal 0x9003, OffsetTimeOriginal 0x9011.
    """
    from PIL import Image

    # What undoes each orientation on display is applied backwards when storing.
    stored = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    pixels, truth = render(scene)
    picture = Image.fromarray(pixels)
    if scene.orientation in stored:
        picture = picture.transpose(stored[scene.orientation])
    exif = Image.Exif()
    when = scene.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    exif[0x010E] = _DESCRIPTION
    exif[0x010F] = "simulated"
    exif[0x0110] = phone_of(scene.phone).name
    exif[0x0112] = scene.orientation
    exif[0x0131] = "densitycam.simulate"
    exif[0x0132] = when
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = when
    detail[0x9011] = scene.utc_offset
    picture.save(
        path,
        "JPEG",
        quality=scene.jpeg_quality,
        subsampling="4:2:0",
        exif=exif.tobytes(),
        comment=_DESCRIPTION.encode(),
    )
    return truth
