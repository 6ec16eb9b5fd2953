"""Sixty days with four vessels through the real commands: run it by hand, no test depends on it.

    python tests/benchmarks/sixty_days.py CACHE_FOLDER [--seed 1] [--days 60] [--all]

Four invented cultures, drawn by the simulator photo by photo, kept by somebody who does what
`densitycam` says: a new lamp on day 20, a new phone on day 35, bacteria in one vessel from day 24,
a crash of another from day 44, photos unswirled and out of focus now and then. Every decision
stands beside the truth. It is wrong by more than a day where neither today's truth nor that of a
day before or after bears it out: told to wait more than a day after the true density has reached
the harvest band, told to harvest more than a day before, told either where it has been dying or
contaminated for more than a day, told of trouble where there is none, or no decision at all.

Drawing takes a second a photo the first time; the cache keeps them.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
from keeper import HARVEST, Decision, Keeper, Kind

BEGIN = datetime(2026, 3, 2)
KINDS = (
    Kind("flask", "nannochloropsis", "flat-20", "flat", 20.0, 250.0, 8e6, 9e7, 0.42,
         "group", 4e-6, 10.0, every_days=1, room_seed=3),
    Kind("bottle", "tetraselmis", "cylinder-60", "cylinder", 60.0, 400.0, 1.8e5, 2.4e6, 0.38,
         "large", 1e-4, 1.0, every_days=1, room_seed=8, bacteria_day=24.0),
    Kind("jar", "isochrysis", "cylinder-40", "cylinder", 40.0, 180.0, 1.5e6, 1.7e7, 0.45,
         "group", 4e-6, 1.0, every_days=1, room_seed=11, crash_day=44.0),
    Kind("slim", "rhodomonas", "flat-30", "flat", 30.0, 300.0, 2.6e5, 3.2e6, 0.36,
         "large", 1e-4, 1.0, every_days=2, room_seed=15),
)  # fmt: skip
LAMP_DAY, PHONE_DAY = 20, 35


def live_through(keeper: Keeper, seed: int, days: int) -> Iterator[Decision]:
    """Keep the four vessels for so many days."""
    rng = np.random.default_rng([seed, 9])
    keeper.set_up(lamp="shade", phone="heron")
    for day in range(days):
        lamp = "warm-led" if day >= LAMP_DAY else str(rng.choice(["daylight", "daylight", "shade"]))
        phone = "slate" if day >= PHONE_DAY else "heron"
        for culture in keeper.cultures:
            moment = day + 0.34 + float(rng.uniform(0.0, 0.05))
            if day % culture.kind.every_days == 0:
                yield keeper.visit(culture, moment, lamp, phone)


def row(d: Decision) -> str:
    """Return one decision beside its truth."""
    read = "-" if math.isnan(d.density) else f"{d.density:.2g}"
    return (
        f"{d.day:5.1f} {d.vessel:7} {d.true_density:8.2g} {read:>8} "
        f"{d.true_phase:11} {d.phase:11} {d.true_state:9} {d.action + '!' * d.warned:12} "
        f"{'/'.join(a for a in d.right if a != 'overdue'):22} {'WRONG' if d.wrong else ''}"
    )


def main() -> None:
    """Print the table and the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cache", type=Path, help="folder of drawn photos")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--all", action="store_true", help="list right decisions too")
    asked = parser.parse_args()
    print(
        "  day vessel       true     read true phase  phase       state     said (! warned) right"
    )
    decisions = []
    with tempfile.TemporaryDirectory() as folder:
        keeper = Keeper(KINDS, begin=BEGIN, seed=asked.seed, folder=Path(folder), cache=asked.cache)
        for d in live_through(keeper, asked.seed, asked.days):
            decisions.append(d)
            if asked.all or d.wrong:
                print(row(d), flush=True)
    print("\nWhat happened")
    for day, vessel, what in keeper.events:
        print(f"{day:5.1f} {vessel:7} {what}")
    wrong = [d for d in decisions if d.wrong]
    print(f"\n{len(decisions)} decisions from {sum(d.photos for d in decisions)} photos, "
          f"{keeper.run.count} commands, {sum(keeper.slides.values())} slides")  # fmt: skip
    print(f"wrong by more than a day: {len(wrong)}, {len(wrong) / len(decisions):.1%}")
    print("  " + ", ".join(
        f"{v} {n}" for v, n in Counter(f"{d.vessel} {d.action}" for d in wrong).most_common()
    ))  # fmt: skip
    bad = [d for d in wrong if d.true_state and d.warned]
    print(f"  of these with an early warning beside it, in a culture truly bad: {len(bad)}")
    seen = [d for d in decisions if not math.isnan(d.density) and not d.true_state]
    errors = [abs(math.log(d.density / d.true_density)) for d in seen]
    inside = [d.low <= d.true_density <= d.high for d in seen]
    print(f"densities: median error {np.median(errors):.1%}, 95th percentile "
          f"{np.quantile(errors, 0.95):.1%}, {np.mean(inside):.1%} inside intervals")  # fmt: skip
    off = [d.foretold_days - d.true_days for d in decisions
           if math.isfinite(d.foretold_days) and math.isfinite(d.true_days)]  # fmt: skip
    if off:
        print(f"days foretold to the band: {len(off)}, off by {np.median(np.abs(off)):.1f} in the "
              f"median, by more than a day in {np.mean(np.abs(off) > 1.0):.0%}")  # fmt: skip
    told = [d for d in decisions if d.action in HARVEST]
    vain = [d for d in decisions if d.warned and not d.true_state]
    print(f"told to harvest on {len(told)} days; early warnings with nothing amiss: {len(vain)}")


if __name__ == "__main__":
    main()
