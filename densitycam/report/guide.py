"""The guide: its topics, as text for a terminal and as HTML for the page."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING

from densitycam.errors import DensitycamError

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token

__all__ = [
    "TOPICS",
    "Topic",
    "picture",
    "topic_html",
    "topic_markdown",
    "topic_text",
    "topic_title",
]

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
        Topic("begin", "first steps: print, tape, snap, count, calibrate, split"),
        Topic("day", "the daily round, with the command line"),
        Topic("page", "the daily round, with the phone in your hand"),
        Topic("count", "count a slide, calibrate, notice a drift"),
        Topic("feed", "keep a harvest cold, and feed it"),
        Topic("numbers", "what the numbers mean, and their limits"),
        Topic("signs", "every reason for no number, every sign, and what to do"),
        Topic("care", "cautions: mains, fixative, bleach, overdosing"),
        Topic("method", "how it measures, with formulas and sources"),
        Topic("accuracy", "how near the number comes"),
        Topic("files", "where things are kept, tables, formats"),
        Topic("shell", "completion, pipes, exit codes, NO_COLOR"),
        Topic("commands", "every command with its options"),
        Topic("json", "what --json prints, field by field"),
    )
}


def topic_markdown(name: str) -> str:
    """Return a topic as Markdown.

    Parameters
    ----------
    name : str
        One of `TOPICS`.

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
    return (files("densitycam") / "guide" / f"{name}.md").read_text(encoding="utf-8")


def topic_title(name: str) -> str:
    """Return a topic's heading.

    Parameters
    ----------
    name : str
        One of `TOPICS`.

    Raises
    ------
    DensitycamError
        For a topic that is not there.
    """
    return topic_markdown(name).partition("\n")[0].lstrip("# ")


def picture(name: str) -> bytes | None:
    """Return a picture of the guide, such as "page.jpg"; None where there is none of that name.

    Parameters
    ----------
    name : str
        Small letters and dashes, ending in .jpg or .png; nothing else leads anywhere.
    """
    if not re.fullmatch(r"[a-z-]+\.(?:jpg|png)", name):
        return None
    place = files("densitycam") / "guide" / name
    return place.read_bytes() if place.is_file() else None


# In a terminal


def topic_text(name: str) -> str:
    """Return a topic for a terminal, at most 80 columns wide where words allow it.

    Parameters
    ----------
    name : str
        One of `TOPICS`.

    Raises
    ------
    DensitycamError
        For a topic that is not there.
    """
    lines: list[str] = []
    _blocks(iter(_parser().parse(topic_markdown(name))), lines, first="", rest="")
    return "\n".join(lines).strip("\n")


def _blocks(
    tokens: Iterator[Token], lines: list[str], *, first: str, rest: str, end: str = ""
) -> None:
    """Write blocks until a token of the type `end`; `first` and `rest` stand before their lines."""
    for token in tokens:
        if token.type == end:
            return
        if token.type == "heading_open":
            title = _inline(next(tokens))
            lines += [title, ("=" if token.tag == "h1" else "-") * len(title), ""]
        elif token.type == "inline":  # of a paragraph
            lines += _wrapped(_inline(token), first=first, rest=rest)
            if not token.hidden and not _hidden(tokens):
                lines.append("")
            first = rest
        elif token.type == "fence":
            code = token.content.splitlines()
            lines += [row if len(row) > _WIDTH - 2 else f"{rest}  {row}".rstrip() for row in code]
            lines.append("")
        elif token.type == "table_open":
            lines += [*_columns(_cells(tokens)), ""]
        elif token.type in ("bullet_list_open", "ordered_list_open"):
            _items(tokens, lines, indent=rest, end=token.type.replace("open", "close"))
            if lines[-1]:  # else a list within has ended there
                lines.append("")


def _hidden(tokens: Iterator[Token]) -> bool:
    """Pass a paragraph's end, and say whether the paragraph stands in a list without gaps."""
    return next(tokens).hidden


def _items(tokens: Iterator[Token], lines: list[str], *, indent: str, end: str) -> None:
    """Write a list's items."""
    for token in tokens:
        if token.type == end:
            return
        if token.type == "list_item_open":
            mark = f"{token.info}. " if token.info else "- "
            hang = " " * len(mark)
            _blocks(tokens, lines, first=indent + mark, rest=indent + hang, end="list_item_close")


def _cells(tokens: Iterator[Token]) -> list[list[str]]:
    """Read a table's rows until its end."""
    rows: list[list[str]] = []
    for token in tokens:
        if token.type == "table_close":
            break
        if token.type == "tr_open":
            rows.append([])
        elif token.type == "inline":
            rows[-1].append(_inline(token))
    return rows


def _inline(token: Token) -> str:
    """Return a text without its marks; a link to a topic says how to read it."""
    out: list[str] = []
    address = ""
    for one in token.children or ():
        if one.type == "image":
            out.append(f"[Picture: {one.content}]")
        elif one.type == "softbreak":
            out.append(" ")
        elif one.type == "link_open":
            address = str(one.attrGet("href"))
        elif one.type == "link_close":
            name = address.removesuffix(".md")
            out.append(f" (densitycam help {name})" if name in TOPICS else "")
        else:
            out.append(one.content)
    return " ".join("".join(out).split())


def _wrapped(text: str, *, first: str, rest: str) -> list[str]:
    lines = textwrap.wrap(
        re.sub(r"(\d) (?=%|(?:mm2?|um|mL|L|g)\b)", "\\1\u00a0", text),  # number and unit
        _WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
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
            textwrap.wrap(cell, width, break_on_hyphens=False) or [""]
            for cell, width in zip(row, widths, strict=True)
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

    Parameters
    ----------
    name : str
        One of `TOPICS`.

    Raises
    ------
    DensitycamError
        For a topic that is not there.
    """
    parser = _parser()
    tokens = parser.parse(topic_markdown(name))
    for token in tokens:
        if token.type == "table_open" or token.type == "fence":
            # What is scrolled sideways on a phone is reached by the keyboard too.
            token.attrSet("tabindex", "0")
        for one in token.children or ():
            address = str(one.attrGet("href") or "")
            if one.type == "link_open" and address.removesuffix(".md") in TOPICS:
                one.attrSet("href", f"/help/{address.removesuffix('.md')}")
            if one.type == "image":
                one.attrSet("src", f"/help/picture/{one.attrGet('src')}")
    return str(parser.renderer.render(tokens, parser.options, {}))


def _parser() -> MarkdownIt:
    from markdown_it import MarkdownIt

    # Markup of HTML in the text is shown, not obeyed.
    return MarkdownIt("commonmark", {"html": False}).enable("table")
