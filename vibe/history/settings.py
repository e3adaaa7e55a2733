"""What ``configs/history.toml`` may say."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from vibe.core.strict import StrictModel

Share = Annotated[float, Field(gt=0, lt=1)]
Positive = Annotated[float, Field(gt=0)]


class ConditionSettings(StrictModel):
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


class BaselineSettings(StrictModel):
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


class LimitSettings(StrictModel):
    """ISO rules as shares of zone boundaries, and how many sisters there must be."""

    change_share_of_bc: Positive
    alarm_cap_of_bc: Positive
    trip_of_cd: Positive
    fewest_sisters: Annotated[int, Field(ge=3)]
    furthest_db: Positive
    source: str


class TrendSettings(StrictModel):
    """When a level counts as changed or growing, and how its future is estimated."""

    fewest: Annotated[int, Field(ge=6)]
    segment_from: Annotated[int, Field(ge=3)]
    chance: Share
    least_growth_db: Annotated[float, Field(ge=0)]
    least_growth_sigmas: Annotated[float, Field(ge=0)]
    confidence: Share
    outlier_sigmas: Positive
    most: Annotated[int, Field(ge=50)]
    dated: bool
    furthest_days: Positive
    source: str


class HistorySettings(StrictModel):
    """All settings of the room."""

    condition: ConditionSettings
    baseline: BaselineSettings
    limits: LimitSettings
    trend: TrendSettings
