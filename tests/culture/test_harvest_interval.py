"""The best share and interval: closed forms, an integrator, and the common practice beside them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from grown import at, exponential, logistic, points

from densitycam.culture import harvest_interval
from densitycam.culture.advice import Growth
from densitycam.culture.growth import growth
from densitycam.culture.harvest_interval import (
    best_harvest,
    best_harvest_of,
    best_share,
    harvest_round,
)
from densitycam.culture.logistic import split_cycle
from densitycam.culture.series import Split
from densitycam.culture.usual import Usual
from densitycam.errors import DensitycamError

CULTURE = {"rate_per_day": 0.47, "ceiling_cells_per_ml": 3.1e7, "working_volume_ml": 1730.0}


def test_the_limit_is_the_maximum_sustainable_yield_at_half_the_ceiling():
    # M. B. Schaefer 1954 (Bull. Inter-Am. Trop. Tuna Comm. 1:27, from memory): logistic growth
    # yields most, rate x K/4, at K/2. Harvesting a little at a time comes as near as one likes.
    short = harvest_round(
        kept_share=best_share(interval_days=0.01, rate_per_day=0.47), interval_days=0.01, **CULTURE
    )
    assert short.density == pytest.approx(3.1e7 / 2, rel=2e-3)
    assert short.cells_per_week == pytest.approx(7 * 0.47 * 3.1e7 / 4 * 1730, rel=1e-5)
    assert short.share_of_most == pytest.approx(1.0, rel=1e-5)


@pytest.mark.parametrize("days", [0.7, 3.0, 9.5])
def test_the_best_share_beats_every_other_and_has_its_closed_form(days):
    best = harvest_round(
        kept_share=best_share(interval_days=days, rate_per_day=0.47), interval_days=days, **CULTURE
    )
    for share in np.linspace(0.02, 0.98, 97):
        other = harvest_round(kept_share=share, interval_days=days, **CULTURE)
        assert other.cells_per_week <= best.cells_per_week * (1 + 1e-12)
    assert best.cells_per_week == pytest.approx(
        7 * 3.1e7 * 1730 * math.tanh(0.47 * days / 4) / days, rel=1e-12
    )
    assert best.density + best.density_after == pytest.approx(3.1e7, rel=1e-12)


@pytest.mark.parametrize(("share", "days"), [(0.25, 7.0), (0.6, 2.3), (0.12, 9.0)])
def test_a_round_integrated_forty_times_settles_there(share, days):
    from scipy.integrate import solve_ivp

    density = 0.3
    for _ in range(40):
        run = solve_ivp(
            lambda t, y: 0.47 * y * (1 - y), (0, days), [share * density], rtol=1e-9, atol=1e-12
        )
        density = run.y[0, -1]
    settled = harvest_round(kept_share=share, interval_days=days, **CULTURE)
    assert settled.density == pytest.approx(3.1e7 * density, rel=1e-6)
    # And the other way round, from the density to the days.
    assert split_cycle(kept_share=share, harvest_share=density)[0] == pytest.approx(
        0.47 * days, rel=1e-5
    )


def test_thinned_out():
    for share in (0.1, math.exp(-0.47 * 2.0)):
        gone = harvest_round(kept_share=share, interval_days=2.0, **CULTURE)
        assert (gone.density, gone.cells_per_week) == (0.0, 0.0)


def test_a_lag_takes_its_days():
    lagging = harvest_round(kept_share=0.4, interval_days=4.0, lag_days=1.0, **CULTURE)
    brisk = harvest_round(kept_share=0.4, interval_days=3.0, **CULTURE)
    assert lagging.density == pytest.approx(brisk.density, rel=1e-12)
    assert lagging.cells_per_week == pytest.approx(brisk.cells_per_week * 3 / 4, rel=1e-12)
    share = best_share(interval_days=4.0, rate_per_day=0.47, lag_days=1.0)
    assert share == pytest.approx(math.exp(-0.47 * 3 / 2), rel=1e-12)
    # A day of lag and a day's round: nothing grows, nothing can be kept or taken.
    assert best_harvest(lag_days=1.5, harvest_low=1e7, **CULTURE).most.interval_days >= 2
    for low in (2.2e7, 2.9e7):
        choice = best_harvest(lag_days=1.5, harvest_low=low, **CULTURE)
        assert min(choice.most.density, choice.advised.density) >= low * (1 - 1e-9)
    # Without lag the shortest round brings most, with a day of lag a longer one does.
    assert best_harvest(**CULTURE).most.interval_days == 1
    assert best_harvest(lag_days=1.0, **CULTURE).most.interval_days > 2
    # 0.8 of 14 days are left to grow in, which is no whole day.
    brief = best_harvest(lag_days=13.2, harvest_low=2.8e7, **(CULTURE | {"rate_per_day": 2.0}))
    assert brief.most.density == pytest.approx(2.8e7, rel=1e-9)


def test_the_advice_beside_the_common_quarter():
    choice = best_harvest(**CULTURE)
    week, ten_days = choice.common
    assert (week.kept_share, week.interval_days, ten_days.interval_days) == (0.25, 7.0, 10.0)
    assert choice.most.cells_per_week >= choice.advised.cells_per_week
    assert choice.advised.cells_per_week >= 0.9 * choice.most.cells_per_week
    assert choice.advised.cells_per_week > week.cells_per_week > ten_days.cells_per_week
    longer = harvest_round(
        kept_share=best_share(interval_days=choice.advised.interval_days + 1, rate_per_day=0.47),
        interval_days=choice.advised.interval_days + 1,
        **CULTURE,
    )
    assert longer.cells_per_week < 0.9 * choice.most.cells_per_week
    assert f"every {choice.advised.interval_days:.0f} days" in choice.sentence


def test_a_slow_culture_cannot_bear_the_common_week():
    slow = CULTURE | {"rate_per_day": 0.15}
    told = best_harvest(**slow)
    assert told.common[0].cells_per_week == 0 < told.common[1].cells_per_week
    assert "the common quarter kept for 7 days would thin this culture out" in told.sentence


@pytest.mark.parametrize(
    ("rate", "form"),
    [(0.8, "{:.2g} to {:.2g} times"), (0.3, "{1:.2g} times")],
)
def test_the_sentence_holds_its_own_numbers_against_the_common_ones(rate, form):
    told = best_harvest(**(CULTURE | {"rate_per_day": rate}))
    ratios = sorted(told.advised.cells_per_week / r.cells_per_week for r in told.common)
    assert f": {form.format(*ratios)} the cells a week of" in told.sentence
    assert told.sentence.endswith("of the common quarter kept for 7 to 10 days.")


SEEN = points(logistic, range(9), noise=0.03, rng=np.random.default_rng(7))
GROWN = Growth(0.2, 0.1, 0.3, 0.3, "slowing", 5, 8.0, "")


def of(seen, splits=(), grown=None):
    grown = growth(seen, splits, seen[-1].when) if grown is None else grown
    return best_harvest_of(
        seen, splits, seen[-1].when, growth=grown, working_volume_ml=900.0, harvest_low=1e7
    )


def test_the_round_is_found_from_the_photos():
    # The curve's own: 0.7 a day towards 40 million.
    true = best_harvest(rate_per_day=0.7, ceiling_cells_per_ml=4e7, working_volume_ml=900.0,
                        harvest_low=1e7)  # fmt: skip
    told = of(SEEN)
    assert told.most.cells_per_week == pytest.approx(true.most.cells_per_week, rel=0.1, abs=0)
    assert told.advised.interval_days == pytest.approx(true.advised.interval_days, abs=1)


def test_earlier_batches_tell_where_the_running_one_does_not_bend_yet():
    split = Split(at(8.2), 0.2)
    begun = [*SEEN, *points(lambda d: 0.2 * logistic(8) * math.exp(0.55 * (d - 8)), [9, 10])]
    grown = growth(begun, (split,), begun[-1].when)
    assert math.isnan(grown.ceiling_cells_per_ml)
    assert of(begun, (split,), grown).advised.interval_days == pytest.approx(
        of(SEEN).advised.interval_days, abs=1
    )


def test_nothing_is_advised_where_no_bend_is_shown():
    assert of(points(exponential, range(7), noise=0.03, rng=np.random.default_rng(8))) is None
    assert of(SEEN[:2]) is None
    # Five steps from photo to photo are the fewest that tell how a vessel slows.
    own = replace(GROWN, ceiling_cells_per_ml=math.nan, max_rate_per_day=math.nan)
    few = points(logistic, (0, 2, 4, 6, 8, 10))
    assert of(few, grown=own) is not None
    assert of(few[:-1], grown=own) is None
    level = points(lambda d: 3e6, range(8), noise=0.03, rng=np.random.default_rng(9))
    assert of(level) is None


def test_harvests_lie_in_the_band_where_they_can():
    for low in (1.2e7, 2.2e7, 2.9e7):
        choice = best_harvest(harvest_low=low, **CULTURE)
        assert choice.advised.density >= low * (1 - 1e-9)
        # Half the ceiling brings most, so that above it the edge of the band does.
        if low > 3.1e7 / 2:
            assert choice.most.density == pytest.approx(low, rel=1e-9)
    for low in (3.1e7, 5e7):
        assert best_harvest(harvest_low=low, **CULTURE) == best_harvest(**CULTURE)


def test_the_longest_round_is_a_fortnight_and_a_tenth_is_the_least_kept():
    assert best_harvest(least_days=14, **CULTURE).advised.interval_days == 14
    # By hand, at 0.15 a day and 0.985 of the ceiling: 14 days want 0.904 kept, 15 days 0.887, and
    # no more than nine tenths are.
    with pytest.raises(DensitycamError, match="no round of up to 14 days"):
        best_harvest(**(CULTURE | {"rate_per_day": 0.15}), harvest_low=0.985 * 3.1e7)
    # At 6 a day the best share of a day would be exp(-3), a twentieth.
    assert best_harvest(**(CULTURE | {"rate_per_day": 6.0})).most.kept_share == 0.1


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"rate_per_day": -0.1}, "growth rate must be above 0"),
        ({"rate_per_day": 0.0}, "growth rate must be above 0"),
        ({"ceiling_cells_per_ml": math.nan}, "ceiling must be above 0"),
        ({"working_volume_ml": math.inf}, "volume must be above 0"),
        ({"lag_days": -1.0}, "lag of -1"),
        ({"least_days": 0}, "shortest round of 0"),
        ({"harvest_low": 3.09e7, "rate_per_day": 0.05}, "no round of up to 14 days"),
    ],
)
def test_refused(change, match):
    with pytest.raises(DensitycamError, match=match):
        best_harvest(**(CULTURE | change))


@pytest.mark.parametrize("days", [0.0, -1.0, math.nan, math.inf])
def test_no_round(days):
    with pytest.raises(DensitycamError, match="days between splits must be above 0"):
        harvest_round(kept_share=0.4, interval_days=days, **CULTURE)
    with pytest.raises(DensitycamError, match="days between splits must be above 0"):
        best_share(interval_days=days, rate_per_day=0.47)


@pytest.mark.parametrize("sure_of_bend", [False, True])
@pytest.mark.parametrize("sure_of_pause", [False, True])
def test_what_is_usual_counts_where_it_is_firm(monkeypatch, sure_of_bend, sure_of_pause):
    # Beyond two standard deviations: 0.6 a day towards 40 million, and a day's growth lost a split.
    slope, firm = 0.6 / 4e7, {True: 2.1, False: 1.9}
    errors = np.diag([0.01, slope / firm[sure_of_bend], 0.6 / firm[sure_of_pause]]) ** 2
    usual = Usual(rate=0.6, slope=slope, setback=0.6, covariance=errors, scale=1.0)
    monkeypatch.setattr(harvest_interval, "usual_growth", lambda *_, **__: usual)
    told = of(SEEN, grown=replace(GROWN, ceiling_cells_per_ml=math.nan, max_rate_per_day=math.nan))
    if not sure_of_bend:
        assert told is None
        return
    lag = 1.0 if sure_of_pause else 0.0
    given = {"working_volume_ml": 900.0, "harvest_low": 1e7, "lag_days": lag}
    assert told == best_harvest(rate_per_day=0.6, ceiling_cells_per_ml=4e7, **given)
    # The ceiling that the running batch shows goes before.
    own = replace(GROWN, ceiling_cells_per_ml=3e7, max_rate_per_day=0.5)
    assert of(SEEN, grown=own) == best_harvest(rate_per_day=0.5, ceiling_cells_per_ml=3e7, **given)
    # Half of it is none, nor is one without end or of nothing.
    halves = ((0.5, math.nan), (0.5, math.inf), (0.5, 0.0), (math.nan, 3e7), (0.0, 3e7))
    for rate, ceiling in halves:
        half = replace(GROWN, ceiling_cells_per_ml=ceiling, max_rate_per_day=rate)
        assert of(SEEN, grown=half) == told
    # The unit does not matter: in hundreds of millions a ceiling lies below one.
    small = replace(GROWN, ceiling_cells_per_ml=0.3, max_rate_per_day=0.5)
    given["harvest_low"] = 0.1
    known = best_harvest_of(SEEN, (), at(8), growth=small, working_volume_ml=900.0, harvest_low=0.1)
    assert known == best_harvest(rate_per_day=0.5, ceiling_cells_per_ml=0.3, **given)
    # A vessel that usually does not grow loses no days by a split.
    still = replace(usual, rate=0.0)
    monkeypatch.setattr(harvest_interval, "usual_growth", lambda *_, **__: still)
    given |= {"harvest_low": 1e7, "lag_days": 0.0}
    assert of(SEEN, grown=own) == best_harvest(rate_per_day=0.5, ceiling_cells_per_ml=3e7, **given)
    assert of(SEEN, grown=half) is None


def test_what_comes_after_the_moment_asked_about_is_not_known_yet():
    grown = replace(GROWN, ceiling_cells_per_ml=math.nan, max_rate_per_day=math.nan)
    told = of(SEEN, grown=grown)
    assert told is not None
    later = points(lambda d: 1e5, [9.5, 10, 11])
    given = {"growth": grown, "working_volume_ml": 900.0, "harvest_low": 1e7}
    for splits in ((), (Split(at(8.5), 0.5),)):
        assert best_harvest_of([*SEEN, *later], splits, at(8), **given) == told
    # The photo of the moment itself is known.
    assert best_harvest_of(SEEN, (), at(8.1), **given) == told
    assert best_harvest_of(SEEN[:-1], (), at(8), **given) != told
    # A split before it takes growth out of the fall that it explains.
    known = best_harvest_of(SEEN, (Split(at(4.5), 0.5),), at(8), **given)
    assert known != told


@pytest.mark.parametrize("share", [0.0, 1.0, math.nan])
def test_no_split(share):
    with pytest.raises(DensitycamError, match="makes no split"):
        harvest_round(kept_share=share, interval_days=7.0, **CULTURE)
