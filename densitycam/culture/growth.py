"""Growth of one vessel between its photos: rate, phase, ceiling, and splits nobody logged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from densitycam.culture.advice import Growth
from densitycam.culture.logistic import LogisticFit, fit_logistic
from densitycam.culture.series import DensityPoint, Split
from densitycam.student_t import t_quantile, t_within
from densitycam.wording import density_words

__all__ = ["growth", "infer_splits", "photo_noise", "relative_noise", "usable_points"]

#: Days back from the last photo that the present rate is taken from. Our own choice: long enough
#: for four or five daily photos, short enough to follow a batch of 7 to 10 days.
RECENT_DAYS = 4.5
#: Fewest photos a rate should rest on before earlier batches are called in. Our own choice.
MIN_POINTS = 3
#: Shortest spread of photos that gives a rate [day]. Our own choice: day and night differ.
MIN_SPAN_DAYS = 0.6
#: What one photo errs by itself, as SD of ln density, until the vessel's own photos have shown it;
#: a culture's wander from day to day is in it. A point's relative_sd also holds the calibration's
#: error, which all photos of a vessel share and which cancels in growth. Our own choice, a little
#: above the 5 % median error that is asked of a photo.
PHOTO_STRAY_SD = 0.09
#: How many photos' worth of trust that gets beside the scatter seen. Our own choice.
NOISE_DEGREES = 3
#: Most that one photo off its neighbours counts for, as SD of ln density: more is no noise but a
#: fall, a leap, or a photo gone wrong. Our own choice.
MOST_OFF = 0.36
#: How much surer, and less sure, than its middle photo a photo may be by its own account. Our own
#: choice.
SURER, LESS_SURE = 0.5, 3.0
#: No photo is surer than this by its own account [SD of ln density], so that one that states no
#: error at all divides nothing by zero.
SUREST = 0.01
#: Noise below which no fall is told [SD of ln density]: with it, a fall of a quarter is one. Our
#: own choice: a crash called in error costs a harvest.
LEAST_FALL_SD = 0.10
#: A fall to between these shares of the last photo looks like a harvest with top-up. Common
#: practice keeps a quarter to a half; the margins are our own choice.
SPLIT_SHARES = (0.15, 0.75)
#: Signs after which a fall is no split but trouble.
TROUBLE_SIGNS = frozenset({"pale", "milky", "bleached", "colour-shift"})
#: Density over ceiling from which growth is slowing, and from which it is over. On a logistic
#: curve the rate has then fallen to 40 % and to 10 % of its best. Our own choice.
SLOWING_SHARE, STATIONARY_SHARE = 0.6, 0.9
#: Rate below which a flat stretch counts as no growth [1/day]. Our own choice: about one doubling
#: in a week.
FLAT_RATE = 0.10
#: Days after a split in which a flat stretch is called lag. Our own choice.
LAG_DAYS = 3.0


@dataclass(frozen=True)
class _Obs:
    """One usable density: day since the first, ln density, noise as SD of ln density."""

    when: datetime
    day: float
    log: float
    sd: float
    flags: tuple[str, ...]


def usable_points(points: Sequence[DensityPoint]) -> list[DensityPoint]:
    """Return the points that hold a density, in order of time.

    Parameters
    ----------
    points : sequence of DensityPoint
        In any order; those of zero, unbounded or unknown density are left out.
    """
    kept = [p for p in points if 0 < p.cells_per_ml < math.inf and not math.isinf(p.relative_sd)]
    return sorted(kept, key=lambda p: p.when)


def relative_noise(points: Sequence[DensityPoint], unknown_sd: float) -> list[float]:
    """Return how unsure each photo is beside the middle one, by its own account.

    What they state holds the calibration's error too, which they share: only the ratio tells.

    Parameters
    ----------
    points : sequence of DensityPoint
        At least one.
    unknown_sd : float
        What a photo that states nothing (nan) is taken for, as SD of ln density.

    Returns
    -------
    list of float
        Dimensionless, from `SURER` to `LESS_SURE`.
    """
    stated = [max(p.relative_sd, SUREST) if p.relative_sd >= 0 else unknown_sd for p in points]
    middle = sorted(stated)[len(stated) // 2]
    return [min(max(sd / middle, SURER), LESS_SURE) for sd in stated]


def _usable(
    points: Sequence[DensityPoint], now: datetime | None, splits: Sequence[Split]
) -> tuple[list[_Obs], float]:
    """Points that can carry growth, in order of time, and how many photos' worth their noise is.

    Photos of a settled culture are left out, no one density fits it, and of a milky one, whose
    density is not all cells. The noise is that which the
    vessel's photos show among themselves, within a batch.
    """
    kept = [p for p in usable_points(points) if now is None or p.when <= now]
    if not kept:
        return [], NOISE_DEGREES
    obs = [
        _Obs(
            when=p.when,
            day=(p.when - kept[0].when).total_seconds() / 86400.0,
            log=math.log(p.cells_per_ml),
            sd=relative,
            flags=p.flags,
        )
        for p, relative in zip(kept, relative_noise(kept, PHOTO_STRAY_SD), strict=True)
    ]
    told = [o for o in obs if not {"settled", "milky"} & set(o.flags)]
    noise, degrees = _noise(told, splits)
    return [replace(o, sd=o.sd * noise) for o in told], degrees


def _noise(obs: Sequence[_Obs], splits: Sequence[Split]) -> tuple[float, float]:
    """Noise of one photo as SD of ln density, and its degrees of freedom.

    From how far each photo of a batch lies off the straight line between its neighbours. Growth
    that bends counts as noise a little; falls and leaps, which are no noise, hardly count.
    """
    total, count = 0.0, 0
    for a, b, c in zip(obs, obs[1:], obs[2:], strict=False):
        if c.day - a.day > 2 * RECENT_DAYS or c.day - b.day <= 0 or b.day - a.day <= 0:
            continue
        if any(a.when <= s.when <= c.when for s in splits):
            continue
        share = (b.day - a.day) / (c.day - a.day)
        off = b.log - (1 - share) * a.log - share * c.log
        variance = b.sd**2 + ((1 - share) * a.sd) ** 2 + (share * c.sd) ** 2
        total += min(off**2 / variance, MOST_OFF**2)
        count += 1
    # Neighbouring triples share two photos: two of them are worth about one (Rice 1984,
    # Ann. Statist. 12:1215, on difference-based variance, from memory).
    degrees = NOISE_DEGREES + count / 2
    return math.sqrt((NOISE_DEGREES * PHOTO_STRAY_SD**2 + total / 2) / degrees), degrees


def photo_noise(points: Sequence[DensityPoint], splits: Sequence[Split], now: datetime) -> float:
    """Return what one photo of a vessel errs by itself, as its photos show it.

    Parameters
    ----------
    points : sequence of DensityPoint
        Densities of the vessel, any order.
    splits : sequence of Split
        Logged and inferred splits, any order.
    now : datetime
        Photos after it are left out.

    Returns
    -------
    float
        Standard deviation of ln density of the middle photo; near `PHOTO_STRAY_SD` while they are
        few.
    """
    obs, _ = _usable(points, now, splits)
    return sorted(o.sd for o in obs)[len(obs) // 2] if obs else PHOTO_STRAY_SD


def _fell(before: _Obs, after: _Obs) -> bool:
    """Whether the density fell by more than both photos' noise."""
    noise = math.hypot(max(before.sd, LEAST_FALL_SD), max(after.sd, LEAST_FALL_SD))
    return after.log - before.log < -1.96 * noise


