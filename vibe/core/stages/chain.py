"""Chain: keys, checks, words."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from vibe.core.stages.form import stage_form
from vibe.core.stages.toothed import WHEEL_PARTS, ToothedStage


@stage_form
class ChainStage(ToothedStage):
    """Two sprockets and a chain."""

    kind: Literal["chain"]
    driver_teeth: Annotated[int, Field(ge=5, le=2000)]
    driven_teeth: Annotated[int, Field(ge=5, le=2000)]
    links: Annotated[int, Field(ge=8, le=100_000)] | None = None
    parts: ClassVar = WHEEL_PARTS

    @model_validator(mode="after")
    def _reaches(self) -> Self:
        if self.links is not None and 2 * self.links <= self.driver_teeth + self.driven_teeth:
            raise ValueError(
                f"a chain of {self.links} links cannot reach round sprockets of {self.driver_teeth} and "
                f"{self.driven_teeth} teeth"
            )
        return self

    @property
    def wheels(self) -> tuple[int, int]:
        return self.driver_teeth, self.driven_teeth
