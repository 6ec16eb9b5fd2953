"""JSON from a file that anyone may have written: what Python's reader lets through is refused."""

from __future__ import annotations

import json
from typing import Any

__all__ = ["UNFIT", "read_json"]

#: What building one of our objects out of well-formed JSON of another make may raise.
UNFIT = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)

#: No whole number of ours is longer, and SQLite takes none beyond 64 bits [digits].
_LONGEST = 18


def read_json(text: str) -> Any:
    """Read a JSON text.

    Parameters
    ----------
    text : str
        The whole text. NaN and Infinity, which RFC 8259 does not know and Python writes, are read.

    Returns
    -------
    object
        dict, list, str, int, float, bool or None.

    Raises
    ------
    ValueError
        For what is no JSON, is nested too deep to be read, or holds a whole number of more than 18
        digits.
    """
    try:
        return json.loads(text, parse_int=_whole)
    except RecursionError:
        raise ValueError("it is nested too deep") from None


def _whole(digits: str) -> int:
    if len(digits.removeprefix("-")) > _LONGEST:
        raise ValueError(f"a number has more than {_LONGEST} digits")
    return int(digits)
