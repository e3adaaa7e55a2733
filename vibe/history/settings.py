"""What ``configs/history.toml`` may say."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Share = Annotated[float, Field(gt=0, lt=1)]
Positive = Annotated[float, Field(gt=0)]


class Part(BaseModel):
    """Strict, frozen, and refusing what it does not know."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class ConditionSettings(Part):
    """Which captures are like enough to be compared, and when a dependence on speed and load is taken out."""

    speed_within: Annotated[float, Field(gt=0, le=0.5)]
    load_within_percent: Annotated[float, Field(gt=0, le=100)]
    dependence_from: Annotated[int, Field(ge=10)]
    dependence_most: Annotated[int, Field(ge=10)]
    dependence_within_days: Positive
    load_spread_from_percent: Positive
    speed_spread_from: Positive
    dependence_worst_db: Positive
    source: str


class BaselineSettings(Part):
    """How a baseline is taken."""

    fewest: Annotated[int, Field(ge=3)]
    wanted: Annotated[int, Field(ge=3)]
    most: Annotated[int, Field(ge=3)]
    within_days: Positive
    change_content: Share
    alarm_content: Share
    confidence: Share
    outlier_chance: Share
    outlier_from: Annotated[int, Field(ge=4)]
    least_spread_db: Annotated[float, Field(ge=0)]
    source: str


class LimitSettings(Part):
    """ISO rules as shares of zone boundaries, and how many sisters there must be."""

    change_share_of_bc: Positive
    alarm_cap_of_bc: Positive
    trip_of_cd: Positive
    fewest_sisters: Annotated[int, Field(ge=3)]
    source: str


class TrendSettings(Part):
    """When a level counts as changed or growing, and how its future is told."""

    fewest: Annotated[int, Field(ge=6)]
    segment_from: Annotated[int, Field(ge=3)]
    chance: Share
    least_growth_db: Annotated[float, Field(ge=0)]
    least_growth_sigmas: Annotated[float, Field(ge=0)]
    confidence: Share
    outlier_sigmas: Positive
    most: Annotated[int, Field(ge=50)]
    furthest_days: Positive
    source: str


class HistorySettings(Part):
    """All settings of the room."""

    condition: ConditionSettings
    baseline: BaselineSettings
    limits: LimitSettings
    trend: TrendSettings
