"""A photo file becomes upright 8-bit sRGB pixels, with its capture time and content hash."""

from __future__ import annotations

import hashlib
import io
import re
import struct
import threading
import warnings
import zlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, cast

from densitycam.errors import DensitycamError, PhotoRefusedError

if TYPE_CHECKING:
    import numpy as np
    import pillow_heif
    from PIL import Image, ImageCms
    from PIL.TiffImagePlugin import TiffImageFile

#: Longest side [px] that decoding may shrink a photo to: the card then still has several
#: pixels a marker module, and decoding is most of the cost of a photo.
WORKING_SIDE_PX = 2000

#: The same where the card is looked for first. A JPEG decoder leaves out what it need not work
#: out; of other files every pixel is decoded anyway, and nothing is won.
FIRST_SIDE_PX = 1000

#: Photos larger than this are not phone photos, and would fill the memory.
LARGEST_PIXELS = 200_000_000

_NAME_TIME = re.compile(
    r"(?<!\d)(20\d\d)[-_.]?(\d\d)[-_.]?(\d\d)"
    r"(?:[-_. T]+(\d\d)[-_.:h]?(\d\d)(?:[-_.:]?(\d\d)(?:\d{3})?)?)?(?!\d)"  # thousandths too
)
# Tags of Exif 2.32 (CIPA DC-008), each time with the tag of its offset from UTC.
_EXIF_IFD, _ORIENTATION, _FOCAL_35MM = 0x8769, 0x0112, 0xA405
_ORIGINAL, _SUBSECOND, _MAKE, _MODEL = 0x9003, 0x9291, 0x010F, 0x0110
_TIME_TAGS = (
    (_ORIGINAL, 0x9011),
    (0x9004, 0x9012),  # DateTimeDigitized
    (0x0132, 0x9010),  # DateTime, which editors change: last
)
_OFFSET = re.compile(r"[+-](?:0\d|1[0-4]):[0-5]\d")

#: No phone took photos before; a camera whose clock was reset says 1970 or 1980.
_EARLIEST_YEAR = 2000
#: Times up to here are believed even where this computer's own clock is behind.
_CLOCK_RUNS_SINCE = datetime(2027, 1, 1)

#: Brands of HEIF files (ISO/IEC 23008-12), from the file's first box; AVIF is Pillow's own.
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")

#: What Pillow opens for us; a GIF only to be told that it is an animation.
_OTHERS = ("JPEG", "PNG", "TIFF", "WEBP", "GIF")

_GREY_MODES = ("1", "L", "LA", "La", "I", "F", "I;16", "I;16L", "I;16B", "I;16N")
_COLOUR_MODES = ("RGB", "RGBA", "RGBa", "RGBX", "P", "PA", "YCbCr")

#: A picture whose channels never part by more than this is grey [codes of 255]: JPEG keeps a
#: grey picture within 1, and the card alone has patches that part by 100.
_GREY_CODES = 2

# Code points of ITU-T H.273 in a HEIF file without a colour profile.
_P3_PRIMARIES, _PQ, _HLG = 12, 16, 18

#: From linear Display P3 (primaries of SMPTE EG 432-1, white D65) to linear sRGB, rows red,
#: green, blue; worked out from the primaries' chromaticities, checked against colour-science.
_P3_TO_SRGB = (
    (1.2249402, -0.2249402, 0.0),
    (-0.0420570, 1.0420570, 0.0),
    (-0.0196376, -0.0786360, 1.0982736),
)


@dataclass(frozen=True)
class LinearPhoto:
    """A decoded photo.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        Upright sRGB codes, possibly at reduced scale; `linear` turns them into light. A colour
        outside sRGB has 0 (or 255) in the channel that cannot hold it.
    taken_at : datetime
        Capture time, local, naive.
    time_source : {"exif", "name", "file"}
        Where the time came from.
    sha256 : str
        Hash of the file's bytes.
    focal_35mm : float or None
        35 mm equivalent focal length [mm] where EXIF tells it.
    utc_offset : str or None
        Offset of `taken_at` from UTC, such as "+01:00", where EXIF tells it.
    may_be_finer : bool
        Whether `decode_photo` gives more pixels of the file as a rule: it was read coarser.
    capture : str or None
        Stands for the moment of capture and the make and model of the camera, which cannot be
        told from it: the same for all copies of a photo that kept their EXIF. After a dot follows
        what the camera says of the fraction of the second. None where EXIF says no moment.

    Notes
    -----
    Photos in Display P3 are brought to sRGB although its channels cannot hold every green. Forty
    simulated scenes, each seen by an sRGB and by a P3 phone: optical depths in red and green
    then agree to 0.6 % (median) and 2 % (95 of 100). Converting after the tone curve, without
    clipping, does no better (0.2 to 1.1 %, 1 to 4 %). Left in the phone's own primaries, red
    absorbance differs by 12 % (median) to 24 %, as P3's red sees more of the green. Where blue
    clips, as in a dense culture, it cannot be compared between the two.
    """

    rgb: np.ndarray
    taken_at: datetime
    time_source: str
    sha256: str
    focal_35mm: float | None
    utc_offset: str | None = None
    capture: str | None = None
    may_be_finer: bool = False


