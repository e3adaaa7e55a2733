"""What a run says besides its reports: what changed since an earlier run, and what must be measured again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vibe.core.health import State

Fate = Literal["new", "still there", "gone", "not looked for"]
"""Of a finding since the earlier report; ``not looked for``: it was there, and this time could not have shown."""
Way = Literal["graver", "milder", "same", "not known"]
"""Which way a state went; not known where one of the two is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingChange:
    """One finding before and now; ``tone``, ``component`` and ``defect`` are those of now where it is still there."""

    tone: str | None
    component: str
    defect: str
    fate: Fate
    probability_before: float | None = None
    probability_now: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChange:
    """Velocity r.m.s. of one point before and now, None where it was not measured.

    ``significant`` is None where that cannot be said, and then ``note`` says why; ``threshold`` is the change beyond
    which it is.
    """

    point: str
    measure: str
    unit: str
    before: float | None
    now: float | None
    zone_before: str | None = None
    zone_now: str | None = None
    significant: bool | None = None
    threshold: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportChanges:
    """Two health reports of one drive compared. Speeds are None where they were not measured."""

    measured_before: str | None
    state_before: State
    state_now: State
    way: Way
    findings: tuple[FindingChange, ...]
    levels: tuple[LevelChange, ...]
    speed_before_hz: float | None
    speed_now_hz: float | None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Retake:
    """One point of one drive that did not come out well, why, and what would mend it.

    ``point`` is None when a whole file could not be read.
    """

    drive: str
    point: str | None
    file: str
    verdict: Literal["unreadable", "rejected", "limited", "retake"]
    """``retake``: sent back by the check of the round, though a report can still make something of it."""
    reason: str
    remedy: str
    codes: tuple[str, ...] = ()
    """Of the reasons, where they are known."""
