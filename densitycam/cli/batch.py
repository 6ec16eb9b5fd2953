"""`densitycam batch`: a folder of photos becomes lines, a CSV, a growth chart and the decision."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densitycam.cli.options import (
    check_places,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    own_settings,
    some,
)
from densitycam.wording import entry

if TYPE_CHECKING:
    from concurrent.futures import Executor
    from datetime import datetime

    from densitycam.culture.advice import Advice, Growth, SplitPlan
    from densitycam.journal.folder import FolderPlan, Outcome
    from densitycam.journal.folder_tables import Imported
    from densitycam.journal.history import DatedReading, VesselHistory
    from densitycam.journal.prints import Registration
    from densitycam.journal.store import Journal
    from densitycam.report.growth_chart import ChartPanel

#: Columns of the CSV, in their order.
CSV_COLUMNS = (
    "photo",
    "vessel",
    "species",
    "taken_at",
    "time_source",
    "status",
    "cells_per_ml",
    "low_95",
    "high_95",
    "greenness_per_10_mm",
    "turbidity_per_mm",
    "path_mm",
    "dilution",
    "signs",
    "decision",
    "headline",
    "divisions_per_day",
    "phase",
    "days_since_split",
    "calibration_id",
    "slides_behind_it",
    "inside_range",
    "problem",
)


@dataclass(frozen=True)
class _Line:
    """One photo with all that is said of it."""

    outcome: Outcome
    reading: DatedReading | None
    growth: Growth | None
    advice: Advice | None


@dataclass(frozen=True)
class _Scored:
    """One vessel with its photos.

    Parameters
    ----------
    history : VesselHistory or None
        None once its part is printed.
    lines : tuple of _Line
        In order of capture.
    misdated : tuple of (str, datetime, str)
        Photos whose clock cannot be right, and why.
    plan : SplitPlan or None
        The newest one, once its part is printed.
    """

    history: VesselHistory | None
    lines: tuple[_Line, ...]
    misdated: tuple[tuple[str, datetime, str], ...]
    plan: SplitPlan | None = None

    @property
    def newest(self) -> _Line | None:
        """The last photo that a decision was made on."""
        return next((x for x in reversed(self.lines) if x.advice is not None), None)

    def in_short(self) -> _Scored:
        """Return what the end of the text needs, so that ten thousand photos need little."""
        newest = self.newest
        return _Scored(
            history=None,
            lines=tuple(_Line(x.outcome, None, None, None) for x in self.lines),
            misdated=self.misdated,
            plan=None if newest is None or newest.advice is None else newest.advice.plan,
        )


def _without_reading(outcome: Outcome) -> Outcome:
    """Return an outcome without its reading, which is taken from the journal vessel by vessel."""
    if outcome.record is None:
        return outcome
    return replace(outcome, record=replace(outcome.record, reading=None, estimate=None))


#: A photo that takes longer is named and left out, and the others go on [s]: 50 million pixels
#: take 11 s at worst on two slow cores.
_LONGEST_S = 120.0


@click.command("batch", short_help="Score a folder: lines, CSV, growth chart, decision.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--vessel",
    "name",
    metavar="NAME",
    help="All photos are of this vessel, whatever the subfolders are called.",
)
@click.option(
    "--csv",
    "csv_path",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Write a table, one row a photo.",
)
@click.option(
    "--chart",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Draw the growth chart (.png or .svg), one panel a vessel.",
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    metavar="N",
    help="Processes that read photos side by side, about 250 MB each; one a processor core when "
    "not given.",
)
@click.option(
    "--no-journal", is_flag=True, help="Keep nothing in the journal; what it knows is used."
)
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    folder: Path,
    name: str | None,
    csv_path: Path | None,
    chart: Path | None,
    workers: int | None,
    no_journal: bool,
    as_json: bool,
) -> None:
    """Score every photo under FOLDER and show density, signs and decision, one line a photo.

    A subfolder's name is the vessel's name; in other folders a photo's own name, where it begins
    with the vessel's, or the vessel's tag in the picture tells. A subfolder named bare-card holds
    photos of the card on its own, from which the print is registered first. FOLDER may hold
    tables, which are read into the journal first:

    \b
      vessels.csv  name, species, working_volume_ml, path_mm, shape,
                   width_mm
      slides.csv   vessel, when, photo, chamber, unit, cells, squares,
                   dilution, fixative_fraction
      splits.csv   vessel, when, kept_ml, total_ml

    A split's date without a time counts as after that day's last photo. A vessel's slides then
    calibrate it, unless it has been calibrated since. Each decision is made from what was known
    on the day of its photo.

    A second run reads only photos that are new or changed; after a run that was broken off it
    goes on where that one was. Files are written only where --csv and --chart say. The exit code
    is 1 if any photo could not be measured, 0 if all could; photos of no known vessel are skipped
    and do not count.

    \b
    densitycam batch photos/ --csv growth.csv --chart growth.png
    """  # noqa: D301
    from densitycam.journal.clocks import misdated
    from densitycam.journal.folder import judged, plan_folder, score_folder
    from densitycam.journal.folder_tables import Imported, read_folder_tables
    from densitycam.journal.history import calibrate_if_new, vessel_history
    from densitycam.journal.prints import measure_print, register_folder

    if chart is not None and chart.suffix.lower() not in (".png", ".svg"):
        raise click.UsageError(f"--chart writes PNG or SVG: {chart} must end in .png or .svg.")
    check_places(csv_path, chart)
    journal = open_journal(ctx, keep=not no_journal)
    imported = Imported(0, 0, 0)
    if folder.is_dir():
        imported = read_folder_tables(folder, journal)
    settings = own_settings(ctx, journal)
    with _workers(workers) as executor:
        plan = plan_folder(folder, journal, name, executor=executor)
        registration, no_prints = register_folder(
            journal,
            plan.bare_cards,
            registered_at=now(),
            measured=lambda path: executor.submit(measure_print, path).result(),
        )
        scored = score_folder(journal, plan.photos, executor=executor)
        with _progress(scored, len(plan.photos)) as outcomes_in_turn:
            outcomes = [_without_reading(o) for o in outcomes_in_turn]

    if not as_json:
        _print_head(journal, imported, registration)
    scored_vessels: list[_Scored] = []
    rows: list[dict[str, str]] = []
    panels: list[ChartPanel] = []
    for vessel in dict.fromkeys(o.photo.vessel for o in outcomes):
        calibrate_if_new(journal, vessel, made_at=now())
        history = vessel_history(journal, vessel, settings)
        own = [o for o in outcomes if o.photo.vessel == vessel]
        one = _Scored(
            history=history,
            lines=tuple(_lines(history, judged(own, history.strangers))),
            misdated=tuple((r.photo.file_name, r.when, why) for r, why in misdated(history, now())),
        )
        if csv_path is not None:
            rows += [_csv_row(line) for line in one.lines]
        if chart is not None:
            panels.append(_panel(journal, history, one.lines))
        if not as_json:
            _print_vessel(one)
            one = one.in_short()
        scored_vessels.append(one)
    if csv_path is not None:
        _write_csv(csv_path, rows)
    if chart is not None:
        from densitycam.report.growth_chart import write_growth_charts

        write_growth_charts(chart, panels)
    if as_json:
        echo_json(_as_json(journal, plan, scored_vessels, no_prints))
    else:
        _print_end(journal, plan, scored_vessels, no_prints)
        for path in (csv_path, chart):
            if path is not None:
                click.echo(f"Wrote {path}.")
        if csv_path is None and chart is None:
            click.echo("No files written: --csv OUT makes a table, --chart OUT a growth chart.")
        if no_journal:
            click.echo("Nothing was kept in the journal.")
    if no_prints or any(line.outcome.failed for one in scored_vessels for line in one.lines):
        ctx.exit(1)


@contextmanager
def _workers(count: int | None) -> Iterator[Executor]:
    """Provide worker processes, none of which is started before there is work for it."""
    from densitycam.journal.workers import Workers, usable_cores

    workers = Workers(count or usable_cores(), limit_s=_LONGEST_S)
    try:
        yield workers
    finally:  # after Ctrl-C what was not begun is left for the next run
        workers.shutdown(cancel_futures=True)


@contextmanager
def _progress(scored: Iterator[Outcome], count: int) -> Iterator[Iterable[Outcome]]:
    """Show a bar on the terminal, and nothing where the text goes into a file or a pipe."""
    if not sys.stderr.isatty():
        yield scored
        return
    with click.progressbar(scored, count, label="Reading photos", file=sys.stderr) as bar:
        yield bar


def _lines(history: VesselHistory, outcomes: Sequence[Outcome]) -> list[_Line]:
    """Join each photo with its estimate and its day's decision, in order of capture."""
    from densitycam.journal.history import advise_at, advise_refused

    places = {r.photo.sha256: n for n, r in enumerate(history.readings)}
    lines = []
    for outcome in outcomes:
        record = outcome.record
        if record is None:
            lines.append(_Line(outcome, None, None, None))
        elif record.sha256 in places:
            place = places[record.sha256]
            growth, advice = advise_at(history, place)
            lines.append(_Line(outcome, history.readings[place], growth, advice))
        elif record.taken_at is not None:
            refused = advise_refused(history, record.taken_at, record.flag)
            lines.append(_Line(outcome, None, None, refused))
        else:
            lines.append(_Line(outcome, None, None, None))

    def order(line: _Line) -> tuple[bool, str, str]:
        taken = line.outcome.record.taken_at if line.outcome.record else None
        return (taken is None, str(taken), line.outcome.photo.shown)

    return sorted(lines, key=order)


