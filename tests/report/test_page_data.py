"""What the page and the batch's chart are given: a forecast for a batch that is to grow on."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest
from seen_photos import BEGIN, photo

from densitycam.cli.batch import _panel
from densitycam.culture.settings import read_settings
from densitycam.journal.history import advise_today, vessel_history
from densitycam.journal.store import Journal, SplitRecord
from densitycam.report.page_data import forecast_of, vessel_panel
from densitycam.vessel.record import VesselRecord

JAR = VesselRecord("jar", "tetraselmis", 900.0, 60.0)
LATER = BEGIN + timedelta(days=4.2)


@pytest.fixture
def journal(tmp_path):
    with Journal(tmp_path / "journal.sqlite") as opened:
        opened.add_vessel(JAR)
        for day in range(5):
            opened.put_photo(photo(day, 1e5 * math.exp(0.3 * day)))
        yield opened


def history_of(journal, low=3e5):
    text = f"[all]\nharvest_low = {low}\nharvest_high = 2e7\n"
    return vessel_history(journal, JAR, read_settings(text))


def test_a_batch_that_grows_on_has_a_forecast_to_its_band(journal):
    today = advise_today(history_of(journal), LATER)
    ahead = forecast_of(today)
    assert ahead.goal == 3e5
    assert ahead.begin == today.reading.when
    assert ahead.cells_per_ml == today.estimate.cells_per_ml < 3e5
    assert ahead.earliest < ahead.day
    assert vessel_panel(journal, today).ahead == ahead


def test_the_chart_of_batch_has_the_forecast_as_of_its_last_photo(journal):
    history = history_of(journal)
    ahead = _panel(journal, history, []).ahead
    assert ahead.goal == 3e5
    assert ahead.day > history.readings[-1].when


def test_after_a_split_it_begins_from_the_thinned_culture(journal):
    at = BEGIN + timedelta(days=4.1)
    journal.add_split(SplitRecord("jar", at, 225.0, 900.0))
    today = advise_today(history_of(journal), LATER)
    ahead = forecast_of(today)
    newest = history_of(journal).readings[-1].estimate
    assert ahead.cells_per_ml == pytest.approx(newest.cells_per_ml / 4, rel=1e-12)
    assert ahead.begin == today.now


def test_what_is_ripe_or_old_has_none(journal):
    assert forecast_of(advise_today(history_of(journal, low=1e4), LATER)) is None
    assert forecast_of(advise_today(history_of(journal), BEGIN + timedelta(days=9))) is None
