"""What can be asked of a store."""

from __future__ import annotations

import re
import sqlite3
import time
import zlib
from collections.abc import Sequence
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import numpy as np

from vibe.core.capture import Channel
from vibe.core.errors import CallError, CaptureError
from vibe.core.records.history import (
    SHORT,
    ArchivedSpectrum,
    DriveVersion,
    Extent,
    Latest,
    Series,
    SeriesKey,
    StoredCapture,
    StoredDrive,
    StoredFinding,
)
from vibe.history.store import capture_file
from vibe.history.store.incoming import digest
from vibe.history.store.schema import DATABASE, explained, understood

_CAPTURE = (
    "content, drive, file, measured_at, time_s, duration_s, kept, state, speed_hz, speed_uncertainty_hz, "
    "load_percent, software, waveform, added_at"
)


_FOR_EVER = 1e15
"""[s]: later than any time of a capture."""
_LOOKS, _BETWEEN_S = 3, 0.05
"""Another process may be changing file and row of a capture: some milliseconds, in which they do not agree."""


class Answers:
    """A store as it is read, up to ``until`` where that is given. Times must carry their offset from UTC."""

    def __init__(self, folder: Path, connection: sqlite3.Connection, until: datetime | None = None) -> None:
        self.folder = folder
        self.until = until
        self._until_s = _FOR_EVER if until is None else until.timestamp()
        self._connection = connection
        self._known_drives: tuple[tuple[int, int], tuple[StoredDrive, ...]] | None = None

    def rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Answer of one query, for this room: others ask by the methods below."""
        with explained(self.folder / DATABASE):
            return self._connection.execute(sql, values).fetchall()

    def _understood(self) -> AbstractContextManager[None]:
        """What a damaged database says need not make sense; then that is said, in one sentence."""
        return understood(self.folder / DATABASE)

    def change_number(self) -> int:
        """Grows whenever a capture, an event, a decision or a drive file is added: what judgements rest on."""
        return int(self.rows("SELECT ifnull(max(seq), 0) FROM touched")[0][0])

    @property
    def connection(self) -> sqlite3.Connection:
        """The database, for this room."""
        return self._connection

    def path_of(self, content: str) -> Path:
        """Where the file of a capture lies, or would lie. Raises: CallError where the content is no hash: the name of
        such a file could lead out of the store."""
        checked_content(content)
        return self.folder / "captures" / content[:2] / f"{content}.h5"

    def holds(self, content: str) -> bool:
        """Whether the capture is in the store and its file is not lost."""
        return bool(self.rows("SELECT 1 FROM capture WHERE content = ? AND waveform != 'lost'", content))

    def drives(self) -> tuple[StoredDrive, ...]:
        """All drives, by tag, those without a capture too; read again once something was written, here or elsewhere."""
        state = int(self.rows("PRAGMA data_version")[0][0]), self._connection.total_changes
        if self._known_drives is None or self._known_drives[0] != state:
            self._known_drives = state, self._drives()
        return self._known_drives[1]

    def _drives(self) -> tuple[StoredDrive, ...]:
        with self._understood():
            kinds = dict(self.rows("SELECT drive, kind FROM drive_file ORDER BY id"))  # the last one is in use
            # SQLite takes bare columns from the row that holds the one max() or min() of a query.
            latest = {
                row[0]: row
                for row in self.rows(
                    "SELECT drive, count(*), sum(kept = 'accepted'), measured_at, state, max(time_s) "
                    "FROM capture WHERE time_s <= ? GROUP BY drive",
                    self._until_s,
                )
            }
            first = {
                row[0]: row[1]
                for row in self.rows(
                    "SELECT drive, measured_at, min(time_s) FROM capture WHERE time_s <= ? GROUP BY drive",
                    self._until_s,
                )
            }
            return tuple(
                StoredDrive(
                    tag=tag,
                    kind=kinds.get(tag, ""),
                    captures=latest[tag][1] if tag in latest else 0,
                    accepted=latest[tag][2] if tag in latest else 0,
                    first=datetime.fromisoformat(first[tag]) if tag in first else None,
                    last=datetime.fromisoformat(latest[tag][3]) if tag in latest else None,
                    state=latest[tag][4] if tag in latest else "unknown",
                )
                for tag in sorted(kinds.keys() | latest.keys())
            )

    def captures(
        self, drive: str | None = None, since: datetime | None = None, until: datetime | None = None
    ) -> tuple[StoredCapture, ...]:
        """Captures of a drive (of all unless given), oldest first, from ``since`` on and before ``until``."""
        where, values = ["time_s <= ?"], list[Any]([self._until_s])
        for condition, value in (
            ("drive = ?", drive),
            ("time_s >= ?", None if since is None else since.timestamp()),
            ("time_s < ?", None if until is None else until.timestamp()),
        ):
            if value is not None:
                where.append(condition)
                values.append(value)
        rows = self.rows(f"SELECT {_CAPTURE} FROM capture WHERE {' AND '.join(where)} ORDER BY time_s, id", *values)
        with self._understood():
            return tuple(_capture(row) for row in rows)

    def capture(self, content: str) -> StoredCapture:
        """One capture. Raises: CallError where there is none."""
        rows = self.rows(f"SELECT {_CAPTURE} FROM capture WHERE content = ?", content)
        if not rows:
            raise CallError(f"{self.folder} holds no capture {content[:80]}")
        with self._understood():
            return _capture(rows[0])

    def keys(self, drive: str, measure: str | None = None) -> tuple[SeriesKey, ...]:
        """Series of a drive, in order of point, measure, subject."""
        rows = self.rows(
            "SELECT drive, point, measure, subject FROM series WHERE drive = ? AND (?2 IS NULL OR measure = ?2) "
            "ORDER BY point, measure, subject",
            drive, measure,
        )  # fmt: skip
        return tuple(_key(row) for row in rows)

    def series(self, key: SeriesKey) -> Series:
        """A series, oldest first; captures of one time in the order in which they were added. Empty where unknown."""
        found = self.rows(
            "SELECT id, unit FROM series WHERE drive = ? AND point = ? AND measure = ? AND subject = ?",
            key.drive, key.point, key.measure, key.subject,
        )  # fmt: skip
        rows = self.rows(
            "SELECT v.time_s, v.value, c.speed_hz, c.load_percent, c.kept = 'accepted', c.content "
            "FROM value v JOIN capture c ON c.id = v.capture WHERE v.series = ? AND v.time_s <= ? "
            "ORDER BY v.time_s, v.capture",
            found[0][0] if found else -1,
            self._until_s,
        )
        with self._understood():
            columns: Sequence[Sequence[Any]] = list(zip(*rows, strict=True)) or [()] * 6
            return Series(
                key=key,
                unit=found[0][1] if found else "",
                time_s=np.array(columns[0], dtype=np.float64),
                value=np.array(columns[1], dtype=np.float64),
                speed_hz=np.array(columns[2], dtype=np.float64),  # None becomes NaN
                load_percent=np.array(columns[3], dtype=np.float64),
                # Short captures are all alike in what was not accepted of them.
                accepted=np.array(columns[4], dtype=np.bool_) | key.measure.endswith(SHORT),
                content=tuple(columns[5]),
            )

    def latest(self, drive: str | None = None, point: str | None = None) -> tuple[Latest, ...]:
        """The last value of every series, of a drive, of one of its points."""
        where, values = ["1"], list[Any]()
        for condition, value in (("s.drive = ?", drive), ("s.point = ?", point)):
            if value is not None:
                where.append(condition)
                values.append(value)
        rows = self.rows(
            "SELECT s.drive, s.point, s.measure, s.subject, s.unit, v.time_s, v.value, c.content, c.kept FROM series s "
            "JOIN value v ON v.series = s.id AND (v.time_s, v.capture) = "
            "(SELECT time_s, capture FROM value WHERE series = s.id AND time_s <= ? "
            "ORDER BY time_s DESC, capture DESC LIMIT 1) "
            f"JOIN capture c ON c.id = v.capture WHERE {' AND '.join(where)} "
            "ORDER BY s.drive, s.point, s.measure, s.subject",
            self._until_s, *values,
        )  # fmt: skip
        with self._understood():
            return tuple(
                Latest(key=_key(row), unit=row[4], time_s=row[5], value=row[6], content=row[7], kept=row[8])
                for row in rows
            )

    def extents(self, drive: str, measure: str | None = None) -> tuple[Extent, ...]:
        """How far each series of a drive reaches."""
        rows = self.rows(
            "SELECT s.drive, s.point, s.measure, s.subject, s.unit, count(*), min(v.value), max(v.value), "
            "min(v.time_s), max(v.time_s) FROM series s JOIN value v ON v.series = s.id AND v.time_s <= ?3 "
            "WHERE s.drive = ?1 AND (?2 IS NULL OR s.measure = ?2) GROUP BY s.id "
            "ORDER BY s.point, s.measure, s.subject",
            drive, measure, self._until_s,
        )  # fmt: skip
        with self._understood():
            names = ("count", "least", "greatest", "first_s", "last_s")
            return tuple(Extent(key=_key(row), unit=row[4], **dict(zip(names, row[5:], strict=True))) for row in rows)

    def findings(self, drive: str | None = None) -> tuple[StoredFinding, ...]:
        """What the captures' own reports found, oldest first, the gravest of each capture first, weak signs last."""
        rows = self.rows(
            "SELECT c.drive, c.content, c.time_s, f.tone, f.component, f.defect, f.probability, f.severity, "
            "f.weak_sign FROM capture c JOIN finding f ON c.id = f.capture "
            f"WHERE {'' if drive is None else 'c.drive = ? AND '}c.time_s <= ? ORDER BY c.time_s, c.id, f.rank",
            *(() if drive is None else (drive,)),
            self._until_s,
        )
        with self._understood():
            names = ("drive", "content", "time_s", "tone", "component", "defect", "probability", "severity")
            return tuple(
                StoredFinding(**dict(zip(names, row[:-1], strict=True)), weak_sign=bool(row[-1])) for row in rows
            )

    def health(self, content: str) -> str:
        """The JSON of the report that was made of a capture alone. Raises: CallError where there is no such capture."""
        rows = self.rows("SELECT h.json FROM health h JOIN capture c ON c.id = h.capture WHERE c.content = ?", content)
        if not rows:
            raise CallError(f"{self.folder} holds no capture {content[:80]}")
        with self._understood():
            return zlib.decompress(rows[0][0]).decode("utf-8")

    def spectra(self, content: str) -> tuple[ArchivedSpectrum, ...]:
        """The thinned spectra of a capture, which outlive its samples.

        Raises:
            CallError: there is no such capture. CaptureError: its file is lost or damaged.
        """
        return capture_file.read_spectra(self._whole(content))

    def waveform(self, content: str) -> tuple[Channel, ...]:
        """The samples of a capture; nothing where they were thinned away.

        Raises:
            CallError: there is no such capture. CaptureError: its file is lost or damaged.
        """
        return capture_file.read_channels(self._whole(content))

    def _whole(self, content: str) -> Path:
        """Where the file of a capture lies, which is to the last bit the one that was kept."""
        path = self.path_of(content)
        for _ in range(_LOOKS):
            rows = self.rows("SELECT waveform, file_sha256 FROM capture WHERE content = ?", content)
            if not rows:
                raise CallError(f"{self.folder} holds no capture {content[:80]}")
            waveform, sha256 = rows[0]
            try:
                if waveform == "lost" or digest(path) == sha256:
                    return path
            except OSError:
                return path  # who reads it says why it cannot be read
            time.sleep(_BETWEEN_S)
        if waveform == "kept" and not capture_file.harm(path) and not capture_file.has_samples(path):
            return path  # a process was ended between thinning the file and saying so
        raise CaptureError("is damaged, or not the file that was kept; `vibe history repair` quarantines it", path=path)

    def drive_toml(self, tag: str) -> str | None:
        """The text of the drive file in use; None where none was recorded."""
        rows = self.rows("SELECT toml FROM drive_file WHERE drive = ? ORDER BY id DESC LIMIT 1", tag)
        return rows[0][0] if rows else None

    def drive_versions(self, tag: str) -> tuple[DriveVersion, ...]:
        """All texts of a drive's file that were recorded, the one in use last."""
        rows = self.rows("SELECT id, added_at, kind, toml FROM drive_file WHERE drive = ? ORDER BY id", tag)
        with self._understood():
            return tuple(
                DriveVersion(number=number, added_at=datetime.fromisoformat(added), kind=kind, toml=toml)
                for number, (_, added, kind, toml) in enumerate(rows, start=1)
            )

    def sisters(self, tag: str) -> tuple[str, ...]:
        """Other drives of the same kind, by tag."""
        kinds = self.kinds()
        kind = kinds.get(tag, "")
        return tuple(sorted(other for other, its in kinds.items() if kind and its == kind and other != tag))

    def kinds(self) -> dict[str, str]:
        """The kind of every drive whose file was recorded; drives of one kind are sisters."""
        with self._understood():
            return dict(self.rows("SELECT drive, kind FROM drive_file ORDER BY id"))  # the last one is in use

    def touched(self, since: int = 0) -> tuple[int, tuple[str, ...]]:
        """The number of the latest change of any drive, and the drives that changed after number ``since``."""
        rows = self.rows("SELECT drive, seq FROM touched WHERE seq > ? ORDER BY seq", since)
        return (rows[-1][1] if rows else since), tuple(row[0] for row in rows)

    def numbers(self) -> dict[str, int]:
        """The number of each drive's latest change."""
        return dict(self.rows("SELECT drive, seq FROM touched"))

    def next_s(self, drive: str) -> float:
        """When the first capture or event of a drive beyond ``until`` lies [s since 1970]; infinite without any."""
        found = self.rows(
            "SELECT min(time_s) FROM (SELECT min(time_s) AS time_s FROM capture WHERE drive = ?1 AND time_s > ?2 "
            "UNION ALL SELECT min(time_s) FROM event WHERE drive = ?1 AND time_s > ?2)",
            drive, self._until_s,
        )[0][0]  # fmt: skip
        return float("inf") if found is None else float(found)

    def dated_within(self, after_s: float, until_s: float) -> tuple[str, ...]:
        """Drives with a capture or an event after one time and not after another [s since 1970]."""
        rows = self.rows(
            "SELECT drive FROM capture WHERE time_s > ?1 AND time_s <= ?2 "
            "UNION SELECT drive FROM event WHERE time_s > ?1 AND time_s <= ?2 ORDER BY drive",
            after_s, until_s,
        )  # fmt: skip
        return tuple(row[0] for row in rows)

    def next_of_all_s(self, after_s: float) -> float:
        """When the first capture or event after a time lies [s since 1970]; infinite without any."""
        found = self.rows(
            "SELECT min(time_s) FROM (SELECT min(time_s) AS time_s FROM capture WHERE time_s > ?1 "
            "UNION ALL SELECT min(time_s) FROM event WHERE time_s > ?1)", after_s,
        )[0][0]  # fmt: skip
        return float("inf") if found is None else float(found)

    def ahead(self) -> tuple[int, tuple[str, ...]]:
        """How many captures lie beyond ``until``, and the drives of events that do."""
        count = self.rows("SELECT count(*) FROM capture WHERE time_s > ?", self._until_s)[0][0]
        drives = self.rows("SELECT DISTINCT drive FROM event WHERE time_s > ? ORDER BY drive", self._until_s)
        return count, tuple(row[0] for row in drives)


def is_content(content: object) -> bool:
    """Whether this may name a capture's file: a hash, and no way out of the store."""
    return isinstance(content, str) and re.fullmatch(r"[0-9a-f]{8,128}", content) is not None


def checked_content(content: str) -> str:
    """``content``. Raises: CallError where it is no hash of a capture."""
    if not is_content(content):
        raise CallError(f"{str(content)[:80]!r} is no hash of a capture")
    return content


def _capture(row: tuple[Any, ...]) -> StoredCapture:
    fields = dict(zip(_CAPTURE.split(", "), row, strict=True))
    for name in ("measured_at", "added_at"):
        fields[name] = datetime.fromisoformat(fields[name])
    return StoredCapture(**fields)


def _key(row: Sequence[Any]) -> SeriesKey:
    drive, point, measure, subject = cast("tuple[str, str, str, str]", row[:4])
    return SeriesKey(drive=drive, point=point, measure=measure, subject=subject)


def now() -> str:
    """The time of day, as it is written down."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
