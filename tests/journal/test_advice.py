"""What the journal hands to the decision: forecast, best round, the keeper's own thresholds."""

from __future__ import annotations

import hashlib
import math
from datetime import datetime, timedelta

import pytest

from densitycam.culture.settings import read_settings
from densitycam.journal.history import advise_at, vessel_history
from densitycam.journal.store import Journal, PhotoRecord, SplitRecord
from densitycam.vessel.reading import BarRow, Outline, Reading
from densitycam.vessel.record import VesselRecord

JAR = VesselRecord("jar", "tetraselmis", 900.0, 60.0)
BEGIN = datetime(2026, 3, 1, 8, 0)


def reading(density):
    """A reading in proportion to the density; the starting calibration makes a number of it."""
    a = density * 1e-6
    t = math.exp(-a)
    rgb, error = (t, t, t), (0.01, 0.01, 0.01)
    return Reading(
        path_mm=60.0, contrast_t=rgb, contrast_t_se=error, mean_t=rgb, mean_t_se=error,
        veil=(0.0, 0.0, 0.0), attenuation=(a, a, a), attenuation_se=error,
        absorbance=(a / 2, a / 3, a), absorbance_se=error, blank_se=0.01,
        usable=(True, True, True), greenness=0.1, turbidity_per_mm=a / 60.0, dilution=1.0,
        outline=Outline(100.0, 160.0, 60.0, 180.0),
        rows=tuple(BarRow(float(h), rgb, rgb, (0.0, 0.0, 0.0)) for h in range(20, 90, 10)),
    )  # fmt: skip


def photo(day, density, **kwargs):
    when = BEGIN + timedelta(days=day)
    given = {
        "vessel": "jar", "sha256": hashlib.sha256(str(when).encode()).hexdigest(),
        "file_name": f"{when:%m%d}.jpg", "taken_at": when, "time_source": "exif", "path_mm": 60.0,
        "shape": "cylinder", "dilution": 1.0, "own_optics": False, "status": "measured",
        "flag": None, "message": None, "reading": reading(density), "estimate": None,
        "software_version": "0",
    }  # fmt: skip
    return PhotoRecord(**(given | kwargs))


def grown(day):
    return 1.2e6 / (1 + (1.2e6 / 1.5e5 - 1) * math.exp(-0.7 * day))


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "journal.sqlite") as opened:
        opened.add_vessel(JAR)
        for day in range(9):
            opened.record_photo(photo(day, grown(day)))
        opened.add_split(SplitRecord("jar", BEGIN + timedelta(days=8.1), 225.0, 900.0))
        for day in (9, 10):
            opened.record_photo(photo(day, grown(day - 8 + 0.9)))
        yield opened


def test_a_batch_that_grows_is_told_its_day_with_an_interval_and_the_best_round(journal):
    history = vessel_history(journal, JAR)
    goal = history.readings[4].estimate.cells_per_ml  # what it read on the fourth day
    own = read_settings(f"[vessel jar]\nharvest_low = {goal}\nharvest_high = {9 * goal}")
    _, advice = advise_at(vessel_history(journal, JAR, own), 10)
    assert advice.action == "wait"
    assert advice.ready_earliest < advice.ready_on < advice.ready_latest
    # As the curve goes: from day 2.9 of it to day 4.
    assert advice.wait_days == pytest.approx(4.0 - 2.9, abs=0.35)
    assert 1 <= advice.best_harvest.advised.interval_days <= 8


def test_what_the_keeper_set_is_what_decides(journal):
    last = len(vessel_history(journal, JAR).readings) - 1
    thin = read_settings("[species tetraselmis]\nharvest_low = 1e3\nkept_share = 0.4")
    _, advice = advise_at(vessel_history(journal, JAR, thin), last)
    assert advice.action in ("harvest", "overdue")
    assert advice.plan.kept_share == 0.4
