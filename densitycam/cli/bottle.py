"""`densitycam bottle`: harvest bottles in the cold: fill, label, list, use, throw away."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densitycam.card.layout import PAPER_SIZES_MM
from densitycam.cli.options import (
    ABOVE_ZERO,
    check_not_ahead,
    check_places,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    own_settings,
    say_clock,
    when_option,
)
from densitycam.wording import entry, paragraph

if TYPE_CHECKING:
    from densitycam.calibration.species import SpeciesFacts
    from densitycam.culture.settings import Settings
    from densitycam.journal.bottle_records import BottleRecord
    from densitycam.journal.bottling import BottleFill

label_option = click.option(
    "--label",
    "label",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Write its label, to print and cut out (.pdf or .png).",
)
_paper_option = click.option(
    "--paper",
    type=click.Choice(list(PAPER_SIZES_MM)),
    default="a4",
    show_default=True,
    help="Sheet format of a PDF.",
)


@click.group("bottle", short_help="Harvest bottles in the cold: label, list, use.")
def command() -> None:
    """Keep track of harvest bottles in the cold, and of which to use first.

    \b
    densitycam bottle add --vessel "left jar" --ml 500 --label label.pdf
    densitycam bottle list
    densitycam bottle use 7 --ml 120
    densitycam bottle discard 7
    """  # noqa: D301


@command.command("add", short_help="A bottle was filled.")
@click.option("--vessel", "name", metavar="NAME", help="The vessel it was harvested from.")
@click.option("--species", metavar="ID", help="Its species, for a bottle from elsewhere.")
@click.option("--ml", type=ABOVE_ZERO, metavar="ML", required=True, help="How much [mL].")
@click.option(
    "--cells-per-ml",
    type=ABOVE_ZERO,
    metavar="N",
    help="Its density [cells/mL]; that of the vessel's last photo, not older than a day and a "
    "half, when not given.",
)
@click.option(
    "--suspect", is_flag=True, help="Not to be fed: milky, bleached, smelling, or once frozen."
)
@when_option(
    "When it was filled; now when not given. A date without a time counts as after that day's "
    "last photo."
)
@label_option
@_paper_option
@journal_option
@json_option
@click.pass_context
def add(
    ctx: click.Context,
    name: str | None,
    species: str | None,
    ml: float,
    cells_per_ml: float | None,
    suspect: bool,
    when: datetime | None,
    label: Path | None,
    paper: str,
    as_json: bool,
) -> None:
    """Keep a bottle that was filled; it gets a number, which stands on its label.

    \b
    densitycam bottle add --vessel "left jar" --ml 500 --label label.pdf
    densitycam bottle add --species tetraselmis --ml 1000 --cells-per-ml 8e5
    """  # noqa: D301
    from densitycam.calibration.species import load_species
    from densitycam.journal.bottle_records import BottleRecord
    from densitycam.journal.bottling import BottleFill, fill_from
    from densitycam.journal.history import vessel_history

    if (name is None) == (species is None):
        raise click.UsageError("Name the vessel with --vessel, or the species with --species.")
    check_label(label)
    journal = open_journal(ctx)
    settings = own_settings(ctx, journal)
    at = check_not_ahead(when) or now()
    if name is not None:
        history = vessel_history(journal, journal.vessel(name), settings)
        filling = fill_from(
            history, ml=ml, filled_at=at, cells_per_ml=cells_per_ml, suspect=suspect
        )
    else:
        filling = BottleFill(
            BottleRecord(
                load_species(species or "").id, at, ml, cells_per_ml=cells_per_ml, suspect=suspect
            ),
            None,
        )
    # Without its label the bottle is not kept either: repeated, there would be two.
    with journal.transaction():
        kept = journal.add_bottle(filling.bottle)
        if label is not None:
            _write_labels(settings, [kept], label, paper)
    if as_json:
        echo_json(_as_json(kept, settings))
        return
    for line in filled_lines(filling, kept, settings):
        click.echo(line)
    say_clock(journal, when)
    if label is not None:
        click.echo(f"Wrote {label}. Print it at 100 % and cut it out.")


@command.command("label", short_help="Write labels of bottles again.")
@click.argument("numbers", type=int, nargs=-1, required=True, metavar="NUMBER...")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="OUT",
    required=True,
    help="Where to (.pdf or .png).",
)
@_paper_option
@journal_option
@click.pass_context
def label_command(ctx: click.Context, numbers: tuple[int, ...], out: Path, paper: str) -> None:
    """Write the labels of bottles, ten on a sheet.

    \b
    densitycam bottle label 7 8 --out labels.pdf
    """  # noqa: D301
    check_label(out)
    journal = open_journal(ctx)
    bottles = [journal.bottle(number) for number in dict.fromkeys(numbers)]
    _write_labels(own_settings(ctx, journal), bottles, out, paper)
    click.echo(f"Wrote {out}. Print it at 100 % and cut it out.")


@command.command("list", short_help="What is in the cold, first what to use first.")
@click.option("--all", "everything", is_flag=True, help="Empty ones too.")
@journal_option
@json_option
@click.pass_context
def list_command(ctx: click.Context, everything: bool, as_json: bool) -> None:
    """List the bottles, first the one to use first, with what to do with each.

    \b
    densitycam bottle list
    """  # noqa: D301
    from densitycam.culture.bottles import bottle_states, keeping_words
    from densitycam.report.daily_work import bottle_line, use_words

    journal = open_journal(ctx)
    settings = own_settings(ctx, journal)
    full = journal.bottles()
    facts = _facts(settings, full)
    by_label = {bottle.label: bottle for bottle in full}
    # By a clock that lies behind, a bottle may be of later than now.
    at = max([now(), *(bottle.filled_at for bottle in full)])
    states = bottle_states([bottle.as_bottle() for bottle in full], facts, at)
    empty = [b for b in journal.bottles(in_hand=False) if not b.left_ml] if everything else []
    if as_json:
        shown = [
            {**_as_json(by_label[s.bottle.label], settings), "state": s.state, "do": s.sentence}
            for s in states
        ]
        echo_json(
            [*shown, *(_as_json(b, settings) | {"state": "empty", "do": None} for b in empty)]
        )
        return
    if not states and not empty:
        click.echo("No bottle in the cold.")
    for state in states:
        line = bottle_line(by_label[state.bottle.label], state)
        click.echo(paragraph(line, indent=2))
    for bottle in empty:
        click.echo(use_words(bottle, bottle.uses[-1]))
    say_clock(journal)
    for one in facts.values():
        click.echo(entry("Keeping", keeping_words(one)))


@command.command("use", short_help="Culture was fed from a bottle.")
@click.argument("number", type=int)
@click.option("--ml", type=ABOVE_ZERO, metavar="ML", help="How much [mL]; all when not given.")
@when_option("When; now when not given.")
@journal_option
@json_option
@click.pass_context
def use(
    ctx: click.Context, number: int, ml: float | None, when: datetime | None, as_json: bool
) -> None:
    """Keep that something of bottle NUMBER was used.

    \b
    densitycam bottle use 7 --ml 120
    """  # noqa: D301
    _take(ctx, number, ml, when, "used", as_json)


@command.command("discard", short_help="A bottle, or some of it, was thrown away.")
@click.argument("number", type=int)
@click.option("--ml", type=ABOVE_ZERO, metavar="ML", help="How much [mL]; all when not given.")
@when_option("When; now when not given.")
@journal_option
@json_option
@click.pass_context
def discard(
    ctx: click.Context, number: int, ml: float | None, when: datetime | None, as_json: bool
) -> None:
    """Keep that bottle NUMBER was thrown away. Cultures do not belong in natural water.

    \b
    densitycam bottle discard 7
    """  # noqa: D301
    _take(ctx, number, ml, when, "discarded", as_json)


def _take(
    ctx: click.Context,
    number: int,
    ml: float | None,
    when: datetime | None,
    kind: str,
    as_json: bool,
) -> None:
    from densitycam.report.daily_work import use_words

    journal = open_journal(ctx)
    before = journal.bottle(number)
    at = check_not_ahead(when) or now()
    after = journal.take_from_bottle(number, done_at=at, ml=ml, kind=kind)
    if as_json:
        echo_json(_as_json(after, own_settings(ctx, journal)))
        return
    (done,) = [use for use in after.uses if after.uses.count(use) > before.uses.count(use)][:1]
    click.echo(use_words(after, done))
    say_clock(journal, when)
    if before.suspect and kind == "used":
        click.echo("It is marked as suspect: do not feed from it.")


def check_label(path: Path | None) -> None:
    """Refuse a label's file that cannot be written, before anything is kept.

    Parameters
    ----------
    path : Path or None
        Where the label goes; None without one.

    Raises
    ------
    click.UsageError, DensitycamError
        For another suffix, or a missing folder.
    """
    if path is not None and path.suffix.lower() not in (".pdf", ".png"):
        raise click.UsageError(f"A label is a PDF or a PNG: {path} must end in .pdf or .png.")
    check_places(path)


def filled_lines(filling: BottleFill, kept: BottleRecord, settings: Settings) -> list[str]:
    """Return what was filled, where its density comes from, and how long it keeps.

    Parameters
    ----------
    filling : BottleFill
        As it was before it was kept.
    kept : BottleRecord
        The same bottle as the journal holds it, with its number.
    settings : Settings
        The keeper's own thresholds, how long a harvest keeps among them.

    Returns
    -------
    list of str
        One a paragraph.
    """
    from densitycam.culture.bottles import keeping_words
    from densitycam.report.daily_work import bottle_holds, day_words

    origin = kept.vessel or kept.species
    said = f"Bottle {kept.number}, {origin}, {day_words(kept.filled_at)}: {bottle_holds(kept)}."
    lines = [paragraph(said, indent=2)]
    if filling.reading is not None:
        photo = filling.reading.photo
        said = f"that of {photo.file_name}, {filling.reading.when:%Y-%m-%d %H:%M}"
        lines.append(entry("Density", said))
    elif kept.cells_per_ml is None:
        lines.append(
            entry(
                "Density",
                "not known: no photo of the culture is from the day and a half before. If you "
                "know it, take the bottle back with densitycam log undo, and add it again with "
                "densitycam bottle add --cells-per-ml.",
            )
        )
    if filling.trouble:
        lines.append(entry("Suspect", f"marked so, not to be fed: {filling.trouble}"))
    elif kept.suspect:
        lines.append(entry("Suspect", "marked so, not to be fed"))
    else:
        (facts,) = _facts(settings, [kept]).values()
        lines.append(entry("Keeping", keeping_words(facts)))
    return lines


def write_label(settings: Settings, bottle: BottleRecord, path: Path, paper: str = "a4") -> None:
    """Write one bottle's label.

    Parameters
    ----------
    settings : Settings
        As in `filled_lines`.
    bottle : BottleRecord
        Kept, with its number.
    path : Path
        A PDF or PNG; an older file is replaced.
    paper : {"a4", "letter"}
        The sheet's format.

    Raises
    ------
    DensitycamError
        When the file cannot be written.
    """
    _write_labels(settings, [bottle], path, paper)


def _write_labels(
    settings: Settings, bottles: Sequence[BottleRecord], path: Path, paper: str
) -> None:
    from densitycam.report.bottle_label import write_labels

    write_labels(bottles, _facts(settings, bottles), path, paper=paper)


def _facts(settings: Settings, bottles: Sequence[BottleRecord]) -> dict[str, SpeciesFacts]:
    from densitycam.calibration.species import load_species
    from densitycam.culture.settings import thresholds_of

    names = dict.fromkeys(bottle.species for bottle in bottles)
    return {name: thresholds_of(settings, load_species(name))[1] for name in names}


def _as_json(bottle: BottleRecord, settings: Settings) -> dict[str, object]:
    from datetime import timedelta

    from densitycam.journal.encode import plain

    (facts,) = _facts(settings, [bottle]).values()
    return {
        **dict(plain(bottle)),
        "left_ml": bottle.left_ml,
        "use_by": plain(bottle.filled_at + timedelta(days=facts.keep_cold_days)),
    }
