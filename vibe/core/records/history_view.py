"""What the pages of a history show: gathered from a store, handed to those who draw."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from vibe.core.records.alarms import Alarm, SeriesState
from vibe.core.records.history import ArchivedSpectrum, Event, Series


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownSeries:
    """A series and what it did; ``state`` is None where nothing judges it."""

    series: Series
    state: SeriesState | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownCapture:
    """A capture whose spectra a page carries, and why it was chosen."""

    content: str
    at: datetime
    file: str
    state: str
    speed_hz: float | None
    load_percent: float | None
    why: str
    spectra: tuple[ArchivedSpectrum, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownTone:
    """A place where a cursor may be put: an order of the input, and the spacing of its first sidebands if any.

    ``slip``: how far, relative, the real tone may lie off it.
    """

    id: str
    order: float
    spacing: float | None = None
    damage: bool = False
    slip: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownDrive:
    """A drive with its history. ``captures`` are those with spectra, oldest first, of ``kept`` in all.

    ``at`` is when the page was asked for.
    """

    tag: str
    name: str
    state: str
    at: datetime
    kept: int
    accepted: int
    first: datetime | None
    last: datetime | None
    series: tuple[ShownSeries, ...]
    captures: tuple[ShownCapture, ...]
    events: tuple[Event, ...]
    tones: tuple[ShownTone, ...]
    alarms: tuple[Alarm, ...] = ()
    remarks: tuple[str, ...] = ()
    before: str | None = None
    now: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownAlarm:
    """An alarm and its pictures; ``pictures`` holds only what belongs to it, None where the store says nothing."""

    alarm: Alarm
    pictures: ShownDrive | None = None
