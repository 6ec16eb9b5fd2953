"""Texts for people, at most 80 columns wide: a snap, a batch's lines, a calibration."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from densitycam.calibration.estimate import Estimate, signs_with
from densitycam.card.profile import PrintProfile
from densitycam.culture.advice import Advice, Growth, SplitPlan
from densitycam.flags import FLAGS
from densitycam.journal.prints import GOOD_DISAGREEMENT
from densitycam.report.numbers import (
    Unit,
    density_scale,
    format_cells,
    format_day,
    format_days,
    format_density,
    format_grams,
    format_ml,
    format_percent,
    format_range,
    format_rate,
    significant,
)
from densitycam.vessel.blank import Blank
from densitycam.vessel.reading import CHANNELS, Reading
from densitycam.wording import WIDTH, bullet, entry, paragraph, shorten

#: A word for those who have not registered their print.
NOT_REGISTERED = (
    "not registered: a home print is never quite as designed, so densities are less sure than "
    "they could be. Photograph the bare card and run densitycam card register PHOTO."
)

#: What was taken for the time of a photo that carries none.
TIME_SOURCES = {"name": "the time in the file's name", "file": "the file's own time"}

_NAME, _DAY, _DENSITY = 18, 6, 23

#: The decision in a word or two, for tables.
ACTION_WORDS = {
    "harvest": "harvest",
    "wait": "wait",
    "overdue": "harvest, overdue",
    "rescue": "save the starter",
    "hold": "do not harvest",
    "cannot-tell": "cannot tell yet",
}


def _flag_text(flag_id: str) -> str:
    """Return one gate or sign with its meaning and advice.

    Parameters
    ----------
    flag_id : str
        Id in `densitycam.flags.FLAGS`.

    Returns
    -------
    str
        One paragraph.

    Raises
    ------
    KeyError
        For an unknown id.
    """
    flag = FLAGS[flag_id]
    return bullet(f"{flag.title}: {flag.meaning} {flag.advice}")


def signs_text(flag_ids: Iterable[str]) -> str:
    """Return the signs seen, in the registry's order, each with its advice; "" for none.

    Parameters
    ----------
    flag_ids : iterable of str
        Ids in `densitycam.flags.FLAGS`.

    Returns
    -------
    str
        A heading and one paragraph a sign.

    Raises
    ------
    KeyError
        For an id that is not in the registry.
    """
    seen = set(flag_ids)
    unknown = seen - set(FLAGS)
    if unknown:
        raise KeyError(", ".join(sorted(unknown)))
    if not seen:
        return ""
    return "\n".join(["Signs", *(_flag_text(n) for n in FLAGS if n in seen)])


def checked_text(estimate: Estimate) -> str:
    """Return what stands behind an estimate: how many slides, and the range.

    Parameters
    ----------
    estimate : Estimate
        The answer.

    Returns
    -------
    str
        One or two sentences.
    """
    n = estimate.checked_by_counts
    if n == 0:
        text = "starting calibration, not yet checked by a count"
    else:
        text = f"calibrated with {n} slide count{'s' if n != 1 else ''} of your own"
    if not estimate.inside_range:
        text += "; outside the range it was calibrated for"
    return text


def _optics(reading: Reading) -> list[str]:
    path = f"{significant(reading.path_mm, 3)} mm"
    if reading.dilution > 1:
        path += f", sample diluted 1:{reading.dilution:.3g}"
    if math.isfinite(reading.turbidity_per_mm):
        turbidity = f"{significant(reading.turbidity_per_mm * 10)} per 10 mm"
    else:
        turbidity = "no contrast left to measure it by"
    if math.isfinite(reading.greenness):
        greenness = f"{reading.greenness:+.2f} per 10 mm (absorbance red less green)"
    else:
        greenness = "not measurable"
    lines = [
        entry("  Light path", path),
        entry("  Turbidity", turbidity),
        entry("  Greenness", greenness),
    ]
    dark = [name for name, ok in zip(CHANNELS, reading.usable, strict=True) if not ok]
    left_out = []
    if dark:
        verb = "channels were" if len(dark) > 1 else "channel was"
        left_out.append(f"the camera's {' and '.join(dark)} {verb} too dark to use")
    if reading.left_out > 0:
        share = significant(100 * reading.left_out)
        left_out.append(f"{share} % of what is read through the vessel: glare or bubbles")
    if left_out:
        lines.append(entry("  Left out", "; ".join(left_out)))
    return lines


def _of_the_culture(reading: Reading) -> list[str]:
    """Say of a diluted sample that the answer is not its own density but the culture's."""
    if not reading.dilution > 1:
        return []
    diluted = f"{reading.dilution:.3g}"
    return [entry("", f"in the undiluted culture; the sample was diluted 1:{diluted}")]


