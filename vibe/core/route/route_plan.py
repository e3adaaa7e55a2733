"""A route with its settings: what to set, mount and note at each point, and how long the walk takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vibe.core.route.route import Mounting, SignalAnalysis, folded
from vibe.core.tones import CapturePlan, Visibility


@dataclass(frozen=True, slots=True, kw_only=True)
class PointPlan:
    """Settings for one point, and what its mounting can carry."""

    name: str
    place: str
    axis: str
    quantity: Literal["acceleration", "tachometer"]
    mounting: Mounting
    sample_rate_hz: float
    duration_s: float
    captures: int
    """0 where it is out of use."""
    sensor_range_m_s2: float | None
    """None for a pulse sensor."""
    sensor_range_g: float | None
    good_to_hz: float | None
    """A third of the mounted resonance: amplitudes are good to 12.5 % up to here. None for a pulse sensor."""
    better_mounting: Mounting | None
    """The least that carries the whole envelope band; None where the one in use does, or none would."""
    loses: tuple[str, ...]
    """Tones that the drive's settings show with a stud, and not with this mounting."""
    out_of_use: str
    """Why nothing is to be recorded here. Empty: it is in use."""
    reasons: tuple[str, ...]

    @property
    def in_use(self) -> bool:
        return not self.out_of_use

    @property
    def samples(self) -> int:
        """In each capture."""
        return round(self.sample_rate_hz * self.duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class StopTime:
    """Seconds at one stop, by what they are spent on."""

    walking_s: float
    mounting_s: float
    capturing_s: float
    noting_s: float

    @property
    def total_s(self) -> float:
        return self.walking_s + self.mounting_s + self.capturing_s + self.noting_s


@dataclass(frozen=True, slots=True, kw_only=True)
class FileName:
    """What a logger's file of one stop is called, below the folder of captures."""

    path: str
    """Letters stand for the clock (``YYYYMMDD_hhmmss``), ``*`` for anything."""
    points: tuple[str, ...]
    """Points whose channels it holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPlan:
    """One drive of the walk."""

    drive: str
    name: str
    where: str
    formerly: tuple[str, ...]
    speed_rpm: float
    speed_range_rpm: tuple[float, float]
    note: tuple[SignalAnalysis, ...]
    """What to read off and write down."""
    captures: int
    """At each point that is in use."""
    plan: CapturePlan
    """Of the drive; its ``visibility`` is that with a stud."""
    visibility: tuple[Visibility, ...]
    """For each tone with the best mounting of those points that are in use."""
    points: tuple[PointPlan, ...]
    time: StopTime
    files: tuple[FileName, ...] = ()
    """Names by which the route knows captures of this stop; none where it has no rule for them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBudget:
    """Seconds of the whole walk. The way back from the last stop is not in it."""

    start_s: float
    walking_s: float
    mounting_s: float
    capturing_s: float
    noting_s: float
    repeats_s: float = 0.0
    """For measurements that must be taken again."""

    @property
    def total_s(self) -> float:
        return self.start_s + self.walking_s + self.mounting_s + self.capturing_s + self.noting_s + self.repeats_s


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutePlan:
    """Everything to take along, in the order of the walk."""

    title: str
    note: str
    stops: tuple[StopPlan, ...]
    budget: TimeBudget

    def stop(self, drive: str) -> StopPlan | None:
        """The stop of a drive, by its tag or one that it had before, however written; None: not on this route."""
        wanted = folded(drive)
        return next((stop for stop in self.stops if wanted in map(folded, (stop.drive, *stop.formerly))), None)

    def point(self, drive: str, point: str) -> PointPlan | None:
        """Settings planned for one point of a drive; None: not on this route."""
        stop = self.stop(drive)
        if stop is None:
            return None
        wanted = folded(point)
        return next((each for each in stop.points if folded(each.name) == wanted), None)
