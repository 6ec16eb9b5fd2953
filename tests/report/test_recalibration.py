"""Past estimates before and after: one unit, limits in words, and what does not change."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from types import SimpleNamespace

from report_inputs import ESTIMATE, LESS, MORE

from densitycam.journal.recalibrate import Change
from densitycam.report.numbers import format_off
from densitycam.report.recalibration import changes_lines, stray_words

PHOTO = SimpleNamespace(taken_at=datetime(2026, 5, 12, 8), file_name="day 11.jpg")


def test_a_limit_is_said_in_words_and_the_heading_names_the_unit():
    heading, line = changes_lines([Change(PHOTO, ESTIMATE, replace(MORE, low=9.0e7))])
    assert "1 of 1 past estimates change (million cells/mL" in heading
    assert line.startswith("  12 May day 11.jpg")
    assert line.rstrip().endswith("-> more than 90")


def test_densities_below_a_thousand_have_no_unit_word_and_keep_their_spaces():
    few = replace(LESS, high=220.0)
    heading, line = changes_lines([Change(PHOTO, few, replace(MORE, low=900.0))])
    assert "change (cells/mL, scored" in heading
    assert "less than 220 -> more than 900" in line


def test_what_changes_by_nothing_is_not_listed():
    told = [Change(PHOTO, ESTIMATE, replace(ESTIMATE, calibration_id="other"))]
    assert changes_lines(told) == ["No estimate of 1 past photos changes."]
    assert changes_lines([]) == []


def test_a_forgotten_dilution_is_written_out_without_an_exponent():
    assert format_off(1 / 100.3) == "100 times too low"
    assert format_off(247.0) == "250 times too high"
    assert format_off(2.04) == "2.0 times too high"


def test_where_nothing_tells_which_slide_is_wrong_one_more_is_asked_for():
    def slide(label, weight, off):
        return SimpleNamespace(label=label, weight=weight, off=off, doubtful=weight < 0.6)

    good, torn, bad = slide("1", 0.99, 1.1), slide("2", 0.55, 1.8), slide("3", 0.01, 2.0)
    (unsure,) = stray_words(SimpleNamespace(points=(good, good, torn)))
    assert "2 is 1.8 times too high by what the other slides say, so it counts less" in unsure
    assert unsure.endswith("Another slide may be the wrong one, so count one more.")
    (sure,) = stray_words(SimpleNamespace(points=(good, good, bad)))
    assert "hardly counts" in sure
    assert sure.endswith("kind of square.")
    (both,) = stray_words(SimpleNamespace(points=(torn, slide("4", 0.45, 0.6))))
    assert "contradict each other by a factor of 1.8" in both
