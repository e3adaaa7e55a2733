"""What was computed of each drive, kept next to a store: derived, and made anew wherever it is lost.

``judged.sqlite`` holds one packed value a drive with the number of the drive's latest change that it knows, and from
when until when it holds. It is written in its own transaction, after the store: a process that is ended in between
leaves numbers that are too old, and those drives are looked at again. A reader leaves nothing behind.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

JUDGED = "judged.sqlite"
_LAYOUT = (
    "CREATE TABLE IF NOT EXISTS look (drive TEXT PRIMARY KEY, stamp TEXT NOT NULL, seq INTEGER NOT NULL, "
    "from_s REAL NOT NULL, until_s REAL NOT NULL, packed BLOB NOT NULL) WITHOUT ROWID",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLook:
    """A packed value of a drive: true from ``from_s`` on and before ``until_s`` [s since 1970], while the drive's
    latest change is number ``seq`` and the settings are those of ``stamp``."""

    drive: str
    stamp: str
    seq: int
    from_s: float
    until_s: float
    packed: bytes


class KeptLooks:
    """What is kept next to a store, read as it is asked for; nothing where there is none, or it cannot be read."""

    def __init__(self, folder: Path) -> None:
        self._raw: sqlite3.Connection | None = None
        path = folder / JUDGED
        if path.is_file():
            with suppress(sqlite3.Error):
                self._raw = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=10.0)

    def packed(self, drive: str, stamp: str, seq: int, at_s: float) -> bytes | None:
        """The value of a drive that may be taken for what would be computed now; None where there is none."""
        if self._raw is None:
            return None
        with suppress(sqlite3.Error):
            row = self._raw.execute(
                "SELECT packed FROM look WHERE drive = ? AND stamp = ? AND seq = ? AND from_s <= ? AND ? < until_s",
                (drive, stamp, seq, at_s, at_s),
            ).fetchone()
            return None if row is None else bytes(row[0])
        return None

    def close(self) -> None:
        """Let go of the file."""
        if self._raw is not None:
            self._raw.close()
            self._raw = None


def keep_looks(folder: Path, looks: Iterable[KeptLook], drives: Iterable[str]) -> None:
    """Keep values of drives in the place of older ones, and let go those of drives that the store no longer has.

    Where the disk refuses, or what is there is damaged, nothing is kept: it is only computed again.
    """
    path = folder / JUDGED
    rows = [(one.drive, one.stamp, one.seq, one.from_s, one.until_s, one.packed) for one in looks]
    try:
        _written(path, rows, set(drives))
    except sqlite3.DatabaseError:
        with suppress(OSError, sqlite3.Error):
            for suffix in ("", "-wal", "-shm"):
                path.with_name(path.name + suffix).unlink(missing_ok=True)
            _written(path, rows, set(drives))


def _written(path: Path, rows: Sequence[tuple[object, ...]], drives: set[str]) -> None:
    with closing(sqlite3.connect(path, isolation_level=None, timeout=10.0)) as raw:
        raw.execute("PRAGMA synchronous = NORMAL")  # what is lost is computed again
        raw.execute("BEGIN IMMEDIATE")
        for statement in _LAYOUT:
            raw.execute(statement)
        raw.executemany("INSERT OR REPLACE INTO look VALUES (?,?,?,?,?,?)", rows)
        there = {row[0] for row in raw.execute("SELECT drive FROM look")}
        raw.executemany("DELETE FROM look WHERE drive = ?", [(gone,) for gone in there - drives])
        raw.execute("COMMIT")
