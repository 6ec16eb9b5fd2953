"""Every fault at a glance: what is tried, how often in the tests, how often in the benchmark."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import clock_back
import disk_full
import folder_changing
import half_files
import killing
import locked
import read_only
import together
import worker_killed
from figures import Figures
from works import WORKS


@dataclass(frozen=True)
class Fault:
    """One fault.

    Parameters
    ----------
    name : str
        In a few words.
    run : callable
        Brings it about in a folder, with keywords `tries` and `seed`.
    few, many : int
        Tries in a test, and in the benchmark; of files cut short, steps of each kind.
    least : int
        Tries that a test must have made: some faults count each command, or each cut.
    """

    name: str
    run: Callable[..., Figures]
    few: int
    many: int
    least: int


FAULTS = (
    Fault("disk full", disk_full.run, len(WORKS), 1200, len(WORKS)),
    Fault("disk full, the page", disk_full.run_page, 5, 300, 5),
    Fault("journal that may only be read", read_only.run, len(WORKS), 480, 50),
    Fault(
        "journal held by another program",
        partial(locked.run, works=WORKS[2::3], waits_s=0.15), 8, 0, 8,
    ),
    Fault("the same, all that write", locked.run, 0, 300, 300),
    Fault("the same, held for 15 s and more", partial(locked.run, waits_s=None), 0, 8, 8),
    Fault("clock set back", clock_back.run, 2, 200, 2),
    Fault("folder changing while read", folder_changing.run, 3, 300, 3),
    Fault("kill -9 of a command", killing.run, len(killing.ALONE), 2000, len(killing.ALONE)),
    Fault("kill -9 of batch", killing.run_batch, 5, 50, 5),
    Fault("kill -9 of the page", killing.run_page, 2, 100, 2),
    Fault("worker killed, batch", worker_killed.run, 2, 100, 2),
    Fault("worker killed, page", worker_killed.run_page, 1, 60, 1),
    Fault("file half-written, or to come", half_files.run, 20, 400, 180),
    Fault("all at once on one journal", partial(together.run, seconds=2.5), 1, 0, 20),
    Fault("the same, longer", partial(together.run, seconds=15.0), 0, 12, 500),
)  # fmt: skip
