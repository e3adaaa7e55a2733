"""What stages of two toothed wheels share."""

from __future__ import annotations

from vibe.core.stages.form import PartWords, StageForm

GEAR_MESH = {"gear_mesh": PartWords(every="the gear mesh")}
WHEEL_PARTS = {
    **GEAR_MESH,
    "driver_tooth": PartWords(one="a tooth of the driving wheel"),
    "driven_tooth": PartWords(one="a tooth of the driven wheel"),
}


class ToothedStage(StageForm):
    """Two wheels whose teeth settle the ratio."""

    @property
    def wheels(self) -> tuple[int, int]:
        """Teeth of the driving and of the driven wheel."""
        raise NotImplementedError
