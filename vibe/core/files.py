"""Outputs appear whole or not at all."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Collection
from pathlib import Path

from vibe.core.errors import OutputError


def write_whole(path: Path, content: bytes | str, *, force: bool = False) -> Path:
    """Write ``content`` to ``path`` through a temporary file beside it and a rename.

    Raises:
        OutputError: the file exists and ``force`` is not given, or the folder cannot be written.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    if path.exists() and not force:
        raise OutputError(f"{path} exists already; give --force to replace it, or another --out")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:80]}.", suffix=".part")
        part = Path(name)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            part.chmod(0o644)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        check_folder(path.parent)
        raise OutputError(f"cannot write {path}: {error.strerror or error}") from error
    return path


def is_part_of(part: str, names: Collection[str]) -> bool:
    """Whether ``part`` is the name of a file that ``write_whole`` had begun for one of ``names`` and never ended."""
    found = re.fullmatch(r"\.(.+)\.[a-z0-9_]{8}\.part", part)
    return found is not None and found[1] in {name[:80] for name in names}


def check_folder(folder: Path) -> None:
    """Refuse, before long work is done for it, a folder that can never be written.

    Raises:
        OutputError: it, or something above it, is a file, or may not be written.
    """
    for place in (folder, *folder.parents):
        if place.is_dir():
            if not os.access(place, os.W_OK | os.X_OK):
                where = "" if place == folder else f"{folder}: "
                raise OutputError(f"{where}{place} may not be written; name another --out")
            return
        if place.exists() or place.is_symlink():
            where = "" if place == folder else f"{folder}: "
            raise OutputError(f"{where}{place} is a file where a folder is needed")


_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
JOURNAL = "run.journal"
"""What a run keeps beside its drives until it has ended."""
_OWN = {"assets", "index.html", "drives.csv", "run.json", JOURNAL}


def writable(text: str) -> str:
    """``text`` with what UTF-8 cannot hold replaced: the name of a file need not be text at all."""
    return re.sub("[\ud800-\udfff]", "\ufffd", text)


def safe_name(tag: str) -> str:
    """A file name made of ``tag``: no separators, no control characters, never hidden, empty or like an option, no
    name of a device and none of the files that a run writes beside its drives.

    Two different tags never share a name: whatever had to be replaced is told apart by a short digest.
    """
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", tag).lstrip("._-").rstrip("._")[:80]
    if _DEVICES.fullmatch(plain) or plain.lower() in _OWN:
        plain = f"drive_{plain}"
    if plain and plain == tag:
        return plain
    digest = hashlib.sha256(tag.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{plain}-{digest}" if plain else digest
