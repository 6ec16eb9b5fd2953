"""The guide: its topics, as text for a terminal and as HTML for the page."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from densitycam.errors import DensitycamError
from densitycam.flags import FLAGS

__all__ = ["TOPICS", "Topic", "picture", "topic_html", "topic_markdown", "topic_text"]

#: Columns of a terminal that every text fits.
_WIDTH = 80


@dataclass(frozen=True)
class Topic:
    """One text of the guide.

    Parameters
    ----------
    id : str
        What it is asked for by, and the name of its file.
    summary : str
        What it is about, a few words.
    """

    id: str
    summary: str


#: In the order in which a newcomer needs them.
TOPICS: dict[str, Topic] = {
    topic.id: topic
    for topic in (
        Topic("begin", "print, tape, describe, measure the print: set up your own"),
        Topic("day", "the daily round, with the command line"),
        Topic("page", "the daily round, with the phone in your hand"),
        Topic("count", "count a slide, calibrate, notice a drift"),
        Topic("numbers", "what the numbers mean, and their limits"),
        Topic("signs", "every reason for no number, every sign, and what to do"),
        Topic("care", "cautions: mains, fixative, bleach, overdosing"),
        Topic("method", "how it measures, with formulas and sources"),
        Topic("accuracy", "how near the number comes"),
        Topic("files", "where things are kept, tables, formats, exit codes"),
        Topic("commands", "every command with its options"),
    )
}


def topic_markdown(name: str) -> str:
    """Return a topic as Markdown.

    Raises
    ------
    DensitycamError
        For a topic that is not there.
    """
    if name not in TOPICS:
        import difflib

        close = difflib.get_close_matches(name, TOPICS, n=1, cutoff=0.5)
        hint = f"Did you mean {close[0]}?" if close else f"There are {', '.join(TOPICS)}."
        raise DensitycamError(f"There is no topic {name!r}.", hint)
    if name == "signs":
        return _signs()
    return (files("densitycam") / "guide" / f"{name}.md").read_text(encoding="utf-8")


def picture(name: str) -> bytes | None:
    """Return a picture of the guide, such as "page.jpg"; None where there is none of that name."""
    if not re.fullmatch(r"[a-z-]+\.(?:jpg|png)", name):
        return None
    place = files("densitycam") / "guide" / name
    return place.read_bytes() if place.is_file() else None


def _signs() -> str:
    """Return the registry of gates and signs as a text."""
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


# In a terminal


def topic_text(name: str) -> str:
    """Return a topic for a terminal, at most 80 columns wide where words allow it.

    Raises
    ------
    DensitycamError
        For a topic that is not there.
    """
    out: list[str] = []
    paragraph: list[str] = []
    table: list[list[str]] = []
    code = False

    def flush() -> None:
        if paragraph:
            out.extend(_wrapped(" ".join(line.strip() for line in paragraph)))
            paragraph.clear()
        if table:
            out.extend(_columns(table))
            table.clear()

    for line in topic_markdown(name).splitlines():
        if line.startswith("```"):
            flush()
            code = not code
        elif code:
            out.append(line if len(line) > _WIDTH - 2 else f"  {line}")
        elif line.startswith("|"):
            cells = [_plain(cell.strip()) for cell in line.strip().strip("|").split("|")]
            if not all(re.fullmatch(r":?-+:?", cell) for cell in cells):
                table.append(cells)
        elif line.startswith("#"):
            flush()
            title = _plain(line.lstrip("# "))
            out += [title, ("=" if line.startswith("# ") else "-") * len(title)]
        elif not line.strip():
            flush()
            out.append("")
        else:
            if re.match(r"\s*(?:[-*]|\d+\.)\s", line):
                flush()
            paragraph.append(line)
    flush()
    return re.sub(r"\n{3,}", "\n\n", "\n".join(out)).strip("\n")


def _plain(text: str) -> str:
    """Take the marks of Markdown off a text; a link to a topic says how to read it."""
    text = re.sub(r"!\[([^]]*)\]\([^)]*\)", r"[Picture: \1]", text)
    text = re.sub(r"\[([^]]+)\]\((\w+)\.md\)", _link, text)
    text = re.sub(r"\[([^]]+)\]\([^)]*\)", r"\1", text)
    return re.sub(r"\*\*|`|(?<!\w)\*|\*(?!\w)", "", text)


def _link(found: re.Match[str]) -> str:
    words, name = found[1], found[2]
    return f"{words} (densitycam help {name})" if name in TOPICS else words


def _wrapped(text: str) -> list[str]:
    found = re.match(r"((?:[-*]|\d+\.)\s+)", text)
    lead = found[1] if found else ""
    lines = textwrap.wrap(
        _plain(text.removeprefix(lead)).replace(" %", "\u00a0%"),  # no number without its unit
        _WIDTH,
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]


def _columns(table: Sequence[Sequence[str]]) -> list[str]:
    """Set a table in columns that share the width, the text in them wrapped."""
    count = len(table[0])
    longest = [max(len(row[n]) for row in table) for n in range(count)]
    room = _WIDTH - 2 * (count - 1)
    widths = list(longest)
    while sum(widths) > room:  # the widest gives way
        widths[widths.index(max(widths))] -= 1
    lines = []
    for place, row in enumerate(table):
        cells = [
            textwrap.wrap(cell, width) or [""] for cell, width in zip(row, widths, strict=True)
        ]
        for n in range(max(map(len, cells))):
            parts = [
                (c[n] if n < len(c) else "").ljust(w) for c, w in zip(cells, widths, strict=True)
            ]
            lines.append("  ".join(parts).rstrip())
        if not place:
            lines.append("  ".join("-" * width for width in widths))
    return lines


# On a page


def topic_html(name: str) -> str:
    """Return a topic as HTML; links lead to the other topics' pages, pictures to /help/picture/.

    Raises
    ------
    DensitycamError
        For a topic that is not there.
    """
    from markdown_it import MarkdownIt

    text = topic_markdown(name)
    text = re.sub(r"(!\[[^]]*\])\(([\w-]+\.(?:jpg|png))\)", r"\1(/help/picture/\2)", text)
    text = re.sub(r"(?<!!)(\[[^]]+\])\((\w+)\.md\)", r"\1(/help/\2)", text)
    # Markup of HTML in the text is shown, not obeyed.
    html = str(MarkdownIt("commonmark", {"html": False}).enable("table").render(text))
    # What is scrolled sideways on a phone is reached by the keyboard too.
    return re.sub(r"<(pre|table)>", r'<\1 tabindex="0">', html)
