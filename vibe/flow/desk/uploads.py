"""Files that somebody dropped: a folder for each drop, inside the store, until they are taken in or thrown away.

Names come from outside. They are shown and give a suffix; they are never paths.
"""

from __future__ import annotations

import re
import secrets
import shutil
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from vibe.core.errors import CallError
from vibe.history.store.incoming import refuse_link_out
from vibe.storage.files import writable
from vibe.storage.regular import leads_out

IMPORTS = "imports"
_FILES = "files"
LONGEST_NAME = 120
"""Bytes of a name; with the folders before it below the 255 of common file systems, on any of them."""
MOST_FILES = 10_000
"""In one drop (our choice)."""


@dataclass(frozen=True, slots=True)
class UploadBatch:
    """One drop. ``id`` names it in an address; ``files`` is the folder in which its files lie."""

    store: Path
    id: str

    @property
    def folder(self) -> Path:
        """All that belongs to it."""
        return self.store / IMPORTS / self.id

    @property
    def files(self) -> Path:
        """Where the dropped files lie."""
        return self.folder / _FILES

    def names(self) -> tuple[str, ...]:
        """Names of the files, sorted."""
        return tuple(sorted(path.name for path in self.files.iterdir() if path.is_file()))

    def place(self, name: str) -> Path:
        """A free place for a file of that name; it is made at once, so that no other file gets it.

        Raises:
            CallError: there are too many files in one drop.
        """
        plain = plain_name(name)
        stem, dot, suffix = plain.partition(".")
        for number in range(1, MOST_FILES):
            path = self.files / (plain if number == 1 else f"{stem} ({number}){dot}{suffix}")
            try:
                path.open("xb").close()
            except FileExistsError:
                continue
            return path
        raise CallError(f"more than {MOST_FILES:,} files in one drop")

    def discard(self) -> None:
        """Throw it away."""
        shutil.rmtree(self.folder, ignore_errors=True)


def plain_name(name: str) -> str:
    """The last part of a name as a file's name: no folder, nothing hidden, nothing that a terminal or a file system
    would take for something else, at most ``LONGEST_NAME`` signs with the suffix kept."""
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", writable(name)))[-1]
    plain = "".join(sign for sign in last if sign.isprintable() and sign not in '<>:"|?*').strip().lstrip(".")
    plain = plain.rstrip(". ")
    if re.fullmatch(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", plain, re.IGNORECASE):
        plain = f"file_{plain}"
    while len(plain.encode()) > LONGEST_NAME:
        stem, dot, suffix = plain.rpartition(".")
        plain = f"{stem[:-1]}{dot}{suffix}" if dot and len(suffix) < LONGEST_NAME // 2 and stem else plain[:-1]
    return plain or "file"


def new_batch(store: Path) -> UploadBatch:
    """A new drop. Raises: OSError where the store may not be written, OutputError where it would lie outside."""
    refuse_link_out(store, IMPORTS)
    batch = UploadBatch(store=store, id=secrets.token_hex(8))
    batch.files.mkdir(parents=True)
    return batch


def batch_of(store: Path, id: str) -> UploadBatch:
    """A drop by its name. Raises: CallError where there is none."""
    batch = UploadBatch(store=store, id=id)
    if not re.fullmatch(r"[0-9a-f]{16}", id) or not batch.files.is_dir() or leads_out(batch.files, store):
        raise CallError("there is no such import; it was taken in or thrown away")
    return batch


def batches(store: Path) -> tuple[UploadBatch, ...]:
    """Drops that wait, oldest first."""
    folders = (store / IMPORTS).glob("????????????????")
    waiting = [
        UploadBatch(store=store, id=folder.name)
        for folder in folders
        if (folder / _FILES).is_dir() and not leads_out(folder / _FILES, store)
    ]
    return tuple(sorted(waiting, key=lambda batch: (batch.folder.stat().st_mtime, batch.id)))
