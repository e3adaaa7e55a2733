"""A folder into which captures still arrive: which files are whole, and which of them are new."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

Stamp = tuple[tuple[int, int], ...]
"""Size and time of change of a capture and of what stands beside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrivals:
    """What one look at the folder brought. ``waiting``: still growing, or only just there."""

    whole: tuple[Path, ...]
    gone: tuple[Path, ...]
    waiting: tuple[Path, ...]


def arrivals(
    folder: Path, *, find: Callable[[Path], tuple[Path, ...]], beside: Callable[[Path], tuple[Path, ...]]
) -> Iterator[Arrivals]:
    """Each ``next`` looks once, and never ends; how long to wait between two looks is the caller's business.

    A file counts as whole when it looks the same at two looks in a row: loggers and copies write in pieces. One that
    changes afterwards, or whose sidecar does, comes again. Polling, not events: memory cards and network folders send
    none.
    """
    reported: dict[Path, Stamp] = {}
    last: dict[Path, Stamp] = {}
    while True:
        now = {path: stamp for path in find(folder) if (stamp := _stamp((path, *beside(path)))) is not None}
        gone = tuple(path for path in reported if path not in now)
        for path in gone:
            del reported[path]
        fresh = [path for path, stamp in now.items() if reported.get(path) != stamp]
        whole = tuple(path for path in fresh if last.get(path) == now[path])
        reported |= {path: now[path] for path in whole}
        last = now
        yield Arrivals(whole=whole, gone=gone, waiting=tuple(path for path in fresh if path not in whole))


def _stamp(paths: tuple[Path, ...]) -> Stamp | None:
    """None where the capture itself, the first of them, has gone meanwhile."""
    marks = []
    for number, path in enumerate(paths):
        try:
            status = path.stat()
        except OSError:
            if number == 0:
                return None
            continue
        marks.append((status.st_size, status.st_mtime_ns))
    return tuple(marks)
