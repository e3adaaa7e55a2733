"""A queue of alarms: what was exceeded, what explains it, how urgent it is, and what was decided.

All values are frozen and plain, so that a page or a file can be made of them without a second look at the store.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import log10
from typing import Literal

from vibe.core.health import Severity
from vibe.core.records.history import Decision, Event, SeriesKey
from vibe.core.records.level_change import Explanation

Consequence = Literal["low", "medium", "high", "safety"]
LimitSource = Literal["ISO rules", "this drive", "sister drives", "another system"]
RuleKind = Literal["change", "alarm", "trip", "growth", "step", "fall", "finding", "clipped"]
"""``clipped``: a point newly reaches the end of its range, so that its level is at least that."""
CauseKind = Literal[
    "fault", "growth", "load or speed", "sensor", "common", "repaired", "scatter", "not measured", "not judged"
]
"""``growth`` is a change that nothing explains yet, ``common`` one that several drives share, ``repaired`` belongs to
the time before the latest repair, ``scatter`` is what this drive does when it is sound. ``not measured``: a capture is
overdue; ``not judged``: captures came, and none of them could be judged."""
Status = Literal["open", "back", "in work", "quiet"]
"""``back``: it was decided, and something new happened since; ``in work``: confirmed, until a repair is recorded."""
CaseState = Literal["new", "back", "overdue", "blind", "in work", "waiting", "closed"]
"""Where a case stands. ``back``: graver since it was decided; ``blind``: nothing can be judged, no finding is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLine:
    """A limit as it is drawn; ``low`` bounds from below where it does."""

    source: LimitSource
    kind: Literal["change", "alarm", "trip"]
    value: float
    low: float | None
    by_analogy: bool
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesState:
    """What a series did since the baseline, at its latest capture.

    ``raw_db`` is the change as read, ``change_db`` (with its interval) at same speed and load, and ``shift_db`` what
    speed and load make of it: their difference. Times to the ``target`` are days from the latest capture.
    """

    key: SeriesKey
    unit: str
    at: datetime
    value: float
    content: str
    n: int
    usual: float | None
    condition: str
    limits: tuple[LimitLine, ...]
    raw_db: float | None
    change_db: float | None
    change_low_db: float | None
    change_high_db: float | None
    shift_db: float | None
    state: str
    since: datetime | None
    scatter_db: float | None
    slope_db_per_month: float | None
    slope_low: float | None
    slope_high: float | None
    target: str
    days_to_target: float | None
    soonest_days: float | None
    latest_days: float | None
    time_words: str
    target_share: float | None = None
    """Share of the way from what is usual to the target, in dB, that the level has gone; None where nobody can say."""
    sisters_have: int = 0
    sisters_rose: int = 0
    """How many sister drives can be compared in this series, and on how many it rose as well, by half as much or more
    unless the rules say otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exceedance:
    """One thing that was beyond a rule. ``over_db`` is how far; ``line`` its line in another system's file.

    ``change_db`` and ``usual`` show what this program makes of the same capture: its change at same speed and load, and
    what is usual in its condition. ``raw_db`` is its change as read.
    """

    key: SeriesKey
    unit: str
    at: datetime
    value: float
    limit: float | None
    source: LimitSource
    kind: RuleKind
    over_db: float | None
    content: str | None
    line: int | None = None
    change_db: float | None = None
    raw_db: float | None = None
    usual: float | None = None
    within: bool | None = None
    note: str = ""
    since: datetime | None = None
    """The first capture of those without a break that broke this rule, or the beginning of the growth."""

    @property
    def rule(self) -> str:
        """What raised it, as the measures of a queue count it."""
        return f"{self.source}: {self.kind}, {self.key.measure}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reported:
    """A row of another system's alarms, in the units of the store; ``limit`` None where it does not say one."""

    line: int
    tag: str
    point: str
    at: datetime
    measure: str
    value: float
    limit: float | None
    unit: str

    @property
    def over_db(self) -> float | None:
        """How far above its limit [dB of amplitude]; None where there is none, or nothing to compare."""
        if self.limit is None or self.limit <= 0 or self.value <= 0:
            return None
        return 20.0 * log10(self.value / self.limit)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A line of another system's file that could not be used or found in the store, and why."""

    line: int
    text: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UrgencyPart:
    """One part of an urgency: points that are added, or a factor that multiplies."""

    name: str
    how: Literal["adds", "multiplies"]
    amount: float
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Urgency:
    """Sum of the parts that add, times the product of those that multiply."""

    total: float
    parts: tuple[UrgencyPart, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointChange:
    """What changed at a point since the baseline, in one condition, and which owner has how much of it."""

    point: str
    measure: str
    explanation: Explanation


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmExplanation:
    """Something that explains a change, or might. ``weighs``: it pushes the alarm down."""

    kind: Literal["load", "speed", "sensor", "sisters", "new baseline", "scatter", "limit", "event"]
    words: str
    explains_db: float | None = None
    weighs: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SisterState:
    """What a sister drive did in the same series."""

    drive: str
    key: SeriesKey
    change_db: float | None
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFinding:
    """A finding behind an alarm, and in how many of the latest captures it was. ``names`` are all that it may be."""

    tone: str | None
    component: str
    defect: str
    probability: float
    severity: Severity
    seen_in: int
    of: int
    names: tuple[str, ...]
    content: str
    why: str = ""
    advice: str = ""
    kept_from: datetime | None = None
    """The last good capture that showed it, where later ones could not have: their input clipped, their sensor failed
    or they were rejected. None where the latest could judge it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveMeasured:
    """When a drive was measured last. ``every_days`` is the interval planned in its drive file, else its usual one;
    ``overdue_days`` counts from when the next capture was expected, None while none is."""

    drive: str
    kind: str
    captures: int
    measured_at: datetime | None
    accepted_at: datetime | None
    every_days: float | None
    planned: bool
    overdue_days: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """What pictures of an alarm are made of. ``before`` and ``now`` are contents of captures in one condition where
    there are such; their waveforms may have been thinned away, their spectra are kept."""

    before: str | None
    now: str | None
    series: tuple[SeriesKey, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One cause, one row. ``drives`` are all that share it, the first one gives it its pictures.

    ``since`` is when what is counted here first happened, ``opened_at`` when the queue first showed it.
    """

    id: str
    drives: tuple[str, ...]
    epoch: datetime | None
    kind: CauseKind
    cause: str
    names: tuple[str, ...]
    title: str
    sentence: str
    advice: str
    urgency: Urgency
    status: Status
    status_why: str
    since: datetime
    opened_at: datetime
    finding: SeenFinding | None
    exceedances: tuple[Exceedance, ...]
    changed: tuple[PointChange, ...]
    explanations: tuple[AlarmExplanation, ...]
    sisters: tuple[SisterState, ...]
    series: tuple[SeriesState, ...]
    pictures: Pictures
    decisions: tuple[Decision, ...]
    state: CaseState = "new"
    owner: str = ""
    due: datetime | None = None
    work_order: str = ""
    look_again: datetime | None = None
    """By when the drive is to be measured again, where something grows or could not be judged."""
    measured_at: datetime | None = None
    accepted_at: datetime | None = None
    """Latest capture, and latest accepted one, of the drive of the row that was measured longest ago."""
    overdue_days: float | None = None
    sisters_have: int = 0
    sisters_rose: int = 0
    """How many sister drives have the series that changed most, and on how many of them it rose alike."""

    @property
    def drive(self) -> str:
        return self.drives[0]

    @property
    def rules(self) -> tuple[str, ...]:
        """All that raised it, each once."""
        raised = [e.rule for e in self.exceedances]
        if self.finding is not None:
            raised.append(f"finding: {self.finding.defect}")
        return tuple(dict.fromkeys(raised))


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCount:
    """How alarms that a rule had a part in were decided."""

    rule: str
    alarms: int
    confirmed: int
    not_faults: int
    undecided: int


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueMeasures:
    """Queue statistics. Shares and times are None while nothing gives them."""

    alarms: int
    waiting: int
    quiet: int
    decided: int
    not_fault_share: float | None
    oldest_days: float | None
    median_age_days: float | None
    median_days_to_decision: float | None
    rules: tuple[RuleCount, ...]
    in_work: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseMark:
    """By what a cause of one drive is joined with those of others: its kind, that of the drive, when it began, and the
    damaged part of a fault that is rather there than not."""

    drive: str
    drive_kind: str
    kind: CauseKind
    began: datetime
    part: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """Alarms in order of urgency, the quiet ones last. ``unmatched`` and ``bad`` are lines of another system's file."""

    at: datetime
    alarms: tuple[Alarm, ...]
    unmatched: tuple[LeftOut, ...]
    bad: tuple[LeftOut, ...]
    matched: int
    remarks: tuple[str, ...]
    measures: QueueMeasures
    latest: datetime | None = None
    """The latest capture that this queue rests on."""
    drives: tuple[DriveMeasured, ...] = ()
    marks: tuple[CauseMark, ...] = ()