def infer_splits(points: Sequence[DensityPoint], logged: Sequence[Split] = ()) -> tuple[Split, ...]:
    """Find harvests with top-up that nobody logged.

    Parameters
    ----------
    points : sequence of DensityPoint
        Densities of one vessel, any order.
    logged : sequence of Split
        Splits that are known; a fall that one of them explains is not reported again.

    Returns
    -------
    tuple of Split
        Each `inferred`, half-way between the two photos, its kept share the ratio of the two
        densities (growth in between left out).

    Notes
    -----
    A split is a fall to 15 to 75 % of the photo before, beyond both photos' noise, with no crash
    sign, before and after which the density does not fall too; where it is the last photo, nothing
    can speak against it yet, and the decision says so.
    """
    obs, _ = _usable(points, None, logged)
    found = []
    for n in range(1, len(obs)):
        before, after = obs[n - 1], obs[n]
        share = math.exp(after.log - before.log)
        if not (SPLIT_SHARES[0] <= share <= SPLIT_SHARES[1] and _fell(before, after)):
            continue
        if any(before.when <= s.when <= after.when for s in logged):
            continue
        if TROUBLE_SIGNS & set(after.flags):
            continue
        if n + 1 < len(obs) and _fell(after, obs[n + 1]):
            continue
        if n > 1 and _fell(obs[n - 2], before):
            continue
        half = before.when + (after.when - before.when) / 2
        found.append(Split(when=half, kept_share=share, inferred=True))
    return tuple(found)