@cache
def srgb_to_linear_table() -> np.ndarray:
    """Return linear light for each 8-bit sRGB code: float32, shape (256,), 0 to 1.

    Source: IEC 61966-2-1:1999, the electro-optical transfer function.
    """
    import numpy as np

    s = np.arange(256) / 255.0
    return np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4).astype(np.float32)


def __getattr__(name: str) -> np.ndarray:
    if name == "SRGB_TO_LINEAR":
        return srgb_to_linear_table()
    raise AttributeError(name)


def linear(rgb: np.ndarray) -> np.ndarray:
    """Return sRGB codes as linear light.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        sRGB codes.

    Returns
    -------
    ndarray of float32, shape (H, W, 3)
        Linear light, 0 to 1. Pixels are linearised first and averaged later, everywhere: the
        other order differs by up to 2.5 % on dark noisy patches.
    """
    import cv2

    return cv2.LUT(rgb, srgb_to_linear_table())


def decode_photo(
    path: str | Path, *, full_size: bool = False, side_px: int = WORKING_SIDE_PX
) -> LinearPhoto:
    """Read a photo file.

    Parameters
    ----------
    path : str or Path
        JPEG (also with a gain map or further pictures inside: the main one), PNG or TIFF of 8 or
        16 bits, WebP, HEIC or HEIF file.
    full_size : bool, default False
        Whether to keep every pixel.
    side_px : int, default WORKING_SIDE_PX
        Longest side to which a JPEG may be shrunk [px].

    Returns
    -------
    LinearPhoto
        Upright pixels (EXIF orientation applied, embedded ICC profile converted to sRGB),
        shrunk by a whole number where the longest side is at least twice `side_px` (in other
        files than JPEG twice `WORKING_SIDE_PX`) and `full_size` is not set.

    Raises
    ------
    DensitycamError
        When there is no such file, it cannot be opened, or pillow-heif is missing for a HEIC.
    PhotoRefusedError
        With flag "unreadable" when it is empty, cut short, no picture, grey, CMYK, an
        animation, or HDR without a colour profile.

    Notes
    -----
    Pixels of 16 bits are averaged as such and rounded to 8 bits once: a reading averages
    thousands of pixels whose noise is more than a code, so 8 bits do not limit it.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise DensitycamError(f"There is no file {path}.", "Check the name.") from None
    except IsADirectoryError:
        raise DensitycamError(
            f"{path} is a folder.", "Name one photo, or score a folder with 'densitycam batch'."
        ) from None
    except OSError as error:
        raise DensitycamError(
            f"{path} cannot be read ({error.strerror}).", "Check the file's permissions."
        ) from None
    if not data:
        raise _unreadable(path, "is empty")
    # Hashing gives way to other threads, and takes as long as a tenth of the decoding.
    digest = hashlib.sha256()
    hashing = threading.Thread(target=digest.update, args=(data,))
    hashing.start()
    try:
        rgb, told, finer = _decode(path, data, side_px=None if full_size else side_px)
    finally:
        hashing.join()
    if told.taken_at is None:
        taken_at, source = capture_time_from_name(path)
    else:
        taken_at, source = told.taken_at, "exif"
    return LinearPhoto(
        rgb=rgb,
        taken_at=taken_at,
        time_source=source,
        sha256=digest.hexdigest(),
        focal_35mm=told.focal_35mm,
        utc_offset=told.utc_offset,
        capture=told.capture,
        may_be_finer=finer,
    )


def photo_suffix(head: bytes) -> str | None:
    """Return the usual end of the name of a photo of ours, by its content.

    Parameters
    ----------
    head : bytes
        The file's first 256 bytes or more.

    Returns
    -------
    str or None
        ".jpg", ".png", ".tif", ".webp" or ".heic"; None for what is none of these.
    """
    if head.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if head[:4] in (b"II*\0", b"MM\0*"):
        return ".tif"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    return ".heic" if _is_heif(head) else None


def exif_time(path: Path) -> datetime | None:
    """Return when a photo was taken by its EXIF block, without decoding its pixels.

    Parameters
    ----------
    path : Path
        The photo.

    Returns
    -------
    datetime or None
        Local, naive; None where it does not say, or is no photo.

    Raises
    ------
    DensitycamError
        When pillow-heif is missing for a HEIC.
    OSError
        When the file cannot be read.
    """
    from PIL import Image

    data = path.read_bytes()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # damaged EXIF blocks are common
        try:
            if _is_heif(data):
                image = Image.new("RGB", (1, 1))  # the block alone, for decoding takes a second
                image.info["exif"] = _heif_file(path, data).info.get("exif")
            else:
                image = Image.open(io.BytesIO(data), formats=_OTHERS)
            return _read_exif(image).taken_at
        except (*_DAMAGE, PhotoRefusedError, Image.DecompressionBombError):
            return None


def _unreadable(path: Path, what: str, advice: str = "") -> PhotoRefusedError:
    return PhotoRefusedError(
        f"{path.name} {what}.",
        advice or "Copy it from the phone again, or retake it.",
        flag="unreadable",
    )


def _grey(path: Path) -> PhotoRefusedError:
    return _unreadable(path, "is a grey picture", "Switch the camera to colour and retake it.")


def _decode(path: Path, data: bytes, *, side_px: int | None) -> tuple[np.ndarray, _Exif, bool]:
    """Return upright sRGB codes, what EXIF tells, and whether usual decoding gives more pixels."""
    import numpy as np
    from PIL import Image, UnidentifiedImageError

    with warnings.catch_warnings():
        # Our own limit on pixels takes the place of Pillow's warning; damaged EXIF blocks are
        # common and do not matter to the pixels.
        warnings.simplefilter("ignore")
        try:
            heif = _is_heif(data)
            _refuse_large_canvas(path, data)
            # Of the formats that Pillow knows, those a phone may send: others run programs (EPS).
            image = (
                _open_heif(path, data) if heif else Image.open(io.BytesIO(data), formats=_OTHERS)
            )
            _refuse_by_kind(path, image)
            if image.format == "PNG" and not _png_pixels_are_whole(data):
                raise _unreadable(path, "is damaged")
            told = _read_exif(image)
            # libheif has turned the picture already by the file's own boxes, which the standard
            # puts above EXIF; Pillow turns a TIFF by its tag when loading.
            turn = 1 if heif or image.format == "TIFF" else told.orientation
            longest = max(image.size)
            by_decoder = image.format in ("JPEG", "MPO")
            least = side_px if by_decoder else WORKING_SIDE_PX
            shrink = 1 if side_px is None or least is None else int(longest / least)
            if by_decoder and shrink >= 2:
                size = (max(1, image.width // shrink), max(1, image.height // shrink))
                image.draft(None, size)
                shrink = 1
            image.load()
            profile = image.info.get("icc_profile")
            nclx = image.info.get("nclx_profile") or {}
            codes = _sixteen_bit(data, image)
            if codes is None:
                whole = image if image.mode == "RGB" else image.convert("RGB")
                # Twice as fast as np.asarray, which copies what Pillow has copied already.
                codes = np.frombuffer(whole.tobytes(), np.uint8).reshape(*whole.size[::-1], 3)
        except UnidentifiedImageError:
            raise _unreadable(
                path, "is not a picture", "Give a JPEG, PNG, TIFF, WebP or HEIC file."
            ) from None
        except Image.DecompressionBombError:
            raise _unreadable(
                path, "claims too many pixels", "Use the phone's normal photo size."
            ) from None
        except _DAMAGE as error:
            reason = "is cut short" if "truncated" in str(error) else "is damaged"
            raise _unreadable(path, reason) from None
    codes = _upright(_eight_bit(_shrunk(codes, shrink)), turn)
    if _looks_grey(codes):
        raise _grey(path)
    if profile:
        codes = _profile_to_srgb(path, codes, profile)
    elif nclx.get("color_primaries") == _P3_PRIMARIES:
        codes = _p3_to_srgb(codes)
    finer = by_decoder and max(codes.shape) < min(WORKING_SIDE_PX, longest)
    return np.ascontiguousarray(codes), told, finer


#: What Pillow and libheif raise for a damaged file: their readers trust its numbers here and there.
_DAMAGE = (
    ArithmeticError,
    AttributeError,
    EOFError,
    LookupError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    struct.error,
)


def _is_heif(data: bytes) -> bool:
    """Tell a HEIF file by the brands in its first box."""
    size = min(int.from_bytes(data[:4], "big"), 256)
    brands = data[8:size]
    if data[4:8] != b"ftyp" or b"avif" in brands:
        return False
    return any(brand in brands for brand in _HEIF_BRANDS)


def _heif_file(path: Path, data: bytes) -> pillow_heif.HeifFile:
    """Open a HEIF file without decoding it."""
    try:
        import pillow_heif
    except ImportError:
        raise DensitycamError(
            f"{path.name} is a HEIC photo, and the package that opens it, pillow-heif, "
            "is not installed.",
            "Install it with 'pip install pillow-heif', or send the photo from the phone as JPEG.",
        ) from None
    return pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)


def _open_heif(path: Path, data: bytes) -> Image.Image:
    """Decode a HEIF file's main picture to 8 bits, upright by the file's own boxes."""
    file = _heif_file(path, data)
    _refuse_too_large(path, file.size)
    image = file.to_pillow()
    transfer = (image.info.get("nclx_profile") or {}).get("transfer_characteristics")
    if transfer in (_PQ, _HLG) and not image.info.get("icc_profile"):
        raise _unreadable(
            path,
            "is an HDR picture, whose brightness is coded for bright screens",
            "Switch HDR photos off in the camera, or send it from the phone as JPEG.",
        )
    return image


def _refuse_too_large(path: Path, size: tuple[int, int]) -> None:
    pixels = size[0] * size[1]
    if pixels > LARGEST_PIXELS:
        raise _unreadable(
            path,
            f"has {pixels / 1e6:.0f} million pixels, more than {LARGEST_PIXELS / 1e6:.0f}",
            "Use the phone's normal photo size.",
        )


def _refuse_large_canvas(path: Path, data: bytes) -> None:
    """Refuse an extended WebP by the canvas it claims (RFC 9649, 2.7).

    Pillow before 13, the last that Python 3.10 has, takes memory for the canvas twice before it
    knows its size, and says of one that is too large that the file is damaged.
    """
    if data[:4] == b"RIFF" and data[8:16] == b"WEBPVP8X" and len(data) >= 30:
        less_one = (int.from_bytes(data[i : i + 3], "little") for i in (24, 27))
        width, height = (side + 1 for side in less_one)
        _refuse_too_large(path, (width, height))


def _refuse_by_kind(path: Path, image: Image.Image) -> None:
    """Refuse what is no single colour photo, before its pixels are decoded."""
    _refuse_too_large(path, image.size)
    if image.mode in _GREY_MODES:
        raise _grey(path)
    if image.mode == "CMYK":
        raise _unreadable(
            path, "is a CMYK picture", "Use the phone's own file, not one made for print."
        )
    if image.mode not in _COLOUR_MODES:
        raise _unreadable(
            path, f"is a picture of the kind {image.mode}", "Use the phone's own file."
        )
    # Further pictures in a JPEG (gain map, second lens) or pages in a TIFF stand behind the
    # photo itself; the frames of the other formats are a film.
    if image.format not in ("MPO", "TIFF") and getattr(image, "n_frames", 1) > 1:
        raise _unreadable(path, "is an animation", "Give a single photo.")


def _png_pixels_are_whole(data: bytes) -> bool:
    """Whether the checksums of a PNG's pixels are right (PNG, 3rd ed., 5.3).

    Pillow looks at those of what stands before them alone. What is cut short is told by decoding.
    """
    place, view = 8, memoryview(data)
    while place + 12 <= len(data):
        length, kind = int.from_bytes(view[place : place + 4], "big"), data[place + 4 : place + 8]
        end = place + 8 + length
        if kind == b"IDAT" and end + 4 <= len(data):
            told = int.from_bytes(view[end : end + 4], "big")
            if zlib.crc32(view[place + 4 : end]) != told:
                return False
        place = end + 4
    return True


def _sixteen_bit(data: bytes, image: Image.Image) -> np.ndarray | None:
    """Return the pixels of a 16-bit PNG or TIFF, of which Pillow keeps the high byte only.

    None for any other file, and where OpenCV lays out the pixels in another way than Pillow.
    """
    if image.format == "PNG":
        deep = data[24] == 16  # bit depth in the IHDR chunk (PNG, 3rd ed., 11.2.1)
    elif image.format == "TIFF":
        bits = cast("TiffImageFile", image).tag_v2.get(258)  # BitsPerSample (TIFF 6.0)
        deep = 16 in (bits or ())
    else:
        return None
    if not deep or image.mode not in ("RGB", "RGBA", "RGBX"):
        return None
    import cv2
    import numpy as np

    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:  # it is stricter in some ways than Pillow, which has read it
        return None
    if pixels is None or pixels.dtype != np.uint16 or pixels.ndim != 3:
        return None
    order = cv2.COLOR_BGR2RGB if pixels.shape[2] == 3 else cv2.COLOR_BGRA2RGB
    codes = np.asarray(cv2.cvtColor(pixels, order), np.uint16)
    # Also shows that both turned the picture alike: they differ by format and version.
    same = np.array_equal(codes >> 8, np.asarray(image)[..., :3])
    return codes if same else None


def _shrunk(codes: np.ndarray, times: int) -> np.ndarray:
    """Average blocks of codes, as the JPEG decoder does when it decodes at reduced scale."""
    if times < 2:
        return codes
    import cv2

    size = (max(1, codes.shape[1] // times), max(1, codes.shape[0] // times))
    return cv2.resize(codes, size, interpolation=cv2.INTER_AREA)


def _eight_bit(codes: np.ndarray) -> np.ndarray:
    """Round 16-bit codes to 8 bits: 65535 is 255."""
    import numpy as np

    if codes.dtype == np.uint8:
        return codes
    return ((codes.astype(np.uint32) + 128) // 257).astype(np.uint8)


def _upright(codes: np.ndarray, orientation: int) -> np.ndarray:
    """Undo an EXIF orientation, 1 to 8; anything else leaves the pixels as they are."""
    import cv2

    if orientation == 2:
        return cv2.flip(codes, 1)
    if orientation == 3:
        return cv2.rotate(codes, cv2.ROTATE_180)
    if orientation == 4:
        return cv2.flip(codes, 0)
    if orientation == 5:
        return cv2.transpose(codes)
    if orientation == 6:
        return cv2.rotate(codes, cv2.ROTATE_90_CLOCKWISE)
    if orientation == 7:
        return cv2.flip(cv2.transpose(codes), -1)
    if orientation == 8:
        return cv2.rotate(codes, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return codes


def _looks_grey(codes: np.ndarray) -> bool:
    """Tell a grey picture that is stored as RGB, as a phone's monochrome filter leaves it."""
    import numpy as np

    # A few pixels settle it for nearly every photo.
    for step in (32, 2):
        red, green, blue = np.moveaxis(codes[::step, ::step].astype(np.int16), 2, 0)
        apart = max(np.abs(red - green).max(), np.abs(green - blue).max())
        if apart > _GREY_CODES:
            return False
    return True


