"""`densitycam feed`: how many millilitres a day of a harvest for a tank."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from densitycam.cli.options import (
    ABOVE_ZERO,
    Quantity,
    echo_json,
    journal_option,
    json_option,
    now,
    open_journal,
    own_settings,
)
from densitycam.errors import DensitycamError

if TYPE_CHECKING:
    from densitycam.culture.settings import Settings
    from densitycam.journal.store import Journal


@dataclass(frozen=True)
class _Harvest:
    """What is fed from."""

    words: str
    cells_per_ml: float
    low: float = math.nan
    high: float = math.nan
    ml: float = math.nan
    keep_cold_days: float = math.nan
    notes: tuple[str, ...] = ()


@click.command("feed", short_help="Millilitres a day of a harvest for a tank.")
@click.option("--tank-l", type=ABOVE_ZERO, metavar="L", required=True, help="Water in it [L].")
@click.option(
    "--target",
    type=ABOVE_ZERO,
    metavar="N",
    required=True,
    help="Density wanted in the tank [cells/mL].",
)
@click.option(
    "--present",
    type=Quantity(0, itself=True, most=1e12),
    metavar="N",
    default=0.0,
    help="Algae in the tank already [cells/mL]; none when not given.",
)
@click.option("--vessel", "name", metavar="NAME", help="Feed from this vessel's harvest.")
@click.option("--bottle", "number", type=int, metavar="NUMBER", help="Feed from this bottle.")
@click.option(
    "--cells-per-ml", type=ABOVE_ZERO, metavar="N", help="Feed from a harvest of this density."
)
@click.option("--ml", type=ABOVE_ZERO, metavar="ML", help="How much of it there is [mL].")
@journal_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    tank_l: float,
    target: float,
    present: float,
    name: str | None,
    number: int | None,
    cells_per_ml: float | None,
    ml: float | None,
    as_json: bool,
) -> None:
    """Work out a day's feed: what brings a tank to a density, with which to start low.

    A vessel or bottle that is suspect, or a photo that is too old, is refused.

    \b
    densitycam feed --tank-l 100 --target 5e4 --vessel "left jar"
    densitycam feed --tank-l 100 --target 5e4 --bottle 7
    """  # noqa: D301
    if sum(given is not None for given in (name, number, cells_per_ml)) != 1:
        raise click.UsageError(
            "Say what to feed from: --vessel NAME, --bottle NUMBER or --cells-per-ml N."
        )
    from densitycam.culture.feeding import feed_plan
    from densitycam.report.feed_text import feed_text

    journal = open_journal(ctx)
    settings = own_settings(ctx, journal)
    if name is not None:
        harvest = _of_vessel(journal, settings, name)
    elif number is not None:
        harvest = _of_bottle(journal, settings, number)
    else:
        from densitycam.report.numbers import format_cells

        harvest = _Harvest(f"a harvest of {format_cells(cells_per_ml or 0)}", cells_per_ml or 0)
    plan = feed_plan(
        tank_l=tank_l,
        target_cells_per_ml=target,
        harvest_cells_per_ml=harvest.cells_per_ml,
        present_cells_per_ml=present,
        harvest_ml=harvest.ml if ml is None else ml,
        keep_cold_days=harvest.keep_cold_days,
        harvest_low=harvest.low,
        harvest_high=harvest.high,
    )
    if as_json:
        echo_json({"from": harvest, "plan": plan})
        return
    click.echo(feed_text(plan, source=harvest.words, tank_l=tank_l, target_cells_per_ml=target))
    for note in harvest.notes:
        click.echo(note)


def _of_vessel(journal: Journal, settings: Settings, name: str) -> _Harvest:
    from densitycam.journal.history import advise_today, vessel_history
    from densitycam.report.numbers import format_density, format_ml

    vessel = journal.vessel(name)
    today = advise_today(vessel_history(journal, vessel, settings), now())
    advice, estimate, rule = today.advice, today.estimate, today.history.rule
    if advice.action in ("hold", "rescue"):
        raise DensitycamError(
            f"Do not feed from {name}: {advice.headline}", advice.would_settle or "Look at it."
        )
    if today.reading is None or estimate is None or today.age_days > rule.stale_days:
        raise DensitycamError(
            f"What {name} holds today is not known: there is no photo of the last "
            f"{rule.stale_days:g} days.",
            "Snap it, or give its density with --cells-per-ml.",
        )
    if estimate.status != "measured":
        raise DensitycamError(
            f"The density of {name} is not known: {format_density(estimate)}.",
            advice.would_settle or "Give it with --cells-per-ml.",
        )
    plan = advice.plan
    volume = (1.0 - rule.kept_share) * vessel.working_volume_ml
    if plan is not None:
        volume = plan.harvest_ml - plan.starter_ml
    notes = [] if plan is not None else [f"It is not ripe yet: {advice.headline}"]
    return _Harvest(
        words=f"{name}, {today.reading.when:%Y-%m-%d %H:%M}: {format_density(estimate)}; its "
        f"harvest is {format_ml(volume)}",
        cells_per_ml=estimate.cells_per_ml,
        low=estimate.low,
        high=estimate.high,
        ml=volume,
        keep_cold_days=today.history.facts.keep_cold_days,
        notes=(*notes, *advice.warnings),
    )


def _of_bottle(journal: Journal, settings: Settings, number: int) -> _Harvest:
    from densitycam.calibration.species import load_species
    from densitycam.culture.bottles import bottle_states
    from densitycam.culture.settings import thresholds_of
    from densitycam.report.daily_work import bottle_holds

    bottle = journal.bottle(number)
    if not bottle.left_ml > 0:
        raise DensitycamError(
            f"Bottle {number} is empty.", "See what there is with densitycam bottle list."
        )
    facts = thresholds_of(settings, load_species(bottle.species))[1]
    (state,) = bottle_states(
        [bottle.as_bottle()], {bottle.species: facts}, max(now(), bottle.filled_at)
    )
    if state.state in ("past its time", "do not use"):
        raise DensitycamError(f"Bottle {number} is not to be fed.", state.sentence)
    if bottle.cells_per_ml is None:
        raise DensitycamError(
            f"The density of bottle {number} is not known.", "Give it with --cells-per-ml."
        )
    return _Harvest(
        words=f"bottle {number}, {bottle.species}: {bottle_holds(bottle)}",
        cells_per_ml=bottle.cells_per_ml,
        low=math.nan if bottle.low is None else bottle.low,
        high=math.nan if bottle.high is None else bottle.high,
        ml=bottle.left_ml,
        keep_cold_days=state.days_left,
        notes=(state.sentence, "Log what you take: densitycam bottle use."),
    )
