"""Early warning: what a vessel's photos say together before any one of them looks bad.

Two quantities are watched, each against what this vessel usually does: growth at a given density,
and pigment per scatter. Both by a cumulative sum, which adds up small shortfalls that one photo
could not tell from noise.

How often it warns in vain and in time is measured by tests/benchmarks/early_warning.py, on seeds
that nothing was tuned on: over 600 simulated healthy vessels 0.72 false alarms in 60 days on
average, more than one in a sixth of the vessels; of 999 crashes 91 % warned of two days before half
the cells were lost: nearly all of those that begin with pigment or nutrient, nine in ten where
grazers eat it or bacteria turn it milky, four in five where growth stops at once and half is gone
within 4 to 6 days. Where a vessel is too dense to see through at the end of each batch, about half.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from densitycam.calibration.pigment import pigment_line
from densitycam.culture.growth import NOISE_DEGREES
from densitycam.culture.series import DensityPoint, Split
from densitycam.culture.usual import Photo, Usual, follow, photos_of, usual_growth
from densitycam.wording import days_words, significant

__all__ = ["KINDS", "EarlyWarning", "early_warnings"]

#: Kinds of warning, the most urgent first.
KINDS = ("milky-turn", "below-forecast", "pigment-falling", "slow-growth", "settling-again")

#: Days that are under suspicion; what is usual is learned from the photos before them. Our own
#: choice: most of a week's batch, and longer than the crashes to be seen in time.
WINDOW_DAYS = 6.0
#: Fewest steps between photos, and fewest pigment readings, that make something usual. Our own
#: choice; with fewer, growth is held against standing still and pigment is not judged.
USUAL_STEPS, USUAL_PIGMENTS = 6, 6
#: What one photo's pigment strays from the usual where nothing is known yet [ln]: a little more
#: than `densitycam.calibration.pigment` says of one lamp and phone.
FIRST_PIGMENT_STRAY = 0.10
#: Cumulative sums (Page 1954, Biometrika 41:100) of density, of pigment, and of too little pigment
#: for too much turbidity: allowance a photo, and the sum that warns, in standard deviations of a
#: photo; and the most that one photo can add, so that none warns alone. Chosen on tuning seeds of
#: the benchmark.
ALLOWANCE, THRESHOLD = 0.5, 2.5
PIGMENT_ALLOWANCE, PIGMENT_THRESHOLD = 1.0, 2.6
MILKY_ALLOWANCE, MILKY_THRESHOLD = 1.0, 2.0
MOST_OF_ONE = 2.9
#: By so many standard deviations, the error of the usual with them, a whole stretch must fall
#: short. Chosen as above.
SURE = 2.0
#: Least that warns, however sure: density short of the forecast, pigment short of the usual
#: [share]. Our own choice: less is no reason to act.
LEAST_SHORT, LEAST_PALE = 0.15, 0.12
#: Growth under this share of its usual is called slow. Our own choice.
SLOW_SHARE = 0.5
#: A sign in so many of the last so many photos comes again. One photo in fifty may look settled
#: when it is not; two in three by such chance is one photo in a thousand (binomial).
AGAIN_OF, AGAIN_AMONG = 2, 3

_MICROSCOPE = "Look at a drop under the microscope, and smell it, before you feed or split it."


@dataclass(frozen=True)
class EarlyWarning:
    """One thing the series warns of.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    since : datetime
        Photo after which it began, as far as the photos can tell, or the first of the newest that
        shows the sign; local, naive.
    sentence : str
        What is seen, plainly.
    evidence : str
        The numbers behind it.
    advice : str
        What to do.
    """

    kind: str
    since: datetime
    sentence: str
    evidence: str
    advice: str


def early_warnings(
    points: Sequence[DensityPoint],
    splits: Sequence[Split],
    now: datetime,
    *,
    settles: bool = False,
) -> tuple[EarlyWarning, ...]:
    """Say what the series of one vessel's photos warns of.

    Parameters
    ----------
    points : sequence of DensityPoint
        Densities of one vessel over all its batches, any order; those after `now` are left out.
    splits : sequence of Split
        Logged and inferred splits, any order. Growth is followed across a logged split, its
        dilution taken off; an inferred one breaks the chain.
    now : datetime
        The moment asked about, local, naive.
    settles : bool, default False
        True for a species whose healthy cells sink when the air is weak (diatoms).

    Returns
    -------
    tuple of EarlyWarning
        The most urgent first; empty where nothing is amiss or too little is known.

    Notes
    -----
    Usual growth is a straight line of specific growth rate against density, which is the
    logistic law, by Bayesian regression over the last five weeks less the newest six days. A
    Kalman filter carries each photo's density on to the next along that line; how far the next
    photo falls short, in standard deviations, goes into a one-sided cumulative sum (Page 1954).
    Pigment goes into another, against its own usual at the same density.
    """
    seen = sorted((p for p in points if p.when <= now), key=lambda p: p.when)
    photos = photos_of(seen, [s for s in splits if s.when <= now])
    found = {}
    for warning in (
        _settling_again(seen, settles),
        *_density_and_pigment(photos),
        _milky_again(seen),  # the surest kind of milky turn, so it has the last word
    ):
        if warning is not None:
            found[warning.kind] = warning
    return tuple(found[kind] for kind in KINDS if kind in found)


@dataclass(frozen=True)
class _Step:
    """One photo held against what was usual.

    Parameters
    ----------
    place : int
        Which photo.
    short : float
        How far it falls short of the usual, in standard deviations; -inf where nothing before it
        can be held against it.
    amount : float
        Of growth, the gain that was hoped for [ln]; of pigment, how much is missing [ln].
    """

    place: int
    short: float
    amount: float


def _run(shortfalls: Sequence[float], allowance: float) -> tuple[int, float]:
    """One-sided cumulative sum: the place after its foot, and how high it stands now."""
    height, begin = 0.0, 0
    for n, z in enumerate(shortfalls):
        height = max(0.0, height + min(z, MOST_OF_ONE) - allowance)
        if height == 0.0:
            begin = n + 1
    return begin, height


def _density_and_pigment(photos: Sequence[Photo]) -> tuple[EarlyWarning | None, ...]:
    """Warnings of growth, of pigment, and of both together."""
    if len(photos) < 3:
        return ()
    edge = photos[-1].day - WINDOW_DAYS
    first = max(next(n for n, p in enumerate(photos) if p.day > edge), 1)
    usual = usual_growth(photos[:first], least_steps=USUAL_STEPS)
    growth = _watch_growth(photos, first, usual)
    pigment = _watch_pigment(photos, first)
    return (
        _short_of_growth(photos, growth, usual),
        _short_of_pigment(photos, pigment),
        None if usual is None else _more_than_cells(photos, growth, pigment),
    )


def _gain(photos: Sequence[Photo]) -> float:
    """Gain in ln density over some photos, known dilutions taken off; nan across others."""
    return photos[-1].log - photos[0].log - sum(p.log_dilution for p in photos[1:])


def _watch_growth(photos: Sequence[Photo], first: int, usual: Usual | None) -> list[_Step]:
    """Hold the newest days against the usual growth; without one, against standing still."""
    import numpy as np

    known = usual if usual is not None else Usual(0.0, 0.0, 0.0, np.zeros((3, 3)), 1.0)
    # Followed from some photos before the window, so that it does not rest on a single one.
    start = max(first - 4, 0)
    return [
        _Step(n, p.short, p.gain)
        for n, p in enumerate(follow(photos[start:], known), start)
        if n >= first
    ]


def _short_of_growth(
    photos: Sequence[Photo], steps: Sequence[_Step], usual: Usual | None
) -> EarlyWarning | None:
    """Warn where the newest days' growth falls short of the usual."""
    begin, height = _run([s.short for s in steps], ALLOWANCE)
    if height < THRESHOLD:
        return None
    stretch = photos[steps[begin].place - 1 :]
    hoped, gained = sum(s.amount for s in steps[begin:]), _gain(stretch)
    if 1.0 - math.exp(gained - hoped) < LEAST_SHORT:
        return None
    if usual is not None and hoped - gained < SURE * usual.error(stretch):
        return None
    slow = usual is not None and 0 < gained < SLOW_SHARE * hoped
    if slow:
        sentence = "It grows at less than half its usual rate."
    elif gained <= 0:
        sentence = "It loses cells where it should hold or gain them."
    else:
        sentence = "It falls behind what its own photos foretold."
    hope = (
        f"its usual growth would have {_change(hoped)}"
        if usual is not None
        else "a healthy culture does not fall"
    )
    taken_off = ", the split taken off" if any(p.log_dilution for p in stretch[1:]) else ""
    return EarlyWarning(
        kind="slow-growth" if slow else "below-forecast",
        since=stretch[0].when,
        sentence=sentence,
        evidence=f"In {days_words(stretch[-1].day - stretch[0].day)} it "
        f"{_change(gained, done=True)}{taken_off}; {hope} ({len(stretch) - 1} photos).",
        advice="Check nutrient, light, temperature and air today, and take another photo "
        "tomorrow. " + _MICROSCOPE,
    )


