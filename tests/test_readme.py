"""Every command that the README and the changelog name exists, with the options given to it."""

from __future__ import annotations

import csv
import math
import re
import shlex
from datetime import date, datetime
from pathlib import Path

import click
import pytest

from densitycam.cli.main import main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CHANGELOG = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")

GUIDE = {p.stem: p.read_text(encoding="utf-8") for p in (ROOT / "densitycam/guide").glob("*.md")}
#: What a keeper reads: the README and the guide. The lines of the topic `shell` are a shell's own;
#: tests/cli/test_guide.py runs them.
TEXTS = "\n".join(
    [README, *(text for name, text in GUIDE.items() if name not in ("commands", "shell"))]
)

BLOCKS = re.findall(r"^```sh\n(.*?)^```", TEXTS, flags=re.MULTILINE | re.DOTALL)
LINES = [line for block in BLOCKS for line in block.splitlines() if line.startswith("densitycam ")]


def command_named(name: str) -> click.Command:
    command = main.get_command(click.Context(main), name)
    assert command is not None, f"there is no command {name}"
    return command


@pytest.mark.parametrize("line", LINES)
def test_a_command_line_in_the_readme_is_understood(line):
    _, name, *arguments = shlex.split(line, comments=True)
    # Parses and checks every argument, and stops before the command does anything.
    command = command_named(name)
    context = command.make_context(name, arguments)
    if isinstance(command, click.Group):
        place = next((n for n, word in enumerate(arguments) if word in command.commands), None)
        if place is not None:
            name = arguments[place]
            context = command.commands[name].make_context(name, arguments[place + 1 :])
    assert context.params


def test_readme_and_guide_show_every_command():
    shown = {shlex.split(line)[1] for line in LINES}
    assert shown == set(main.list_commands(click.Context(main)))


def test_options_named_in_the_text_exist():
    commands = [command_named(name) for name in main.list_commands(click.Context(main))]
    commands += [sub for c in commands if isinstance(c, click.Group) for sub in c.commands.values()]
    known = {o for c in commands for parameter in c.params for o in parameter.opts} | {"--help"}
    text = re.sub(r"^```.*?^```", "", TEXTS, flags=re.MULTILINE | re.DOTALL)
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text))
    assert named
    assert named - known == set()


def test_the_changelog_names_commands_that_exist():
    named = set(re.findall(r"`densitycam (\w+)`", CHANGELOG))
    assert named
    assert named <= set(main.list_commands(click.Context(main)))


@pytest.mark.parametrize(
    "document",
    ["README.md", "DEVELOPERS.md", "CHANGELOG.md", *(f"densitycam/guide/{n}.md" for n in GUIDE)],
)
def test_links_and_named_places_lead_somewhere(document):
    text = (ROOT / document).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    places = re.findall(r"`((?:\.ci|calibration|densitycam|samples|tests)/[\w./]*)`", text)
    beside = (ROOT / document).parent
    assert [link for link in links if not (beside / link).exists()] == []
    assert [place for place in places if not (ROOT / place).exists()] == []


def test_the_readme_tells_the_samples_truly():
    with (ROOT / "samples" / "truth.csv").open(encoding="utf-8") as file:
        spoilt = [row for row in csv.DictReader(file) if row["note"].startswith("cannot be")]
    (row,) = spoilt
    vessel, _, name = row["photo"].partition("/")
    day = date.fromisoformat(name[:10])
    what = row["note"].partition(": ")[2]
    said = " ".join(README.split())
    assert f"the {vessel.replace('-', ' ')}'s of {day.day} {day:%B} is {what}." in said


def test_the_line_shown_is_one_that_batch_prints():
    from densitycam.calibration.estimate import Estimate
    from densitycam.culture.advice import Advice
    from densitycam.report.text import batch_heading, batch_line

    unit = (1e6, "million")
    estimate = Estimate("measured", 8.7e5, 7.8e5, 9.6e5, 0.06, "c", 8, True)
    advice = Advice("harvest", "", (), "", math.nan, None, None)
    line = batch_line(
        name="2026-03-08_0811", when=datetime(2026, 3, 8), estimate=estimate, unit=unit,
        advice=advice,
    )  # fmt: skip
    assert f"\n{batch_heading(unit)}\n" in README
    assert f"\n{line}\n" in README
