"""The guide: every topic can be read in a terminal and as HTML, its reference is the code's."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from densitycam.cli.main import main
from densitycam.cli.reference import command_reference, signs_reference
from densitycam.flags import FLAGS
from densitycam.report.guide import TOPICS, picture, topic_html, topic_markdown, topic_text

GUIDE = Path(__file__).resolve().parents[2] / "densitycam" / "guide"


def test_the_topics_are_the_files():
    assert {path.stem for path in GUIDE.glob("*.md")} == set(TOPICS)


@pytest.mark.parametrize("name", TOPICS)
def test_a_topic_fits_a_terminal_and_shows_no_marks(run, name):
    text = run("help", name).output
    assert len(text) > 400
    assert not re.search(r"\*\*|\]\(|^#|^\|", text, flags=re.MULTILINE)
    # A command line is not broken; all else is 80 columns wide at most.
    wide = [line for line in text.splitlines() if len(line) > 80]
    assert [line for line in wide if not line.strip().startswith(("densitycam ", "python "))] == []
    assert max(map(len, wide), default=0) <= 90


def test_all_is_listed_and_a_wrong_word_is_met_with_the_near_one(run):
    listed = run("help").output
    assert all(f"\n  {name} " in listed for name in TOPICS)
    assert "Did you mean count?" in run("help", "counts", exit_code=1).output
    assert "There are begin, day," in run("help", "xyzzy", exit_code=1).output


def test_every_gate_and_sign_is_explained():
    text = " ".join(topic_text("signs").split())
    for flag in FLAGS.values():
        assert flag.advice in text
        assert " ".join(flag.meaning.split()) in text


def test_the_reference_is_the_commands_own_help_and_the_registry():
    # Made anew with: python -m densitycam.cli.reference
    assert topic_markdown("commands") == command_reference()
    assert topic_markdown("signs") == signs_reference()


def commands(group: click.Group, path: str) -> list[tuple[str, click.Command]]:
    context = click.Context(group)
    found = []
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        found.append((f"{path} {name}", command))
        if isinstance(command, click.Group):
            found += commands(command, f"{path} {name}")
    return found


@pytest.mark.parametrize(("path", "command"), commands(main, "densitycam"))
def test_every_command_has_help_with_an_example_and_each_option_says_what_it_does(path, command):
    assert len(command.help) > 60
    assert f"\n{path}" in re.sub(r"^ +", "", command.help, flags=re.MULTILINE)
    silent = [p.name for p in command.params if isinstance(p, click.Option) and not p.help]
    assert silent == []


@pytest.mark.parametrize("name", TOPICS)
def test_links_and_pictures_lead_within_the_page(name):
    html = topic_html(name)
    assert html.startswith("<h1>")
    for address in re.findall(r'href="([^"]*)"', html):
        assert address.removeprefix("/help/") in TOPICS, address
    for address in re.findall(r'src="([^"]*)"', html):
        assert picture(address.removeprefix("/help/picture/")), address


def test_only_the_guides_own_pictures_are_given():
    assert picture("page.jpg").startswith(b"\xff\xd8")
    assert picture("../flags.py") is None
    assert picture("begin.md") is None
    assert picture("none.jpg") is None


MADE_UP = """# A *title*

Words <script>alert(1)</script> with `--an-option`, **strong** ones,
[another topic](care.md) and ![a thing](page.jpg).

1. First, a point that is long enough to be broken where the eighty columns end, at 100 mL.
   - inner

| a | b |
|---|---|
| `x \\| y` | 2 |
"""


def test_marks_of_a_text_become_html_or_plain_words(monkeypatch):
    monkeypatch.setattr("densitycam.report.guide.topic_markdown", lambda name: MADE_UP)
    html = topic_html("day")
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert '<a href="/help/care">another topic</a>' in html
    assert '<img src="/help/picture/page.jpg" alt="a thing"' in html
    assert '<table tabindex="0">' in html
    assert topic_text("day").splitlines() == [
        "A title",
        "=======",
        "",
        "Words <script>alert(1)</script> with --an-option, strong ones, another topic",
        "(densitycam help care) and [Picture: a thing].",
        "",
        "1. First, a point that is long enough to be broken where the eighty columns end,",
        "   at 100 mL.",
        "   - inner",
        "",
        "a      b",
        "-----  -",
        "x | y  2",
    ]
