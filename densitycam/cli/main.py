"""The group `densitycam`: imports a command when it is asked for, shows an error in a line."""

from __future__ import annotations

import errno
import os
from importlib import import_module
from typing import Any

import click

from densitycam import __version__
from densitycam.errors import DensitycamError

#: Commands in the order of the help, each in its own file as a `click.Command` named `command`.
COMMANDS = (
    "card",
    "vessel",
    "tags",
    "blank",
    "snap",
    "today",
    "serve",
    "count",
    "calibrate",
    "recalibrate",
    "split",
    "log",
    "bottle",
    "feed",
    "batch",
    "report",
    "settings",
    "backup",
    "export",
    "import",
    "help",
)

#: The file of a command whose name Python keeps for itself.
FILES = {"import": "import_export"}

#: What a system says of a disk or of rights, which is no fault of ours.
_OF_THE_DISK = frozenset(
    getattr(errno, name)
    for name in ("EACCES", "EPERM", "EROFS", "EIO", "EDQUOT", "EFBIG", "ESTALE", "ENODEV")
    if hasattr(errno, name)
)

#: System libraries that opencv-python needs and a bare server lacks, with their Debian package.
_SYSTEM_PACKAGES = {
    "libGL.so": "libgl1",
    "libgthread": "libglib2.0-0",
    "libglib": "libglib2.0-0",
    "libSM.so": "libsm6",
    "libXext.so": "libxext6",
    "libXrender.so": "libxrender1",
    "libxcb.so": "libxcb1",
}


class Commands(click.Group):
    """Commands that are imported on first use; a user's error becomes one line and exit code 1."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the command names in the order of the help.

        Parameters
        ----------
        ctx : click.Context
            As in `click.Group.list_commands`.
        """
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Import one command.

        Parameters
        ----------
        ctx, name
            As in `click.Group.get_command`.

        Returns
        -------
        click.Command or None
            None for a name that is none of ours.

        Raises
        ------
        TypeError
            Where the file of that name holds no command: a fault of ours.
        """
        if name not in COMMANDS:
            return None
        command = import_module(f"densitycam.cli.{FILES.get(name, name)}").command
        if not isinstance(command, click.Command):
            raise TypeError(f"densitycam.cli.{name}.command is not a click command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a command, and name near matches of one that does not exist.

        Parameters
        ----------
        ctx, args
            As in `click.Group.resolve_command`.

        Returns
        -------
        tuple
            As of `click.Group.resolve_command`.

        Raises
        ------
        click.UsageError
            For a name that is none of ours.
        """
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            close = difflib.get_close_matches(args[0], COMMANDS, n=2, cutoff=0.5)
            hint = f" Did you mean {' or '.join(close)}?" if close else ""
            raise click.UsageError(f"There is no command {args[0]!r}.{hint}", ctx)
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command and turn what the user can mend into one line.

        Parameters
        ----------
        ctx : click.Context
            As in `click.Group.invoke`.

        Returns
        -------
        object
            What the command returned.

        Raises
        ------
        click.ClickException
            For a `DensitycamError`, a full disk, and a system library that is missing.
        """
        try:
            return super().invoke(ctx)
        except DensitycamError as error:
            raise click.ClickException(" ".join(str(error).split())) from error
        except UnicodeEncodeError as error:  # before anything was kept
            raise click.ClickException(
                "A name or a text on the line holds bytes that are no letters (UTF-8). Write it "
                "again in letters."
            ) from error
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise click.ClickException(
                    "There is no room left where the output goes. Make room there; an entry may be "
                    "kept all the same, so look before you run it again."
                ) from error
            if error.errno not in _OF_THE_DISK:
                raise
            where = f" {error.filename}" if error.filename else ""
            raise click.ClickException(
                f"The system refuses to read or write{where}: {error.strerror}. Check the disk "
                "and who may use what lies there, then repeat."
            ) from error
        except ImportError as error:
            package = missing_system_package(str(error))
            if package is None:
                raise
            raise click.ClickException(
                f"opencv-python needs a system library that is missing ({error}). On Debian or "
                f"Ubuntu install it with: apt-get install {package}"
            ) from error
        except Exception as error:
            trouble = _journals_trouble(error, ctx)
            if trouble is None:
                raise
            raise click.ClickException(trouble) from error


def _journals_trouble(error: Exception, ctx: click.Context) -> str | None:
    """Return what SQLite met while it read a journal; None for any other fault."""
    import sqlite3

    if not isinstance(error, sqlite3.DatabaseError):
        return None
    from densitycam.journal.place import journal_path
    from densitycam.journal.schema import trouble_of

    return str(trouble_of(error, str(journal_path(ctx.find_root().obj))))


def missing_system_package(message: str) -> str | None:
    """Return the Debian package with the shared library an ImportError misses, or None.

    Parameters
    ----------
    message : str
        What the ImportError says.
    """
    for library, package in _SYSTEM_PACKAGES.items():
        if library in message:
            return package
    return None


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="densitycam", message="%(prog)s %(version)s")
@click.option(
    "--journal",
    type=click.Path(dir_okay=True),
    metavar="FILE",
    help="The journal's file. Without it: DENSITYCAM_JOURNAL, or journal.sqlite in the folder "
    "densitycam of the platform's data folder.",
)
@click.pass_context
def main(ctx: click.Context, journal: str | None) -> None:
    """Cells per mL of a microalgae culture from a photo, and what to do today.

    Print the card, describe a vessel once, stand it before the card, take a photo, and snap it.
    A slide count now and then makes the density your own; a folder of photos makes the growth
    curve. Every command explains itself with --help.
    """
    ctx.obj = journal
    if os.environ.get("NO_COLOR"):  # https://no-color.org: any value that is not empty
        ctx.color = False
