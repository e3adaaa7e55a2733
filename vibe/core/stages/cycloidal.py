"""Plain cycloidal stage: keys, checks, words."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from vibe.core.stages.form import PartWords, StageForm, stage_form
from vibe.core.stages.pair import PAIR_PARTS, RING_ROLLER, CycloidalPair
from vibe.core.strict import Length

PARTS = {
    **PAIR_PARTS,
    **RING_ROLLER,
    "output_pin": PartWords(
        name="output pin, its roller or its disc bore",
        one="an output pin with its roller and bore",
        every="the output pins",
        suspect="output pins, their rollers or holes, stage {0}",
    ),
    "output_pin_pass": PartWords(
        name="output pins",
        one="the output pins",
        every="the output pins taking the load in turn",
        suspect="output pins, stage {0}: spacing errors of pins or holes",
    ),
    "output_roller": PartWords(
        name="output roller, turning on its pin",
        one="a roller on an output pin",
        every="the rollers on the output pins",
        suspect="rollers on the output pins, stage {0}",
    ),
}


@stage_form
class CycloidalStage(CycloidalPair, StageForm):
    """Discs with lobes on an eccentric, inside a ring of pins."""

    kind: Literal["cycloidal"]
    output_pins: Annotated[int, Field(ge=3, le=100)] | None = None
    output_roller_diameter_mm: Length | None = None
    """Outside diameter of rollers that turn on the output pins; none where the pins themselves slide in the bores."""
    output_bore_diameter_mm: Length | None = None
    fixed: Literal["ring", "output pins"] = "ring"
    parts: ClassVar = PARTS

    @model_validator(mode="after")
    def _swings(self) -> Self:
        roller, bore, e = self.output_roller_diameter_mm, self.output_bore_diameter_mm, self.eccentricity_mm
        if roller is not None and e is None:
            if bore is None or bore <= roller:
                raise ValueError(
                    "output_roller_diameter_mm also needs eccentricity_mm, or an output_bore_diameter_mm that is larger"
                )
        # A bore must let the disc swing by twice its eccentricity; clearances are a small part of that.
        elif roller and bore and e and abs(bore - roller - 2 * e) > 0.1 * 2 * e + 0.2:
            raise ValueError(
                f"output_bore_diameter_mm {bore:g} does not fit: a roller of {roller:g} mm on an eccentricity of "
                f"{e:g} mm needs a bore of about {roller + 2 * e:g} mm"
            )
        return self

    @property
    def swing_mm(self) -> float | None:
        """Eccentricity as stated, else by what the bores leave the rollers."""
        if self.eccentricity_mm is not None:
            return self.eccentricity_mm
        if self.output_bore_diameter_mm is None or self.output_roller_diameter_mm is None:
            return None
        return (self.output_bore_diameter_mm - self.output_roller_diameter_mm) / 2
