"""A folder into which captures still arrive: which files are whole, and which of them are new."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from vibe.core.errors import CallError

Stamp = tuple[tuple[int, int], ...]
"""Size and time of change of a capture and of what stands next to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrivals:
    """What one look at the folder brought. ``waiting``: still growing, or only just there; ``away``: the folder itself
    is not there, so nothing of it is gone for good."""

    whole: tuple[Path, ...]
    gone: tuple[Path, ...]
    waiting: tuple[Path, ...]
    away: bool = False


def arrivals(
    folder: Path,
    *,
    find: Callable[[Path], tuple[Path, ...]],
    sidecars: Callable[[Path], tuple[Path, ...]],
    redo: set[Path] | None = None,
) -> Iterator[Arrivals]:
    """Each ``next`` looks once, and never ends; how long to wait between two looks is the caller's business.

    A file counts as whole when it looks the same at two looks in a row: loggers and copies write in pieces. One that
    changes afterwards, or whose sidecar does, comes again. Polling, not events: memory cards and network folders send
    none. A card that is pulled takes its folder along; when it is back, only what is new comes. Paths that the caller
    puts into ``redo`` come once more.
    """
    redo = set() if redo is None else redo
    reported: dict[Path, Stamp] = {}
    last: dict[Path, Stamp] = {}
    known_place: tuple[int, int] | None = None
    while True:
        for path in redo:
            reported.pop(path, None)
        redo.clear()
        place = _place(folder)
        try:
            found = () if place is None else find(folder)
            now = {path: stamp for path in found if (stamp := _stamp((path, *sidecars(path)))) is not None}
        except (OSError, CallError):  # pulled while it was looked at
            place, now = None, {}
        # An empty folder that is another one than before is where a card was.
        if place is None or (reported and not now and place != known_place):
            last = {}
            yield Arrivals(whole=(), gone=(), waiting=(), away=True)
            continue
        known_place = place
        gone = tuple(path for path in reported if path not in now)
        for path in gone:
            del reported[path]
        fresh = [path for path, stamp in now.items() if reported.get(path) != stamp]
        whole = tuple(path for path in fresh if last.get(path) == now[path])
        reported |= {path: now[path] for path in whole}
        last = now
        yield Arrivals(whole=whole, gone=gone, waiting=tuple(path for path in fresh if path not in whole))


def _place(folder: Path) -> tuple[int, int] | None:
    """Which folder it is, on which device; None where there is none."""
    try:
        status = folder.stat()
    except OSError:
        return None
    return (status.st_dev, status.st_ino) if folder.is_dir() else None


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
