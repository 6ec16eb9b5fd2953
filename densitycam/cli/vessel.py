"""`densitycam vessel`: describe a vessel once, look at it, or list them all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from densitycam.cli.options import (
    ABOVE_ZERO,
    echo_json,
    journal_option,
    json_option,
    open_journal,
    some,
)
from densitycam.errors import DensitycamError
from densitycam.vessel.record import SHAPES, VesselRecord

if TYPE_CHECKING:
    from densitycam.journal.store import Journal


@click.command("vessel", short_help="Describe a vessel once; look at it; list them all.")
@click.argument("name", required=False)
@click.option(
    "--species", metavar="ID", help="Species, such as tetraselmis; a wrong one names those known."
)
@click.option("--volume-ml", type=ABOVE_ZERO, metavar="ML", help="Culture it holds when full [mL].")
@click.option(
    "--path-mm",
    type=ABOVE_ZERO,
    metavar="MM",
    help="Inner width in the line of sight [mm]: a round bottle's inner diameter, a flat "
    "bottle's inner thickness, the thickness of a hanging bag in its middle.",
)
@click.option(
    "--shape",
    type=click.Choice(SHAPES),
    help="Round or flat inside, or a soft bag that hangs; cylinder when not given.",
)
@click.option(
    "--width-mm",
    type=ABOVE_ZERO,
    metavar="MM",
    help="Outer width as seen from the front [mm]: a photo of another bottle, or of this one off "
    "its place, is then noticed sooner. Not of a bag.",
)
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    name: str | None,
    species: str | None,
    volume_ml: float | None,
    path_mm: float | None,
    shape: str | None,
    width_mm: float | None,
    as_json: bool,
) -> None:
    """Describe vessel NAME, or change what is known of it.

    With options it is added or changed, with NAME alone it is shown, without NAME all are listed.

    \b
    densitycam vessel "left jar" --species chlorella --volume-ml 900 --path-mm 82
    densitycam vessel "left jar"
    densitycam vessel
    """  # noqa: D301
    given: dict[str, Any] = {
        "species": species,
        "working_volume_ml": volume_ml,
        "path_mm": path_mm,
        "shape": shape,
        "width_mm": width_mm,
    }
    given = {key: value for key, value in given.items() if value is not None}
    if name is None and given:
        raise click.UsageError("Name the vessel that these options describe.")
    journal = open_journal(ctx)
    if name is None:
        _list(journal, as_json)
        return
    if not name.strip():
        raise click.UsageError("A vessel needs a name.")
    if "species" in given:
        from densitycam.calibration.species import load_species

        given["species"] = load_species(str(given["species"])).id
    done = ""
    if given:
        done = _describe(journal, name.strip(), given)
    vessel = journal.vessel(name.strip())
    if as_json:
        echo_json(vessel)
        return
    if done:
        click.echo(done)
    click.echo(_line(vessel))
    _show_history(journal, vessel)


def _describe(journal: Journal, name: str, given: dict[str, Any]) -> str:
    known = {v.name: v for v in journal.vessels()}
    if name in known:
        before = known[name]
        if given.get("shape") == "bag":
            given.setdefault("width_mm", None)
        after = _checked(lambda: replace(before, **given))
        if after == before:
            return "Nothing changed."
        journal.add_vessel(after)
        if (after.path_mm, after.shape) != (before.path_mm, before.shape):
            old = [p for p in journal.photos(name) if not p.own_optics]
            if old:
                return (
                    f"Changed. {some(len(old), 'photo')} read with the old light path or shape: "
                    "score the folder again with densitycam batch."
                )
        return "Changed."
    missing = [
        option
        for key, option in (
            ("species", "--species"),
            ("working_volume_ml", "--volume-ml"),
            ("path_mm", "--path-mm"),
        )
        if key not in given
    ]
    if missing:
        close = ""
        try:
            journal.vessel(name)
        except DensitycamError as error:
            if "Did you mean" in error.advice:
                close = f" {error.advice}"
        raise click.UsageError(
            f"The new vessel {name!r} also needs {' and '.join(missing)}.{close}"
        )
    journal.add_vessel(_checked(lambda: VesselRecord(name=name, **given)))
    return "Added."


def _checked(make: Callable[[], VesselRecord]) -> VesselRecord:
    """Return the record made, its refusal as a fault of usage."""
    try:
        return make()
    except ValueError as error:
        raise click.UsageError(f"{str(error).capitalize()}.") from error


def _line(vessel: VesselRecord) -> str:
    width = "inner diameter" if vessel.shape == "cylinder" else "inner thickness"
    return (
        f"{vessel.name}: {vessel.species}, {vessel.working_volume_ml:g} mL, {vessel.shape}, "
        f"{width} {vessel.path_mm:g} mm"
        + ("" if vessel.width_mm is None else f", outer width {vessel.width_mm:g} mm")
    )


def _made_of(vessel: VesselRecord) -> str:
    return "bag" if vessel.shape == "bag" else "vessel"


def _list(journal: Journal, as_json: bool) -> None:
    vessels = journal.vessels()
    if as_json:
        echo_json(vessels)
        return
    if not vessels:
        click.echo("No vessels yet. Describe one: densitycam vessel NAME --species ...")
    for vessel in vessels:
        click.echo(_line(vessel))


def _show_history(journal: Journal, vessel: VesselRecord) -> None:
    photos = journal.photos(vessel.name)
    measured = [p for p in photos if p.status == "measured"]
    slides = journal.slides(vessel=vessel.name)
    splits = journal.splits(vessel.name)
    refused = some(len(photos) - len(measured), "photo")
    paired = sum(1 for s in slides if s.photo_sha256 is not None)
    click.echo(
        f"  {some(len(measured), 'reading')}, {refused} refused, "
        f"{some(len(slides), 'slide count')} ({paired} paired with a photo), "
        f"{some(len(splits), 'split')}"
    )
    if measured:
        last = measured[-1]
        click.echo(f"  last reading: {last.taken_at:%Y-%m-%d %H:%M}, {last.file_name}")
    from densitycam.journal.batches import batches
    from densitycam.report.daily_work import day_words

    taken = [p.taken_at for p in measured if p.taken_at is not None]
    known = batches(journal.log(vessel=vessel.name), taken)
    if known and known[-1].ends is not None:
        reason = f": {known[-1].reason}" if known[-1].reason else ""
        click.echo(f"  culture: ended {day_words(known[-1].ends)}{reason}")
    elif known and known[-1].begins is not None:
        source = f", from {known[-1].source}" if known[-1].source else ""
        click.echo(f"  culture: begun {day_words(known[-1].begins)}{source}")
    blank = journal.blank(vessel.name)
    if blank is None:
        click.echo(f"  blank: none of its own, that of a clean clear {_made_of(vessel)} is assumed")
    else:
        photos_behind = some(blank.blank.photos, "photo")
        click.echo(f"  blank: {photos_behind}, {blank.made_at:%Y-%m-%d %H:%M}")
    kept = journal.latest_calibration(vessel)
    if kept is None:
        click.echo("  calibration: the species' starting one, not yet checked by a count")
    else:
        scope = "its own slides" if kept.vessel else "all vessels of the species"
        slides_behind = some(kept.slides, "slide")
        click.echo(f"  calibration: {slides_behind}, from {scope}, {kept.made_at:%Y-%m-%d %H:%M}")
