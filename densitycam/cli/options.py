"""What several commands ask for in the same words: the journal, times, and positive numbers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from densitycam.errors import DensitycamError

if TYPE_CHECKING:
    from densitycam.culture.settings import Settings
    from densitycam.journal.store import Journal

F = TypeVar("F", bound=Callable[..., Any])


class Quantity(click.ParamType):  # type: ignore[type-arg,unused-ignore]  # generic from 8.5 on
    """A finite number above or from a limit, shown in the help without click's range in brackets.

    Parameters
    ----------
    least : float
        The limit.
    itself : bool
        Whether the limit itself is allowed.
    most : float
        Upper limit, allowed.
    """

    name = "number"

    def __init__(self, least: float, *, itself: bool, most: float = 1e9) -> None:
        self.least = least
        self.itself = itself
        self.most = most

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number, or fail with the rule it breaks.

        Parameters
        ----------
        value, param, ctx
            As in `click.ParamType.convert`.

        Returns
        -------
        float
            In the unit that the option's help names.

        Raises
        ------
        click.BadParameter
            For what is no number, and for one out of range.
        """
        try:
            number = float(value)
        except ValueError:
            comma = " (write the decimal point as .)" if "," in str(value) else ""
            self.fail(f"{value!r} is not a number{comma}.", param, ctx)
        # nan fails every comparison.
        if not (number >= self.least if self.itself else number > self.least):
            bound = f"at least {self.least:g}" if self.itself else f"above {self.least:g}"
            self.fail(f"must be {bound}, not {value}.", param, ctx)
        if number > self.most:
            self.fail(f"must be at most {self.most:.0f}, not {value}.", param, ctx)
        return number


#: A number above zero.
ABOVE_ZERO = Quantity(0, itself=False)
#: Final over drawn volume.
DILUTION = Quantity(1, itself=True, most=1e6)
#: Volume over volume.
SHARE = Quantity(0, itself=True, most=1)

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON for programs instead of text."
)


def _remember_journal(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
    if value is not None:
        ctx.find_root().obj = value


#: The journal's file, accepted before and after the command's name.
journal_option = click.option(
    "--journal",
    type=click.Path(),
    metavar="FILE",
    callback=_remember_journal,
    expose_value=False,
    help="The journal's file, where it is not the usual one.",
)


def when_option(text: str, *, name: str = "--when", metavar: str = "TIME") -> Callable[[F], F]:
    """Return an option that takes a time, with its help; --when unless it is named otherwise.

    Parameters
    ----------
    text : str
        Its help.
    name : str, default "--when"
        What it is called.
    metavar : str, default "TIME"
        What stands for the time in the help.
    """
    return click.option(
        name,
        metavar=metavar,
        callback=lambda ctx, param, value: None if value is None else _parse_time(value),
        help=text,
    )


def _parse_time(text: str) -> datetime:
    """Return a local naive time to the second.

    Raises
    ------
    click.BadParameter
        For text that is not a date such as 2026-05-09, with or without a time.
    """
    try:
        when = datetime.fromisoformat(text.strip())
        if when.tzinfo is not None:
            when = when.astimezone().replace(tzinfo=None)
    except (ValueError, OverflowError, OSError):  # the latter two: no such moment here
        raise click.BadParameter(
            f'{text[:40]!r} is not a time; write it as 2026-05-09 or "2026-05-09 07:41".'
        ) from None
    return when.replace(microsecond=0)


def now() -> datetime:
    """Return the present local time to the second."""
    return datetime.now().replace(microsecond=0)


def check_not_ahead(when: datetime | None) -> datetime | None:
    """Return a time given for something done, refusing one that cannot have been yet.

    Parameters
    ----------
    when : datetime or None
        Local, naive; None is let through.

    Raises
    ------
    click.UsageError
        For a time to come, or one before the year 2000.
    """
    from densitycam.photo.decode import possible_time

    if when is not None and not possible_time(when):
        raise click.UsageError(
            f"--when {when:%Y-%m-%d %H:%M} cannot be: today is {now():%Y-%m-%d} by this computer's "
            "clock. Correct the time, or the clock."
        )
    return when


def check_places(*paths: Path | None) -> None:
    """Refuse output files whose folder is missing, before any photo is read.

    Parameters
    ----------
    *paths : Path or None
        Files to be written; None for one that is not asked for.

    Raises
    ------
    DensitycamError
        For the first such file.
    """
    for path in paths:
        if path is not None and not path.parent.is_dir():
            raise DensitycamError(
                f"Cannot write {path}: there is no folder {path.parent}.",
                "Make the folder, or name another place.",
            )


def some(count: int, noun: str) -> str:
    """Return a number with its noun: "1 split", "3 splits".

    Parameters
    ----------
    count : int
        How many.
    noun : str
        One of them; several take an s.
    """
    return f"{count} {noun}{'' if count == 1 else 's'}"


def open_journal(ctx: click.Context, *, keep: bool = True) -> Journal:
    """Open the journal the user named, or the usual one.

    Parameters
    ----------
    ctx : click.Context
        Of the running command; it closes the journal at its end.
    keep : bool
        False works on a copy in memory, from which nothing is written back.

    Returns
    -------
    Journal
        Open.

    Raises
    ------
    DensitycamError
        When it cannot be opened.
    """
    from densitycam.journal.place import journal_path
    from densitycam.journal.store import Journal

    path = journal_path(ctx.find_root().obj)
    journal = Journal(path) if keep else Journal.copy_in_memory(path)
    return ctx.with_resource(journal)


def say_clock(journal: Journal, when: datetime | None = None) -> None:
    """Say that this computer's clock is behind the journal, where its time was taken for now.

    Parameters
    ----------
    journal : Journal
        Which.
    when : datetime or None
        The time that the user gave: then nothing hangs on the clock.
    """
    from densitycam.journal.clocks import clock_doubt
    from densitycam.wording import entry

    doubt = "" if when is not None else clock_doubt(journal, now())
    if doubt:
        click.echo(entry("Clock", doubt))


def settings_place(ctx: click.Context) -> Path:
    """Return the settings file that belongs to the journal in use.

    Parameters
    ----------
    ctx : click.Context
        Of the running command.
    """
    from densitycam.journal.place import journal_path
    from densitycam.journal.settings_file import settings_path

    return settings_path(journal_path(ctx.find_root().obj))


def own_settings(ctx: click.Context, journal: Journal) -> Settings:
    """Read the keeper's own thresholds.

    Parameters
    ----------
    ctx : click.Context
        Of the running command.
    journal : Journal
        In which the settings' vessels are looked up.

    Returns
    -------
    Settings
        As shipped where there is no file.

    Raises
    ------
    DensitycamError
        For a line of the file that cannot be used.
    """
    from densitycam.journal.settings_file import load_settings

    return load_settings(settings_place(ctx), journal)


def echo_json(value: Any) -> None:
    """Print a value as JSON: dates as text, unknown and unbounded numbers as null.

    Parameters
    ----------
    value : object
        Anything that `densitycam.journal.encode.plain` takes.

    Raises
    ------
    TypeError
        For what `plain` does not take.
    """
    import json

    from densitycam.journal.encode import plain

    click.echo(json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False))
