"""Numbers of cells as somebody types them."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["all_typed", "whole_typed"]


def whole_typed(text: str, *, most: int) -> int | None:
    """Return a whole number from 0 to `most`, or None for anything else.

    Parameters
    ----------
    text : str
        Digits; blanks around them do not matter.
    most : int
        The largest that is believed.

    Returns
    -------
    int or None
        The number. However long the text is, it is not worked out where it cannot be right.
    """
    digits = text.strip()
    if not (digits.isascii() and digits.isdecimal()):
        return None
    digits = digits.lstrip("0") or "0"
    if len(digits) > len(str(most)):
        return None
    number = int(digits)
    return number if number <= most else None


def all_typed(words: Iterable[str], *, most: int) -> tuple[int, ...] | None:
    """Return the numbers of several words as `whole_typed`, or None where one is none.

    Parameters
    ----------
    words : iterable of str
        One number each.
    most : int
        The largest that is believed.
    """
    numbers = [whole_typed(word, most=most) for word in words]
    known = tuple(number for number in numbers if number is not None)
    return known if len(known) == len(numbers) else None
