"""What was computed of each drive, kept next to a store: derived, and made anew wherever it is lost.

``judged.sqlite`` holds one packed value a drive with the number of the drive's latest change that it knows, and from
when until when it holds; and the last judgement of the whole store, in rows that are exchanged one by one. Each is
written in one transaction, after the store: a process that is ended in between leaves numbers that are too old, and
what changed since is judged again. A reader leaves nothing behind.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

JUDGED = "judged.sqlite"
_LAYOUT = (
    "CREATE TABLE IF NOT EXISTS look (drive TEXT PRIMARY KEY, stamp TEXT NOT NULL, seq INTEGER NOT NULL, "
    "from_s REAL NOT NULL, until_s REAL NOT NULL, packed BLOB NOT NULL) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS outcome (one INTEGER PRIMARY KEY CHECK (one = 1), said TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS judged_drive (drive TEXT PRIMARY KEY, kind TEXT NOT NULL, said TEXT NOT NULL, "
    "packed BLOB NOT NULL) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS judged_case (id TEXT PRIMARY KEY, said TEXT NOT NULL, packed BLOB NOT NULL)",
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


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptDrive:
    """What a judgement says of a drive, in JSON, and packed what its sisters ask of it."""

    drive: str
    kind: str
    said: str
    packed: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCase:
    """A case of a judgement, in JSON, and packed the facts behind it."""

    id: str
    said: str
    packed: bytes


class NotKeptError(Exception):
    """What was asked of a kept judgement is not there, cannot be read, or is of another one by now."""


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
    rows = [(one.drive, one.stamp, one.seq, one.from_s, one.until_s, one.packed) for one in looks]
    there = set(drives)

    def write(raw: sqlite3.Connection) -> None:
        raw.executemany("INSERT OR REPLACE INTO look VALUES (?,?,?,?,?,?)", rows)
        kept = {row[0] for row in raw.execute("SELECT drive FROM look")}
        raw.executemany("DELETE FROM look WHERE drive = ?", [(gone,) for gone in kept - there])

    _written(folder, write)


def keep_outcome(
    folder: Path, said: str, drives: Iterable[KeptDrive], cases: Iterable[KeptCase], *, instead_of: str | None = None,
    gone: Iterable[str] = (),
) -> bool:  # fmt: skip
    """Keep a judgement. ``instead_of`` is what the one said of which only ``drives`` and ``cases`` changed and ``gone``
    cases went; without it all that was kept is let go. False where it could not be kept, or that one is not there."""
    drive_rows = [(one.drive, one.kind, one.said, one.packed) for one in drives]
    case_rows = [(one.id, one.said, one.packed) for one in cases]
    kept = [False]

    def write(raw: sqlite3.Connection) -> None:
        if instead_of is None:
            raw.execute("DELETE FROM judged_drive")
            raw.execute("DELETE FROM judged_case")
        elif raw.execute("SELECT said FROM outcome").fetchall() != [(instead_of,)]:
            return
        raw.executemany("DELETE FROM judged_case WHERE id = ?", [(one,) for one in gone])
        raw.executemany("INSERT OR REPLACE INTO judged_drive VALUES (?,?,?,?)", drive_rows)
        raw.executemany("INSERT OR REPLACE INTO judged_case VALUES (?,?,?)", case_rows)
        raw.execute("INSERT OR REPLACE INTO outcome VALUES (1, ?)", (said,))
        kept[0] = True

    _written(folder, write)
    return kept[0]


class KeptOutcome:
    """The judgement that is kept next to a store, as one reader sees it; use it as a context. ``said`` is None where
    there is none, or it cannot be read. Nobody who writes waits for a reader: what is asked for once another judgement
    has taken its place raises NotKeptError."""

    def __init__(self, folder: Path) -> None:
        self._raw: sqlite3.Connection | None = None
        self.said: str | None = None
        path = folder / JUDGED
        if path.is_file():
            with suppress(sqlite3.Error):
                self._raw = sqlite3.connect(
                    f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=10.0, isolation_level=None
                )
                rows = self._raw.execute("SELECT said FROM outcome").fetchall()
                self.said = str(rows[0][0]) if rows else None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._raw is not None:
            self._raw.close()
            self._raw = None

    def drives(self) -> list[tuple[str, str, str]]:
        """Tag, kind and what is said of each drive, by tag."""
        return self._rows("SELECT drive, kind, said FROM judged_drive ORDER BY drive")

    def cases(self) -> list[tuple[str, str, bytes]]:
        """Id, what is said and the facts of each case, in the order in which they were kept."""
        return self._rows("SELECT id, said, packed FROM judged_case ORDER BY rowid")

    def packed_of_kind(self, kind: str) -> dict[str, bytes]:
        """What sisters ask of each drive of a kind, by tag and in their order."""
        rows = self._rows("SELECT drive, packed FROM judged_drive WHERE kind = ? ORDER BY drive", kind)
        return dict(rows)

    def _rows(self, sql: str, *values: object) -> list[Any]:
        if self._raw is None:
            return []
        try:
            self._raw.execute("BEGIN")  # both questions see one state
            try:
                said = self._raw.execute("SELECT said FROM outcome").fetchall()
                rows = self._raw.execute(sql, values).fetchall()
            finally:
                self._raw.execute("COMMIT")
        except sqlite3.Error as error:
            raise NotKeptError(f"what is kept cannot be read: {error}") from error
        if said != [(self.said,)]:
            raise NotKeptError("another judgement was kept meanwhile")
        return rows


def _written(folder: Path, write: Callable[[sqlite3.Connection], None]) -> None:
    """One transaction; what is damaged is begun anew, and where the disk refuses, nothing is kept."""
    path = folder / JUDGED
    try:
        _transaction(path, write)
    except sqlite3.OperationalError:  # the disk is full, or somebody reads for long
        return
    except sqlite3.DatabaseError:
        with suppress(OSError, sqlite3.Error):
            for suffix in ("", "-wal", "-shm", "-journal"):
                path.with_name(path.name + suffix).unlink(missing_ok=True)
            _transaction(path, write)


def _transaction(path: Path, write: Callable[[sqlite3.Connection], None]) -> None:
    with closing(sqlite3.connect(path, isolation_level=None, timeout=10.0)) as raw:
        raw.execute("PRAGMA synchronous = NORMAL")  # what is lost is computed again
        raw.execute("BEGIN IMMEDIATE")
        for statement in _LAYOUT:
            raw.execute(statement)
        write(raw)
        raw.execute("COMMIT")
