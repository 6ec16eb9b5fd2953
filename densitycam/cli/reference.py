"""Writes the command reference of the guide from the commands' own help.

python -m densitycam.cli.reference > densitycam/guide/commands.md
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator

import click

from densitycam.cli.main import main

__all__ = ["reference"]


def reference() -> str:
    """Return every command with its options as Markdown."""
    group = click.Context(main, info_name="densitycam")
    parts = [
        "# Every command",
        "Made from the commands' own help: `densitycam COMMAND --help` says the same. Every "
        "command ends with exit code 0 when it did what was asked, 1 for what you can mend (one "
        "line says what and how), 2 for a line that it does not understand.",
    ]
    for name in main.list_commands(group):
        command = main.get_command(group, name)
        if command is None:
            raise LookupError(name)
        parts += _entries(command, click.Context(command, info_name=name, parent=group))
    return "\n\n".join(parts) + "\n"


def _entries(command: click.Command, context: click.Context) -> Iterator[str]:
    words = [piece for piece in command.collect_usage_pieces(context) if piece]
    yield f"## {context.command_path}\n\n```sh\n{' '.join([context.command_path, *words])}\n```"
    # click keeps blocks that it is not to wrap behind a backspace.
    for block in re.split(r"\n\s*\n", inspect.cleandoc(command.help or "")):
        if block.startswith("\b"):
            lines = "\n".join(line.strip() for line in block.splitlines()[1:])
            yield f"```sh\n{lines}\n```"
        else:
            yield " ".join(block.split())
    rows = [param.get_help_record(context) for param in command.get_params(context)]
    listed = [
        f"- `{row[0]}`: {' '.join(row[1].split())}"
        for row in rows
        if row and "--help" not in row[0]
    ]
    if listed:
        yield "\n".join(listed)
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            if inner is not None:
                yield from _entries(inner, click.Context(inner, info_name=name, parent=context))


if __name__ == "__main__":
    print(reference(), end="")
