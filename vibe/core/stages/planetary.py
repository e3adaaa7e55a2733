"""Planetary stage: keys, checks, words."""

from __future__ import annotations

from math import gcd
from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from vibe.core.stages.form import PartWords, StageForm, stage_form
from vibe.core.stages.toothed import GEAR_MESH

PLANET_PARTS = {
    **GEAR_MESH,
    "sun_tooth": PartWords(one="a tooth of the sun wheel"),
    "planet_tooth": PartWords(one="a tooth of a planet wheel"),
    "planet_pass": PartWords(every="the planets passing"),
}


@stage_form
class PlanetaryStage(StageForm):
    """Sun, planets and ring."""

    kind: Literal["planetary"]
    sun_teeth: Annotated[int, Field(ge=5, le=1000)]
    planet_teeth: Annotated[int, Field(ge=5, le=1000)]
    ring_teeth: Annotated[int, Field(ge=10, le=3000)]
    planets: Annotated[int, Field(ge=1, le=12)] = 3
    fixed: Literal["ring", "carrier", "sun"] = "ring"
    parts: ClassVar = {**PLANET_PARTS, "ring_tooth": PartWords(one="a tooth of the ring gear")}

    @model_validator(mode="after")
    def _meshes(self) -> PlanetaryStage:
        # Profile shift lets tooth counts depart a little from sun + 2 planet = ring (common practice).
        if abs(self.sun_teeth + 2 * self.planet_teeth - self.ring_teeth) > 3:
            raise ValueError(
                f"sun {self.sun_teeth} + 2 x planet {self.planet_teeth} = {self.sun_teeth + 2 * self.planet_teeth} "
                f"does not fit a ring of {self.ring_teeth} teeth"
            )
        if (self.sun_teeth + self.ring_teeth) % self.planets and gcd(self.sun_teeth, self.ring_teeth) == 1:
            raise ValueError(
                f"{self.planets} equal planets cannot be assembled between {self.sun_teeth} and {self.ring_teeth} teeth"
            )
        return self