def _profile_to_srgb(path: Path, codes: np.ndarray, profile: bytes) -> np.ndarray:
    """Convert codes by an embedded ICC profile."""
    import numpy as np
    from PIL import Image, ImageCms

    try:
        transform = _transform_to_srgb(profile)
        if transform is None:
            return codes
        return np.asarray(ImageCms.applyTransform(Image.fromarray(codes), transform))
    except (ImageCms.PyCMSError, OSError) as error:
        raise _unreadable(path, f"has a colour profile that cannot be used ({error})") from None


@lru_cache(maxsize=8)
def _transform_to_srgb(profile: bytes) -> ImageCms.ImageCmsTransform | None:
    """Return the way from a profile to sRGB, or None where that changes nothing.

    Relative colorimetric: white stays white, and no colour moves to make room for others.
    """
    import numpy as np
    from PIL import Image, ImageCms

    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        "RGB",
        "RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    levels = np.arange(0, 256, 15, dtype=np.uint8)
    lattice = np.stack(np.meshgrid(levels, levels, levels), axis=-1).reshape(len(levels), -1, 3)
    there = np.asarray(ImageCms.applyTransform(Image.fromarray(lattice), transform))
    change = np.abs(there.astype(int) - lattice).max()
    return transform if change > 1 else None


def _p3_to_srgb(codes: np.ndarray) -> np.ndarray:
    """Convert Display P3 codes, which share the sRGB curve (IEC 61966-2-1), without a profile."""
    import cv2
    import numpy as np

    light = cv2.transform(linear(codes), np.array(_P3_TO_SRGB, np.float32))
    np.clip(light, 0.0, 1.0, out=light)
    bright = 1.055 * np.power(light, np.float32(1 / 2.4)) - 0.055
    s = np.where(light <= 0.0031308, 12.92 * light, bright)
    return (255.0 * s + 0.5).astype(np.uint8)


