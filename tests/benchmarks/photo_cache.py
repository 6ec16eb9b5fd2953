"""Rendering scenes into a folder once, and reading them with the estimator, two at a time."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import densitycam.card.layout
import densitycam.simulate
from densitycam.errors import PhotoRefusedError
from densitycam.simulate import Scene, write_photo
from densitycam.vessel.read import read_photo
from densitycam.vessel.reading import Reading

PROCESSES = 2


@lru_cache(maxsize=1)
def _simulator_key() -> bytes:
    """Return a hash of the source that pictures depend on."""
    folder = Path(densitycam.simulate.__file__).parent
    skip = {"samples.py", "slide.py", "__init__.py"}
    files = [f for f in sorted(folder.glob("*.py")) if f.name not in skip]
    key = hashlib.sha256()
    for file in (*files, Path(densitycam.card.layout.__file__)):
        key.update(file.read_bytes())
    return key.digest()


def path_of(scene: Scene, cache: Path) -> Path:
    """Return where a scene's photo lies in the cache, whether it is there yet or not.

    Its `note` is for people and changes nothing in the picture.
    """
    text = repr(replace(scene, note="")).encode()
    return cache / f"{hashlib.sha256(_simulator_key() + text).hexdigest()[:24]}.jpg"


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


def _render(job: tuple[Scene, Path]) -> None:
    scene, path = job
    half_way = path.with_suffix(f".{os.getpid()}.part")
    write_photo(scene, half_way)
    half_way.replace(path)


def _read(job: tuple[Path, dict[str, Any]]) -> Reading | str:
    """Return the photo's reading, or the id of the flag that refused it."""
    path, options = job
    try:
        return read_photo(path, **options).reading
    except PhotoRefusedError as refusal:
        return refusal.flag


def spread(work: Callable[[Any], Any], jobs: Sequence[Any], *, what: str) -> list[Any]:
    """Do jobs in fresh processes and return their results in order, telling how far it is."""
    if not jobs:
        return []
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    done = []
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=context, initializer=_one_thread) as pool:
        for n, result in enumerate(pool.map(work, jobs, chunksize=2), 1):
            done.append(result)
            if n % 20 == 0 or n == len(jobs):
                print(f"\r{what} {n}/{len(jobs)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return done


def render_all(scenes: Iterable[Scene], cache: Path) -> None:
    """Render the scenes that the cache does not hold."""
    cache.mkdir(parents=True, exist_ok=True)
    wanted = {path_of(scene, cache): scene for scene in scenes}
    missing = [(scene, path) for path, scene in wanted.items() if not path.exists()]
    spread(_render, missing, what="rendered")


def read_all(
    scenes: Sequence[Scene], cache: Path, options: Sequence[dict[str, Any]]
) -> list[Reading | str]:
    """Return the reading of every scene, or the id of the flag that refused its photo.

    Parameters
    ----------
    scenes : sequence of Scene
        Rendered where they are missing.
    cache : Path
        Folder of the photos.
    options : sequence of dict
        Of `read_photo`, one a scene.
    """
    render_all(scenes, cache)
    jobs = [(path_of(s, cache), o) for s, o in zip(scenes, options, strict=True)]
    return spread(_read, jobs, what="read")
