"""What a report depends on, told by the hashes of files."""

from __future__ import annotations

import hashlib
from pathlib import Path

UNREADABLE = "unreadable"
EMPTY = hashlib.sha256().hexdigest()


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes; of one that cannot be read a word that is no hash."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return UNREADABLE
