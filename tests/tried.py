"""Calls what may refuse, for properties of the form "a value in range or a clean refusal"."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

R = TypeVar("R", bound=BaseException)


def tried(call: Callable[..., Any], *given: Any, refusal: type[R], **named: Any) -> Any | R:
    """Return what a call gives, or the refusal of this one kind that it raises."""
    try:
        return call(*given, **named)
    except refusal as error:
        return error
