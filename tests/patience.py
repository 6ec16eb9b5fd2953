"""How long a test waits for what hangs: by this machine's pace now, not by a free machine's."""

from __future__ import annotations

import math
import time
from collections.abc import Callable


def patience(start: Callable[[], object], *, least: int) -> int:
    """Return a limit [s] that what does not hang keeps to: many times what `start` takes now.

    The limit on a job counts its process's start, a second of work that takes ten of waiting where
    others use the processors.
    """
    begun = time.monotonic()
    start()
    return max(least, math.ceil(6 * (time.monotonic() - begun)))