def _change(log_gain: float, *, done: bool = False) -> str:
    """Say a gain or loss in words."""
    percent = abs(100.0 * math.expm1(log_gain))
    if percent < 1.0:
        return "stood still" if done else "held it level"
    verb = "gained" if log_gain > 0 else "lost"
    return f"{verb} {significant(percent)} %"


def _watch_pigment(photos: Sequence[Photo], first: int) -> list[_Step]:
    """Hold the newest days' pigment per scatter against the usual at the same density."""
    before = [(p.log, p.pigment) for p in photos[:first] if p.pigment is not None]
    if len(before) < USUAL_PIGMENTS:
        return []
    usual = pigment_line(before, stray=FIRST_PIGMENT_STRAY, photos=NOISE_DEGREES)
    steps = []
    for place in range(first, len(photos)):
        p = photos[place]
        if p.pigment is None:
            continue
        expected, sd = usual(p.log)
        missing = expected - p.pigment
        steps.append(_Step(place, missing / sd, missing))
    return steps


def _short_of_pigment(photos: Sequence[Photo], steps: Sequence[_Step]) -> EarlyWarning | None:
    """Warn where the newest days' pigment falls short of the usual."""
    begin, height = _run([s.short for s in steps], PIGMENT_ALLOWANCE)
    if height < PIGMENT_THRESHOLD:
        return None
    loss = sum(s.amount for s in steps[begin:]) / len(steps[begin:])
    if 1.0 - math.exp(-loss) < LEAST_PALE:
        return None
    return EarlyWarning(
        kind="pigment-falling",
        since=photos[steps[begin].place - 1].when,
        sentence="It loses pigment for its turbidity.",
        evidence=f"Its last {len(steps[begin:])} photos show "
        f"{significant(-100.0 * math.expm1(-loss))} % less than it usually has.",
        advice="Check nutrient and light: too much light and too little nutrient both bleach it, "
        "and what is not algae has no pigment. " + _MICROSCOPE,
    )