class _Exif(NamedTuple):
    """What we use of an EXIF block."""

    orientation: int = 1
    taken_at: datetime | None = None
    utc_offset: str | None = None
    focal_35mm: float | None = None
    capture: str | None = None


def _read_exif(image: Image.Image) -> _Exif:
    """Read the EXIF block; a damaged one is as good as none."""
    try:
        exif = image.getexif()
        detail = exif.get_ifd(_EXIF_IFD)
    except _DAMAGE:
        return _Exif()
    taken_at, utc_offset = None, None
    for time_tag, offset_tag in _TIME_TAGS:
        text = str(detail.get(time_tag) or exif.get(time_tag)).strip("\0 ")
        try:
            when = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
        except ValueError:
            continue
        if possible_time(when):
            offset = str(detail.get(offset_tag)).strip("\0 ")
            taken_at, utc_offset = when, offset if _OFFSET.fullmatch(offset) else None
            break
    try:
        focal = float(detail.get(_FOCAL_35MM) or 0)
    except (TypeError, ValueError, ZeroDivisionError):
        focal = 0.0
    return _Exif(
        exif.get(_ORIENTATION, 1),
        taken_at,
        utc_offset,
        focal if 0 < focal < 1e4 else None,
        _capture(exif, detail),
    )


def _capture(exif: Image.Exif, detail: dict[int, object]) -> str | None:
    """Return what stands for one press of one camera's release, or None.

    DateTimeOriginal alone: an editor writes its own moment into the others. Not the camera's
    serial number, which programs drop from copies.
    """
    when, subsecond, make, model = (
        "" if value is None else str(value).strip("\0 ")
        for value in (
            detail.get(_ORIGINAL), detail.get(_SUBSECOND), exif.get(_MAKE), exif.get(_MODEL)
        )
    )  # fmt: skip
    try:
        known = possible_time(datetime.strptime(when, "%Y:%m:%d %H:%M:%S"))
    except ValueError:
        known = False
    if not known:  # a clock that was reset says the same of many photos
        return None
    camera = hashlib.sha256(f"{when}|{make}|{model}".encode()).hexdigest()[:32]
    return f"{camera}.{subsecond}" if subsecond.isdigit() else camera


