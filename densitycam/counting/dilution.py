"""Dilution chains: what was drawn, what it was made up to, and the factor of all steps together."""

from __future__ import annotations

import math
import re

from densitycam.errors import DensitycamError

__all__ = ["chain_factor", "describe_chain", "parse_chain"]

_STEP = re.compile(r"(?:1\s*:\s*(?P<to>[\d.]+)|1\s*\+\s*(?P<plus>[\d.]+)|(?P<plain>[\d.]+))")

#: No culture is thinned further than this in one chain; a larger number is a slip.
_HIGHEST = 1e6


def parse_chain(text: str) -> tuple[float, ...]:
    """Read a chain of dilutions.

    Parameters
    ----------
    text : str
        Steps joined by "x" or ",", each "10" or "1:10" (1 mL made up to 10 mL) or "1+9" (1 part
        and 9 parts of water). "1" is no dilution.

    Returns
    -------
    tuple of float
        Final over drawn volume of each step, those of 1 left out; empty for no dilution.

    Raises
    ------
    DensitycamError
        For anything else, and for a step that would concentrate.
    """
    steps = []
    for part in re.split(r"[x*,]", text.strip().lower()):
        found = _STEP.fullmatch(part.strip())
        try:
            if found is None:
                raise ValueError
            factor = (
                1.0 + float(found["plus"])
                if found["plus"] is not None
                else float(found["to"] or found["plain"])
            )
        except ValueError:
            raise DensitycamError(
                f"{text!r} is not a dilution.",
                "Write 10 or 1:10 for 1 mL made up to 10 mL, 1+9 for one part and nine parts of "
                "water, and join steps with x, such as 1:10x1:5.",
            ) from None
        if not 1 <= factor <= _HIGHEST:
            raise DensitycamError(
                f"A dilution of {factor:g} in {text!r} cannot be.",
                "It is final over drawn volume, so at least 1: 1 mL made up to 10 mL is 10.",
            )
        if factor > 1:
            steps.append(factor)
    return tuple(steps)


def chain_factor(steps: tuple[float, ...]) -> float:
    """Return the factor of all steps together; 1 for none.

    Parameters
    ----------
    steps : tuple of float
        Final over drawn volume of each step, >= 1.
    """
    return math.prod(steps)


def describe_chain(steps: tuple[float, ...]) -> str:
    """Return a chain in words that leave no doubt which way it is meant.

    Parameters
    ----------
    steps : tuple of float
        As in `chain_factor`.
    """
    if not steps:
        return "not diluted"
    each = ", then ".join(f"1 mL made up to {s:g} mL" for s in steps)
    return f"{each}: {chain_factor(steps):g} times in all" if len(steps) > 1 else each
