"""Processes that read photos side by side, and outlive the death of any of them."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import (
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    TimeoutError,
)
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
    limit_s : float or None
        A job that takes longer is ended with its process, and not begun again [s]; the process's
        start counts too.

    Raises
    ------
    DensitycamError
        By `Future.result`, of a job that ended its process twice, or took too long.
    """

    def __init__(self, count: int, *, limit_s: float | None = None) -> None:
        self._limit_s = limit_s
        self._stopped = False
        # One thread a process: it hands over a job, waits for it, and sees its process die.
        self._threads = ThreadPoolExecutor(count, thread_name_prefix="densitycam-worker")
        self._own = threading.local()
        self._pools: list[ProcessPoolExecutor] = []

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Hand out a job; function and arguments travel by pickle.

        Parameters
        ----------
        fn : callable
            A function of a module, as pickle needs it.
        *args, **kwargs
            What it is called with.

        Returns
        -------
        Future
            Of its result; it raises what the class tells.
        """
        return self._threads.submit(self._work, fn, args, kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes when their jobs are done; those not begun can be given up.

        Parameters
        ----------
        wait, cancel_futures
            As in `concurrent.futures.Executor.shutdown`.
        """
        self._threads.shutdown(wait=wait, cancel_futures=cancel_futures)
        for pool in self._pools:
            pool.shutdown(wait=wait)

    def stop(self) -> None:
        """End the processes now, whatever they are at, and begin nothing more."""
        self._stopped = True
        self._threads.shutdown(wait=False, cancel_futures=True)
        for pool in list(self._pools):
            _kill(pool)
        self._threads.shutdown()

    def _work(self, fn: Callable[..., T], args: tuple[Any, ...], kwargs: dict[str, Any]) -> T:
        for _ in range(_TRIES):
            if self._stopped:
                raise DensitycamError("The program is ending.", "Start it again.")
            try:
                job = self._process().submit(fn, *args, **kwargs)
                return job.result(self._limit_s)
            except BrokenProcessPool:
                self._give_up_process()
            except TimeoutError:
                if job.done():  # the job itself failed so
                    raise
                _kill(self._own.pool)
                self._give_up_process()
                raise DensitycamError(
                    f"Reading it took longer than {self._limit_s:g} s and was stopped.",
                    "Save the photo as a plain JPEG, or take it anew.",
                ) from None
        raise DensitycamError(
            "Reading it ended the process that read it, twice.",
            "If the computer was short of memory, close other programs and use fewer workers; "
            "else save the photo as a plain JPEG, or take it anew.",
        )

    def _give_up_process(self) -> None:
        self._own.pool.shutdown(wait=False)
        self._pools.remove(self._own.pool)
        del self._own.pool

    def _process(self) -> ProcessPoolExecutor:
        """Return this thread's process, started where it has none."""
        pool: ProcessPoolExecutor | None = getattr(self._own, "pool", None)
        if pool is None:
            # Spawned, not forked: OpenCV's threads do not survive a fork.
            pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_begin)
            self._own.pool = pool
            self._pools.append(pool)
        return pool


def _kill(pool: ProcessPoolExecutor) -> None:
    """End a pool's process at once; its pool then says that it is broken."""
    # Python 3.14 has kill_workers() for it.
    for process in list((pool._processes or {}).values()):
        process.kill()


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
