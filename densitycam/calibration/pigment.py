"""Whether a culture has the pigment and the colour that its species shows at its turbidity.

Two numbers:

pigment = ln((absorbance blue + absorbance red) / (attenuation red + green + blue)): what cells take
from blue and red light, where every species absorbs, against what they take from the bars. With
both, and with all bars, another lamp or phone moves it by 0.2; the difference of blue and red,
or red alone, by up to 0.7 (432 simulated photos of tuning seeds, colour-science's lamps).

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
PIGMENT_STRAY, HUE_STRAY, STRAY_PHOTOS = 0.17, 0.13, 4.0

#: Slides of one lamp and phone agree better than photos of the next lamp or phone will: a single
#: photo's pigment is never trusted to be nearer to its usual than this [ln].
LEAST_PIGMENT_STRAY = 0.18

#: How the pigment ratio changes per ln of attenuation, as brightness saturates, and how surely:
#: three simulated species gave -0.06 to 0.05.
PIGMENT_SLOPE, PIGMENT_SLOPE_SD = 0.0, 0.08

#: Signs: exp(hue) away by more than this, and both it and pigment by this many standard deviations,
#: which for pigment is 0.6 of the usual one at best. exp(hue) is about 1.2 in green, 0.7 in golden
#: and 0.1 in red species, whose ln says little where green light is swallowed like blue.
HUE_SHIFT, SIGN_SIGMAS = 0.45, 2.7

#: An optical depth or a difference of two below this is lost in noise.
_FAINTEST = 0.08

#: Error of blue and red absorbance together by uneven light and the assumed blank.
_BRIGHTNESS_SD = 0.04

#: Hue is told where blue takes so much more than red, and so much as a share of both: warm lamps
#: and a camera whose blue sees much of green bring the two near to each other, and noise rules.
_FAINTEST_HUE, _LEAST_TO_RED = 0.12, 0.2

#: A red culture swallows green like blue; their difference is taken to be this at least.
_LEAST_TO_GREEN = 0.02


@dataclass(frozen=True)
class Pigment:
    """Pigment and hue of one reading.

    Parameters
    ----------
    x : float
        ln(attenuation red), dimensionless.
    pigment : float
        As above [ln].
    hue : float or None
        As above [ln]; None where blue and red are too near to each other for it.
    """

    x: float
    pigment: float
    hue: float | None


def pigment_of(reading: Reading, *, at_most: bool = False) -> Pigment | None:
    """Return a reading's pigment and hue.

    Parameters
    ----------
    reading : Reading
        One photo's measurement.
    at_most : bool, default False
        Where the pigment is too faint to be told, or bars are lost, return the most that it can
        be: enough to judge it by, not others.

    Returns
    -------
    Pigment or None
        None where blue is crushed to zero, red bars are lost, or the culture is too thin.
    """
    depth = reading.attenuation[0]
    red, green, blue = reading.absorbance
    if not all(reading.usable) or not all(map(math.isfinite, (depth, red, green, blue))):
        return None
    if depth < _FAINTEST:
        return None
    seen = [d for d in reading.attenuation if math.isfinite(d)]
    if not at_most and (blue + red < _FAINTEST or len(seen) < 3):
        return None
    # Where blue bars are lost, blue has lost at least as much as the others.
    scatter = sum(seen) + (3 - len(seen)) * max(seen)
    to_red, to_green = blue - red, max(blue - green, _LEAST_TO_GREEN)
    told = to_red > max(_FAINTEST_HUE, _LEAST_TO_RED * (blue + red))
    return Pigment(
        x=math.log(depth),
        pigment=math.log(max(blue + red, _FAINTEST) / scatter),
        hue=math.log(to_green / to_red) if told else None,
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
        slope_sd=PIGMENT_SLOPE_SD,
        least=LEAST_PIGMENT_STRAY,
    )(now.x)
    signs = []
    # In a thin culture brightness, which no bars hold, errs by much of what the cells took away.
    expected_sd = math.hypot(expected_sd, _BRIGHTNESS_SD / (3 * math.exp(now.x + expected)))
    if now.pigment - expected < -SIGN_SIGMAS * expected_sd:
        signs.append("pale")
    hues = [math.exp(p.hue) for p in usual if p.hue is not None]
    if now.hue is not None and hues:
        hue = sum(hues) / len(hues)
        hue_sd = _stray(HUE_STRAY, [h - hue for h in hues]) * math.sqrt(1 + 1 / len(hues))
        if abs(math.exp(now.hue) - hue) > max(HUE_SHIFT, SIGN_SIGMAS * hue_sd):
            signs.append("colour-shift")
    return tuple(signs)


def pigment_line(
    seen: Sequence[tuple[float, float]],
    *,
    stray: float,
    slope: float = 0.0,
    slope_sd: float = 0.12,
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
    slope, slope_sd : float
        The line's, before these have shown it, give or take so much.
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
    prior = (stray / slope_sd) ** 2
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
