"""Jobs that tests hand to workers of a cluster, which must be able to import them."""

from __future__ import annotations

import os
import signal
import threading
import time
from pathlib import Path

_inside = 0
_most = 0
_lock = threading.Lock()


def plus(number: int, common: int) -> int:
    return number + common


def die_on_three(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def how_many_at_once(_: int) -> int:
    """The most jobs that this process ever worked on at one time."""
    global _inside, _most
    with _lock:
        _inside += 1
        _most = max(_most, _inside)
    time.sleep(0.02)
    with _lock:
        _inside -= 1
    return _most


def who_waited(seconds: float) -> int:
    """The process that did so."""
    time.sleep(seconds)
    return os.getpid()


def write_slowly(path: Path) -> None:
    """Says that it began, and that it ended once somebody lets it."""
    path.with_suffix(".begun").touch()
    until = time.monotonic() + 20
    while not (path.parent / "enough").exists() and time.monotonic() < until:
        time.sleep(0.01)
    path.with_suffix(".ended").touch()


def plus_or_write(job: int | Path) -> int:
    """A quick job, or a slow one that writes."""
    if isinstance(job, int):
        return job + 1
    write_slowly(job)
    return 0
