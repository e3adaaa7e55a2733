"""The rows that one capture has in the database: made of its record, made anew, and compared with it."""

from __future__ import annotations

import json
import math
import sqlite3
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vibe.core.records.history import Record
from vibe.history.store.queries import now

_FIELDS = (
    "content", "drive", "file", "measured_at", "time_s", "duration_s", "kept", "state", "speed_hz",
    "speed_uncertainty_hz", "load_percent", "software",
)  # fmt: skip
_SERIES = ("drive", "point", "measure", "subject")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureRows:
    """What the database will say of a capture, worked out by whoever made its record: of the table ``capture`` the
    ``fields``, the report as it is packed (``health``), ``findings``, and of each series (drive, point, measure,
    subject) the value and its unit. All of it is plain, so that it goes from process to process in no time."""

    fields: tuple[Any, ...]
    time_s: float
    health: bytes
    findings: tuple[tuple[Any, ...], ...]
    values: tuple[tuple[tuple[str, ...], float, str], ...]

    @classmethod
    def of(cls, record: Record) -> CaptureRows:
        """Of values that are not finite nothing, of several for one series the first."""
        return cls(
            fields=_fields(record),
            time_s=record.measured_at.timestamp(),
            health=zlib.compress(record.health.encode("utf-8")),
            findings=tuple(_findings(record)),
            values=tuple((key, value, unit) for key, (value, unit) in _values(record).items()),
        )

    @property
    def content(self) -> str:
        """Of which capture they are."""
        return str(self.fields[_FIELDS.index("content")])

    @property
    def file(self) -> str:
        """The name of the file that was delivered."""
        return str(self.fields[_FIELDS.index("file")])


def _fields(record: Record) -> tuple[Any, ...]:
    return (
        record.content, record.drive, record.file, record.measured_at.isoformat(), record.measured_at.timestamp(),
        record.duration_s, record.kept, str(_health(record.health).get("state", "unknown")), _known(record.speed_hz),
        _known(record.speed_uncertainty_hz), _known(record.load_percent), record.software,
    )  # fmt: skip


def _known(number: Any) -> Any:
    """SQLite makes NULL of NaN; so do we, before the two are compared."""
    return None if isinstance(number, float) and math.isnan(number) else number


def _findings(record: Record) -> list[tuple[Any, ...]]:
    names = ("tone", "component", "defect", "probability", "severity")
    found = _health(record.health).get("findings", [])
    return [
        (rank, *(_known(finding.get(name)) for name in names), int(finding.get("weak_sign") is True))
        for rank, finding in enumerate(found)
    ]


def _values(record: Record) -> dict[tuple[str, ...], tuple[float, str]]:
    """Value and unit by series: of what is not finite nothing, of several for one series the first."""
    found: dict[tuple[str, ...], tuple[float, str]] = {}
    for value in record.values:
        if math.isfinite(value.value):
            key = (record.drive, value.point, value.measure, value.subject)
            found.setdefault(key, (float(value.value), value.unit))
    return found


def insert(connection: sqlite3.Connection, rows: CaptureRows, sha256: str, waveform: str) -> None:
    """All rows of a capture that has none."""
    marks = ",".join("?" * (len(_FIELDS) + 3))
    capture = connection.execute(
        f"INSERT INTO capture ({', '.join(_FIELDS)}, added_at, waveform, file_sha256) VALUES ({marks})",
        (*rows.fields, now(), waveform, sha256),
    ).lastrowid
    _insert_traced(connection, capture, rows)


def make_anew(connection: sqlite3.Connection, rows: CaptureRows) -> None:
    """All rows of a capture that has some, but not those of its record."""
    capture = connection.execute("SELECT id FROM capture WHERE content = ?", (rows.content,)).fetchone()[0]
    for table in ("value", "finding", "health"):
        connection.execute(f"DELETE FROM {table} WHERE capture = ?", (capture,))
    said = ", ".join(f"{name} = ?" for name in _FIELDS)
    connection.execute(f"UPDATE capture SET {said} WHERE id = ?", (*rows.fields, capture))
    _insert_traced(connection, capture, rows)


def _insert_traced(connection: sqlite3.Connection, capture: int | None, rows: CaptureRows) -> None:
    run = connection.execute
    run("INSERT INTO health VALUES (?,?)", (capture, rows.health))
    for finding in rows.findings:
        run("INSERT INTO finding VALUES (?,?,?,?,?,?,?,?)", (capture, *finding))
    connection.executemany(
        f"INSERT INTO series ({', '.join(_SERIES)}, unit) VALUES (?,?,?,?,?) ON CONFLICT DO NOTHING",
        [(*key, unit) for key, _, unit in rows.values],
    )
    connection.executemany(
        "INSERT INTO value SELECT id, ?, ?, ? FROM series WHERE drive = ? AND point = ? AND measure = ? "
        "AND subject = ?",
        [(rows.time_s, capture, value, *key) for key, value, _ in rows.values],
    )


def counts(connection: sqlite3.Connection) -> dict[int, int]:
    """How many values each capture has, by its number in the database; in one go, for there is no index for it."""
    return dict(connection.execute("SELECT capture, count(*) FROM value GROUP BY capture"))


def amiss(connection: sqlite3.Connection, record: Record, counted: Mapping[int, int]) -> str:
    """Which of a capture's rows do not say what its record says; empty where all do. ``counted`` is from ``counts``."""
    run = connection.execute
    row = run(f"SELECT id, {', '.join(_FIELDS)} FROM capture WHERE content = ?", (record.content,)).fetchone()
    if row is None:
        return "has no row in the database"
    capture, fields, wanted = row[0], row[1:], _fields(record)
    for name, there, should in zip(_FIELDS, fields, wanted, strict=True):
        if there != should:
            return f"its {name} in the database is not that of its file"
    if not _same_report(run("SELECT json FROM health WHERE capture = ?", (capture,)).fetchone(), record.health):
        return "its report in the database is not that of its file"
    recorded = run(
        "SELECT rank, tone, component, defect, probability, severity, weak_sign FROM finding WHERE capture = ? "
        "ORDER BY rank",
        (capture,),
    ).fetchall()
    if recorded != _findings(record):
        return "its findings in the database are not those of its file"
    values, time_s = _values(record), record.measured_at.timestamp()
    same = counted.get(capture, 0) == len(values) and all(
        run(
            "SELECT value FROM value WHERE time_s = ? AND capture = ? AND series = (SELECT id FROM series "
            "WHERE drive = ? AND point = ? AND measure = ? AND subject = ?)",
            (time_s, capture, *key),
        ).fetchone()
        == (value,)
        for key, (value, _) in values.items()
    )
    return "" if same else "its values in the database are not those of its file"


def _same_report(row: tuple[Any] | None, health: str) -> bool:
    try:
        return row is not None and zlib.decompress(row[0]).decode("utf-8") == health
    except (zlib.error, TypeError, ValueError):
        return False


def _health(text: str) -> dict[str, Any]:
    try:
        recorded = json.loads(text)
    except ValueError:
        return {}
    return recorded if isinstance(recorded, dict) else {}
