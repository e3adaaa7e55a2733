"""A store of captures and levels over the years."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from vibe.api.captures import AnyCapture, read, several
from vibe.api.drives import AnyPath, Drive, described
from vibe.api.tables import Table, fields
from vibe.core.capture import Capture
from vibe.core.errors import CallError
from vibe.core.text import printable

if TYPE_CHECKING:
    from vibe.core.records.history import SeriesKey, StoredCapture, StoredDrive, StoredFinding
    from vibe.history.store.store import Store as PlainStore


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredValue:
    """One value of one series: time with offset, place, measure, value in ``unit``, and the capture it comes from.

    ``speed_hz`` and ``load_percent`` are those of the capture, None where unknown.
    """

    time: datetime
    point: str
    measure: str
    subject: str
    value: float
    unit: str
    speed_hz: float | None
    load_percent: float | None
    accepted: bool
    capture: str


_VALUES = fields(
    "time", "point", "measure", "subject", "value", "unit", "speed_hz", "load_percent", "accepted", "capture"
)


class Store:
    """An open store; use it in ``with``, or ``close`` it. One object serves one thread."""

    def __init__(self, store: PlainStore) -> None:
        self._store = store

    @property
    def folder(self) -> Path:
        return self._store.folder

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the store; what was added is on the disk already."""
        self._store.close()

    def drives(self) -> Table[StoredDrive]:
        """All drives, by tag, with how many captures there are and when."""
        return Table(self._store.drives(), fields("tag", "captures", "accepted", "first", "last", "state"))

    def captures(
        self, drive: str | None = None, *, since: datetime | None = None, until: datetime | None = None
    ) -> Table[StoredCapture]:
        """Captures of a drive (of all unless given), oldest first; column ``id`` is what ``read`` takes.

        Args:
            drive: its tag.
            since: from this time on, given with its offset from UTC.
            until: before this time, given in the same way.

        Raises:
            CallError: a time without offset, or the store is damaged.
        """
        if any(time is not None and time.utcoffset() is None for time in (since, until)):
            raise CallError("since and until need their offset from UTC, such as datetime(2026, 3, 9, tzinfo=UTC)")
        shown = {
            **fields("id"),
            **fields("drive", "file", "measured_at", "duration_s", "kept", "state", "speed_hz", "load_percent"),
            **fields("waveform"),
        }
        return Table(self._store.captures(drive, since, until), shown)

    def levels(self, drive: str, *, point: str | None = None, measure: str | None = None) -> Table[StoredValue]:
        """Broad-band levels of a drive, series by series, oldest first.

        Args:
            drive: its tag.
            point: only this one.
            measure: only this one, such as ``velocity_rms``.

        Raises:
            CallError: the store knows no such drive.
        """
        return self._values(drive, lambda key: key.point != "" and key.subject == "", point, measure)

    def series(
        self, drive: str, *, point: str | None = None, measure: str | None = None, subject: str | None = None
    ) -> Table[StoredValue]:
        """Every kept series of a drive: levels, lines and impacts by tone (``subject``), speed, load.

        Raises:
            CallError: the store knows no such drive.
        """
        return self._values(drive, lambda key: subject is None or key.subject == subject, point, measure)

    def findings(self, drive: str | None = None) -> Table[StoredFinding]:
        """What the reports of single captures found, oldest first; those with ``weak_sign`` are too improbable to set
        the state of a report."""
        return Table(
            self._store.findings(drive),
            {
                **fields("drive", capture="content"),
                "time": lambda one: datetime.fromtimestamp(one.time_s, tz=UTC),
                **fields("tone", "component", "defect", "probability", "severity", "weak_sign"),
            },
        )

    def read(self, capture: str | StoredCapture) -> Capture:
        """A capture with its samples, bit by bit as it was kept.

        Args:
            capture: its ``id``, or a row of ``captures``.

        Raises:
            CallError: there is no such capture, or its samples were thinned away. CaptureError: its file is damaged.
        """
        capture_id = capture if isinstance(capture, str) else capture.content
        kept = self._store.capture(capture_id)
        channels = self._store.waveform(capture_id)
        if not channels:
            raise CallError(f"of capture {capture_id[:16]} the samples were thinned away; its values are still there")
        return Capture(
            source=Path(kept.file),
            sha256=kept.content,
            channels=channels,
            drive=kept.drive,
            measured_at=kept.measured_at,
            # The store keeps a measured speed; whether one was noted too it does not say.
            speed_rpm=None if kept.speed_hz is None else 60.0 * kept.speed_hz,
            load_percent=kept.load_percent,
        )

    def add(
        self, captures: AnyCapture | Iterable[AnyCapture], drive: Drive | AnyPath, *, time_zone: str | None = None
    ) -> int:
        """Judge captures of one drive and keep them; how many are new. Each is on the disk before the next is judged.

        Args:
            captures: in memory or as paths; each must say when it was measured.
            drive: the drive, or its file, which is kept too.
            time_zone: of times without offset, such as ``Europe/Vienna``.

        Raises:
            CaptureError: one cannot be read or says no time. OutputError: the store cannot be written.
        """
        from vibe.flow.history.capture_record import keep
        from vibe.flow.settings import load_settings
        from vibe.storage.toml_text import read_text

        known, table = described(drive)
        text = known.to_toml() if isinstance(drive, Drive) else read_text(Path(str(drive)))
        settings = load_settings()
        added = 0
        for one in several(captures):
            capture = read(one) if isinstance(one, Path) else one
            added += keep(capture, known, table, settings, self._store, toml=text, time_zone=time_zone)
        return added

    def _values(
        self, drive: str, wanted: Callable[[SeriesKey], bool], point: str | None, measure: str | None
    ) -> Table[StoredValue]:
        if drive not in {one.tag for one in self._store.drives()}:
            raise CallError(f"{self.folder} holds no drive {drive!r}")
        rows: list[StoredValue] = []
        for key in self._store.keys(drive, measure):
            if not wanted(key) or (point is not None and key.point != point):
                continue
            series = self._store.series(key)
            rows += [
                StoredValue(
                    time=datetime.fromtimestamp(float(series.time_s[n]), tz=UTC), point=key.point, measure=key.measure,
                    subject=key.subject, value=float(series.value[n]), unit=series.unit,
                    speed_hz=_known(float(series.speed_hz[n])), load_percent=_known(float(series.load_percent[n])),
                    accepted=bool(series.accepted[n]), capture=series.content[n],
                )
                for n in range(len(series.content))
            ]  # fmt: skip
        return Table(rows, _VALUES)

    def __repr__(self) -> str:
        return f"store in {self.folder}"

    def _repr_html_(self) -> str:
        return f"<p>Store in {html.escape(printable(str(self.folder)))}</p>{self.drives()._repr_html_()}"


def _known(value: float) -> float | None:
    return None if value != value else value


def open_store(folder: AnyPath, *, create: bool = False) -> Store:
    """The store in ``folder``; with ``create`` made where there is none.

    Raises:
        CallError: there is none, the folder holds something else, it is damaged or of a newer format.
        OutputError: it cannot be made there.

    Example:
        >>> import vibe
        >>> with vibe.open_store("history", create=True) as store:
        ...     added = store.add("TH-02.h5", "TH-02.toml")
        ...     levels = store.levels("TH-02", measure="velocity_rms").to_frame()
        ...     captures = store.captures("TH-02")
        ...     again = store.read(captures[0].id)
        >>> added, levels["point"].to_list(), again.channel_names
        (1, ['input side radial', 'output side radial'], ('input side radial', 'output side radial'))
    """
    from vibe.history.store.store import Store as PlainStore

    return Store(PlainStore.open(Path(folder), create=create))
