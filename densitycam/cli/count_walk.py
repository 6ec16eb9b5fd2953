"""Counting at the prompt: square by square, with undo and the precision reached so far."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from densitycam.counting.tally import (
    CLUMP_RULE,
    EDGE_RULE,
    Filling,
    Tally,
)
from densitycam.counting.typed import whole_typed
from densitycam.errors import DensitycamError
from densitycam.report.count_text import MOST_IN_SQUARE, running_words

#: What may be typed instead of a number.
KEYS = (
    "Type the cells of each square and press Enter. u takes the last one back, n goes to the other "
    "side or a fresh filling, f finishes, q leaves and keeps nothing."
)


def walk(
    ask: Callable[[str], str], say: Callable[[str], None], tally: Tally, *, half_width: float
) -> Tally | None:
    """Ask for cells square by square until the user has finished.

    Parameters
    ----------
    ask : callable
        Shows a prompt and returns what was typed.
    say : callable
        Shows a line.
    tally : Tally
        Chamber, square, dilution and fixative; its fillings are filled here.
    half_width : float
        Wanted relative half-width, between 0 and 1.

    Returns
    -------
    Tally or None
        What was counted; None where the user left, or finished without a square.
    """
    for rule in (EDGE_RULE, CLUMP_RULE, KEYS):
        say(rule)
    sides: list[list[int]] = [[]]
    # How many of all cells looked dead says nothing of the first squares.
    so_far = replace(tally, dead=None)
    while True:
        side = sides[-1]
        word = ask(f"Filling {len(sides)}, square {len(side) + 1}").strip().lower()
        if word in ("q", "quit"):
            return None
        if word in ("f", "finish"):
            break
        if word in ("u", "undo"):
            say(_undo(sides))
        elif word in ("n", "next"):
            if side:
                sides.append([])
            else:
                say("Nothing is counted in this filling yet.")
            continue
        else:
            cells = whole_typed(word, most=MOST_IN_SQUARE)
            if cells is None:
                say(f"{word[:20]!r} is neither a number of cells nor one of u, n, f, q.")
                continue
            side.append(cells)
        try:
            running = running_words(_with(so_far, sides), half_width, take_back="u takes it back")
        except (ValueError, DensitycamError) as error:
            side.pop()
            say(f"Not taken: {error}.")
        else:
            if running:
                say(f"  {running}")
    counted = _with(tally, sides)
    return _asked_after(ask, say, counted) if counted.fillings else None


def _with(tally: Tally, sides: list[list[int]]) -> Tally:
    return replace(
        tally, fillings=tuple(Filling(tuple(side), float(len(side))) for side in sides if side)
    )


def _undo(sides: list[list[int]]) -> str:
    if not sides[-1] and len(sides) > 1:
        sides.pop()
    if not sides[-1]:
        return "There is nothing to take back."
    return f"Took back {sides[-1].pop()} cells of square {len(sides[-1]) + 1}."


def _asked_after(ask: Callable[[str], str], say: Callable[[str], None], tally: Tally) -> Tally:
    """Ask for dead cells and clumps, which may be left open."""
    found: dict[str, Any] = {}
    for field, prompt, most in (
        ("dead", "Dead cells among them (Enter where not looked for)", tally.cells),
        ("clumps", "Clumps seen (Enter where not looked for)", MOST_IN_SQUARE),
    ):
        given = getattr(tally, field)
        if given is not None:
            if 0 <= given <= most:
                continue
            say(f"{given} is not a number from 0 to {most}.")
        while True:
            word = ask(prompt).strip()
            number = whole_typed(word, most=most)
            if word == "" or number is not None:
                break
            say(f"{word[:20]!r} is not a number from 0 to {most}.")
        found[field] = number
    return replace(tally, **found)
