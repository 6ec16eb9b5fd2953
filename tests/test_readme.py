"""Every command that the README and the changelog name exists, with the options given to it."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from densitycam.cli.main import main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CHANGELOG = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")

BLOCKS = re.findall(r"^```sh\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
LINES = [line for block in BLOCKS for line in block.splitlines() if line.startswith("densitycam ")]


def command_named(name: str) -> click.Command:
    command = main.get_command(click.Context(main), name)
    assert command is not None, f"there is no command {name}"
    return command


@pytest.mark.parametrize("line", LINES)
def test_a_command_line_in_the_readme_is_understood(line):
    _, name, *arguments = shlex.split(line, comments=True)
    # Parses and checks every argument, and stops before the command does anything.
    context = command_named(name).make_context(name, arguments)
    assert context.params


def test_the_readme_shows_every_command():
    shown = {shlex.split(line)[1] for line in LINES}
    assert shown == set(main.list_commands(click.Context(main)))


def test_options_named_in_the_text_exist():
    known = {
        option
        for name in main.list_commands(click.Context(main))
        for parameter in command_named(name).params
        for option in parameter.opts
    } | {"--help"}
    text = re.sub(r"^```.*?^```", "", README, flags=re.MULTILINE | re.DOTALL)
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text))
    assert named
    assert named - known == set()


def test_the_changelog_names_commands_that_exist():
    named = set(re.findall(r"`densitycam (\w+)`", CHANGELOG))
    assert named
    assert named <= set(main.list_commands(click.Context(main)))


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_and_named_places_lead_somewhere(document):
    text = (ROOT / document).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    places = re.findall(r"`((?:\.ci|calibration|densitycam|samples|tests)/[\w./]*)`", text)
    assert [place for place in links + places if not (ROOT / place).exists()] == []
