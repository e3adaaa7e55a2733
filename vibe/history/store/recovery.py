"""A database that is damaged beyond repair is quarantined, and a new one begun with what can still be read of it.

Rows of captures come from their files. Events, decisions, alarms and drive files stand nowhere else: those rows that
can still be read, and make sense, are carried over.
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
from vibe.history.store.incoming import settle
from vibe.history.store.layout import CAPTURES, DAMAGED
from vibe.history.store.maintenance import StoreRemark, mend_indexes, repair
from vibe.history.store.schema import DATABASE, DamagedError, connected, explained
from vibe.history.store.store import Store

_TABLES = {
    "drive_file": ("id", "drive", "kind", "toml", "added_at"),
    "alarm": ("id", "drive", "cause", "opened_at", "closed_at", "facts"),
    "event": ("id", "drive", "at", "time_s", "kind", "note", "by", "new_baseline", "added_at"),
    "decision": (
        "id",
        "alarm",
        "verdict",
        "because",
        "by",
        "at",
        "recheck_by",
        "owner",
        "due",
        "work_order",
        "after",
        "withdraws",
        "stood",
    ),
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
    try:
        with Store.open(folder, anew=(folder / CAPTURES).is_dir()) as store:
            done += mend_indexes(store)
            return (*done, *repair(store))
    except DamagedError:
        done += _begun_anew(folder)
    with Store.open(folder, anew=True) as store:
        return (*done, *repair(store))


def _begun_anew(folder: Path) -> list[StoreRemark]:
    path = folder / DATABASE
    try:
        _refuse_if_held(path)
        rows = {table: _readable(path, table) for table in _TABLES}
        new = folder / "new"
        shutil.rmtree(new, ignore_errors=True)
        new.mkdir()
        with closing(connected(new, create=True)) as connection, explained(new / DATABASE):
            _filled(connection, rows)
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        quarantined = _copied_to_quarantine(folder)
        # First what belonged to the old one: beside a new database its recent writes would be taken for the new one's.
        for suffix in ("-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        (new / DATABASE).replace(path)
        settle(folder)
        shutil.rmtree(new, ignore_errors=True)
    except OSError as error:
        raise OutputError(f"cannot repair {path}: {(error.strerror or str(error)).lower()}") from error
    carried = ", ".join(f"{len(found)} {table.replace('_', ' ')}s" for table, found in rows.items())
    return [
        StoreRemark(
            DATABASE, f"was damaged; quarantined in {quarantined}, and rebuilt from what could be read: {carried}"
        )
    ]


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
    (folder / DAMAGED).mkdir(exist_ok=True)
    number = 1
    while (folder / DAMAGED / f"database-{number}").exists():
        number += 1
    place = folder / DAMAGED / f"database-{number}"
    place.mkdir()
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