def _print_head(journal: Journal, imported: Imported, registration: Registration | None) -> None:
    from densitycam.report.text import NOT_REGISTERED, registration_text

    if imported.vessels or imported.slides or imported.splits:
        click.echo(
            f"Tables read, new or changed: {some(imported.vessels, 'vessel')}, "
            f"{some(imported.slides, 'slide count')}, {some(imported.splits, 'split')}."
        )
    if registration is not None and registration.fresh:
        said = registration_text(registration.record.profile, strays=registration.strays)
    elif prints := journal.prints_in_use():
        said = registration_text(prints[0].profile, when=prints[0].registered_at)
    else:
        said = NOT_REGISTERED
    click.echo(entry("Print", said))


def _print_vessel(one: _Scored) -> None:
    from densitycam.report.numbers import format_rate, series_unit
    from densitycam.report.text import advice_text, batch_heading, batch_line

    history = one.history
    if history is None:
        raise ValueError("a vessel's part is printed once")
    click.echo()
    click.echo(_heading(history))
    click.echo(f"  {_calibrated(history)}")
    unit = series_unit(x.reading.estimate for x in one.lines if x.reading is not None)
    click.echo(batch_heading(unit))
    for line in one.lines:
        record = line.outcome.record
        if line.outcome.duplicate_of:
            problem = f"same as {line.outcome.duplicate_of}"
        else:
            problem = line.outcome.problem
        flags: tuple[str, ...] = ()
        if line.reading is not None:
            flags = line.reading.flags
        elif record is not None and record.flag:
            flags = (record.flag,)
        click.echo(
            batch_line(
                name=line.outcome.photo.path.stem,
                when=None if record is None else record.taken_at,
                estimate=None if line.reading is None else line.reading.estimate,
                unit=unit,
                flags=flags,
                advice=line.advice,
                problem=problem,
            )
        )
    last = one.newest
    if last is not None and last.advice is not None and last.outcome.record is not None:
        click.echo()
        click.echo(f"{history.vessel.name} on {last.outcome.record.taken_at:%Y-%m-%d}")
        if last.growth is not None:
            growth = f"{format_rate(last.growth)}; {last.growth.phase}"
            click.echo(entry("Growth", growth))
        click.echo(advice_text(last.advice))