def advice_text(advice: Advice) -> str:
    """Return the decision, its reasons, what would settle it, and the split plan's amounts.

    How to carry the plan out, and its cautions, are `care_text`'s.

    Parameters
    ----------
    advice : Advice
        The decision.

    Returns
    -------
    str
        Several paragraphs.
    """
    parts = [entry("Today", advice.headline)]
    # Under a day the headline has said it all.
    if advice.ready_on is not None and advice.wait_days >= 1:
        parts.append(entry("Ready", ready_words(advice)))
    if advice.reasons:
        parts += ["Because", *(bullet(reason) for reason in advice.reasons)]
    if advice.would_settle:
        parts.append(entry("To be surer", advice.would_settle))
    if advice.plan is not None:
        parts += ["", split_plan_text(advice.plan)]
        if advice.best_harvest is not None:
            parts.append(entry("  Most cells", advice.best_harvest.sentence))
    return "\n".join(parts)


def ready_words(advice: Advice) -> str:
    """Return the day of a forecast with its interval, such as "about 12 Mar (95 %: 11 to 14 Mar)".

    Parameters
    ----------
    advice : Advice
        With a `ready_on`.

    Returns
    -------
    str
        A few words.

    Raises
    ------
    ValueError
        For an advice without a forecast.
    """
    if advice.ready_on is None:
        raise ValueError("an advice without a forecast has no day")
    text = f"about {format_day(advice.ready_on)}"
    early, late = advice.ready_earliest, advice.ready_latest
    if early is None:
        return text
    if late is None:
        return f"{text} ({format_day(early)} at the earliest; it may not get there)"
    if early.date() == late.date():
        return text
    first = str(early.day) if (early.year, early.month) == (late.year, late.month) else None
    return f"{text} (95 %: {first or format_day(early)} to {format_day(late)})"


def _salt_water_words(plan: SplitPlan) -> str:
    """Return the top-up: how much salt water, of how much salt, and what it is checked by."""
    return (
        f"{format_ml(plan.top_up_ml)} of salt water with {format_grams(plan.salt_g)} of dry sea "
        f"salt ({plan.salinity_g_per_kg:g} g/kg; specific gravity {plan.specific_gravity:.4f} at "
        f"{plan.temperature_c:g} C)"
    )


def _dose_words(plan: SplitPlan) -> str:
    """Return the nutrient's dose: "0.38 mL of each part", or that the label says it."""
    if math.isfinite(plan.nutrient_ml_each):
        return f"{format_ml(plan.nutrient_ml_each)} of each part"
    return "by its label"


def _plan_rows(plan: SplitPlan) -> tuple[tuple[str, str], ...]:
    """Return a split plan's amounts, each with its label, as text and page say them.

    Parameters
    ----------
    plan : SplitPlan
        The plan.

    Returns
    -------
    tuple of (str, str)
        Label and words, in millilitres, grams, cells and days.
    """
    rows = [
        ("Keep", f"{format_ml(plan.keep_ml)} of culture ({format_percent(plan.kept_share)})"),
        ("Harvest", f"{format_ml(plan.harvest_ml)}, about {_cells(plan)}"),
    ]
    if plan.starter_ml > 0:
        starter = f"{format_ml(plan.starter_ml)} of the harvest into a second clean vessel"
        rows.append(("Starter", f"{starter}, as insurance"))
    rows.append(("Top up", _salt_water_words(plan)))
    dose = f"{_dose_words(plan)}, for the {format_ml(plan.top_up_ml)} of new water only"
    if not math.isfinite(plan.nutrient_ml_each):
        usual = "common practice for a small bottle: about half a millilitre of each part"
        dose = f"{dose} ({usual})"
    rows.append(("Nutrient", f"{dose}; more is not better"))
    if math.isfinite(plan.nitrogen_starved):
        feeds = format_range(plan.nitrogen_fed, plan.nitrogen_starved)
        rows.append(("It feeds", f"about {feeds}, where the dose is as rich as f/2"))
    rows.append(("Then", f"{format_cells(plan.density_after)} after the top-up"))
    doublings = f"{plan.doublings_needed:.2g} doublings"
    again = f"after {doublings}; the growth rate is not known yet"
    if math.isfinite(plan.days_to_next):
        again = f"in about {format_days(plan.days_to_next)} ({doublings})"
    rows.append(("Next", again))
    keeps = f"about {format_days(plan.keep_cold_days)} in the refrigerator"
    rows.append(("Keeps cold", f"{keeps}; shake it every couple of days, never freeze it"))
    return tuple(rows)


