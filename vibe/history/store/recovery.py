"""A database that is damaged beyond repair is quarantined, and a new one begun with what can still be read of it.

Rows of captures come from their files. Events and decisions stand in the journal too, alarms and drive files nowhere
else: those rows that can still be read, and make sense, are carried over, then the journal is joined in. Header and
length of the damaged database are mended first, in a copy: with them alone spoilt all rows are there.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from vibe.core.errors import OutputError
from vibe.history.decision_joining import StoreRemark, join
from vibe.history.decision_journal import BOOKED
from vibe.history.store.incoming import settle
from vibe.history.store.layout import CAPTURES, DAMAGED
from vibe.history.store.maintenance import mend_indexes, new_quarantine, repair
from vibe.history.store.schema import DATABASE, DamagedError, connected, explained
from vibe.history.store.store import Store

_TABLES = {
    "drive_file": ("id", "drive", "kind", "toml", "added_at"),
    "alarm": ("id", "drive", "cause", "opened_at", "closed_at", "facts"),
    **BOOKED,
}
_TIMES = {"added_at", "opened_at", "closed_at", "at", "recheck_by", "due"}
_NUMBERS = {"time_s", "new_baseline", "after", "withdraws"}
_DAMAGE = (sqlite3.Error, UnicodeDecodeError)
"""What the library raises about a damaged database; the second where it cannot even quote what is damaged."""
_MAY_MISS = {"closed_at", "recheck_by", "due", "after", "withdraws"}
_ADDED_LATER: dict[str, tuple[Any, ...]] = {"decision": (b"", None, b"", None, None, b"")}
"""What the last columns say where the store is of a format that had none of them."""


def repaired(folder: Path) -> tuple[StoreRemark, ...]:
    """Mend the store in ``folder``, whatever is left of it, and say what was done.

    Raises:
        CallError: there is no store. OutputError: it cannot be written, or another process holds it.
    """
    done: list[StoreRemark] = []
    known: dict[str, int | None] = {}
    path = folder / DATABASE
    if (folder / CAPTURES).is_dir() and (not path.is_file() or path.stat().st_size == 0):
        # Nobody can say whether there were any, unless the journal does.
        known = dict.fromkeys(BOOKED)
    try:
        with Store.open(folder, anew=(folder / CAPTURES).is_dir()) as store:
            done += mend_indexes(store)
            return (*done, *join(store, known), *repair(store))
    except DamagedError:
        carried, known = _begun_anew(folder)
        done += carried
    with Store.open(folder, anew=True) as store:
        return (*done, *join(store, known), *repair(store))


def _begun_anew(folder: Path) -> tuple[list[StoreRemark], dict[str, int | None]]:
    """Begin a new database, and say the highest number that each table of the journal showed in the old one."""
    path = folder / DATABASE
    try:
        _refuse_if_held(path)
        new = folder / "new"
        shutil.rmtree(new, ignore_errors=True)
        new.mkdir()
        mended = _mended(path, new / "as-found")
        rows = {table: _readable(mended, table) for table in _TABLES}
        known = {table: _highest(mended, table, rows[table]) for table in BOOKED}
        with closing(connected(new, create=True)) as connection, explained(new / DATABASE):
            _filled(connection, rows)
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        quarantined = _copied_to_quarantine(folder)
        # First what belonged to the old one: next to a new database its recent writes would be taken for the new one's.
        for suffix in ("-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        (new / DATABASE).replace(path)
        settle(folder)
        shutil.rmtree(new, ignore_errors=True)
    except OSError as error:
        raise OutputError(f"cannot repair {path}: {(error.strerror or str(error)).lower()}") from error
    carried = ", ".join(f"{len(found)} {table.replace('_', ' ')}s" for table, found in rows.items())
    remark = StoreRemark(
        DATABASE, f"was damaged; quarantined in {quarantined}, and rebuilt from what could be read: {carried}"
    )
    return [remark], known


_MAGIC = b"SQLite format 3\x00"
_PAGE_BYTES = 4096
"""Size of a page unless the header says another that can be: SQLite's own, with which stores are made."""
_HEADER = 100
"""Bytes of the header of a database file (SQLite, "Database File Format", 1.3)."""