def _print_end(
    journal: Journal,
    plan: FolderPlan,
    scored: Sequence[_Scored],
    no_prints: Sequence[tuple[Path, str]],
) -> None:
    from densitycam.report.text import batch_refused_text, care_text

    care = care_text([one.plan for one in scored if one.plan is not None])
    if care:
        click.echo()
        click.echo(care)
    lines = [line for one in scored for line in one.lines]
    failed = [x.outcome for x in lines if x.outcome.failed]
    fresh = sum(1 for x in lines if x.outcome.fresh)
    click.echo()
    click.echo(
        f"{some(len(lines), 'photo')}: {len(lines) - len(failed)} measured, {len(failed)} not; "
        f"{fresh} read now, {len(lines) - fresh} known from the journal."
    )
    timed = _time_sources(lines)
    if timed:
        click.echo(entry("Times", timed))
    for one in scored:
        for file_name, _, why in one.misdated:
            click.echo(entry("Clock", f"{file_name}: {why}"))
    for shown, why in _wrong_tags(journal, lines):
        click.echo(entry("Tag", f"{shown}: {why}"))
    refused = [(o.photo.shown, o.problem, "") for o in failed]
    refused += [(f"{path.parent.name}/{path.name}", why, "") for path, why in no_prints]
    if refused:
        click.echo(batch_refused_text(refused))
    for shown, why in plan.skipped:
        click.echo(entry("Skipped", f"{shown}: {why}"))


