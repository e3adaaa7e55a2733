"""A folder into which files still come: which of them have settled.

Polling, not events: network folders send none, and an event comes with a file's first byte. A file has settled when it
looks the same at two looks in a row: size, time of change, inode, and the same of what goes with it.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

FileStamp = tuple[tuple[int, int, int], ...]
"""Size, time of change [ns] and inode, of a file and of what goes with it."""


@dataclass(frozen=True, slots=True)
class SettledFile:
    """A file that looked the same twice."""

    path: Path
    stamp: FileStamp


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderLook:
    """One look at a folder. ``growing``: files that changed since the last look, or were not there."""

    settled: tuple[SettledFile, ...]
    growing: tuple[Path, ...]


class FolderWatch:
    """Looks at ``folder`` and below for files of some suffixes; hidden ones and links are passed over."""

    def __init__(self, folder: Path, suffixes: Collection[str], folder_file: str = "") -> None:
        self._folder, self._suffixes, self._folder_file = folder, frozenset(suffixes), folder_file
        self._last: dict[Path, FileStamp] = {}

    def look(self) -> FolderLook:
        """What there is now, oldest first.

        Raises:
            OSError: the folder cannot be read: a share that is away, for example. What was seen is not forgotten.
        """
        now = dict(self._walk())
        settled = [SettledFile(path, stamp) for path, stamp in now.items() if self._last.get(path) == stamp]
        growing = tuple(path for path, stamp in now.items() if self._last.get(path) != stamp)
        self._last = now
        settled.sort(key=lambda one: (one.stamp[0][1], one.path))
        return FolderLook(settled=tuple(settled), growing=growing)

    def _walk(self) -> Iterator[tuple[Path, FileStamp]]:
        folders = [self._folder]
        while folders:
            place = folders.pop()
            try:
                with os.scandir(place) as entries:
                    found = [entry for entry in entries if not entry.name.startswith(".")]
            except OSError:
                if place == self._folder:
                    raise
                continue  # taken away meanwhile, or not for us
            marks: dict[str, tuple[int, int, int]] = {}
            for entry in found:
                try:
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(Path(entry.path))
                    elif entry.is_file(follow_symlinks=False):
                        status = entry.stat(follow_symlinks=False)
                        marks[entry.name] = (status.st_size, status.st_mtime_ns, status.st_ino)
                except OSError:
                    continue
            shared = (marks[self._folder_file],) if self._folder_file in marks else ()
            for name, mark in marks.items():
                if mark[0] > 0 and os.path.splitext(name)[1].lower() in self._suffixes:  # noqa: PTH122 (thousands)
                    own = (marks[f"{name}.toml"],) if f"{name}.toml" in marks else ()
                    yield place / name, (mark, *own, *shared)