def _line(
    obs: Sequence[_Obs], logs: Sequence[float], noise_degrees: float
) -> tuple[float, float, float, float]:
    """Weighted straight line through ln density: slope, low, high [1/day], chi-square.

    The variance of a photo is pooled from what the vessel's photos have shown, with so many
    degrees of freedom, and the scatter about the line (a scaled inverse chi-square prior), so
    that two or three photos still give an interval and many photos speak for themselves.
    """
    weights = [1.0 / o.sd**2 for o in obs]
    total = sum(weights)
    mean_t = sum(w * o.day for w, o in zip(weights, obs, strict=True)) / total
    mean_y = sum(w * y for w, y in zip(weights, logs, strict=True)) / total
    sxx = sum(w * (o.day - mean_t) ** 2 for w, o in zip(weights, obs, strict=True))
    sxy = sum(
        w * (o.day - mean_t) * (y - mean_y) for w, o, y in zip(weights, obs, logs, strict=True)
    )
    slope = sxy / sxx
    chi2 = sum(
        w * (y - mean_y - slope * (o.day - mean_t)) ** 2
        for w, o, y in zip(weights, obs, logs, strict=True)
    )
    degrees = noise_degrees + len(obs) - 2
    pooled = (noise_degrees + chi2) / degrees
    half = t_quantile(0.975, degrees) * math.sqrt(pooled / sxx)
    return slope, slope - half, slope + half, chi2


def _ceiling(obs: Sequence[_Obs]) -> LogisticFit | None:
    """Logistic fit, where its ceiling is firm and it beats the straight line (F test, 5 %)."""
    if len(obs) < MIN_POINTS + 2 or obs[-1].day - obs[0].day < MIN_POINTS:
        return None
    densities = [math.exp(o.log) for o in obs]
    times = [o.day for o in obs]
    sds = [o.sd * c for o, c in zip(obs, densities, strict=True)]
    fit = fit_logistic(times, densities, sd=sds)
    if fit is None or fit.rate_per_day <= 0:
        return None
    if fit.ceiling < 0.8 * max(densities) or fit.ceiling_se > 0.5 * fit.ceiling:
        return None
    straight = _line(obs, [o.log for o in obs], NOISE_DEGREES)[3]
    bent = sum(((o.log - math.log(fit.density(o.day))) / o.sd) ** 2 for o in obs)
    # Scatter far below the assumed noise is luck: keep it from proving a bend.
    per_degree = max(bent / fit.degrees, 0.1)
    # The square of Student's t is F with one degree against so many.
    gain = math.sqrt(max(straight - bent, 0.0) / per_degree)
    return fit if 1 - t_within(gain, fit.degrees) < 0.05 else None


def _phase(
    since: Sequence[_Obs],
    fit: LogisticFit | None,
    rate: tuple[float, float, float],
    rate_points: int,
    crossed: bool,
    days_since: float,
) -> tuple[str, str]:
    """Phase and the sentence that proves it."""
    slope, low, high = rate
    # Below the photo before, beyond the noise, and below the one before that: one photo read too
    # high must not make the next look like a crash.
    dropped = (
        len(since) > 1
        and _fell(since[-2], since[-1])
        and (len(since) == 2 or since[-1].log < since[-3].log)
    )
    if dropped or (rate_points >= MIN_POINTS and not crossed and high < 0):
        if dropped:
            share = 1.0 - math.exp(since[-1].log - since[-2].log)
            return (
                "decline",
                f"The density fell by about {100 * share:.0f} % since the last photo.",
            )
        return "decline", f"The density falls by {100 * (1 - math.exp(slope)):.0f} % a day."
    if crossed or len(since) < MIN_POINTS:
        seen = f"Only {len(since)} photo{'' if len(since) == 1 else 's'} of this batch"
        if not since:
            seen = "No photo of this batch yet"
        return "unknown", f"{seen}: too few to show a phase."
    if fit is not None:
        share = fit.density(since[-1].day) / fit.ceiling
        where = f"{100 * share:.0f} % of the {density_words(fit.ceiling)} it levels off at"
        if share >= STATIONARY_SHARE:
            return "stationary", f"Growth is over: it stands at {where}."
        if share >= SLOWING_SHARE:
            return "slowing", f"Growth is slowing: it stands at {where}."
        return "exponential", f"It still grows freely: it stands at {where}."
    if low > 0:
        return "exponential", f"{rate_points} photos rise along a straight line on the log scale."
    if slope < FLAT_RATE and days_since <= LAG_DAYS:
        return "lag", "It has not begun to grow since the split, which is usual for a day or two."
    if slope < FLAT_RATE and high < 3 * FLAT_RATE and len(since) > MIN_POINTS:
        return "stationary", f"The last {rate_points} photos show no growth."
    return "unknown", "The photos scatter too much to tell growth from standing still."