def _more_than_cells(
    photos: Sequence[Photo], growth: Sequence[_Step], pigment: Sequence[_Step]
) -> EarlyWarning | None:
    """Warn where turbidity rises faster than the cells grow while pigment falls behind it."""
    missing = {s.place: s for s in pigment}
    both = [(g, missing[g.place]) for g in growth if g.place in missing]
    begin, height = _run(
        [(m.short - max(g.short, -MOST_OF_ONE)) / math.sqrt(2.0) for g, m in both], MILKY_ALLOWANCE
    )
    if height < MILKY_THRESHOLD:
        return None
    pale = sum(m.amount for _, m in both[begin:]) / len(both[begin:])
    stretch = photos[both[begin][0].place - 1 :]
    hoped = sum(s.amount for s in growth if s.place >= both[begin][0].place)
    gained = _gain(stretch)
    if not gained > hoped or 1.0 - math.exp(-pale) < LEAST_PALE:  # nan is no gain
        return None
    return EarlyWarning(
        kind="milky-turn",
        since=stretch[0].when,
        sentence="It turns milky: cloudier than its cells could make it, with less pigment for it.",
        evidence=f"In {days_words(stretch[-1].day - stretch[0].day)} its turbidity "
        f"{_change(gained, done=True)} where growth would have {_change(hoped)}, with "
        f"{significant(-100.0 * math.expm1(-pale))} % less pigment for it than usual.",
        advice="Do not feed from it. " + _MICROSCOPE,
    )


def _again(points: Sequence[DensityPoint], sign: str) -> tuple[datetime, str] | None:
    """First of the newest photos that shows a sign, and how many of them do; None for too few."""
    recent = points[-AGAIN_AMONG:]
    shown = [p for p in recent if sign in p.flags]
    if len(shown) < AGAIN_OF:
        return None
    return shown[0].when, f"{len(shown)} of the last {len(recent)} photos"


def _milky_again(points: Sequence[DensityPoint]) -> EarlyWarning | None:
    """Milky in more than one of the newest photos."""
    again = _again(points, "milky")
    if again is None:
        return None
    since, share = again
    return EarlyWarning(
        kind="milky-turn",
        since=since,
        sentence="It has turned milky.",
        evidence=f"{share} show scatter without pigment.",
        advice="Do not feed from it, keep no starter from it. " + _MICROSCOPE,
    )


def _settling_again(points: Sequence[DensityPoint], settles: bool) -> EarlyWarning | None:
    """Settled in more than one of the newest photos."""
    again = _again(points, "settled")
    if again is None:
        return None
    since, share = again
    return EarlyWarning(
        kind="settling-again",
        since=since,
        sentence="It settles again and again.",
        evidence=f"{share} show it denser below.",
        advice="Give it more air, so that the cells stay up; if they sink all the same, look at a "
        "drop under the microscope for clumps."
        if settles
        else "This species should not sink: look at a drop under the microscope for clumps and "
        "dying cells, and check the air.",
    )
