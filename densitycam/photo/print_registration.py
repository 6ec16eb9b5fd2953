"""Measures a print from a photo of the bare card: each patch against paper white."""

from __future__ import annotations

from pathlib import Path

from densitycam.card.profile import PrintProfile, patches_of
from densitycam.photo.card_finder import find_card
from densitycam.photo.card_view import light_of_bare_card, window
from densitycam.photo.decode import decode_photo


def register_print(path: str | Path) -> PrintProfile:
    """Measure a print.

    Parameters
    ----------
    path : str or Path
        A photo of the bare card in open shade or daylight, nothing before it.

    Returns
    -------
    PrintProfile
        Of this one photo; `densitycam.card.profile.mean_profile` averages several.

    Raises
    ------
    DensitycamError
        When the file cannot be opened.
    PhotoRefusedError
        When the photo cannot be measured.

    Notes
    -----
    One photo cannot tell a camera's tone curve from a print's dot gain; the sRGB curve is taken
    for the camera's (IEC 61966-2-1), so several photos, of more than one phone, are better. What
    is left is the same for every photo read with the profile, and slides calibrate it away.
    """
    import numpy as np

    photo = decode_photo(path)
    fix = find_card(photo.rgb, focal_35mm=photo.focal_35mm)
    light = light_of_bare_card(photo, fix)
    reflectance: dict[str, tuple[float, float, float]] = {}
    for patch in patches_of(fix.layout):
        r, g, b = np.median(window(light, patch.rect, inset=0.2), axis=(0, 1))
        reflectance[patch.name] = (
            float(max(r, 1e-3)),
            float(max(g, 1e-3)),
            float(max(b, 1e-3)),
        )
    return PrintProfile(
        paper=fix.layout.paper,
        version=fix.layout.version,
        reflectance=reflectance,
        photos=1,
        disagreement=float("nan"),
    )
