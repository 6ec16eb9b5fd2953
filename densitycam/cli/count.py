"""`densitycam count`: one slide's count, kept and paired with the photo of the same culture."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densitycam.cli.options import (
    ABOVE_ZERO,
    DILUTION,
    SHARE,
    echo_json,
    entry,
    journal_option,
    json_option,
    now,
    open_journal,
    some,
    when_option,
)
from densitycam.errors import DensitycamError

if TYPE_CHECKING:
    from densitycam.counting.slide import SlideCount
    from densitycam.journal.store import Journal, PhotoRecord
    from densitycam.vessel.record import VesselRecord


@click.command("count", short_help="Log a slide count and pair it with a photo.")
@click.option(
    "--vessel", "name", metavar="NAME", required=True, help="The vessel the sample came from."
)
@click.option(
    "--cells",
    required=True,
    metavar="N[,N...]",
    help="Cells counted: in all squares together, or square by square with commas between, "
    "which also tests for clumps. Zero is a count too.",
)
@click.option(
    "--squares",
    type=ABOVE_ZERO,
    metavar="N",
    help="How many squares; not needed when --cells lists them one by one.",
)
@click.option(
    "--chamber",
    metavar="NAME",
    default="improved-neubauer",
    show_default=True,
    help="Counting chamber; a wrong one names those known.",
)
@click.option(
    "--unit",
    metavar="NAME",
    default="large",
    show_default=True,
    help="Which squares: of the improved Neubauer large (1 mm2), group (0.04 mm2) or small "
    "(0.0025 mm2).",
)
@click.option(
    "--dilution",
    type=DILUTION,
    metavar="N",
    default=1.0,
    show_default=True,
    help="Final over drawn volume: 1 mL made up to 10 mL is 10.",
)
@click.option(
    "--fixative",
    type=SHARE,
    metavar="SHARE",
    default=0.0,
    show_default=True,
    help="Fixative per volume of sample: 2 mL to 100 mL is 0.02.",
)
@click.option(
    "--photo",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The photo of the same culture, taken together with the sample.",
)
@click.option(
    "--reading",
    metavar="latest|NUMBER",
    help="A reading already in the journal: the vessel's latest, or the number snap printed.",
)
@when_option('When the sample was taken, such as "2026-05-09 07:41"; now when not given.')
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    name: str,
    cells: str,
    squares: float | None,
    chamber: str,
    unit: str,
    dilution: float,
    fixative: float,
    photo: Path | None,
    reading: str | None,
    when: datetime | None,
    as_json: bool,
) -> None:
    """Turn a slide count into cells/mL with its 95 % interval, and keep it.

    Paired with a photo of the same culture it first tests the calibration, then joins it at the
    next densitycam calibrate. Fixatives such as iodine are poisonous: gloves, fresh air, local
    rules; never photograph a fixed sample for density, it darkens.

    \b
    densitycam count --vessel "left jar" --cells 187 --squares 5 --reading latest
    """  # noqa: D301
    if photo and reading:
        raise click.UsageError("Give --photo or --reading, not both.")
    counts = _counts(cells)
    if squares is None and len(counts) == 1:
        raise click.UsageError("Say in how many squares with --squares.")
    if squares is not None and len(counts) not in (1, squares):
        raise click.UsageError(f"--cells lists {len(counts)} squares, --squares says {squares:g}.")

    journal = open_journal(ctx)
    vessel = journal.vessel(name)
    from densitycam.counting.slide import count_slide

    try:
        slide = count_slide(
            cells=sum(counts),
            squares=len(counts) if squares is None else squares,
            chamber=chamber,
            unit=unit,
            dilution=dilution,
            fixative_fraction=fixative,
        )
    except ValueError as error:
        raise click.UsageError(f"{str(error)[:1].upper()}{str(error)[1:]}.") from error
    paired = _paired(journal, vessel, photo, reading)
    kept = journal.add_slide(
        vessel.name,
        slide,
        counted_at=when or now(),
        photo_sha256=None if paired is None else paired.sha256,
    )
    verdict = _test(journal, vessel, paired, slide)
    clumping = _clumping(counts)
    if as_json:
        echo_json(
            {
                "vessel": vessel.name,
                "slide": kept.id,
                "counted_at": kept.counted_at,
                "count": slide,
                "photo": None if paired is None else paired.file_name,
                "reading": None if paired is None else paired.id,
                "test": verdict,
                "clumping": clumping,
            }
        )
        return
    from densitycam.report.numbers import format_slide

    click.echo(entry("Counted", f"{format_slide(slide)}, from {some(slide.cells, 'cell')}"))
    if clumping:
        click.echo(entry("Spread", clumping))
    if 0 < slide.cells < 100:
        click.echo(entry("Note", "Fewer than 100 cells: count more squares to narrow it down."))
    if paired is None:
        click.echo(
            entry("Paired", "with no photo, so it cannot calibrate; next time add --reading latest")
        )
    else:
        click.echo(entry("Paired", f"with reading {paired.id}, {paired.file_name}"))
        click.echo(entry("Test", verdict))
    click.echo(f"Kept in the journal as slide {kept.id} of {vessel.name}.")
    if paired is not None and slide.cells:
        click.echo(f'To let it calibrate: densitycam calibrate --vessel "{vessel.name}"')


def _counts(text: str) -> list[int]:
    try:
        counts = [int(part) for part in text.split(",")]
    except ValueError:
        raise click.BadParameter(
            f"{text!r} is not a whole number, nor a list such as 24,31,27.", param_hint="--cells"
        ) from None
    if min(counts) < 0:
        raise click.BadParameter(f"a count cannot be negative: {text}.", param_hint="--cells")
    return counts


def _clumping(counts: list[int]) -> str:
    if len(counts) < 2:
        return ""
    from densitycam.counting.precision import dispersion

    return dispersion(counts).meaning


def _paired(
    journal: Journal, vessel: VesselRecord, photo: Path | None, reading: str | None
) -> PhotoRecord | None:
    """Find the record of the photo, measuring it first where the journal has none."""
    if photo is not None:
        from densitycam.journal.scoring import content_hash, kept_optics, known_reading, measure

        sha256 = content_hash(photo)
        record = known_reading(journal, vessel, sha256)
        if record is None:
            optics = kept_optics(journal, vessel, sha256)
            fresh, _ = measure(photo, vessel, optics, sha256=sha256, prints=journal.prints_in_use())
            record = journal.record_photo(fresh)
    elif reading == "latest":
        measured = [p for p in journal.photos(vessel.name) if p.status == "measured"]
        if not measured:
            raise DensitycamError(
                f"{vessel.name} has no reading yet.", "Snap it first, or name a photo with --photo."
            )
        record = measured[-1]
    elif reading is not None:
        if not reading.isdecimal():
            raise click.BadParameter(
                f"{reading!r} is neither latest nor a number.", param_hint="--reading"
            )
        record = journal.photo(int(reading))
    else:
        return None
    if record.vessel != vessel.name:
        raise DensitycamError(
            f"Reading {record.id} is of {record.vessel}, not of {vessel.name}.",
            "A count belongs to the culture that was photographed.",
        )
    if record.status == "refused":
        raise DensitycamError(
            f"{record.file_name} has no reading to pair with: {record.message}",
            "The count was not kept; log it with another photo, or without one.",
        )
    return record


def _test(
    journal: Journal, vessel: VesselRecord, paired: PhotoRecord | None, slide: SlideCount
) -> str:
    """Say whether the count fits what the photo said before the count was known."""
    if paired is None:
        return ""
    from densitycam.calibration.model import estimate
    from densitycam.journal.history import calibration_in_force, in_use
    from densitycam.report.numbers import format_density

    calibration, _ = calibration_in_force(journal, vessel)
    reading = in_use(paired, vessel, journal.blank(vessel.name)).reading
    if reading is None:
        return ""
    predicted = estimate(reading, calibration)
    said = f"the photo said {format_density(predicted)}"
    if predicted.low <= slide.high and slide.low <= predicted.high:
        return f"{said}: the count agrees."
    return (
        f"{said}: the count does not agree. Check chamber, squares and dilution, mix and count "
        "once more; a second such count means the culture has drifted."
    )