def _wrong_tags(journal: Journal, lines: Sequence[_Line]) -> list[tuple[str, str]]:
    """Return the photos that show another vessel's tag, each with what to say of it."""
    from densitycam.journal.sorting import contradiction

    said = [
        (
            x.outcome.photo.shown,
            contradiction(journal, x.outcome.record.tags, x.outcome.record.vessel),
        )
        for x in lines
        if x.outcome.record is not None
    ]
    return [(shown, why) for shown, why in said if why]


def _time_sources(lines: Sequence[_Line]) -> str:
    """Say of how many photos the time is not the camera's own; "" where it always is."""
    from densitycam.report.text import TIME_SOURCES

    sources = [x.outcome.record.time_source for x in lines if x.outcome.record is not None]
    return "; ".join(
        f"{some(sources.count(source), 'photo')} without a capture time: {words} was taken"
        for source, words in TIME_SOURCES.items()
        if source in sources
    )


def _heading(history: VesselHistory) -> str:
    vessel = history.vessel
    return (
        f"{vessel.name}: {history.facts.title}, {vessel.working_volume_ml:g} mL, {vessel.shape} "
        f"of {vessel.path_mm:g} mm"
    )


def _calibrated(history: VesselHistory) -> str:
    n = history.calibration.n_slides
    if n == 0:
        return "starting calibration, not yet checked by a count"
    return f"calibrated with {some(n, 'slide count')} of your own"


def _as_json(
    journal: Journal,
    plan: FolderPlan,
    scored: Sequence[_Scored],
    no_prints: Sequence[tuple[Path, str]],
) -> dict[str, Any]:
    histories = [one.history for one in scored if one.history is not None]
    lines = [line for one in scored for line in one.lines]
    return {
        "prints": [
            {
                "paper": p.profile.paper,
                "edition": p.profile.version,
                "photos": p.profile.photos,
                "disagreement": p.profile.disagreement,
                "registered_at": p.registered_at,
            }
            for p in journal.prints_in_use()
        ],
        "bare_cards_failed": [{"photo": path.name, "problem": why} for path, why in no_prints],
        "vessels": [
            {
                **asdict(h.vessel),
                "calibration_id": h.calibration.id,
                "slides": h.calibration.n_slides,
            }
            for h in histories
        ],
        "photos": [
            {
                "photo": x.outcome.photo.shown,
                "vessel": x.outcome.photo.vessel.name,
                "taken_at": x.outcome.record.taken_at if x.outcome.record else None,
                "time_source": x.outcome.record.time_source if x.outcome.record else None,
                "utc_offset": x.outcome.record.utc_offset if x.outcome.record else None,
                "fresh": x.outcome.fresh,
                "estimate": x.reading.estimate if x.reading else None,
                "reading": x.reading.photo.reading if x.reading else None,
                "growth": x.growth,
                "advice": x.advice,
                "duplicate_of": x.outcome.duplicate_of or None,
            }
            for x in lines
            if not x.outcome.failed
        ],
        "failed": [
            {
                "photo": x.outcome.photo.shown,
                "vessel": x.outcome.photo.vessel.name,
                "taken_at": x.outcome.record.taken_at if x.outcome.record else None,
                "flag": x.outcome.record.flag if x.outcome.record else None,
                "problem": x.outcome.problem,
                "advice": x.advice,
            }
            for x in lines
            if x.outcome.failed
        ],
        "skipped": [{"photo": shown, "why": why} for shown, why in plan.skipped],
        "misdated": [
            {"photo": file_name, "vessel": one.history.vessel.name, "taken_at": when, "why": why}
            for one in scored
            if one.history is not None
            for file_name, when, why in one.misdated
        ],
        "wrong_tags": [{"photo": shown, "why": why} for shown, why in _wrong_tags(journal, lines)],
    }


