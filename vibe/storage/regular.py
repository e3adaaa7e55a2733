"""Ordinary files only: a pipe would never end, a device never stop, a link may lead anywhere."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from vibe.core.errors import OutputError


def read_regular(path: Path, most_bytes: int) -> bytes:
    """The bytes of an ordinary file, looked at before it is opened, and again when it is.

    Raises:
        OSError: not there, not readable, no ordinary file, or larger than ``most_bytes``; ``strerror`` says which.
    """
    _refuse(path.stat(), path, most_bytes)
    # A pipe that took the file's place just now would otherwise wait here for somebody who writes.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with open(handle, "rb") as stream:  # noqa: PTH123 (a handle has no path)
        _refuse(os.fstat(stream.fileno()), path, most_bytes)
        content = stream.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(errno.EFBIG, f"is larger than {most_bytes / 1e6:g} MB", str(path))
    return content


def _refuse(status: os.stat_result, path: Path, most_bytes: int) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise OSError(errno.EISDIR, "is a folder", str(path))
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "is not an ordinary file", str(path))
    if status.st_size > most_bytes:
        raise OSError(
            errno.EFBIG, f"is {status.st_size / 1e6:.0f} MB large, too large for what it should be", str(path)
        )


def leads_out(path: Path, folder: Path) -> bool:
    """Whether ``path``, which is named below ``folder``, truly lies elsewhere, because a link leads there."""
    try:
        return not path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):  # round in a ring
        return True


def refuse_links_out(folder: Path, *names: str) -> None:
    """Refuse to write through a link: what is asked for in ``folder`` must end there.

    Raises:
        OutputError: one of ``names`` in ``folder`` is a link that leads out of it.
    """
    for name in names:
        place = folder / name
        if place.is_symlink() and leads_out(place, folder):
            raise OutputError(f"{place} is a link that leads out of {folder}; remove it, or name another --out")
