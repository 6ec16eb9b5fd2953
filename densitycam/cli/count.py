"""`densitycam count`: one slide's count, kept and paired with the photo of the same culture."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densitycam.cli.options import (
    SHARE,
    Quantity,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    say_clock,
    when_option,
)
from densitycam.errors import DensitycamError
from densitycam.wording import entry, paragraph

if TYPE_CHECKING:
    from densitycam.counting.slide_photo import SlidePhoto
    from densitycam.counting.tally import Filling, Tally
    from densitycam.journal.store import Journal, PhotoRecord
    from densitycam.vessel.record import VesselRecord


class DilutionChain(click.ParamType):  # type: ignore[type-arg,unused-ignore]  # as Quantity
    """Steps of a dilution, such as 10 or 1:10x1:5."""

    name = "dilution"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Return final over drawn volume of each step.

        Parameters
        ----------
        value, param, ctx
            As in `click.ParamType.convert`.

        Raises
        ------
        click.BadParameter
            For text that is no dilution.
        """
        if isinstance(value, tuple):
            return value
        from densitycam.counting.dilution import parse_chain

        try:
            return parse_chain(str(value))
        except DensitycamError as error:
            self.fail(str(error), param, ctx)


@click.command("count", short_help="Log a slide count and pair it with a photo.")
@click.option(
    "--vessel", "name", metavar="NAME", required=True, help="The vessel the sample came from."
)
@click.option(
    "--cells",
    metavar="N[,N...][/N...]",
    help="Cells counted: a total, or square by square with commas between, which also tests for "
    "clumps; / begins the other side or a fresh filling. Zero is a count too. Without --cells and "
    "--csv you are asked square by square.",
)
@click.option(
    "--csv",
    "csv_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Cells from a table: a column cells, a line a square; filling and dead may be others.",
)
@click.option(
    "--photo",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Count the cells in a photo of the ruled chamber, taken through the eyepiece. A picture "
    "shows what was counted; nothing is kept without --accept.",
)
@click.option(
    "--correct",
    "corrections",
    multiple=True,
    metavar="SQUARE=COUNT",
    help="Your own count of a numbered square of --photo; may be given again.",
)
@click.option("--accept", is_flag=True, help="Keep the count of --photo: you have checked it.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where the picture of --photo goes, .jpg or .png; beside the photo when not given.",
)
@click.option(
    "--squares",
    type=Quantity(0, itself=False),
    metavar="N",
    help="How many squares in each filling; not needed when they are listed one by one.",
)
@click.option(
    "--chamber",
    metavar="NAME",
    default="improved-neubauer",
    show_default=True,
    help="Counting chamber; a wrong one names those known. Any other is own:DEPTHxAREA, in mm and "
    "mm2 of one field, whose --unit is field.",
)
@click.option(
    "--unit",
    metavar="NAME",
    help="Which squares: of the improved Neubauer large (1 mm2), sixteenth (0.0625 mm2), group "
    "(0.04 mm2) or small (0.0025 mm2). The chamber's largest when not given.",
)
@click.option(
    "--dilution",
    type=DilutionChain(),
    metavar="N[xN...]",
    default="1",
    show_default=True,
    help="Final over drawn volume of each step: 1 mL made up to 10 mL is 10 or 1:10, one part and "
    "nine parts of water is 1+9, and 1:10x1:5 are two steps.",
)
@click.option(
    "--fresh-dilutions",
    is_flag=True,
    help="Every filling was made from a dilution of its own, so that their errors even out.",
)
@click.option(
    "--fixative",
    type=SHARE,
    metavar="SHARE",
    default=0.0,
    show_default=True,
    help="Fixative per volume of sample: 2 mL to 100 mL is 0.02.",
)
@click.option("--dead", type=int, metavar="N", help="How many of the cells looked dead.")
@click.option("--clumps", type=int, metavar="N", help="How many clumps were seen.")
@click.option(
    "--within",
    type=Quantity(0, itself=False, most=99),
    metavar="PERCENT",
    default=10.0,
    show_default=True,
    help="Half-width of the interval you want; the answer says how many more cells it takes.",
)
@click.option(
    "--reading",
    metavar="latest|NUMBER|FILE",
    help="What the photo of the same culture said: the vessel's latest reading, the number snap "
    "printed, or the photo's file.",
)
@when_option('When the sample was taken, such as "2026-05-09 07:41"; now when not given.')
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    name: str,
    cells: str | None,
    csv_path: Path | None,
    photo: Path | None,
    corrections: tuple[str, ...],
    accept: bool,
    picture: Path | None,
    squares: float | None,
    chamber: str,
    unit: str | None,
    dilution: tuple[float, ...],
    fresh_dilutions: bool,
    fixative: float,
    dead: int | None,
    clumps: int | None,
    within: float,
    reading: str | None,
    when: datetime | None,
    as_json: bool,
) -> None:
    """Turn a slide count into cells/mL with its 95 % interval, and keep it.

    With no numbers it asks square by square, u takes one back, and the precision reached is shown;
    with --photo it counts a picture of the ruled chamber, which you check.
    Paired with a photo of the same culture the count first tests the calibration, then joins it at
    the next densitycam calibrate. Fixatives such as iodine are poisonous: gloves, fresh air, local
    rules; never photograph a fixed sample for density, it darkens.

    \b
    densitycam count --vessel "left jar" --cells 24,31,27/22,30,28 --reading 7
    """  # noqa: D301
    if sum(source is not None for source in (cells, csv_path, photo)) > 1:
        raise click.UsageError("Give one of --cells, --csv and --photo.")
    if photo is None and (corrections or accept or picture):
        raise click.UsageError("--correct, --accept and --picture go with --photo.")
    if squares is not None and cells is None:
        raise click.UsageError("--squares goes with --cells; else each square is told by itself.")
    journal = open_journal(ctx)
    vessel = journal.vessel(name)
    from densitycam.counting.chambers import chamber_by_name, unit_by_name
    from densitycam.counting.tally import Tally, more_to_count
    from densitycam.journal.slide_entry import keep_count
    from densitycam.report.count_text import count_lines, verdict_words

    geometry = chamber_by_name(chamber)
    field = geometry.units[0] if unit is None else unit_by_name(geometry, unit)
    slide_photo = None
    how = Tally(
        fillings=(),
        chamber=geometry.id,
        unit=field.id,
        dilution_steps=dilution,
        fixative_fraction=fixative,
        fresh_dilutions=fresh_dilutions,
        dead=dead,
        clumps=clumps,
    )
    if cells is not None:
        tally = replace(how, fillings=_fillings(cells, squares))
    elif csv_path is not None:
        tally = _from_csv(how, csv_path)
    elif photo is not None:
        from densitycam.cli.count_photo import corrections_of, count_photo, show_photo

        slide_photo, drawn = count_photo(
            photo,
            vessel,
            chamber=geometry.id,
            unit=unit,
            corrections=corrections_of(corrections),
            picture=picture,
        )
        if not as_json:
            show_photo(slide_photo, drawn, accepted=accept)
        if not accept:
            if as_json:
                echo_json({"vessel": vessel.name, "slide": None, "slide_photo": slide_photo})
            return
        tally = _from_photo(how, slide_photo)
        when = when or slide_photo.taken_at
    else:
        asked = _ask(how, vessel, within / 100.0)
        if asked is None:
            click.echo("Nothing was kept.")
            return
        tally = asked
    paired = _paired(journal, vessel, reading)
    try:
        kept = keep_count(journal, vessel, tally, counted_at=when or now(), paired=paired)
    except ValueError as error:
        raise click.UsageError(f"{str(error)[:1].upper()}{str(error)[1:]}.") from error
    more = more_to_count(tally, half_width=within / 100.0)
    result, verdict = kept.result, verdict_words(kept)
    if as_json:
        echo_json(
            {
                "vessel": vessel.name,
                "slide": kept.slide.id,
                "counted_at": kept.slide.counted_at,
                "count": result.slide,
                "tally": tally,
                "slide_photo": slide_photo,
                "half_width": result.half_width,
                "spread": result.spread,
                "replicates": result.replicates,
                "live": result.live,
                "warnings": result.warnings,
                "more": more,
                "photo": None if paired is None else paired.file_name,
                "reading": None if paired is None else paired.id,
                "test": verdict,
                "drift": kept.drift,
            }
        )
        return
    for label, text in count_lines(tally, result, more.sentence):
        click.echo(entry(label, text))
    if paired is None:
        click.echo(
            entry("Paired", "with no photo, so it cannot calibrate; next time add --reading latest")
        )
    else:
        click.echo(entry("Paired", f"with reading {paired.id}, {paired.file_name}"))
        click.echo(entry("Test", verdict))
    if kept.drift:
        click.echo(entry("Drift", kept.drift))
    click.echo(f"Kept in the journal as slide {kept.slide.id} of {vessel.name}.")
    say_clock(journal, when)
    if paired is not None and result.slide.cells:
        click.echo(f'To let it calibrate: densitycam calibrate --vessel "{vessel.name}"')