def _write_csv(path: Path, rows: Iterable[dict[str, str]]) -> None:
    import csv
    import io

    from densitycam.atomic_file import write_whole

    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_whole(path, stream.getvalue().encode("utf-8"))


def _csv_row(line: _Line) -> dict[str, str]:
    import math

    def number(value: float) -> str:
        return "" if not math.isfinite(value) else f"{value:.6g}"

    outcome, record, vessel = line.outcome, line.outcome.record, line.outcome.photo.vessel
    row = {
        "photo": outcome.photo.shown,
        "vessel": vessel.name,
        "species": vessel.species,
        "status": "duplicate" if outcome.duplicate_of else "not measured",
        "problem": outcome.problem,
    }
    if outcome.duplicate_of:
        row["problem"] = f"same as {outcome.duplicate_of}"
    if record is not None:
        row["taken_at"] = "" if record.taken_at is None else str(record.taken_at)
        row["time_source"] = record.time_source or ""
        row["signs"] = record.flag or ""
        row["path_mm"], row["dilution"] = number(record.path_mm), number(record.dilution)
    if line.reading is not None and line.reading.photo.reading is not None:
        estimate, reading = line.reading.estimate, line.reading.photo.reading
        row |= {
            "status": estimate.status,
            "cells_per_ml": number(estimate.cells_per_ml),
            "low_95": number(estimate.low),
            "high_95": number(estimate.high),
            "greenness_per_10_mm": number(reading.greenness),
            "turbidity_per_mm": number(reading.turbidity_per_mm),
            "signs": " ".join(line.reading.flags),
            "calibration_id": estimate.calibration_id,
            "slides_behind_it": str(estimate.checked_by_counts),
            "inside_range": "yes" if estimate.inside_range else "no",
        }
    if line.growth is not None:
        row |= {
            "divisions_per_day": number(line.growth.divisions_per_day),
            "phase": line.growth.phase,
            "days_since_split": number(line.growth.days_since_split),
        }
    if line.advice is not None:
        row |= {"decision": line.advice.action, "headline": line.advice.headline}
    return row


def _panel(journal: Journal, history: VesselHistory, lines: Sequence[_Line]) -> ChartPanel:
    from densitycam.flags import FLAGS
    from densitycam.journal.history import advise_today, density_points, splits_until
    from densitycam.report.growth_chart import ChartPanel
    from densitycam.report.page_data import forecast_of

    name = history.vessel.name
    newest = history.readings[-1].when if history.readings else None
    refused = []
    for line in lines:
        record = line.outcome.record
        if line.outcome.photo.vessel.name != name or record is None or record.taken_at is None:
            continue
        if record.status == "refused":
            flag = FLAGS.get(record.flag or "")
            refused.append((record.taken_at, flag.title if flag else "not measured"))
    ends = [history.readings[-1].when] if history.readings else []
    ends += [s.when for s in history.logged_splits]
    splits = splits_until(history, history.readings, max(ends)) if ends else ()
    return ChartPanel(
        title=f"{name}, {history.facts.title}",
        points=density_points(history.readings),
        splits=splits,
        harvest_low=history.facts.harvest_low,
        harvest_high=history.facts.harvest_high,
        refused=refused,
        more_than=[
            (r.when, r.estimate.low)
            for r in history.readings
            if r.estimate.status == "more-than" and r.estimate.low > 0
        ],
        slides=[
            (s.counted_at, s.count.cells_per_ml, s.count.low, s.count.high)
            for s in journal.slides(vessel=name)
            if s.count.cells
        ],
        note=_calibrated(history),
        ahead=None if newest is None else forecast_of(advise_today(history, newest)),
    )
