"""How long drives have run without failing, and what that is evidence for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PROMISE_SCHEMA = "vibe.promise/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """A segment of running hours of one drive, from its start or from a failure on, to a failure or to the last that
    is known of it.

    ``age_known``: the drive was as good as new when the segment began; else only its hours count, not its age.
    """

    drive: str
    hours: float
    failed: bool
    age_known: bool = True
    what: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """An estimate with its two-sided confidence interval; an end is None where the lives do not bound it."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanTime:
    """Mean running time between failures: ``lower_hours`` is the one-sided lower confidence bound.

    ``estimate_hours`` is None without a failure; ``lower_hours`` None without a running hour.
    """

    exposure_hours: float
    failures: int
    estimate_hours: float | None
    lower_hours: float | None
    confidence: float
    formula: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Weibull:
    """A Weibull distribution of lives by maximum likelihood; ``b10`` is the life that 10 % do not reach [h]."""

    failures: int
    suspended: int
    shape: Interval
    scale: Interval
    b10: Interval
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingLife:
    """Basic rating life L10 of one bearing (ISO 281); what is not stated in the drive's file is None."""

    drive: str
    bearing: str
    type: Literal["ball", "roller"] | None
    dynamic_rating_kn: float | None
    equivalent_load_kn: float | None
    relative_order: float
    """Turns of one ring against the other per turn of the input."""
    relative_speed_rpm: float
    l10_million: float | None
    l10_hours: float | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliabilityStatement:
    """What the hours and failures of drives are evidence for. Never a guarantee."""

    drives: int
    mean_time: MeanTime
    weibull: Weibull | None
    weibull_note: str
    """Why there is none, or what to mind of it."""
    lives: tuple[Life, ...]
    ratings: tuple[RatingLife, ...]
    assumptions: tuple[str, ...]
    remarks: tuple[str, ...]
    software: str
