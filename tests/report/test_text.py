"""Texts: every flag, every action, never wider than 80 columns."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from report_inputs import ADVICE, ESTIMATE, GROWTH, LESS, MORE, PLAN, READING, WAIT

from densitycam.calibration.estimate import signs_with
from densitycam.calibration.species import load_species
from densitycam.culture.harvest_interval import best_harvest
from densitycam.culture.readiness import decide
from densitycam.flags import FLAGS
from densitycam.report.numbers import format_density
from densitycam.report.text import (
    ACTION_WORDS,
    WIDTH,
    advice_text,
    batch_heading,
    batch_line,
    batch_refused_text,
    calibration_text,
    care_text,
    checklist_text,
    ready_words,
    signs_text,
    snap_text,
    split_plan_text,
)
from densitycam.vessel.record import VesselRecord

ACTIONS = ("harvest", "wait", "overdue", "rescue", "hold", "cannot-tell")


MILLION = (1e6, "million")


def flat(text: str) -> str:
    """Undo the wrapping."""
    return " ".join(text.split())


def assert_fits(text: str) -> None:
    for line in text.splitlines():
        assert len(line) <= WIDTH == 80, line
        assert line == line.rstrip()
        assert "nan" not in line.replace("nannochloropsis", "")
        assert "inf" not in line.split()


@pytest.mark.parametrize("flag_id", FLAGS)
def test_every_flag_comes_with_its_advice(flag_id):
    flag = FLAGS[flag_id]
    text = snap_text(
        title="kitchen bottle, nannochloropsis, 12 March 2026",
        reading=replace(READING, flags=(flag_id,)),
        estimate=ESTIMATE,
        advice=WAIT,
    )
    assert_fits(text)
    assert flag.advice in flat(text)
    assert flag.meaning in flat(text)
    other = next(f for f in FLAGS.values() if f.id != flag_id and f.advice != flag.advice)
    assert other.advice not in flat(text)


def test_all_flags_at_once_in_the_registrys_order():
    text = flat(signs_text(reversed(tuple(FLAGS))))
    places = [text.index(flag.advice) for flag in FLAGS.values()]
    assert places == sorted(places)
    assert signs_text(()) == ""
    with pytest.raises(KeyError, match="no-such-flag"):
        signs_text(["no-such-flag"])


def test_a_snap_says_everything_it_knows():
    text = snap_text(
        title="kitchen bottle, nannochloropsis, 12 March 2026",
        reading=READING,
        estimate=replace(ESTIMATE, notes=("Read by mean brightness: contrast is gone.",)),
        advice=ADVICE,
        growth=GROWTH,
        flags=("bleached",),
        notes=("The time was taken from the file's name.",),
    )
    assert_fits(text)
    for part in (
        format_density(ESTIMATE),
        "calibrated with 3 slide counts of your own",
        "58.3 mm",
        "0.17 per 10 mm",
        "+0.02 per 10 mm",
        "blue channel was too dark",
        "Read by mean brightness: contrast is gone.",
        "The time was taken from the file's name.",
        "0.65 divisions per day",
        "exponential",
        FLAGS["bleached"].advice,
        ADVICE.headline,
        *ADVICE.reasons,
        ADVICE.would_settle,
        "250 mL of culture (25 %)",
    ):
        assert part in flat(text), part


@pytest.mark.parametrize("estimate", [LESS, MORE])
def test_a_bound_is_not_dressed_as_a_value(estimate):
    text = snap_text(title="x", reading=READING, estimate=estimate, advice=None)
    assert format_density(estimate) in text
    assert "95 %" not in text


def test_no_count_yet_and_outside_range_are_said():
    weak = replace(ESTIMATE, checked_by_counts=0, inside_range=False)
    text = flat(snap_text(title="x", reading=READING, estimate=weak, advice=None))
    assert "not yet checked by a count" in text
    assert "outside the range" in text
    one = replace(ESTIMATE, checked_by_counts=1)
    assert "1 slide count of" in snap_text(title="x", reading=READING, estimate=one, advice=None)


def test_nothing_measurable_is_said_without_nan():
    blind = replace(
        READING,
        turbidity_per_mm=math.nan,
        greenness=math.nan,
        usable=(True, False, False),
        dilution=4.0,
    )
    unknown = replace(GROWTH, rate_per_day=math.nan, low=math.nan, high=math.nan, phase="unknown")
    text = snap_text(title="x", reading=blind, estimate=MORE, advice=None, growth=unknown)
    assert_fits(text)
    assert "in the undiluted culture; the sample was diluted 1:4" in flat(text)
    assert "green and blue channels were" in flat(text)
    assert "no contrast left" in text
    assert "not known yet" in text


def test_waiting_names_the_day():
    text = flat(advice_text(WAIT))
    assert "Ready about 15 Mar Because" in text
    assert "Split plan" not in text


def test_the_plan_holds_every_amount():
    text = flat(split_plan_text(PLAN))
    for part in (
        "750 mL, about 6.3 billion cells (95 %: 5.3 to 7.4)",
        "Top up 750 mL of salt water with 19.2 g of dry sea salt (25 g/kg; specific gravity 1.0190 "
        "at 20 C)",
        "0.38 mL of each part, for the 750 mL of new water only; more is not better",
        "2.1 million cells/mL after the top-up",
        " Next in about 3 days (2 doublings)",
        "Keeps cold about 7 days in the refrigerator; shake it every couple of days, never freeze",
    ):
        assert part in text, part
    assert_fits(split_plan_text(PLAN))


def test_a_plan_without_rate_or_dose():
    plan = replace(
        PLAN, days_to_next=math.nan, nutrient_ml_each=math.nan, harvest_cells_low=math.nan
    )
    text = split_plan_text(plan)
    assert_fits(text)
    assert "growth rate is not known yet" in flat(text)
    assert "by its label, for the 750 mL of new water only" in flat(text)
    assert "95 %" not in text


def test_cells_harvested_and_their_limits_share_a_unit():
    plan = replace(PLAN, harvest_cells=3.3e8, harvest_cells_low=2.8e8, harvest_cells_high=3.9e8)
    assert "about 330 million cells (95 %: 280 to 390)" in flat(split_plan_text(plan))


def test_care_is_said_once_for_all_plans():
    text = flat(care_text([PLAN, replace(PLAN, notes=(*PLAN.notes, "Silicate too."))]))
    for sentence in (*PLAN.notes, *PLAN.cautions, "Silicate too."):
        assert text.count(sentence) == 1
    assert care_text([]) == ""


def test_a_snap_says_what_to_do_before_how_it_was_measured_and_cautions_last():
    text = snap_text(
        title="x",
        reading=replace(READING, flags=("bars-lost",)),
        estimate=replace(ESTIMATE, notes=(ADVICE.reasons[0],)),
        advice=ADVICE,
        growth=GROWTH,
    )
    order = ["Density", "Signs", "Today", "Because", "Split plan", "Measured", "In this order",
             "With every split"]  # fmt: skip
    places = [text.index(f"\n{word}") for word in order]
    assert places == sorted(places)
    assert text.endswith(PLAN.cautions[-1])
    for sentence in (*PLAN.notes, *PLAN.cautions, ADVICE.reasons[0]):  # each said once
        assert flat(text).count(sentence) == 1


@pytest.mark.parametrize("sign", [n for n, f in FLAGS.items() if f.kind == "sign"])
def test_no_sentence_of_a_snap_is_said_twice(sign):
    # Through the rule and the calibration's own notes, as the commands do.
    flags = ("bars-lost",) if sign == "too-dense" else (sign,)
    brightness = "No bar shows through: read from mean brightness alone."
    notes = (brightness,) if "bars-lost" in flags else ()
    estimate = replace(MORE if sign == "too-dense" else ESTIMATE, notes=notes)
    advice = decide(
        estimate=estimate,
        flags=signs_with(estimate, flags),
        growth=GROWTH,
        facts=load_species("nannochloropsis"),
        vessel=VesselRecord("x", "nannochloropsis", 900.0, 60.0),
        now=datetime(2024, 3, 9, 19, 0),
    )
    reading = replace(READING, flags=flags)
    text = snap_text(title="x", reading=reading, estimate=estimate, advice=advice)
    assert_fits(text)
    assert flat(text).count("No bar shows through") == (sign == "bars-lost")
    said = [line.strip(" -") for line in unwrapped(text)]
    sentences = [s for line in said for s in re.split(r"(?<=[.;:]) ", line) if len(s) > 25]
    assert len(sentences) > 5
    assert sorted(set(sentences)) == sorted(sentences)


def unwrapped(text):
    """Join each entry's and bullet's wrapped lines."""
    lines = []
    for line in text.splitlines():
        if line.startswith("    ") and lines:
            lines[-1] += " " + line.strip()
        else:
            lines.append(line)
    return lines


def test_more_than_is_too_dense_and_says_what_to_do():
    lost = replace(READING, flags=("bars-lost", "settled"))
    text = flat(snap_text(title="x", reading=lost, estimate=MORE, advice=None))
    assert FLAGS["too-dense"].advice in text
    assert FLAGS["too-dense"].meaning in text
    assert FLAGS["settled"].advice in text
    # Brightness tells nothing either, so this sign would be wrong.
    assert FLAGS["bars-lost"].meaning not in text
    line = batch_line(
        name="a", when=None, estimate=MORE, unit=MILLION, flags=lost.flags, advice=ADVICE
    )
    assert "more than 90 " in line
    assert flat(line).endswith("harvest; too dense to see through, settled")
    still = flat(snap_text(title="x", reading=lost, estimate=ESTIMATE, advice=None))
    assert FLAGS["bars-lost"].advice in still
    assert FLAGS["too-dense"].meaning not in still


def test_the_day_it_is_ready_has_an_interval():
    day = datetime(2026, 3, 15, 9, 0)
    told = replace(WAIT, ready_earliest=day - timedelta(days=1), ready_latest=day.replace(day=18))
    assert "\nReady         about 15 Mar (95 %: 14 to 18 Mar)\n" in advice_text(told)
    longer = replace(told, ready_latest=datetime(2026, 4, 2))
    assert ready_words(longer) == "about 15 Mar (95 %: 14 Mar to 2 Apr)"
    never = replace(told, ready_latest=None)
    assert ready_words(never) == "about 15 Mar (14 Mar at the earliest; it may not get there)"
    sure = replace(told, ready_earliest=day, ready_latest=day)
    assert ready_words(sure) == ready_words(WAIT) == "about 15 Mar"


def test_the_plan_says_what_would_bring_most_cells():
    best = best_harvest(rate_per_day=0.7, ceiling_cells_per_ml=4e7, working_volume_ml=1000.0)
    text = advice_text(replace(ADVICE, best_harvest=best))
    assert_fits(text)
    assert f" Most cells {best.sentence}" in flat(text)
    assert "Most cells" not in advice_text(replace(WAIT, best_harvest=best))


def test_what_was_left_out_is_said_where_something_was():
    def left_out(reading):
        text = snap_text(title="x", reading=reading, estimate=ESTIMATE, advice=None)
        assert_fits(text)
        return flat(text).partition("Left out ")[2]

    assert left_out(replace(READING, left_out=0.0342)).startswith(
        "the camera's blue channel was too dark to use; 3.4 % of what is read through the vessel: "
        "glare or bubbles"
    )
    clean = replace(READING, usable=(True, True, True))
    assert left_out(replace(clean, left_out=0.2)).startswith("20 % of what is read")
    assert left_out(clean) == ""


def test_the_steps_of_a_split_are_numbered():
    assert checklist_text(PLAN).splitlines()[1:] == ["  1 Look and smell.", "  2 Harvest 750 mL."]
    assert checklist_text(replace(PLAN, checklist=())) == ""


def test_waiting_less_than_a_day_reads_well():
    soon = replace(WAIT, wait_days=0.3)
    assert "Ready" not in advice_text(soon)  # the headline has said it
    line = batch_line(name="a", when=None, estimate=ESTIMATE, unit=MILLION, advice=soon)
    assert line.endswith("wait under a day")


NAMES = ("a.jpg", "PXL_20260312_091455123.MP~2.jpg", "x" * 120 + ".heic")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("estimate", [ESTIMATE, LESS, MORE, None])
def test_batch_lines_fit_whatever_comes(name, estimate):
    actions = [None, *(replace(WAIT, action=a) for a in ACTIONS)]
    for flag_id, advice in itertools.product([None, *FLAGS], actions):
        line = batch_line(
            name=name,
            when=datetime(2026, 3, 12, 9, 14),
            estimate=estimate,
            unit=MILLION,
            flags=() if flag_id is None else (flag_id,),
            advice=advice,
        )
        assert_fits(line)
        assert "12 Mar" in line.splitlines()[0]
        assert ".." not in line[18:]
        if estimate is None:
            assert "not measured" in line
            if flag_id is not None:
                assert FLAGS[flag_id].title in flat(line)
        elif advice is not None:
            word = "wait 3 days" if advice.action == "wait" else ACTION_WORDS[advice.action]
            assert word in flat(line)
            assert flag_id is None or estimate is MORE or FLAGS[flag_id].title in flat(line)


def test_batch_columns_stand_under_their_heading():
    line = batch_line(
        name="a.jpg",
        when=datetime(2026, 3, 12),
        estimate=ESTIMATE,
        unit=MILLION,
        flags=("settled",),
        advice=WAIT,
    )
    assert_fits(batch_heading(MILLION))
    assert line.index("8.4 (7.1 to 9.9)") == batch_heading(MILLION).index("million cells/mL (95 %)")
    assert line.index("wait 3 days; settled") == batch_heading(MILLION).index("decision")


def test_long_names_keep_start_and_end():
    line = batch_line(
        name="PXL_20260312_091455123.MP~2.jpg",
        when=None,
        estimate=None,
        unit=MILLION,
        problem="unheard of",
    )
    assert line.startswith("PXL_2026")
    assert "~2.jpg" in line
    assert line.endswith("unheard of")


def test_refused_photos_are_listed_with_why_and_what_to_do():
    assert batch_refused_text([]) == ""
    text = batch_refused_text(
        [("b.jpg", "No card found.", FLAGS["no-card"].advice), ("c.jpg", "Blurred.", "")]
    )
    assert_fits(text)
    assert text.startswith("2 photos were not measured")
    assert FLAGS["no-card"].advice in flat(text)
    assert "1 photo was" in batch_refused_text([("b.jpg", "x", "y")])


def test_actions_of_the_contract_have_words():
    assert set(ACTION_WORDS) == set(ACTIONS)


def test_calibration_text():
    text = calibration_text(
        title="nannochloropsis, kitchen bottle",
        used=["2 Mar: counted 4.1 million cells/mL", "5 Mar: counted 9.0 million cells/mL"],
        left_out=["7 Mar: settled"],
        slides=5,
        median_error=0.083,
        inside_interval=(4, 5),
        range_low=1e6,
        range_high=4.5e7,
        notes=["One slide lies far off."],
    )
    assert_fits(text)
    for part in (
        "5",
        "8.3 %",
        "4 of 5 counts",
        "1.0 to 45 million cells/mL",
        "7 Mar: settled",
        "One slide lies far off.",
    ):
        assert part in flat(text), part


def test_calibration_text_before_the_first_slide():
    text = calibration_text(
        title="x",
        used=[],
        slides=0,
        median_error=math.nan,
        inside_interval=None,
        range_low=1e6,
        range_high=4.5e7,
    )
    assert_fits(text)
    assert "not yet checked by a count" in flat(text)
    assert "too few counts" in text
