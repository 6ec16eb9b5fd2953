"""Jobs that misbehave, at the top of a module so that a worker process can import them."""

from __future__ import annotations

import os
import time
from pathlib import Path


def hang(_: Path) -> None:
    while True:
        time.sleep(1)


def hang_in_c(_: Path) -> None:
    # Holds the interpreter's lock: no thread of the process could end it.
    (10**8) ** (10**8)


def eat_memory(_: Path) -> int:
    eaten = []
    while True:
        eaten.append(bytes(50_000_000))


def die(_: Path) -> None:
    os.abort()


def wait_for(mark: Path) -> str:
    while not mark.exists():
        time.sleep(0.02)
    return mark.name


def own_id(_: Path) -> int:
    return os.getpid()


def memory_limit(_: Path) -> int:
    import resource

    return resource.getrlimit(resource.RLIMIT_AS)[0]