def split_plan_text(plan: SplitPlan) -> str:
    """Return a split plan as labelled lines under a heading.

    Parameters
    ----------
    plan : SplitPlan
        What to keep, to harvest, to top up and to dose.
    """
    rows = [entry(f"  {label}", words) for label, words in _plan_rows(plan)]
    return "\n".join(["Split plan", *rows])


def _cells(plan: SplitPlan) -> str:
    """Return how many cells the harvest holds, with its limits in the same unit."""
    low, high = plan.harvest_cells_low, plan.harvest_cells_high
    known = math.isfinite(low) and math.isfinite(high)
    factor, word = density_scale(high if known else plan.harvest_cells)
    text = " ".join(p for p in (significant(plan.harvest_cells / factor), word, "cells") if p)
    if known:
        text += f" (95 %: {significant(low / factor)} to {significant(high / factor)})"
    return text


def checklist_text(plan: SplitPlan) -> str:
    """Return the steps of a split in their order, numbered; "" where the plan has none.

    Parameters
    ----------
    plan : SplitPlan
        The plan.

    Returns
    -------
    str
        A heading and one paragraph a step.
    """
    if not plan.checklist:
        return ""
    return "\n".join(
        [
            "In this order",
            *(paragraph(step, start=f"{n:>3} ") for n, step in enumerate(plan.checklist, start=1)),
        ]
    )


def care_text(plans: Iterable[SplitPlan]) -> str:
    """Return how to carry split plans out and what can hurt, each sentence once; "" for none.

    Parameters
    ----------
    plans : iterable of SplitPlan
        The plans shown before.

    Returns
    -------
    str
        A heading and one paragraph a sentence.
    """
    shown = tuple(plans)
    said = dict.fromkeys(
        [note for plan in shown for note in plan.notes]
        + [caution for plan in shown for caution in plan.cautions]
    )
    return "\n".join(["With every split", *(bullet(line) for line in said)]) if said else ""


def snap_text(
    *,
    title: str,
    reading: Reading,
    estimate: Estimate,
    advice: Advice | None,
    growth: Growth | None = None,
    flags: Sequence[str] = (),
    notes: Sequence[str] = (),
    taken: str = "",
) -> str:
    """Return everything one photo says: density, signs, today and its plan first, cautions last.

    Parameters
    ----------
    title : str
        Vessel, species and day.
    reading : Reading
        The optical measurement.
    estimate : Estimate
        Cells/mL.
    advice : Advice or None
        What to do today, where it was asked for.
    growth : Growth, optional
        Growth since the last split.
    flags : sequence of str
        Signs beyond the reading's own.
    notes : sequence of str
        Sentences beyond the estimate's own.
    taken : str, optional
        When the photo was taken, and by which clock.

    Returns
    -------
    str
        The text, without a newline at its end.

    Raises
    ------
    KeyError
        For a sign that is not in the registry.
    """
    shown = [*signs_with(estimate, reading.flags), *flags]
    # Where the bars are lost and brightness tells nothing either, "too dense" says both.
    told = {*shown, *reading.flags}
    if advice is not None:
        advice = replace(advice, reasons=tuple(_said_once(advice.reasons, told)))
    because = () if advice is None else advice.reasons
    own_notes = _said_once(estimate.notes, told)
    said = dict.fromkeys(note for note in (*own_notes, *notes) if note not in because)
    parts = [
        paragraph(title),
        "",
        entry("Density", format_density(estimate)),
        *_of_the_culture(reading),
        entry("", checked_text(estimate)),
        *(entry("Note", note) for note in said),
    ]
    signs = signs_text(shown)
    if signs:
        parts += ["", signs]
    if advice is not None:
        parts += ["", advice_text(advice)]
    parts += ["", "Measured", *_optics(reading)]
    if taken:
        parts.append(entry("  Taken", taken))
    if growth is not None:
        phase = "" if growth.phase == "unknown" else f"; {growth.phase}"
        parts.append(entry("  Growth", f"{format_rate(growth)}{phase}"))
    if advice is not None and advice.plan is not None:
        steps = checklist_text(advice.plan)
        parts += [*(["", steps] if steps else []), "", care_text([advice.plan])]
    return "\n".join(parts)