def possible_time(when: datetime) -> bool:
    """Tell whether something can have happened at a time: a day ahead covers all time zones.

    Parameters
    ----------
    when : datetime
        Local time, naive.
    """
    latest = max(datetime.now(), _CLOCK_RUNS_SINCE) + timedelta(days=1)
    return when.year >= _EARLIEST_YEAR and when <= latest


def capture_time_from_name(path: Path) -> tuple[datetime, str]:
    """Return the time in a file's name ("name"), else the file's own time ("file").

    Parameters
    ----------
    path : Path
        An existing file; names such as 2026-03-02_0815.jpg or IMG_20260302_081500.jpg tell
        their time, a date alone counts as noon.

    Returns
    -------
    tuple of datetime and str
        Local naive time, and "name" or "file".
    """
    when = time_in_name(path.stem)
    if when is not None:
        return when, "name"
    return datetime.fromtimestamp(path.stat().st_mtime).replace(microsecond=0), "file"


def time_in_name(stem: str) -> datetime | None:
    """Return the local time that a file's name without its end tells, or None.

    Parameters
    ----------
    stem : str
        Such as 2026-03-02_0815 or IMG_20260302_081500.
    """
    for found in _NAME_TIME.finditer(stem):
        year, month, day, hour, minute, second = (int(g) if g else None for g in found.groups())
        try:
            when = datetime(
                year or 0,
                month or 0,
                day or 0,
                12 if hour is None else hour,
                minute or 0,
                second or 0,
            )
        except ValueError:
            continue
        if possible_time(when):
            return when
    return None
