"""What ``configs/alarms.toml`` may say."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from vibe.core.strict import StrictModel

Points = Annotated[float, Field(ge=0, le=1000)]
Factor = Annotated[float, Field(gt=0, le=100)]
Share = Annotated[float, Field(gt=0, le=1)]
Positive = Annotated[float, Field(gt=0)]


class RaiseRules(StrictModel):
    """What raises an alarm."""

    measures: list[str]
    of_last: Annotated[int, Field(ge=1, le=20)]
    at_least: Annotated[int, Field(ge=1, le=20)]
    growth_db: Positive
    fall_db: Positive
    fewest_captures: Annotated[int, Field(ge=1)]
    match_within_hours: Positive
    source: str

    @model_validator(mode="after")
    def _possible(self) -> RaiseRules:
        if self.at_least > self.of_last:
            raise ValueError(f"at_least {self.at_least} is more than of_last {self.of_last}")
        return self


class GroupRules(StrictModel):
    """What has one cause."""

    slack_days: Positive
    common_within_days: Positive
    explains_share: Share
    explains_from_db: Positive
    fewest_sisters: Annotated[int, Field(ge=1)]
    source: str


class SeverityPoints(StrictModel):
    """Points for how bad it is."""

    slight: Points
    moderate: Points
    severe: Points
    change: Points
    alarm: Points
    trip: Points
    growth: Points
    blind: Points
    growth_moderate_db: Positive
    growth_severe_db: Positive
    source: str


class GrowthPoints(StrictModel):
    """Points for growth so far, and for its rate."""

    measures: list[str]
    points_per_db: Points
    most_for_growth: Points
    points_per_db_a_month: Points
    most_for_rate: Points
    source: str


class TimePoints(StrictModel):
    """Points for how near a growing level is to its target."""

    points: Points
    target_db: Positive
    source: str


class SparePoints(StrictModel):
    """Points for a spare part that may come too late."""

    late: Points
    maybe_late: Points
    long_days: Positive
    source: str


class ChanceRules(StrictModel):
    """How a probability weighs."""

    least: Share
    without_finding: Share
    without_finding_most: Share
    source: str

    @model_validator(mode="after")
    def _ordered(self) -> ChanceRules:
        if self.without_finding > self.without_finding_most:
            raise ValueError(f"without_finding {self.without_finding:g} is more than without_finding_most")
        return self


class ConsequenceFactors(StrictModel):
    """Factors for what a standstill costs."""

    low: Factor
    medium: Factor
    high: Factor
    safety: Factor
    source: str


class ExplainedFactors(StrictModel):
    """Factors by which an explanation pushes an alarm down."""

    load: Share
    speed: Share
    sensor: Share
    sisters: Share
    baseline: Share
    scatter: Share
    limit: Share
    least_for_safety: Share
    source: str


class UnseenRules(StrictModel):
    """When a drive is overdue or cannot be judged, and by when it is measured again."""

    planned_times: Annotated[float, Field(ge=1, le=100)]
    usual_times: Annotated[float, Field(ge=1, le=100)]
    grace_days: Annotated[float, Field(ge=0)]
    usual_from: Annotated[int, Field(ge=2)]
    rejected_from: Annotated[int, Field(ge=1)]
    sooner: Share
    latest_days: Positive
    retake_days: Positive
    source: str


class DecidedRules(StrictModel):
    """When a decided alarm is back."""

    growth_db: Positive
    scatters: Annotated[float, Field(ge=0)]
    source: str


class QueueRules(StrictModel):
    """From when a drive is in state act, and how much of a row is shown."""

    act_from: Positive
    series_shown: Annotated[int, Field(ge=1, le=200)]


class AlarmRules(StrictModel):
    """All settings of the queue."""

    raise_: RaiseRules = Field(alias="raise")
    group: GroupRules
    severity: SeverityPoints
    growth: GrowthPoints
    time: TimePoints
    spare: SparePoints
    chance: ChanceRules
    consequence: ConsequenceFactors
    explained: ExplainedFactors
    unseen: UnseenRules
    decided: DecidedRules
    queue: QueueRules