def _said_once(sentences: Iterable[str], signs: Iterable[str]) -> list[str]:
    """Leave out what a sign that is shown already says, in its first words."""
    openings = tuple(re.split("[;.:]", FLAGS[n].meaning)[0] for n in signs)
    return [s for s in sentences if not (openings and s.startswith(openings))]


def registration_text(
    profile: PrintProfile, *, strays: Sequence[tuple[str, float]] = (), when: datetime | None = None
) -> str:
    """Return what a registered print rests on and how far its photos agree, for one entry.

    Parameters
    ----------
    profile : PrintProfile
        The print.
    strays : sequence of (str, float)
        Photos far from the mean of the others, by name, and how far [natural log].
    when : datetime, optional
        When it was registered, where that was not just now.

    Returns
    -------
    str
        A sentence or more.
    """
    day = "" if when is None else f" on {when:%Y-%m-%d}"
    photos = f"{profile.photos} photo{'' if profile.photos == 1 else 's'}"
    text = f"registered{day} from {photos} of the bare card"
    if not math.isfinite(profile.disagreement):
        return text
    differ = f"{text}, which differ by {significant(profile.disagreement * 100)} %"
    good = f"{GOOD_DISAGREEMENT * 100:.0f} %"
    if strays:
        names = " and ".join(f"{name} (by {far * 100:.0f} %)" for name, far in strays)
        verb = "strays" if len(strays) == 1 else "stray"
        return (
            f"{differ}; below {good} is good. {names} {verb} from the others: register again "
            "without, or retake in open shade or daylight."
        )
    if profile.disagreement < GOOD_DISAGREEMENT:
        return f"{differ}: good (below {good} is)"
    return (
        f"{differ}; below {good} is good. Take them in open shade or daylight, without flash or "
        "filter, and register again."
    )


def blank_text(vessel: str, blank: Blank, *, limit: float, slides: int) -> str:
    """Return a vessel's own attenuation and the least density it can tell from clean water.

    Parameters
    ----------
    vessel : str
        Its name.
    blank : Blank
        What it takes from the light.
    limit : float
        Minimum detectable density [cells/mL].
    slides : int
        Counts behind the calibration; 0 is the starting one.

    Returns
    -------
    str
        Several lines.
    """
    photos = f"{blank.photos} photo{'' if blank.photos == 1 else 's'}"
    own = ", ".join(
        f"{name} {significant((1 - math.exp(-value)) * 100)} %"
        for name, value in zip(CHANNELS, blank.attenuation, strict=True)
    )
    scatter = f"from photo to photo by {significant(blank.scatter * 100)} % of the light"
    if blank.photos == 1:
        scatter = f"one photo does not tell; {significant(blank.scatter * 100)} % is assumed"
    basis = "" if slides else ", by the starting calibration, not yet checked by a count"
    lines = [
        paragraph(f"Blank of {vessel}, from {photos}"),
        entry("Takes", f"of the bars' contrast {own}; a clean glass vessel about 8 to 11 %"),
        entry("Varies", scatter),
        entry(
            "Detects",
            f"from {format_cells(limit)} on{basis}: so much is told from clean water 95 times in "
            "100 (minimum detectable value, ISO 11843)",
        ),
    ]
    if blank.photos == 1:
        lines.append(entry("To be surer", "Snap it two or three times, set down anew each time."))
    return "\n".join(lines)


def batch_heading(unit: Unit) -> str:
    """Return the heading of `batch_line`'s columns.

    Parameters
    ----------
    unit : (float, str)
        Of the densities, from `densitycam.report.numbers.series_unit`.

    Returns
    -------
    str
        One line.
    """
    density = f"{unit[1]} cells/mL (95 %)".strip()
    return f"{_place('photo', 'day')}{density:<{_DENSITY}}  decision; signs"


def _place(name: str, day: str) -> str:
    return f"{shorten(name, _NAME):<{_NAME}}  {day:<{_DAY}}  "


