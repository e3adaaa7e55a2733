"""What a report depends on, by the hashes of files."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path

from vibe.storage.files import file_sha256

UNREADABLE = "unreadable"
EMPTY = hashlib.sha256().hexdigest()


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes; of one that cannot be read a word that is no hash."""
    try:
        return file_sha256(path)
    except OSError:
        return UNREADABLE


def texts_hash(texts: Iterable[str]) -> str:
    """SHA-256 of some texts in their order."""
    return hashlib.sha256("\n".join(texts).encode("utf-8")).hexdigest()
