"""`densitycam snap`: one photo becomes a density and what to do today."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densitycam.cli.options import (
    ABOVE_ZERO,
    DILUTION,
    check_places,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    own_settings,
)
from densitycam.vessel.record import SHAPES, VesselRecord

if TYPE_CHECKING:
    from densitycam.journal.history import DatedReading
    from densitycam.journal.snapping import Snapped
    from densitycam.journal.store import Journal
    from densitycam.vessel.read import PhotoReading

#: Name and volume that stand in for a vessel described on the line.
_UNNAMED = "unnamed vessel"
_USUAL_VOLUME_ML = 1000.0


@click.command("snap", short_help="Read one photo: density, and what to do today.")
@click.argument("photo", type=click.Path(path_type=Path))
@click.option(
    "--vessel", "name", metavar="NAME", help="The vessel, as it was named with densitycam vessel."
)
@click.option(
    "--species",
    metavar="ID",
    help="Species, such as tetraselmis, for a vessel that the journal does not know.",
)
@click.option(
    "--path-mm",
    type=ABOVE_ZERO,
    metavar="MM",
    help="Inner width in the line of sight [mm]; beside --vessel, that of the narrow bottle "
    "the sample was drawn into.",
)
@click.option("--shape", type=click.Choice(SHAPES), help="Its shape inside, as --path-mm.")
@click.option(
    "--volume-ml",
    type=ABOVE_ZERO,
    metavar="ML",
    help=f"Working volume, for a vessel that the journal does not know; "
    f"{_USUAL_VOLUME_ML:g} when not given.",
)
@click.option(
    "--dilution",
    type=DILUTION,
    metavar="N",
    help="Final over drawn volume, where a diluted sample was snapped; 1 when not given.",
)
@click.option(
    "--annotate",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Draw on the photo what was measured where (.png).",
)
@click.option("--no-journal", is_flag=True, help="Do not keep the reading.")
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    photo: Path,
    name: str | None,
    species: str | None,
    path_mm: float | None,
    shape: str | None,
    volume_ml: float | None,
    dilution: float | None,
    annotate: Path | None,
    no_journal: bool,
    as_json: bool,
) -> None:
    """Read PHOTO: cells/mL with a 95 % interval, signs, what to do today, a split plan.

    The photo is kept in the journal when its vessel has a name. The advice is that of the day
    the photo was taken, from all photos up to it. Without --vessel, its tag in the picture (see
    densitycam tags) or its name at the start of the file's name tells the vessel.

    \b
    densitycam snap IMG_0411.jpg
    densitycam snap IMG_0412.jpg --vessel "left jar"
    densitycam snap IMG_0413.jpg --vessel "left jar" --path-mm 20 --shape flat
    densitycam snap IMG_0414.jpg --species tetraselmis --path-mm 82
    """  # noqa: D301
    if name is not None and (species is not None or volume_ml is not None):
        raise click.UsageError(
            "--vessel already says species and volume; leave --species and --volume-ml out."
        )
    itself = name is None and species is None  # the photo is to say whose it is
    if name is None and (path_mm is None if species is not None else volume_ml is not None):
        raise click.UsageError(
            "Name the vessel with --vessel, or describe it with --species and --path-mm."
        )
    if annotate is not None and annotate.suffix.lower() != ".png":
        raise click.UsageError(f"--annotate writes a PNG: {annotate} must end in .png.")
    check_places(annotate)
    from densitycam.journal.scoring import content_hash, measure, optics_for, refusal_of

    sha256 = content_hash(photo)
    journal = open_journal(ctx, keep=(itself or name is not None) and not no_journal)
    if itself:
        name = _told_by(journal, photo)
    if name is not None:
        vessel = journal.vessel(name)
        optics = optics_for(vessel, path_mm=path_mm, shape=shape, dilution=dilution)
    else:
        from densitycam.calibration.species import load_species

        vessel = VesselRecord(
            name=_UNNAMED,
            species=load_species(species or "").id,
            working_volume_ml=volume_ml or _USUAL_VOLUME_ML,
            path_mm=path_mm or 0.0,
            shape=shape or "cylinder",
        )
        journal.add_vessel(vessel)
        optics = replace(optics_for(vessel, dilution=dilution), own=False)

    settings = own_settings(ctx, journal)
    prints = journal.prints_in_use()
    record, seen = measure(photo, vessel, optics, sha256=sha256, prints=prints)
    from densitycam.journal.snapping import keep_snap
    from densitycam.report.snap_notes import snap_notes

    snapped = keep_snap(journal, record, vessel, settings, now())
    if seen is None:  # a refused photo was raised above
        raise refusal_of(record)
    if annotate is not None:
        _annotate(annotate, photo, seen, snapped)
    kept = name is not None and not no_journal
    registered = any(p.profile.paper == seen.paper for p in prints)
    notes = snap_notes(snapped, now(), registered=registered)
    if name is None and volume_ml is None and snapped.advice.plan is not None:
        notes.append(f"No volume was given: the plan is for {_USUAL_VOLUME_ML:g} mL.")
    if not kept:
        notes.append(f"Not kept in the journal{'.' if name is not None else ': no vessel named.'}")
    if itself:
        notes.append(f"No vessel was named: by the photo's name or tag it is {vessel.name}.")
    if as_json:
        echo_json(_as_json(snapped, kept=kept, notes=notes, seen=seen))
        return
    _print_text(snapped, notes)
    if annotate is not None:
        click.echo(f"Wrote {annotate}.")
    if kept:
        click.echo(f"Kept in the journal as reading {snapped.here.photo.id}.")


def _told_by(journal: Journal, photo: Path) -> str:
    """Return the vessel that a photo itself tells."""
    from densitycam.errors import PhotoRefusedError
    from densitycam.journal.sorting import vessel_of

    try:
        name = vessel_of(journal, photo)
    except PhotoRefusedError:
        name = None
    if name is None:
        raise click.UsageError(
            "Name the vessel with --vessel, or describe it with --species and --path-mm. Neither "
            "a known tag in the photo nor the begin of its name tells the vessel."
        )
    return name


def _title(snapped: Snapped) -> str:
    history, here = snapped.history, snapped.here
    name = history.vessel.name
    name = name[:1].upper() + name[1:] if name == _UNNAMED else name
    return f"{name}, {history.facts.title}, {here.when:%Y-%m-%d %H:%M}"


def _print_text(snapped: Snapped, notes: list[str]) -> None:
    from densitycam.report.text import snap_text

    here = snapped.here
    if here.photo.reading is None:
        raise ValueError("a reading was just measured and is not there")
    click.echo(
        snap_text(
            title=_title(snapped),
            reading=here.photo.reading,
            estimate=here.estimate,
            advice=snapped.advice,
            growth=snapped.growth,
            notes=notes,
            taken=_taken(here),
        )
    )


def _taken(here: DatedReading) -> str:
    """Say by which clock a photo was taken; a note has said it of one without a time."""
    if here.photo.time_source != "exif":
        return ""
    offset = here.photo.utc_offset
    zone = "" if offset is None else f" (UTC{offset})"
    return f"{here.when:%Y-%m-%d %H:%M} by the camera's clock{zone}"


def _as_json(
    snapped: Snapped, *, kept: bool, notes: list[str], seen: PhotoReading
) -> dict[str, object]:
    here = snapped.here
    return {
        "photo": here.photo.file_name,
        "sha256": here.photo.sha256,
        "taken_at": here.when,
        "time_source": here.photo.time_source,
        "utc_offset": here.photo.utc_offset,
        "vessel": snapped.history.vessel,
        "reading_number": here.photo.id if kept else None,
        "dilution": here.photo.dilution,
        "estimate": here.estimate,
        "reading": here.photo.reading,
        "growth": snapped.growth,
        "advice": snapped.advice,
        "notes": notes,
        "card": {
            "paper": seen.paper,
            "px_per_mm": seen.px_per_mm,
            "tilt_deg": seen.tilt_deg,
        },
    }


def _annotate(path: Path, photo: Path, seen: PhotoReading, snapped: Snapped) -> None:
    from densitycam.card.layout import card_layout
    from densitycam.report.annotate import annotate
    from densitycam.report.picture import write_picture
    from densitycam.vessel.read import picture_of

    here = snapped.here
    picture = annotate(
        *picture_of(photo, seen),
        card_layout(seen.paper),
        here.photo.reading or seen.reading,
        here.estimate,
        snapped.advice,
        _title(snapped),
        shape=here.photo.shape,
    )
    write_picture(picture, path)
