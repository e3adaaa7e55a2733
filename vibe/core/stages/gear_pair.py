"""Gear pair, parallel or bevel: keys and words."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from vibe.core.stages.form import stage_form
from vibe.core.stages.toothed import WHEEL_PARTS, ToothedStage


@stage_form
class GearPairStage(ToothedStage):
    """Two gears on parallel shafts, or on shafts that meet at an angle (bevel pair)."""

    kind: Literal["gear pair", "bevel pair"]
    driver_teeth: Annotated[int, Field(ge=5, le=2000)]
    driven_teeth: Annotated[int, Field(ge=5, le=2000)]
    parts: ClassVar = WHEEL_PARTS

    @property
    def wheels(self) -> tuple[int, int]:
        return self.driver_teeth, self.driven_teeth
