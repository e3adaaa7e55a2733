"""Where files lie until they are whole: a folder per process, which the process holds while it lives."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import shutil
import stat
import time
from contextlib import suppress
from pathlib import Path
from typing import IO

from vibe.core.errors import OutputError
from vibe.storage.locks import hold
from vibe.storage.regular import leads_out

INCOMING = "incoming"
_LOCK = "lock"
_NEWBORN_S = 60.0
"""A folder without a lock may be one that another process is just making."""


class Workplace:
    """A folder below ``incoming`` of our own. What is found there when nobody holds it was left by a process that was
    ended, and is nobody's."""

    def __init__(self, store: Path) -> None:
        while True:
            self.folder = store / INCOMING / secrets.token_hex(8)
            self.folder.mkdir(parents=True)
            try:
                self._lock: IO[bytes] = (self.folder / _LOCK).open("w+b")
            except FileNotFoundError:
                continue  # swept away already, by a process whose clock goes otherwise
            if hold(self._lock) and (self.folder / _LOCK).exists():
                return
            self._lock.close()  # another process took it for abandoned before it was held

    def close(self) -> None:
        """Leave nothing behind."""
        self._lock.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def refuse_link_out(store: Path, name: str) -> None:
    """Refuse to work in a folder of the store that is a link to another place: whoever handed it over may have made it.

    Raises:
        OutputError: it is.
    """
    if leads_out(store / name, store):
        raise OutputError(f"{name} leads out of the history {store} by a link; remove the link and give it again")


def refuse_links_out(store: Path, *but: str) -> None:
    """Refuse a store in which anything but ``but`` is a link to another place: captures, database and journal would be
    read, and written, where whoever handed it over chose.

    Raises:
        OutputError: something is. OSError: the folder cannot be listed.
    """
    if not store.is_dir():
        return
    with os.scandir(store) as entries:
        links = sorted(entry.name for entry in entries if entry.is_symlink() and entry.name not in but)
    for name in links:
        if leads_out(store / name, store):
            raise OutputError(
                f"{name} leads out of the history {store} by a link; put what it should lead to in its place, and give "
                "it again"
            )


def abandoned(store: Path) -> list[Path]:
    """Folders below ``incoming`` that no living process holds. Where that is a link out of the store, what is found
    there is none of ours."""
    incoming = store / INCOMING
    if leads_out(incoming, store):
        return []
    return [place for place in sorted(incoming.iterdir()) if _is_abandoned(place)] if incoming.is_dir() else []


def sweep(store: Path) -> list[Path]:
    """Remove what ended processes left in ``incoming``; the folders that were removed. A link in its place goes, and
    what it leads to stays."""
    if leads_out(store / INCOMING, store):
        (store / INCOMING).unlink()
        return [store / INCOMING]
    found = abandoned(store)
    for place in found:
        if place.is_dir() and not place.is_symlink():
            shutil.rmtree(place, ignore_errors=True)
        else:
            place.unlink(missing_ok=True)
    return found


def _is_abandoned(place: Path) -> bool:
    try:
        with (place / _LOCK).open("r+b") as lock:
            return hold(lock, surely=True)
    except (FileNotFoundError, NotADirectoryError):
        with suppress(OSError):
            # Either way: a clock may have been put back since.
            return abs(time.time() - place.stat().st_mtime) > _NEWBORN_S
        return False
    except OSError:
        return False


def put_down(path: Path, content: bytes) -> None:
    """Write ``content`` to ``path`` and to the disk."""
    with path.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def put_in_place(part: Path, path: Path) -> None:
    """Give a whole file its name, for good: after this a power cut no longer loses it."""
    new = not path.parent.is_dir()
    path.parent.mkdir(parents=True, exist_ok=True)
    part.replace(path)
    settle(path.parent)
    if new:
        settle(path.parent.parent)


def second_name(path: Path, other: Path) -> None:
    """Keep the file at ``path`` at ``other`` too, which stays what it is when ``path`` is replaced."""
    try:
        os.link(path, other)
    except OSError:  # a file system that knows no second names
        shutil.copyfile(path, other)


def settle(folder: Path) -> None:
    """Have the names in ``folder`` written to the disk, where the system can do that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def digest(path: Path) -> str:
    """SHA-256 of a file's bytes. Raises: OSError where it is no ordinary file: a pipe would never end."""
    if not stat.S_ISREG(path.stat().st_mode):
        raise OSError(errno.EINVAL, "is not an ordinary file", str(path))
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