def _mended(path: Path, place: Path) -> Path:
    """A copy of a database, with recent writes, whose header says what every store's says and whose length is that of
    whole pages: as many as the header counts (SQLite, Database File Format, 1.3)."""
    place.mkdir()
    copy = place / DATABASE
    shutil.copyfile(path, copy)
    recent = path.with_name(f"{path.name}-wal")
    if recent.is_file():
        shutil.copyfile(recent, place / recent.name)
    with copy.open("r+b") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(0)
        header = bytearray(stream.read(_HEADER).ljust(_HEADER, b"\x00"))
        page = int.from_bytes(header[16:18], "big")
        page = 65_536 if page == 1 else page
        if page < 512 or page > 65_536 or page & (page - 1):
            page = _PAGE_BYTES
            header[16:18] = page.to_bytes(2, "big")
        header[:16] = _MAGIC
        header[18:24] = bytes((2, 2, 0, 64, 32, 32))  # written ahead, no bytes reserved, shares that are fixed
        stream.seek(0)
        stream.write(header)
        pages = int.from_bytes(header[28:32], "big")
        whole = -(-size // page)
        # A count that is far from what is there is damage of its own.
        stream.truncate(page * (pages if whole <= pages <= 2 * whole + 16 else whole))
    return copy


def _highest(path: Path, table: str, rows: list[tuple[Any, ...]]) -> int | None:
    """Highest number of a row of ``table`` that table or index show; None where neither can be read to its end."""
    found = [row[0] for row in rows]
    whole = False
    for name in ("decision_of_alarm" if table == "decision" else "event_of_drive", None):
        with suppress(*_DAMAGE), closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as raw:
            by = f"INDEXED BY {name}" if name else "NOT INDEXED"
            for (id,) in raw.execute(f"SELECT id FROM {table} {by}"):
                if isinstance(id, int) and id > 0:
                    found.append(id)
            whole = True
    # Rows are numbered without a gap: a number far above how many show is damage of its own.
    numbers = sorted(set(found))
    while numbers and numbers[-1] > _MOST_MISSING * len(numbers) + _FEW:
        numbers.pop()
    return max(numbers, default=0) if whole or numbers else None


_MOST_MISSING, _FEW = 10, 1000
"""Rows that may be missing for each one whose number still shows, and at least (our choice)."""


def _refuse_if_held(path: Path) -> None:
    """What others write from now on would be set aside too."""
    with suppress(*_DAMAGE), closing(sqlite3.connect(path, timeout=5, isolation_level=None)) as connection:
        try:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE").fetchone()
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise OutputError(f"{path} is in use by another process; try again when it has ended") from error
            raise


def _copied_to_quarantine(folder: Path) -> str:
    place = new_quarantine(folder)
    for name in (DATABASE, f"{DATABASE}-wal"):
        if (folder / name).is_file():
            shutil.copyfile(folder / name, place / name)
            with (place / name).open("rb+") as stream:
                os.fsync(stream.fileno())
    settle(place)
    return f"{DAMAGED}/{place.name}"


def _readable(path: Path, table: str) -> list[tuple[Any, ...]]:
    """Rows of a table that can be read and make sense, from its beginning on and from its end back."""
    names = _TABLES[table]  # in the order of the layout
    found: dict[Any, tuple[Any, ...]] = {}
    for way in ("ASC", "DESC"):
        with suppress(*_DAMAGE), closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as raw:
            raw.text_factory = bytes
            for row in raw.execute(f"SELECT * FROM {table} ORDER BY 1 {way}"):  # names may be damaged
                with suppress(ValueError, TypeError):
                    later = _ADDED_LATER.get(table, ())
                    whole = (*row, *later) if len(row) + len(later) == len(names) else row
                    sound = tuple(_sound(name, value, table) for name, value in zip(names, whole, strict=True))
                    found.setdefault(sound[0], sound)
    return sorted(found.values())


def _sound(name: str, value: Any, table: str) -> Any:
    if value is None and name in _MAY_MISS:
        return None
    if name in _NUMBERS or (name == "id" and table != "alarm"):
        if not isinstance(value, int | float):
            raise TypeError(name)
        return value
    if not isinstance(value, bytes):
        raise TypeError(name)
    text = value.decode("utf-8")
    if name in _TIMES and datetime.fromisoformat(text).utcoffset() is None:
        raise ValueError(name)
    return text


def _filled(connection: sqlite3.Connection, rows: dict[str, list[tuple[Any, ...]]]) -> None:
    connection.execute("BEGIN IMMEDIATE")
    for table, found in rows.items():
        marks = ",".join("?" * len(_TABLES[table]))
        if table == "decision":
            # Decisions whose alarm cannot be read any more: it is kept by its name alone, closed.
            connection.executemany(
                "INSERT INTO alarm VALUES (?, '', 'not known', ?, ?, '{}') ON CONFLICT DO NOTHING",
                [(row[1], row[5], row[5]) for row in found],
            )
            # A decision may name one that cannot be read any more.
            known = {row[0] for row in found}
            found = [
                (*row[:10], *(other if other in known else None for other in row[10:12]), *row[12:]) for row in found
            ]
        connection.executemany(f"INSERT INTO {table} ({', '.join(_TABLES[table])}) VALUES ({marks})", found)
    connection.execute("COMMIT")
