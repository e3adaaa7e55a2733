"""What a disk holds when the power fails: a process notes it at each moment at which something reaches the disk.

A file's content is there as it was at its last ``fsync``, a name, new or gone, once its folder was synced after it.
What SQLite writes is taken as it lies: it syncs by itself, out of sight, and with ``synchronous=FULL`` before it says
that something is committed. One process is watched, the one that runs ``steps``; it must not leave writing to others.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vibe.history.store.store import Store

_BY_ITSELF = (".sqlite", ".sqlite-wal")
_NEVER = (".sqlite-shm",)
"""Memory that processes share; it means nothing after a cut."""

Step = Callable[[Store], Any]
"""Something that is acknowledged when it returns."""


@dataclass
class Disk:
    """A folder as it would be found after a power cut now, copied to ``images`` whenever that may have changed."""

    folder: Path
    images: Path
    said: int = 0
    """Steps that were acknowledged."""
    moments: int = 0
    content: dict[int, bytes] = field(default_factory=dict)
    names: dict[int, dict[str, int]] = field(default_factory=dict)
    last: Any = None

    def __post_init__(self) -> None:
        for place, _, files in os.walk(self.folder):
            self._sync_folder(Path(place))
            for name in files:
                if not name.endswith((*_BY_ITSELF, *_NEVER)):
                    self._sync_file(Path(place) / name)

    def _sync_folder(self, path: Path) -> None:
        self.names[path.stat().st_ino] = {one.name: one.lstat().st_ino for one in path.iterdir()}

    def _sync_file(self, path: Path) -> None:
        self.content[path.stat().st_ino] = path.read_bytes()

    def synced(self, handle: int) -> None:
        """``fsync`` of a file or folder has returned."""
        path = Path(f"/proc/self/fd/{handle}")
        (self._sync_folder if path.is_dir() else self._sync_file)(path)

    def look(self) -> None:
        """Copy what a cut would leave now, unless it is what the last copy holds."""
        left = dict(self._left(self.folder.stat().st_ino, self.folder, Path()))
        if (self.said, left) == self.last:
            return
        self.last = self.said, left
        place = self.images / f"{self.moments:04} {self.said}"
        for path, content in left.items():
            (place / path if content is None else (place / path).parent).mkdir(parents=True, exist_ok=True)
            if content is not None:
                (place / path).write_bytes(content)
        self.moments += 1

    def _left(self, inode: int, now: Path, at: Path) -> Iterator[tuple[Path, bytes | None]]:
        """Files and what is in them; folders with None."""
        yield at, None
        for name, one in self.names.get(inode, {}).items():
            if one in self.names:
                yield from self._left(one, now / name, at / name)
            elif not name.endswith((*_BY_ITSELF, *_NEVER)):
                yield at / name, self.content.get(one, b"")
        for path in now.glob("*.sqlite*") if now.is_dir() else ():
            if path.name.endswith(_BY_ITSELF):
                yield at / path.name, path.read_bytes()


def cut_everywhere(folder: Path, images: Path, steps: Sequence[Step]) -> list[tuple[Path, int]]:
    """Run ``steps`` on a store in a process of its own; copies of the store as the power could have left it, each with
    how many steps had been acknowledged by then."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            _watched(Disk(folder, images), steps)
            status = 0
        finally:
            os._exit(status)
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0:
        raise RuntimeError("the steps came to no end")
    found = sorted(images.iterdir())
    return [(path, int(path.name.split()[1])) for path in found]


def _watched(disk: Disk, steps: Sequence[Step]) -> None:
    real = {name: getattr(os, name) for name in ("fsync", "replace", "rename", "unlink", "link")}

    def fsync(handle: int) -> None:
        disk.look()
        real["fsync"](handle)
        disk.synced(handle)
        disk.look()

    def looked(name: str) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            found = real[name](*given, **named)
            disk.look()
            return found

        return call

    os.fsync = fsync  # type: ignore[assignment]
    for name in real:
        if name != "fsync":
            setattr(os, name, looked(name))
    for step in steps:
        with closing(Store.open(disk.folder)) as store:
            store.connection.set_trace_callback(lambda said: None if said.startswith("SELECT") else disk.look())
            step(store)
            disk.said += 1
            disk.look()