def growth(points: Sequence[DensityPoint], splits: Sequence[Split], now: datetime) -> Growth:
    """Specific growth rate, phase and ceiling of the running batch.

    Parameters
    ----------
    points : sequence of DensityPoint
        Densities of one vessel, any order; those not finite, not above zero, seen settled, or
        after `now` are left out.
    splits : sequence of Split
        Logged and inferred splits, any order.
    now : datetime
        The moment asked about, local, naive.

    Returns
    -------
    Growth
        With nan and "unknown" where the photos are too few.

    Notes
    -----
    mu = d ln(density)/dt by weighted regression over the last days of the batch; divisions per
    day = mu/ln 2 (Guillard 1973). Where the batch has fewer than three photos, those before a
    logged split join in with ln(kept share) added for each split; an inferred split cannot be
    crossed, its share being read off the same densities. A ceiling is given only where a logistic
    curve fits better than a straight line (F test, 5 %). Exponential growth must be shown before
    a rate means anything (Trenkenshu 2019), so the phase stays "unknown" before three photos.
    """
    known = sorted((s for s in splits if s.when <= now), key=lambda s: s.when)
    last = known[-1] if known else None
    obs, noise_degrees = _usable(points, now, known)
    since = [o for o in obs if last is None or o.when > last.when]
    begin = last.when if last else (obs[0].when if obs else now)
    days_since = (now - begin).total_seconds() / 86400.0
    inferred = last is not None and last.inferred

    def unknown(evidence: str) -> Growth:
        nan = math.nan
        return Growth(
            nan, nan, nan, nan, "unknown", len(since), days_since, evidence,
            split_inferred=inferred,
        )  # fmt: skip

    if not obs:
        return unknown("No density yet.")

    window = [o for o in since if o.day >= since[-1].day - RECENT_DAYS]
    crossed = False
    if len(window) < MIN_POINTS:
        window = since[-MIN_POINTS:]
    logs = [o.log for o in window]
    if len(window) < MIN_POINTS:
        older = _before(obs, known, MIN_POINTS - len(window) + 1)
        if older:
            crossed = True
            window = [o for o, _ in older] + window
            logs = [y for _, y in older] + logs
    if len(window) < 2 or window[-1].day - window[0].day < MIN_SPAN_DAYS:
        return unknown("One photo cannot show growth: take another tomorrow.")

    slope, low, high, _ = _line(window, logs, noise_degrees)
    fit = None if crossed else _ceiling(since)
    phase, evidence = _phase(since, fit, (slope, low, high), len(window), crossed, days_since)
    if phase == "decline":
        fit = None
    if crossed:
        evidence += " The rate reaches back over the split, with its dilution taken off."
    nan = math.nan
    return Growth(
        rate_per_day=slope,
        low=low,
        high=high,
        divisions_per_day=slope / math.log(2.0),
        phase=phase,
        points=len(window),
        days_since_split=days_since,
        evidence=evidence,
        ceiling_cells_per_ml=fit.ceiling if fit else nan,
        max_rate_per_day=fit.rate_per_day if fit else nan,
        split_inferred=inferred,
    )


def _before(obs: Sequence[_Obs], splits: Sequence[Split], wanted: int) -> list[tuple[_Obs, float]]:
    """Photos before the last splits with ln density as if diluted then, oldest first."""
    found: list[tuple[_Obs, float]] = []
    newest = obs[-1].day
    for o in reversed(obs):
        between = [s for s in splits if s.when >= o.when]
        if not between:
            continue
        if any(s.inferred or not 0 < s.kept_share < 1 for s in between):
            break
        if len(found) == wanted or newest - o.day > 2 * RECENT_DAYS:
            break
        found.append((o, o.log + sum(math.log(s.kept_share) for s in between)))
    return found[::-1]
