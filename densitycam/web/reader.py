"""Reads photos and makes pictures of them in processes of their own, bounded in time and memory."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from werkzeug.exceptions import ServiceUnavailable

from densitycam.errors import DensitycamError, PhotoRefusedError
from densitycam.journal.scoring import ReadingJob, measure, read_job
from densitycam.journal.sorting import tags_in
from densitycam.journal.store import PhotoRecord
from densitycam.journal.workers import Workers, usable_cores

__all__ = ["Reader"]

T = TypeVar("T")

#: Processes at most: a phone or two send photos, and each may take `MEMORY`.
MOST_WORKERS = 2
#: Longest a photo may take to read [s]; a large one takes 15 s at worst on two slow cores.
LIMIT_S = 60.0
#: Address space of a process at most [bytes]. 50 million pixels took 0.6 GB as a JPEG, 1.0 to
#: 1.4 GB as HEIC, TIFF or WebP and 1.9 GB as a PNG of 16 bits, libraries (0.5 GB) and all. It
#: holds on Linux; elsewhere the limits on pixels and time are what there is.
MEMORY = 2_500_000_000
#: Jobs at most that are under way or wait, most of them small pictures for a page.
MOST_JOBS = 20
#: Longer side of a photo shown large [px].
SHOWN_PX = 1600


class Reader:
    """Reads photos for the page; a hostile one costs its own process and nothing else.

    Parameters
    ----------
    workers : int or None
        Processes; None for as many as there are cores, `MOST_WORKERS` at most.
    limit_s : float, default LIMIT_S
        Longest a job may take [s].
    memory : int, default MEMORY
        Address space of a process at most [bytes].
    most_jobs : int, default MOST_JOBS
        Jobs at most that are under way or wait.

    Attributes
    ----------
    count : int
        How many jobs it does at once.

    Notes
    -----
    Every method may be called from any thread, waits for its job, and raises `ServiceUnavailable`
    (503) where too many wait already. Jobs are begun in the order in which they were asked for.
    """

    def __init__(
        self,
        workers: int | None = None,
        *,
        limit_s: float = LIMIT_S,
        memory: int = MEMORY,
        most_jobs: int = MOST_JOBS,
    ) -> None:
        self.count = workers or min(MOST_WORKERS, usable_cores())
        self._workers = Workers(self.count, limit_s=limit_s)
        self._memory = memory
        self._free = threading.BoundedSemaphore(most_jobs)

    def close(self) -> None:
        """End the processes, whatever they are at."""
        self._workers.stop()

    def read(self, job: ReadingJob) -> PhotoRecord | str:
        """Return a photo's record, measured or refused, or why there is none.

        Parameters
        ----------
        job : ReadingJob
            The photo and what is known of its vessel.
        """
        try:
            return self.do(read_job, job)
        except DensitycamError as error:
            return str(error)

    def taken_at(self, path: Path) -> datetime | None:
        """Return when a photo was taken by its EXIF block, local, naive; None where it says none.

        A block that takes too long or too much to read says none.

        Parameters
        ----------
        path : Path
            The photo.
        """
        try:
            return self.do(_taken_at, path)
        except DensitycamError:
            return None

    def tags(self, path: Path) -> tuple[int, ...]:
        """Return the ids of the vessel tags in a photo.

        Parameters
        ----------
        path : Path
            The photo.

        Raises
        ------
        DensitycamError
            When it cannot be read.
        """
        return self.do(tags_in, path)

    def tile(self, path: Path) -> bytes:
        """Return a photo as a JPEG of at most 288 px, upright, without metadata.

        Parameters
        ----------
        path : Path
            The photo.

        Raises
        ------
        DensitycamError
            When it cannot be read.
        """
        return self.do(_tile, path)

    def plain(self, path: Path) -> bytes:
        """Return a photo as a JPEG of at most `SHOWN_PX`, upright, without metadata.

        Parameters
        ----------
        path : Path
            The photo.

        Raises
        ------
        DensitycamError
            When it cannot be read.
        """
        return self.do(_plain, path)

    def marked(self, job: ReadingJob) -> bytes:
        """Return a photo with what was measured where drawn on it, as `plain` otherwise.

        Parameters
        ----------
        job : ReadingJob
            As in `read`.

        Raises
        ------
        DensitycamError
            When it cannot be read.
        """
        return self.do(_marked, job)

    def do(self, job: Callable[..., T], *args: Any) -> T:
        """Do any job in a bounded process; function, arguments and result travel by pickle.

        Parameters
        ----------
        job : callable
            A function of a module, as pickle needs it.
        *args
            What it is called with.

        Returns
        -------
        object
            What it returned.

        Raises
        ------
        DensitycamError
            When the job says so, or took too long, too much memory, or its process with it.
        ServiceUnavailable
            When too many jobs wait already.
        """
        if not self._free.acquire(blocking=False):
            raise ServiceUnavailable(
                "Busy: many photos are being read. Try again in a minute.", retry_after=60
            )
        try:
            done: T = self._workers.submit(_within, self._memory, job, *args).result()
        except MemoryError:
            raise DensitycamError(
                "The photo takes more memory than it may.", "Send it as a plain JPEG."
            ) from None
        finally:
            self._free.release()
        return done


def _within(memory: int, job: Callable[..., T], *args: Any) -> T:
    """Do a job in this process, which gets no more memory from now on."""
    with suppress(ImportError, OSError, ValueError):  # Windows; a platform that refuses
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        most = memory if hard == resource.RLIM_INFINITY else min(memory, hard)
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    return job(*args)


def _taken_at(path: Path) -> datetime | None:
    from densitycam.photo.decode import exif_time

    return exif_time(path)


def _tile(path: Path) -> bytes:
    from densitycam.report.page_data import TILE_PX, TILE_QUALITY
    from densitycam.report.picture import photo_jpeg

    return photo_jpeg(path, TILE_PX, quality=TILE_QUALITY)


def _plain(path: Path) -> bytes:
    from densitycam.report.picture import photo_jpeg

    return photo_jpeg(path, SHOWN_PX)


def _marked(job: ReadingJob) -> bytes:
    from densitycam.card.layout import card_layout
    from densitycam.report.annotate import mark
    from densitycam.report.picture import jpeg_bytes
    from densitycam.vessel.read import picture_of

    with suppress(PhotoRefusedError):
        _, seen = measure(job.path, job.vessel, job.optics, sha256=job.sha256, prints=job.prints)
        if seen is not None:
            return jpeg_bytes(
                mark(
                    *picture_of(job.path, seen),
                    card_layout(seen.paper),
                    seen.reading,
                    shape=job.optics.shape,
                )
            )
    return _plain(job.path)
