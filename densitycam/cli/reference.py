"""Writes what the guide says of commands, signs and JSON from the code, when that has changed.

python -m densitycam.cli.reference
"""

from __future__ import annotations

import inspect
import itertools
import json
import re
from collections.abc import Iterator
from pathlib import Path

import click

from densitycam.cli.json_fields import (
    CHOICES,
    OUTPUTS,
    RECORDS,
    Fields,
    json_schema,
    record_fields,
)
from densitycam.cli.main import main
from densitycam.flags import FLAGS

__all__ = ["command_reference", "json_reference", "json_schema_text", "signs_reference"]


def command_reference() -> str:
    """Return every command with its options as Markdown.

    Raises
    ------
    LookupError
        Where a listed command cannot be found: a fault of ours.
    """
    group = click.Context(main, info_name="densitycam")
    parts = [
        "# Every command",
        "Made from the commands' own help: `densitycam COMMAND --help` says the same. What every "
        "command has in common (exit codes, pipes, completion) is in [the shell](shell.md), what "
        "`--json` prints in [JSON for programs](json.md).",
    ]
    for name in main.list_commands(group):
        command = main.get_command(group, name)
        if command is None:
            raise LookupError(name)
        parts += _entries(command, click.Context(command, info_name=name, parent=group))
    return "\n\n".join(parts) + "\n"


def _entries(command: click.Command, context: click.Context) -> Iterator[str]:
    words = [piece for piece in command.collect_usage_pieces(context) if piece]
    if isinstance(command, click.Group) and command.invoke_without_command:
        # Versions of click differ in whether they say that the command may be left out.
        words = [re.sub(r"^COMMAND\b", "[COMMAND]", piece) for piece in words]
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
        if row and row[1] and "--help" not in row[0]  # an argument is told of in the text
    ]
    if listed:
        yield "\n".join(listed)
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            if inner is not None:
                yield from _entries(inner, click.Context(inner, info_name=name, parent=context))


def signs_reference() -> str:
    """Return the registry of gates and signs as Markdown."""
    parts = [
        "# Why there is no number, and what signs mean",
        "A photo that cannot be measured gives no number but a reason. A sign is a reason to look "
        "closer, with eye, nose and microscope; no sign is no proof of health.",
    ]
    for kind, heading in (("gate", "The photo"), ("sign", "The culture")):
        parts.append(f"## {heading}")
        for flag in FLAGS.values():
            if flag.kind == kind:
                end = "" if flag.refuses else " (a number is given all the same)"
                parts.append(
                    f"- **{flag.title[:1].upper()}{flag.title[1:]}**{end}: {flag.meaning} "
                    f"{flag.advice}"
                )
    return "\n\n".join(parts) + "\n"


def json_reference() -> str:
    """Return what every command prints with --json, and each record in it, as Markdown.

    Raises
    ------
    LookupError
        As in `densitycam.cli.json_fields.json_schema`.
    """
    parts = [
        "# JSON for programs",
        "With `--json` a command prints one JSON value on standard output and nothing else; what "
        "is said besides goes to standard error. When it fails, standard output stays empty, "
        "standard error says why, and the exit code is not 0. `batch` also ends with 1 "
        "where some photos gave no number, and prints its JSON all the same.",
        "- Numbers are in the unit of their name (`cells_per_ml`, `path_mm`) or in the one in "
        "brackets. Shares and errors are between 0 and 1, not in per cent. `low` and `high` are "
        "95 % limits in the unit of the number that they belong to.\n"
        "- What is not known, and what has no bound, is `null`. A field is always there.\n"
        "- A time is local, as `2026-05-09 07:41:00`.\n"
        "- Fields may be added. None is renamed, taken away or given another unit without a word "
        "in CHANGELOG.md.",
        "The same as a JSON Schema (draft 2020-12) lies in the package, "
        "`densitycam/guide/json.schema.json`: under `$defs`, each command's as `command snap`, "
        "`command today` and so on. It is made from the code, and the tests hold what the "
        "commands print against it.",
        "```sh\ndensitycam snap photo.jpg --json\n```",
    ]
    for command, own in OUTPUTS.items():
        parts.append(f"## densitycam {command}")
        if isinstance(own, str):
            parts.append(f"What is printed: {_words(own)}.")
        else:
            parts.append(_listed(own))
    parts += ["## Records", "What the fields above are made of."]
    for record in RECORDS:
        if record.startswith("logged "):
            continue  # an entry's kind and its own record
        parts += [f"### {record}", _listed(record_fields(record))]
    for choice, kinds in CHOICES.items():
        parts += [
            f"### {choice}",
            f"One of {', '.join(kind.removeprefix('logged ') for kind in kinds)}, with the field "
            "`kind` before it, which says which one.",
        ]
    return "\n\n".join(parts) + "\n"


def _listed(whole: Fields) -> str:
    """List fields; those that share form and meaning share a line."""
    lines = []
    for (name, form, meaning), shared in itertools.groupby(
        whole, key=lambda field: (field[0] == "*", *field[1:])
    ):
        names = ", ".join(f"`{one[0]}`" for one in shared)
        lines.append(f"- All of a {form}." if name else f"- {names} ({_words(form)}): {meaning}")
    return "\n".join(lines)


def _words(form: str) -> str:
    """Say a form."""
    if " or " in form:
        return ", or ".join(_words(one) for one in form.split(" or "))
    if form.endswith("?"):
        return f"{_words(form[:-1])}, or null"
    if form.startswith("["):
        return f"list of {_words(form[1:-1])}"
    if form.startswith("{"):
        return f"{_words(form[1:-1])} by name"
    if form.startswith('"'):
        return " or ".join(f'"{one}"' for one in form.strip('"').split("|"))
    return {"yes/no": "true or false", "integer": "whole number"}.get(form, form)


def json_schema_text() -> str:
    """Return the schema as the text of its file."""
    return json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    guide = Path(__file__).resolve().parents[1] / "guide"
    for file_name, text in (
        ("commands.md", command_reference()),
        ("json.md", json_reference()),
        ("signs.md", signs_reference()),
        ("json.schema.json", json_schema_text()),
    ):
        (guide / file_name).write_text(text, encoding="utf-8")
