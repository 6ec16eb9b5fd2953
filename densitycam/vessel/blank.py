"""The vessel with clean salt water: what is taken off a reading, and what it can just detect."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from densitycam.errors import DensitycamError
from densitycam.student_t import t_quantile
from densitycam.vessel.reading import RGB, Reading, rgb_of

#: Attenuation and absorbance of a clean glass vessel full of water, where no blank was snapped:
#: two glass-air and two glass-water surfaces, Fresnel's equations at index 1.5 and 1.34,
#: -ln(0.96^2 * 0.997^2) = 0.088; and how far real vessels lie from it (an assumption).
GLASS_ATTENUATION, GLASS_ATTENUATION_SE = 0.088, 0.03

#: Absorption of pure water in a phone's red, green and blue [1/mm]: Pope & Fry 1997 (Appl. Opt.
#: 36:8710) at 610, 550 and 450 nm, rounded; 100 mm of clear water take 3 % of the red.
WATER_PER_MM = (0.26e-3, 0.057e-3, 0.009e-3)

#: What scatters more than this, as -ln of contrast less that of brightness, and takes so much more
#: of blue than of the other colours is a culture. Twelve simulated vessels of water had up to 0.07
#: and 0.01; 54 cultures of three species that took 0.2 or more had from 0.12 and from 0.10 on.
SCATTERED, BLUE_TAKEN = 0.10, 0.06

#: Contrast must be this many standard errors above zero to count as seen.
SEEN_SIGMAS = 3.0

#: Too thin: no channel's attenuation is this many standard errors above the blank.
THIN_SIGMAS = 3.0

#: Scatter of a blank's attenuation from photo to photo where too few were snapped to tell, as
#: simulated blanks under mixed lamps and phones show it.
USUAL_BLANK_SCATTER = 0.012


@dataclass(frozen=True)
class Blank:
    """A vessel's own attenuation.

    Parameters
    ----------
    attenuation, absorbance : tuple of float
        -ln contrast and -ln mean transmittance of the vessel with clean salt water, per channel.
    se : float
        Standard error of these, the same for all channels.
    scatter : float
        Standard deviation of one photo's attenuation.
    photos : int
        Photos behind it; 0 where it is assumed.
    """

    attenuation: RGB
    absorbance: RGB
    se: float
    scatter: float
    photos: int


def assumed_blank(path_mm: float) -> Blank:
    """Return what a clean glass vessel with water should have: Fresnel losses and water.

    Parameters
    ----------
    path_mm : float
        Mean light path through the fluid, > 0 [mm].

    Returns
    -------
    Blank
        With `photos` 0.
    """
    red, green, blue = (GLASS_ATTENUATION + per_mm * path_mm for per_mm in WATER_PER_MM)
    glass = (red, green, blue)
    return Blank(glass, glass, GLASS_ATTENUATION_SE, GLASS_ATTENUATION_SE, 0)


def blank_of(readings: Sequence[Reading]) -> Blank:
    """Average readings of a vessel with clean salt water.

    Parameters
    ----------
    readings : sequence of Reading
        At least one, of the same vessel.

    Returns
    -------
    Blank
        Their mean per channel, and how far single photos scatter.

    Raises
    ------
    DensitycamError
        When there is none, or one is no blank: what stands before the bars takes more than half
        of their contrast, or both scatters and has pigment.
    """
    if not readings:
        raise DensitycamError("A blank needs a photo.", "Snap the vessel with clean salt water.")
    for reading in readings:
        if min(reading.contrast_t[:2]) < 0.5:
            raise DensitycamError(
                "This is no blank: it takes more than half of the bars' contrast.",
                "Snap the clean vessel with clean salt water.",
            )
        if _like_a_culture(reading):
            raise DensitycamError(
                "This is no blank: it scatters light and takes blue from it, as a culture does.",
                "Snap the clean vessel with clean salt water.",
            )
    n = len(readings)
    contrast = [[-math.log(r.contrast_t[c]) for r in readings] for c in range(3)]
    mean = [[-math.log(r.mean_t[c]) for r in readings] for c in range(3)]
    scatter = USUAL_BLANK_SCATTER
    if n > 1:
        # Red and green pooled; the usual scatter counts as two photos more.
        squares = sum((v - sum(vs) / n) ** 2 for vs in contrast[:2] for v in vs)
        scatter = math.sqrt((squares + 4 * scatter**2) / (2 * (n - 1) + 4))
    triples = [(sum(vs[0]) / n, sum(vs[1]) / n, sum(vs[2]) / n) for vs in (contrast, mean)]
    return Blank(triples[0], triples[1], scatter / math.sqrt(n), scatter, n)


def _like_a_culture(reading: Reading) -> bool:
    """Whether what stands before the bars has what cells have together, and no clean vessel.

    A frosted wall scatters, which takes contrast and leaves the brightness; tinted glass takes blue
    and scatters nothing.
    """
    attenuation = [-math.log(max(t, 1e-4)) for t in reading.contrast_t]
    absorbance = [-math.log(max(t, 1e-4)) for t in reading.mean_t]
    scattered = sum(attenuation[c] - absorbance[c] for c in range(2)) / 2
    blue = attenuation[2] - min(attenuation[:2])
    blue_seen = reading.usable[2] and reading.contrast_t[2] > SEEN_SIGMAS * reading.contrast_t_se[2]
    return scattered > SCATTERED and (not blue_seen or blue > BLUE_TAKEN)


def with_blank(reading: Reading, blank: Blank) -> Reading:
    """Take a blank off a reading's raw transmittances.

    Parameters
    ----------
    reading : Reading
        Any reading of the vessel, whatever blank it was reported with.
    blank : Blank
        The vessel's.

    Returns
    -------
    Reading
        With attenuation, absorbance, greenness, turbidity and the signs "bars-lost" and
        "too-thin" worked out anew; no photo is needed.
    """
    attenuation, attenuation_se, absorbance, absorbance_se = [], [], [], []
    for c in range(3):
        contrast, contrast_se = reading.contrast_t[c], reading.contrast_t_se[c]
        seen = reading.usable[c] and contrast > SEEN_SIGMAS * contrast_se
        attenuation.append(-math.log(contrast) - blank.attenuation[c] if seen else math.nan)
        attenuation_se.append(math.hypot(contrast_se / contrast, blank.se) if seen else math.nan)
        mean = max(reading.mean_t[c], 1e-4)
        usable = reading.usable[c]
        absorbance.append(-math.log(mean) - blank.absorbance[c] if usable else math.nan)
        absorbance_se.append(
            math.hypot(reading.mean_t_se[c] / mean, blank.se) if usable else math.nan
        )
    seen_depths = [a for a in attenuation if math.isfinite(a)]
    signs = []
    if not seen_depths:
        signs.append("bars-lost")
    elif not any(
        a > THIN_SIGMAS * se
        for a, se in zip(attenuation, attenuation_se, strict=True)
        if math.isfinite(a)
    ):
        signs.append("too-thin")
    others = [f for f in reading.flags if f not in ("bars-lost", "too-thin")]
    return replace(
        reading,
        attenuation=rgb_of(attenuation),
        attenuation_se=rgb_of(attenuation_se),
        absorbance=rgb_of(absorbance),
        absorbance_se=rgb_of(absorbance_se),
        blank_se=blank.se,
        greenness=(absorbance[0] - absorbance[1]) / reading.path_mm * 10,
        turbidity_per_mm=min(seen_depths, default=math.nan) / reading.path_mm,
        flags=(*signs, *others),
    )


def detectable_attenuation(blank: Blank) -> tuple[float, float]:
    """Return the attenuation that is just told from none, and the least that surely is.

    Parameters
    ----------
    blank : Blank
        The vessel's.

    Returns
    -------
    tuple of float
        Critical value and minimum detectable value, at error probabilities of 5 % each.

    Notes
    -----
    ISO 11843-2:2000, 5.1, for a known slope and one photo of the culture: critical value
    t s sqrt(1 + 1/n) with the scatter s of blanks, n of them; the minimum detectable value is
    close to twice that. With n of 1 or 0 the scatter is taken as known (normal quantile).
    """
    n = max(blank.photos, 1)
    quantile = t_quantile(0.95, n - 1 + 4) if blank.photos > 1 else 1.645
    critical = quantile * blank.scatter * math.sqrt(1 + 1 / n)
    return critical, 2 * critical
