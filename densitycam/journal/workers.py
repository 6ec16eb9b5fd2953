"""Processes that read photos side by side, and outlive the death of any of them."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing import get_context, parent_process
from typing import Any, TypeVar

from densitycam.errors import DensitycamError

T = TypeVar("T")

#: How often a job is begun at most when its process dies: once more, since the machine may have
#: run out of memory through somebody else's doing.
_TRIES = 2


class Workers(Executor):
    """Worker processes, each with one job at a time.

    A pool of the standard library gives up every job when one of its processes dies. Here each
    process is a pool of its own, so that a death costs at most the job it was at: that job is
    begun once more in a new process, and fails if that one dies too.

    Parameters
    ----------
    count : int
        Processes, >= 1; none is started before there is work for it.

    Raises
    ------
    DensitycamError
        By `Future.result`, of a job that ended its process twice.
    """

    def __init__(self, count: int) -> None:
        # One thread a process: it hands over a job, waits for it, and sees its process die.
        self._threads = ThreadPoolExecutor(count, thread_name_prefix="densitycam-worker")
        self._own = threading.local()
        self._pools: list[ProcessPoolExecutor] = []

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Hand out a job; function and arguments travel by pickle."""
        return self._threads.submit(self._work, fn, args, kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes when their jobs are done; those not begun can be given up."""
        self._threads.shutdown(wait=wait, cancel_futures=cancel_futures)
        for pool in self._pools:
            pool.shutdown(wait=wait)

    def _work(self, fn: Callable[..., T], args: tuple[Any, ...], kwargs: dict[str, Any]) -> T:
        for _ in range(_TRIES):
            try:
                return self._process().submit(fn, *args, **kwargs).result()
            except BrokenProcessPool:
                self._own.pool.shutdown(wait=False)
                self._pools.remove(self._own.pool)
                del self._own.pool
        raise DensitycamError(
            "Reading it ended the process that read it, twice.",
            "If the computer was short of memory, close other programs and use fewer workers; "
            "else save the photo as a plain JPEG, or take it anew.",
        )

    def _process(self) -> ProcessPoolExecutor:
        """Return this thread's process, started where it has none."""
        pool: ProcessPoolExecutor | None = getattr(self._own, "pool", None)
        if pool is None:
            # Spawned, not forked: OpenCV's threads do not survive a fork.
            pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_begin)
            self._own.pool = pool
            self._pools.append(pool)
        return pool


def usable_cores() -> int:
    """Return how many processor cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _begin() -> None:
    """Prepare a worker: one thread a library, and no life without the process that started it."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    with suppress(ImportError):  # which the first photo says in words
        import cv2

        cv2.setNumThreads(1)  # the processes share the cores already
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that hands out work
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, killed or not."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
