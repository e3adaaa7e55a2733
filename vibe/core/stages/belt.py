"""Belt: keys and words."""

from __future__ import annotations

from typing import ClassVar, Literal

from vibe.core.stages.form import PartWords, StageForm, stage_form
from vibe.core.strict import Length


@stage_form
class BeltStage(StageForm):
    """Two pulleys and a belt."""

    kind: Literal["belt"]
    driver_diameter_mm: Length
    driven_diameter_mm: Length
    belt_length_mm: Length | None = None
    parts: ClassVar = {"belt": PartWords(one="the belt")}