def _fillings(text: str, squares: float | None) -> tuple[Filling, ...]:
    """Read --cells: commas between squares, / between fillings."""
    from densitycam.counting.slide import MOST_CELLS
    from densitycam.counting.tally import Filling
    from densitycam.counting.typed import all_typed

    fillings = []
    for side in text.split("/"):
        words = [part.strip() for part in side.split(",")]
        counts = all_typed(words, most=MOST_CELLS)
        if counts is None:
            if any(word[:1] == "-" and word[1:].isdecimal() for word in words):
                raise click.BadParameter(
                    f"a count cannot be negative: {text[:60]}.", param_hint="--cells"
                )
            raise click.BadParameter(
                f"{text[:60]!r} is not a whole number, nor a list such as 24,31,27.",
                param_hint="--cells",
            )
        if squares is None and len(counts) == 1:
            raise click.UsageError("Say in how many squares with --squares.")
        if squares is not None and len(counts) not in (1, squares):
            raise click.UsageError(
                f"--cells lists {len(counts)} squares, --squares says {squares:g}."
            )
        fillings.append(Filling(counts, float(len(counts)) if squares is None else squares))
    return tuple(fillings)


def _from_csv(how: Tally, path: Path) -> Tally:
    """Read a table of squares: cells, and if they are there filling and dead."""
    from densitycam.counting.slide import MOST_CELLS
    from densitycam.counting.tally import Filling
    from densitycam.counting.typed import whole_typed
    from densitycam.csv_text import read_csv

    def fail(line: int, why: str) -> DensitycamError:
        return DensitycamError(f"{path.name}, line {line}: {why}.", "Mend that line.")

    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise DensitycamError(f"There is no file {path}.", "Check the name.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise DensitycamError(
            f"{path} cannot be read as text ({error}).", "Save it as CSV with UTF-8."
        ) from error
    lines = read_csv(text, path.name, skipinitialspace=True)
    names = [name.strip().lower() for name in lines[0][1]] if lines else []
    if "cells" not in names:
        raise DensitycamError(
            f"{path.name} has no column called cells.",
            "Write a heading line: cells, or filling,cells, or filling,cells,dead.",
        )
    sides: dict[str, list[int]] = {}
    dead = 0
    for number, cells in lines[1:]:
        if not cells:
            continue
        row = dict(zip(names, cells, strict=False))
        counted = {}
        for column in ("cells", "dead"):
            if column not in names:
                continue
            word = row.get(column, "").strip()
            whole = whole_typed(word, most=MOST_CELLS)
            if whole is None:
                raise fail(number, f"{column} must be a whole number, not {word[:20]!r}")
            counted[column] = whole
        sides.setdefault(row.get("filling", "").strip(), []).append(counted["cells"])
        dead += counted.get("dead", 0)
    if not sides:
        raise DensitycamError(f"{path.name} has no squares.", "Add a line for every square.")
    return replace(
        how,
        fillings=tuple(Filling(tuple(side), float(len(side))) for side in sides.values()),
        dead=dead if "dead" in names else how.dead,
    )


