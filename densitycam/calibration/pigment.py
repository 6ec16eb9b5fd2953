"""Whether a culture has the pigment and the colour that its species shows at its turbidity.

Two numbers, both from mean brightness and therefore from light that met the cells:

pigment = ln((absorbance blue - absorbance red) / attenuation red): all microalgae absorb blue
more than red, so this is pigment against scatter, whatever the species; and exposure drops out.

hue = ln((absorbance blue - absorbance green) / (absorbance blue - absorbance red)): how green,
golden or red the pigment is; it does not care how much of it there is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from densitycam.vessel.reading import Reading

#: What one photo strays from the usual pigment [ln] and exp(hue) where lamps and phones are
#: mixed, as simulated photos do; the slides' own photos pull it to what holds in this house
#: (always the same lamp and phone stray a third of it), the prior counting as this many of them,
#: but pigment's never below `LEAST_PIGMENT_STRAY`.
PIGMENT_STRAY, HUE_STRAY, STRAY_PHOTOS = 0.25, 0.13, 4.0

#: Slides of one lamp and phone agree better than photos of the next lamp or phone will: a single
#: photo's pigment is never trusted to be nearer to its usual than this [ln].
LEAST_PIGMENT_STRAY = 0.30

#: How the pigment ratio changes per ln of attenuation, as brightness saturates, and how surely.
PIGMENT_SLOPE, PIGMENT_SLOPE_SD = -0.05, 0.12

#: Signs: pigment below this share of the usual one, exp(hue) away by more than this, and both by
#: this many standard deviations. exp(hue) is about 1.2 in green, 0.7 in golden and 0.1 in red
#: species, whose ln says little where green light is swallowed like blue.
PALE_SHARE, HUE_SHIFT, SIGN_SIGMAS = 0.72, 0.40, 2.7

#: An optical depth or a difference of two below this is lost in noise.
_FAINTEST = 0.08

#: A red culture swallows green like blue; their difference is taken to be this at least.
_LEAST_TO_GREEN = 0.02


@dataclass(frozen=True)
class Pigment:
    """Pigment and hue of one reading.

    Parameters
    ----------
    x : float
        ln(attenuation red), dimensionless.
    pigment, hue : float
        As above [ln].
    """

    x: float
    pigment: float
    hue: float


def pigment_of(reading: Reading, *, at_most: bool = False) -> Pigment | None:
    """Return a reading's pigment and hue.

    Parameters
    ----------
    reading : Reading
        One photo's measurement.
    at_most : bool, default False
        Where the culture scatters but its pigment is too faint to be told, return the most that
        it can be, with nan for its hue: enough to judge it by, not to judge others by.

    Returns
    -------
    Pigment or None
        None where blue is crushed to zero, the bars are lost, or the culture is too thin.
    """
    depth = reading.attenuation[0]
    red, green, blue = reading.absorbance
    if not all(reading.usable) or not all(map(math.isfinite, (depth, red, green, blue))):
        return None
    to_red, to_green = blue - red, max(blue - green, _LEAST_TO_GREEN)
    if depth < _FAINTEST:
        return None
    if to_red < _FAINTEST:
        most = Pigment(x=math.log(depth), pigment=math.log(_FAINTEST / depth), hue=math.nan)
        return most if at_most else None
    return Pigment(
        x=math.log(depth),
        pigment=math.log(to_red / depth),
        hue=math.log(to_green / to_red),
    )


def pigment_signs(now: Pigment | None, usual: Sequence[Pigment]) -> tuple[str, ...]:
    """Return "pale" and "colour-shift" where a culture strays from its own usual pigment.

    Parameters
    ----------
    now : Pigment or None
        Of the photo in question.
    usual : sequence of Pigment
        Of the photos of counted slides; without any there is nothing to compare with.

    Returns
    -------
    tuple of str
        Ids in `densitycam.flags.FLAGS`.
    """
    if now is None or not usual:
        return ()
    expected, expected_sd = pigment_line(
        [(p.x, p.pigment) for p in usual],
        stray=PIGMENT_STRAY,
        slope=PIGMENT_SLOPE,
        least=LEAST_PIGMENT_STRAY,
    )(now.x)
    hues = [math.exp(p.hue) for p in usual]
    hue = sum(hues) / len(hues)
    stray = _stray(HUE_STRAY, [h - hue for h in hues])
    hue_sd = stray * math.sqrt(1 + 1 / len(usual))
    signs = []
    short = now.pigment - expected
    if short < math.log(PALE_SHARE) and short < -SIGN_SIGMAS * expected_sd:
        signs.append("pale")
    if abs(math.exp(now.hue) - hue) > max(HUE_SHIFT, SIGN_SIGMAS * hue_sd):
        signs.append("colour-shift")
    return tuple(signs)


def pigment_line(
    seen: Sequence[tuple[float, float]],
    *,
    stray: float,
    slope: float = 0.0,
    photos: float = STRAY_PHOTOS,
    least: float = 0.0,
) -> Callable[[float], tuple[float, float]]:
    """Learn the usual pigment as a straight line with a prior on its slope.

    Parameters
    ----------
    seen : sequence of (float, float)
        Of each photo ln attenuation, or ln density, and pigment [ln]; at least one.
    stray : float
        What one photo strays from the line, before these have shown it [ln].
    slope : float
        The line's, before these have shown it, give or take `PIGMENT_SLOPE_SD`.
    photos : float
        As how many photos `stray` counts.
    least : float
        No photo is trusted to stray less than this [ln].

    Returns
    -------
    callable
        From ln attenuation, or ln density, to the pigment expected there of one more photo and
        its standard deviation [ln].

    Notes
    -----
    Bayesian regression, flat in level.
    """
    n = len(seen)
    middle = sum(x for x, _ in seen) / n
    level = sum(y for _, y in seen) / n
    prior = (stray / PIGMENT_SLOPE_SD) ** 2
    spread = sum((x - middle) ** 2 for x, _ in seen) + prior
    covered = sum((x - middle) * (y - level) for x, y in seen) + prior * slope
    steep = covered / spread
    sd = max(_stray(stray, [y - level - steep * (x - middle) for x, y in seen], photos), least)

    def at(x: float) -> tuple[float, float]:
        away = x - middle
        return level + steep * away, sd * math.sqrt(1 + 1 / n + away**2 / spread)

    return at


def _stray(prior: float, residuals: Sequence[float], photos: float = STRAY_PHOTOS) -> float:
    """Return the standard deviation of single photos: the prior's, moved by what was seen."""
    if len(residuals) < 2:
        return prior
    seen = sum(r * r for r in residuals)
    return math.sqrt((photos * prior**2 + seen) / (photos + len(residuals) - 1))
