"""What ``configs/population.toml`` may say."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from vibe.core.strict import StrictModel
from vibe.history.settings import Share


class PopulationSettings(StrictModel):
    """When drives of a type are distinguished, and when their production drifts."""

    content: Share
    confidence: Share
    false_alarm_rate: Share
    fewest: Annotated[int, Field(ge=6)]
    most_outliers: Annotated[float, Field(gt=0, le=0.3)]
    not_normal_chance: Share
    doubtful_chance: Share
    drift_chance: Share
    least_drift_db: Annotated[float, Field(ge=0)]
    least_drift_spreads: Annotated[float, Field(ge=0)]
    source: str