def _from_photo(how: Tally, photo: SlidePhoto) -> Tally:
    """Take over the squares of a slide photo that the user accepted."""
    from densitycam.counting.tally import Filling

    return replace(
        how,
        unit=photo.unit,
        fillings=(Filling(photo.counts, float(len(photo.squares))),),
        machine_assisted=True,
    )


def _ask(how: Tally, vessel: VesselRecord, half_width: float) -> Tally | None:
    """Ask at the prompt, square by square."""
    from densitycam.cli.count_walk import walk
    from densitycam.counting.chambers import chamber_by_name, unit_by_name
    from densitycam.counting.dilution import describe_chain

    geometry = chamber_by_name(how.chamber)
    field = unit_by_name(geometry, how.unit)

    def say(text: str) -> None:
        click.echo(paragraph(text, indent=2 if text[:1] == " " else 0))

    say(
        f"A slide of {vessel.name}: {geometry.title}, {geometry.depth_mm:g} mm deep, {field.id} "
        f"squares of {field.area_mm2:g} mm2, {describe_chain(how.dilution_steps)}. Wrong? Leave "
        "with q and see densitycam count --help."
    )
    try:
        return walk(
            lambda prompt: str(click.prompt(prompt, default="", show_default=False)),
            say,
            how,
            half_width=half_width,
        )
    except click.Abort:
        click.echo()
        raise click.UsageError(
            "The count was broken off, nothing was kept. Without a terminal say what was counted "
            "with --cells or --csv."
        ) from None


def _paired(journal: Journal, vessel: VesselRecord, reading: str | None) -> PhotoRecord | None:
    """Find the record of the photo, measuring it first where the journal has none."""
    from densitycam.journal.slide_entry import check_pair, latest_reading

    if reading is None:
        return None
    if reading == "latest":
        record = latest_reading(journal, vessel)
    elif reading.isdecimal():
        # No journal holds a longer number, and Python works out none of thousands of digits.
        record = journal.photo(int(reading.lstrip("0")[:30] or 0))
    else:
        from densitycam.journal.scoring import PHOTO_SUFFIXES, content_hash, known_or_read

        photo = Path(reading)
        if not photo.exists() and photo.suffix.lower() not in PHOTO_SUFFIXES:
            raise click.BadParameter(
                f"{reading!r} is neither latest, nor a number, nor a photo's file.",
                param_hint="--reading",
            )
        record, _ = known_or_read(
            journal,
            vessel,
            photo,
            sha256=content_hash(photo),
            prints=journal.prints_in_use(),
        )
    return check_pair(record, vessel)
