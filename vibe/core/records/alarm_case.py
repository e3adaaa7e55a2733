"""What is known of a drive when its alarms are judged: gathered from a store, handed to those who judge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from vibe.core.health import Severity
from vibe.core.records.alarms import Consequence, Exceedance, PointChange, SeriesState, SisterState
from vibe.core.records.history import Decision, Event


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFinding:
    """A finding of one capture's own report. ``names`` are component, tone and all that it cannot be distinguished
    from."""

    tone: str | None
    component: str
    defect: str
    probability: float
    severity: Severity
    names: tuple[str, ...]
    point: str = ""
    why: str = ""
    advice: str = ""
    points: tuple[str, ...] = ()
    weak_sign: bool = False
    """Too improbable to set the state of its report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureSeen:
    """One capture of a drive. ``troubled``: what is wrong with the measuring chain, by point; ``clipped``: where the
    signal is cut off, by point [m/s²]. ``judged``: it was not rejected as a whole; ``refused`` says why it was."""

    content: str
    at: datetime
    accepted: bool
    state: str
    speed_hz: float | None
    load_percent: float | None
    findings: tuple[CaptureFinding, ...] = ()
    troubled: Mapping[str, str] = field(default_factory=dict)
    clipped: Mapping[str, float] = field(default_factory=dict)
    judged: bool = True
    refused: str = ""
    added_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveCase:
    """A drive. ``epoch`` is the last new baseline (``epoch_event`` what made it), None while it is still the first.

    ``captures`` are all, oldest first. ``before`` is the content of a capture of the baseline that is like the latest
    accepted one, ``now``.
    """

    tag: str
    name: str
    kind: str
    consequence: Consequence | None
    spare_lead_days: float | None
    epoch: datetime | None
    epoch_event: Event | None
    events: tuple[Event, ...]
    captures: tuple[CaptureSeen, ...]
    series: tuple[SeriesState, ...]
    exceedances: tuple[Exceedance, ...]
    sisters: tuple[SisterState, ...]
    changed: tuple[PointChange, ...]
    before: str | None
    now: str | None
    load_moved: bool = False
    speed_moved: bool = False
    at: datetime | None = None
    """As of when it was gathered."""
    every_days: float | None = None
    planned: bool = False
    """Whether ``every_days`` is planned in the drive file, or what was usual so far."""

    @property
    def recent(self) -> tuple[CaptureSeen, ...]:
        """Captures since the last new baseline."""
        return tuple(c for c in self.captures if self.epoch is None or c.at >= self.epoch)


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """An alarm that the store knows already; ``facts`` is what was recorded with it."""

    id: str
    drive: str
    cause: str
    opened_at: datetime
    facts: Mapping[str, Any]
    decisions: tuple[Decision, ...]
