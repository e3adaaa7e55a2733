"""A folder into which files still come: which of them have settled.

Polling, not events: network folders send none, and an event comes with a file's first byte. A file has settled when it
looks the same at two looks in a row: size, time of change, inode, and the same of what goes with it.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

FileStamp = tuple[tuple[int, int, int], ...]
"""Size, time of change [ns] and inode, of a file and of what goes with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderLook:
    """One look at a folder. ``settled``: stamps of files that looked the same twice, by path in the folder with ``/``;
    ``growing``: files that changed since the last look, or were not there."""

    settled: Mapping[str, FileStamp]
    growing: tuple[str, ...]


class FolderWatch:
    """Looks at ``folder`` and below for files of some suffixes; hidden ones and links are passed over."""

    def __init__(self, folder: Path, suffixes: Collection[str], folder_file: str = "") -> None:
        self._folder, self._suffixes, self._folder_file = folder, frozenset(suffixes), folder_file
        self._last: dict[str, FileStamp] = {}

    def look(self) -> FolderLook:
        """What there is now.

        Raises:
            OSError: the folder cannot be read: a share that is away, for example. What was seen is not forgotten.
        """
        now: dict[str, FileStamp] = {}
        folders = [""]
        while folders:
            self._look_into(folders.pop(), folders, now)
        settled = {name: stamp for name, stamp in now.items() if self._last.get(name) == stamp}
        growing = tuple(name for name in now if name not in settled)
        self._last = now
        return FolderLook(settled=settled, growing=growing)

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
                        elif entry.is_file(follow_symlinks=False):
                            status = entry.stat(follow_symlinks=False)
                            marks[name] = (status.st_size, status.st_mtime_ns, status.st_ino)
                    except OSError:  # taken away meanwhile
                        continue
        except OSError:
            if not place:
                raise
            return  # taken away meanwhile, or not for us
        shared = (marks[self._folder_file],) if self._folder_file in marks else ()
        for name, mark in marks.items():
            if mark[0] > 0 and name[name.rfind(".") :].lower() in self._suffixes:
                sidecar = marks.get(f"{name}.toml")
                now[place + name] = (mark, *shared) if sidecar is None else (mark, sidecar, *shared)
