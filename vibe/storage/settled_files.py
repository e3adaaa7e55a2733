"""A folder into which files still come: which of them have settled, which are new, and whether it has gone itself.

Polling, not events: network folders and memory cards send none, and an event comes with a file's first byte. A file has
settled when it looks the same at two looks in a row: size, time of change, inode, and the same of what goes with it.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

FileStamp = tuple[tuple[int, int, int], ...]
"""Size, time of change [ns] and inode, of a file and of what goes with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderLook:
    """One look at a folder. ``settled``: stamps of files that looked the same twice, by path in the folder with ``/``;
    ``growing``: files that changed since the last look, or were not there. ``away``: it is empty and another folder
    than before, as the place is where a card or a share was; nothing in it is gone for good. ``closed``: folders in it
    that may not be read."""

    settled: Mapping[str, FileStamp]
    growing: tuple[str, ...]
    away: bool = False
    closed: tuple[str, ...] = ()


class FolderWatch:
    """Looks at ``folder`` and below for files of some suffixes; hidden ones are passed over, and links that lead out.

    ``empty``: whether files without a byte count; loggers make them before they write.
    """

    def __init__(
        self, folder: Path, suffixes: Collection[str], folder_file: str = "", *, empty: bool = False
    ) -> None:  # fmt: skip
        self._folder, self._suffixes, self._folder_file = folder, frozenset(suffixes), folder_file
        self._least = 0 if empty else 1
        self._last: dict[str, FileStamp] = {}
        self._place: tuple[int, int] | None = None

    def look(self) -> FolderLook:
        """What there is now.

        Raises:
            OSError: the folder cannot be read: a share that is away, for example. What was seen is not forgotten.
        """
        now: dict[str, FileStamp] = {}
        status = self._folder.stat()
        folders, closed = [""], []
        while folders:
            place_in = folders.pop()
            try:
                self._look_into(place_in, folders, now)
            except PermissionError:
                if not place_in:
                    raise
                closed.append(place_in.rstrip("/"))
        place = (status.st_dev, status.st_ino)
        if self._last and not now and place != self._place:
            return FolderLook(settled={}, growing=(), away=True)
        settled = {name: stamp for name, stamp in now.items() if self._last.get(name) == stamp}
        growing = tuple(name for name in now if name not in settled)
        self._last, self._place = now, place
        return FolderLook(settled=settled, growing=growing, closed=tuple(sorted(closed)))

    def _look_into(self, place: str, folders: list[str], now: dict[str, FileStamp]) -> None:
        # Texts and not paths: there may be tens of thousands, every two seconds.
        marks: dict[str, tuple[int, int, int]] = {}
        try:
            with os.scandir(self._folder / place) as entries:
                for entry in entries:
                    name = entry.name
                    if name.startswith("."):
                        continue
                    try:
                        if entry.is_dir(follow_symlinks=False):
                            folders.append(f"{place}{name}/")
                        elif entry.is_file() and (not entry.is_symlink() or self._leads_inside(entry)):
                            status = entry.stat()
                            marks[name] = (status.st_size, status.st_mtime_ns, status.st_ino)
                    except PermissionError:
                        raise
                    except OSError:  # taken away meanwhile
                        continue
        except PermissionError:
            raise
        except OSError:
            if not place:
                raise
            return  # taken away meanwhile
        shared = (marks[self._folder_file],) if self._folder_file in marks else ()
        for name, mark in marks.items():
            if mark[0] >= self._least and name[name.rfind(".") :].lower() in self._suffixes:
                sidecar = marks.get(f"{name}.toml")
                now[place + name] = (mark, *shared) if sidecar is None else (mark, sidecar, *shared)

    def _leads_inside(self, link: os.DirEntry[str]) -> bool:
        try:
            return Path(link.path).resolve(strict=True).is_relative_to(self._folder.resolve())
        except (OSError, RuntimeError):  # nowhere, or round in a ring
            return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrivals:
    """What one look at the folder brought. ``waiting``: still growing, or only just there; ``away``: the folder itself
    is not there, so nothing of it is gone for good; ``closed``: folders in it that may not be read."""

    whole: tuple[Path, ...]
    gone: tuple[Path, ...]
    waiting: tuple[Path, ...]
    away: bool = False
    closed: tuple[Path, ...] = ()


def arrivals(watch: FolderWatch, folder: Path, *, redo: set[Path] | None = None) -> Iterator[Arrivals]:
    """What is new in ``folder`` at each look of its ``watch``. Each ``next`` looks once, and never ends; how long to
    wait between two looks is the caller's business.

    A settled file comes once. One that changes afterwards, or whose sidecar does, comes again. A card that is pulled
    takes its folder along; when it is back, only what is new comes. Paths that the caller puts into ``redo`` come once
    more.
    """
    redo = set() if redo is None else redo
    reported: dict[str, FileStamp] = {}
    was_away = False
    while True:
        for path in redo:
            reported.pop(path.relative_to(folder).as_posix(), None)
        redo.clear()
        try:
            look = watch.look()
        except OSError:  # pulled while it was looked at
            look = FolderLook(settled={}, growing=(), away=True)
        if look.away:
            was_away = True
            yield Arrivals(whole=(), gone=(), waiting=(), away=True)
            continue
        now = {*look.settled, *look.growing}
        if was_away:
            # A card that is put back may number its files anew.
            for name, stamp in look.settled.items():
                if name in reported and _unnumbered(reported[name]) == _unnumbered(stamp):
                    reported[name] = stamp
            was_away = any(name in reported for name in look.growing)
        gone = [name for name in reported if name not in now]
        for name in gone:
            del reported[name]
        whole = sorted(name for name, stamp in look.settled.items() if reported.get(name) != stamp)
        reported |= {name: look.settled[name] for name in whole}
        waiting = sorted(name for name in look.growing if not (was_away and name in reported))
        yield Arrivals(
            whole=tuple(folder / name for name in whole), gone=tuple(folder / name for name in gone),
            waiting=tuple(folder / name for name in waiting), closed=tuple(folder / name for name in look.closed),
        )  # fmt: skip


def _unnumbered(stamp: FileStamp) -> tuple[tuple[int, int], ...]:
    return tuple((size, changed) for size, changed, _ in stamp)