def batch_line(
    *,
    name: str,
    when: datetime | None,
    estimate: Estimate | None,
    unit: Unit,
    flags: Sequence[str] = (),
    advice: Advice | None = None,
    problem: str = "",
) -> str:
    """Return one photo of a batch on one line; signs that do not fit follow on a second.

    Parameters
    ----------
    name : str
        The photo's file name.
    when : datetime or None
        Capture time.
    estimate : Estimate or None
        Cells/mL; None for a photo that was not measured.
    unit : (float, str)
        Of the density, as in the heading.
    flags : sequence of str
        Signs, or the gate that refused it.
    advice : Advice, optional
        The decision of that day.
    problem : str, default ""
        Why it was not measured, where no flag says it.

    Returns
    -------
    str
        At most 80 columns wide.
    """
    place = _place(name, "" if when is None else format_day(when))
    shown = set(signs_with(estimate, flags))
    seen = [FLAGS[n].title for n in FLAGS if n in shown]
    if estimate is None:
        start = f"{place}{'not measured':<{_DENSITY}}  "
        words = ", ".join(seen) or shorten(problem, WIDTH - len(start))
    else:
        start = f"{place}{format_density(estimate, unit=unit):<{_DENSITY}}  "
        action = "" if advice is None else decision_words(advice)
        words = "; ".join(part for part in (action, ", ".join(seen)) if part)
    return table_line(start, words)


def table_line(start: str, words: str) -> str:
    """Return a table's line whose last column goes on below itself where the words are many.

    Parameters
    ----------
    start : str
        The columns before the last one.
    words : str
        The last column.
    """
    if len(start) + len(words) <= WIDTH:
        return f"{start}{words}".rstrip()
    return paragraph(words, start=start, indent=len(start) + 2)


def decision_words(advice: Advice) -> str:
    """Return the decision in two or three words.

    Parameters
    ----------
    advice : Advice
        Of any action.
    """
    if advice.action == "wait" and math.isfinite(advice.wait_days):
        return f"wait {format_days(advice.wait_days)}".replace("less than", "under")
    return ACTION_WORDS[advice.action]


def batch_refused_text(refused: Sequence[tuple[str, str, str]]) -> str:
    """Return the photos of a batch that were not measured, with why and what to do; "" for none.

    Parameters
    ----------
    refused : sequence of (name, problem, advice)
        One a photo.

    Returns
    -------
    str
        A heading and one paragraph a photo.
    """
    if not refused:
        return ""
    noun = "photo was" if len(refused) == 1 else "photos were"
    lines = [f"{len(refused)} {noun} not measured"]
    lines += [bullet(f"{name}: {problem} {advice}".strip()) for name, problem, advice in refused]
    return "\n".join(lines)


def calibration_text(
    *,
    title: str,
    used: Sequence[str],
    left_out: Sequence[str] = (),
    slides: int,
    median_error: float,
    inside_interval: tuple[int, int] | None,
    range_low: float,
    range_high: float,
    notes: Sequence[str] = (),
) -> str:
    """Return what a calibration used, how far it errs, and where it holds.

    Parameters
    ----------
    title : str
        Species and vessel.
    used : sequence of str
        One line a point that went into it.
    left_out : sequence of str
        One line a point that did not, with the reason.
    slides : int
        Slide counts behind it; 0 is the starting calibration.
    median_error : float
        Median of |estimate / count - 1| with each point left out in turn; nan when there are
        too few points.
    inside_interval : (int, int) or None
        How many left-out counts lay inside their predicted 95 % interval, of how many.
    range_low, range_high : float
        Validity range [cells/mL].
    notes : sequence of str
        Further sentences.

    Returns
    -------
    str
        The text, without a newline at its end.
    """
    parts = [paragraph(title), ""]
    if slides == 0:
        parts.append(
            entry(
                "Slides",
                "none yet: starting calibration, not yet checked by a count. One "
                "slide count sets its gain, three let its slope move.",
            )
        )
    else:
        parts.append(entry("Slides", f"{slides}"))
    if used:
        parts += ["Used", *(bullet(line) for line in used)]
    if left_out:
        parts += ["Left out", *(bullet(line) for line in left_out)]
    if math.isfinite(median_error):
        parts.append(
            entry(
                "Error",
                f"{significant(median_error * 100)} % (median, each count predicted "
                "from the others)",
            )
        )
    else:
        parts.append(entry("Error", "unknown: too few counts to leave one out"))
    if inside_interval is not None:
        hits, of = inside_interval
        parts.append(
            entry(
                "Intervals",
                f"{hits} of {of} counts lay inside the 95 % interval predicted for them",
            )
        )
    if range_high > 0:
        parts.append(entry("Holds from", format_range(range_low, range_high)))
    parts += [entry("Note", note) for note in notes]
    return "\n".join(parts)
