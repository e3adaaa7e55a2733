"""RV stage: keys and words."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from vibe.core.stages.form import PartWords, StageForm, stage_form
from vibe.core.stages.pair import PAIR_PARTS, RING_ROLLER, CycloidalPair
from vibe.core.stages.planetary import PLANET_PARTS


@stage_form
class RvStage(CycloidalPair, StageForm):
    """Planet wheels turn cranks, the cranks drive the discs."""

    kind: Literal["rv"]
    sun_teeth: Annotated[int, Field(ge=5, le=400)]
    planet_teeth: Annotated[int, Field(ge=5, le=400)]
    cranks: Annotated[int, Field(ge=1, le=6)] = 3
    fixed: Literal["ring", "carrier"] = "ring"
    parts: ClassVar = {
        **PAIR_PARTS,
        **RING_ROLLER,
        **PLANET_PARTS,
        "crank_pass": PartWords(every="the cranks taking the load in turn"),
    }
