"""The tables of a store, in numbered steps: each step was the newest layout once and is never changed afterwards.

``PRAGMA user_version`` says how many steps a store has seen. A new layout is a new entry at the end of ``STEPS``.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from vibe.core.errors import CallError, OutputError

DATABASE = "store.sqlite"
OWNER = 0x76696265
"""``PRAGMA application_id`` of a store: "vibe" in ASCII."""
BUSY_MS = 60_000
"""How long one process waits while another writes; one addition takes some milliseconds."""
SYNCHRONOUS = "FULL"
"""Each commit waits until it is on the disk, so that a cut of the power loses nothing that was said to be kept."""

_CAPTURES = (
    # What a drive file said when captures were kept with it; the last row is the one in use.
    """CREATE TABLE drive_file (
        id INTEGER PRIMARY KEY, drive TEXT NOT NULL, kind TEXT NOT NULL, toml TEXT NOT NULL, added_at TEXT NOT NULL
    )""",
    "CREATE INDEX drive_file_of_drive ON drive_file (drive, id)",
    # measured_at is the time as it was given, with its offset; time_s the same, counted from 1970 (UTC).
    """CREATE TABLE capture (
        id INTEGER PRIMARY KEY, content TEXT NOT NULL UNIQUE, drive TEXT NOT NULL, file TEXT NOT NULL,
        measured_at TEXT NOT NULL, time_s REAL NOT NULL, duration_s REAL NOT NULL,
        kept TEXT NOT NULL CHECK (kept IN ('accepted', 'limited', 'rejected')), state TEXT NOT NULL,
        speed_hz REAL, speed_uncertainty_hz REAL, load_percent REAL, software TEXT NOT NULL, added_at TEXT NOT NULL,
        waveform TEXT NOT NULL CHECK (waveform IN ('kept', 'thinned', 'lost')), file_sha256 TEXT NOT NULL
    )""",
    "CREATE INDEX capture_of_drive ON capture (drive, time_s)",
    """CREATE TABLE series (
        id INTEGER PRIMARY KEY, drive TEXT NOT NULL, point TEXT NOT NULL, measure TEXT NOT NULL,
        subject TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (drive, point, measure, subject)
    )""",
    """CREATE TABLE value (
        series INTEGER NOT NULL REFERENCES series (id), time_s REAL NOT NULL,
        capture INTEGER NOT NULL REFERENCES capture (id), value REAL NOT NULL,
        PRIMARY KEY (series, time_s, capture)
    ) WITHOUT ROWID""",
    # The report of a capture, JSON packed by zlib: plain, it would be most of the database.
    "CREATE TABLE health (capture INTEGER PRIMARY KEY REFERENCES capture (id), json BLOB NOT NULL)",
    """CREATE TABLE finding (
        capture INTEGER NOT NULL REFERENCES capture (id), rank INTEGER NOT NULL, tone TEXT, component TEXT NOT NULL,
        defect TEXT NOT NULL, probability REAL, severity TEXT, PRIMARY KEY (capture, rank)
    ) WITHOUT ROWID""",
)

_DECISIONS = (
    """CREATE TABLE alarm (
        id TEXT PRIMARY KEY, drive TEXT NOT NULL, cause TEXT NOT NULL, opened_at TEXT NOT NULL, closed_at TEXT,
        facts TEXT NOT NULL
    ) WITHOUT ROWID""",
    "CREATE INDEX alarm_of_drive ON alarm (drive)",
    """CREATE TABLE event (
        id INTEGER PRIMARY KEY, drive TEXT NOT NULL, at TEXT NOT NULL, time_s REAL NOT NULL, kind TEXT NOT NULL,
        note TEXT NOT NULL, by TEXT NOT NULL, new_baseline INTEGER NOT NULL, added_at TEXT NOT NULL
    )""",
    "CREATE INDEX event_of_drive ON event (drive, time_s)",
    """CREATE TABLE decision (
        id INTEGER PRIMARY KEY, alarm TEXT NOT NULL REFERENCES alarm (id), verdict TEXT NOT NULL,
        because TEXT NOT NULL, by TEXT NOT NULL, at TEXT NOT NULL, recheck_by TEXT
    )""",
    "CREATE INDEX decision_of_alarm ON decision (alarm, id)",
    *(
        f"CREATE TRIGGER {table}_is_never_{word} BEFORE {what} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'what is in the table {table} stays as it was written'); END"
        for table in ("event", "decision")
        for what, word in (("UPDATE", "changed"), ("DELETE", "removed"))
    ),
)

_WORK = (
    # Who has a decision's work in hand, by when, and how the alarm stood: one row, so that deciding is one statement.
    "ALTER TABLE decision ADD COLUMN owner TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE decision ADD COLUMN due TEXT",
    "ALTER TABLE decision ADD COLUMN work_order TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE decision ADD COLUMN after INTEGER REFERENCES decision (id)",
    "ALTER TABLE decision ADD COLUMN withdraws INTEGER REFERENCES decision (id)",
    "ALTER TABLE decision ADD COLUMN stood TEXT NOT NULL DEFAULT ''",
    # Which drives changed since when, counted up in the transaction that changes them: what is computed from a store
    # and kept is computed anew for those alone.
    "CREATE TABLE touched (drive TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID",
    "CREATE INDEX touched_since ON touched (seq)",
    *(
        f"CREATE TRIGGER {table}_touches_{word} AFTER {what} ON {table} BEGIN INSERT OR REPLACE INTO touched "
        f"SELECT {drive}, coalesce(max(seq), 0) + 1 FROM touched; END"
        for table, what, word, drive in (
            ("capture", "INSERT", "added", "NEW.drive"),
            ("capture", "UPDATE OF drive, time_s, kept, state, speed_hz, load_percent", "changed", "NEW.drive"),
            ("drive_file", "INSERT", "added", "NEW.drive"),
            ("event", "INSERT", "added", "NEW.drive"),
            ("decision", "INSERT", "added", "(SELECT a.drive FROM alarm a WHERE a.id = NEW.alarm)"),
        )
    ),
    "INSERT INTO touched SELECT drive, row_number() OVER (ORDER BY drive) FROM "
    "(SELECT drive FROM capture UNION SELECT drive FROM drive_file UNION SELECT drive FROM event)",
)

_WEAK_SIGNS = (
    "ALTER TABLE finding ADD COLUMN weak_sign INTEGER NOT NULL DEFAULT 0 CHECK (weak_sign IN (0, 1))",
    # Reports say it; their findings stand in the order of their ranks.
    "UPDATE finding SET weak_sign = coalesce((SELECT is_weak_sign(h.json, finding.rank) FROM health h "
    "WHERE h.capture = finding.capture), 0)",
)

STEPS: tuple[tuple[str, ...], ...] = (_CAPTURES, _DECISIONS, _WORK, _WEAK_SIGNS)
"""Statements that lead from format n to n + 1, n being the place in the tuple."""
GUARDS = {statement.split()[2]: statement for statement in _DECISIONS if statement.startswith("CREATE TRIGGER")}
"""What refuses to change or remove an event or a decision, by name."""


def connected(
    folder: Path, *, create: bool, has_captures: Callable[[], bool] = lambda: False, read_only: bool = False
) -> sqlite3.Connection:
    """The database of the store in ``folder``, brought to the newest format; read only where it may not be written
    or ``read_only`` is given.

    ``has_captures`` says whether captures lie next to it: then an empty database is not a new one but one that was
    lost.

    Raises:
        CallError: it is of a newer format, damaged, lost, or no store's. OutputError: it cannot be brought up to date.
    """
    path = folder / DATABASE
    with explained(path):
        if read_only and writable(folder):
            connection = _opened(f"{path.resolve().as_uri()}?mode=ro")
        elif not create and not writable(folder):
            connection = _opened(_read_only(path))
        else:
            connection = _opened(f"{path.resolve().as_uri()}?mode={'rwc' if create else 'rw'}")
        try:
            _ready(connection, path, has_captures, may_write=not read_only and writable(folder))
        except BaseException:
            connection.close()
            raise
    return connection


def _opened(uri: str) -> sqlite3.Connection:
    # No implied transactions: what belongs together is said in store.py.
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_MS / 1000)


def writable(folder: Path) -> bool:
    """Whether this process may change the store in ``folder``."""
    return os.access(folder, os.W_OK) and os.access(folder / DATABASE, os.W_OK)


def _read_only(path: Path) -> str:
    # Without a file of recent writes next to it nobody is writing, and SQLite needs none of its own.
    alone = not path.with_name(f"{path.name}-wal").exists()
    return f"{path.resolve().as_uri()}?{'immutable=1' if alone else 'mode=ro'}"


def _ready(connection: sqlite3.Connection, path: Path, has_captures: Callable[[], bool], *, may_write: bool) -> None:
    version = _version(connection, path)
    if may_write:
        _write_ahead(connection)
        connection.execute(f"PRAGMA synchronous = {SYNCHRONOUS}")
        connection.execute("PRAGMA foreign_keys = ON")
    if version == len(STEPS):
        return
    if not may_write:
        raise OutputError(f"{path} is of an older format and may not be written: open it once where it may be")
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another process may have been quicker.
        version = _version(connection, path)
        if version == 0 and has_captures():
            raise lost(path)
        if 0 < version < len(STEPS):
            _backed_up(path, version)
        connection.create_function("is_weak_sign", 2, _is_weak_sign, deterministic=True)
        for statements in STEPS[version:]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {OWNER}")
        connection.execute(f"PRAGMA user_version = {len(STEPS)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _is_weak_sign(report: bytes, rank: int) -> bool:
    """Whether the finding of that rank is a weak sign in a packed report; no report that is damaged says so."""
    try:
        return json.loads(zlib.decompress(report))["findings"][rank].get("weak_sign") is True
    except (zlib.error, ValueError, TypeError, LookupError, AttributeError):
        return False


def lost(path: Path) -> CallError:
    """The one sentence about captures whose database is gone."""
    return CallError(
        f"{path} is gone or empty although captures are stored next to it: restore a copy of it, or have `vibe "
        "history repair` rebuild it from the captures and the journal of decisions"
    )


def _write_ahead(connection: sqlite3.Connection) -> None:
    """The journal in which readers do not wait for who writes."""
    until = time.monotonic() + BUSY_MS / 1000
    # Several processes may make the same new store; this one change does not wait for its turn by itself.
    while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("PRAGMA journal_mode = WAL").fetchone()
        except sqlite3.OperationalError:
            if time.monotonic() > until:
                raise
            time.sleep(0.02)


def _version(connection: sqlite3.Connection, path: Path) -> int:
    # In this order: whoever makes the store commits tables, owner and version at once, perhaps just now.
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if tables and owner != OWNER:
        raise CallError(f"{path} is a database of another program; name another folder")
    if version > len(STEPS):
        raise CallError(
            f"{path} is of format {version}, this program knows formats up to {len(STEPS)}: use a newer vibe"
        )
    return version


def _backed_up(path: Path, version: int) -> None:
    """A copy of the store as it was, next to it; readers see it so while another connection holds the lock to write."""
    copy = path.with_name(f"store.format{version}.sqlite")
    part = path.with_name(f"{copy.name}.part")
    part.unlink(missing_ok=True)
    source = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    target = sqlite3.connect(part)
    try:
        source.backup(target)
    finally:
        target.close()
        source.close()
    part.replace(copy)


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """What SQLite says of the database ``path``, as one sentence that says what to do.

    Raises:
        CallError: it is damaged, or no database. OutputError: it cannot be written, or the disk is full.
    """
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", None) or ""
        if name.startswith("SQLITE_FULL"):
            raise OutputError(f"{path}: the disk is full; the last step was not kept: make room, try again") from error
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_PROTOCOL")):
            raise OutputError(f"{path}: another process holds it for too long; try again when it has ended") from error
        if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
            raise OutputError(f"{path} may not be written, or cannot be opened; check rights on its folder") from error
        if name.startswith("SQLITE_IOERR") and "SHORT_READ" not in name:
            raise OutputError(f"{path}: the disk does not answer as it should ({error})") from error
        # Anything else means that what stands in the file is not what was once written by this program.
        raise damaged(path, error) from error
    except UnicodeDecodeError as error:  # of a message that quotes what is damaged
        raise damaged(path, error) from error


@contextmanager
def understood(path: Path) -> Iterator[None]:
    """As ``explained``; and what came out of the database, but makes no sense, is damage too."""
    try:
        with explained(path):
            yield
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, ArithmeticError, zlib.error) as error:
        raise damaged(path, error) from error


class DamagedError(CallError):
    """A database is not what was written."""


def damaged(path: Path, why: object) -> DamagedError:
    """The one sentence about a database that is not what was written."""
    return DamagedError(
        f"{path} is damaged ({' '.join(str(why).split())[:160]}): put back a copy of it, or have `vibe history repair` "
        "repair what can be repaired"
    )
