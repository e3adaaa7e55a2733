"""Worm and wheel: keys and words."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from vibe.core.stages.form import stage_form
from vibe.core.stages.toothed import WHEEL_PARTS, ToothedStage


@stage_form
class WormStage(ToothedStage):
    """A worm and its wheel."""

    kind: Literal["worm"]
    starts: Annotated[int, Field(ge=1, le=20)]
    wheel_teeth: Annotated[int, Field(ge=5, le=2000)]
    parts: ClassVar = WHEEL_PARTS

    @property
    def wheels(self) -> tuple[int, int]:
        """A worm is a wheel of as many teeth as it has starts."""
        return self.starts, self.wheel_teeth
