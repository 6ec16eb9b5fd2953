"""A number of cells as somebody types it."""

from __future__ import annotations

__all__ = ["whole_typed"]


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
