"""Stepped discs: keys, checks, words."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from vibe.core.stages.form import PartWords, StageForm, stage_form
from vibe.core.stages.pair import PAIR_PARTS, CycloidalPair, check_lobes

PARTS = {
    **PAIR_PARTS,
    "second_mesh": PartWords(name="mesh of the second row", every="the mesh of the second row of lobes"),
    "second_ring_pin": PartWords(
        name="pin of the second ring", one="a pin of the second ring", every="the pins of the second ring"
    ),
    "second_lobe": PartWords(
        name="lobe of the second row", one="a lobe of the disc's second row", every="the second row of lobes"
    ),
}


@stage_form
class SteppedStage(StageForm):
    """Two rows of lobes on one disc body: the first rolls in a fixed ring, the second turns the output's ring."""

    kind: Literal["stepped discs"]
    lobes: Annotated[int, Field(ge=3, le=400)]
    ring_pins: Annotated[int, Field(ge=4, le=401)]
    second_lobes: Annotated[int, Field(ge=3, le=400)]
    second_ring_pins: Annotated[int, Field(ge=4, le=401)]
    discs: Annotated[int, Field(ge=1, le=6)] = 1
    """Disc bodies, equally spaced round the eccentric."""
    parts: ClassVar = PARTS

    @model_validator(mode="after")
    def _meshes(self) -> Self:
        check_lobes(self.lobes, self.ring_pins)
        check_lobes(self.second_lobes, self.second_ring_pins)
        if self.second_lobes * self.ring_pins == self.second_ring_pins * self.lobes:
            raise ValueError(
                f"{self.lobes} lobes in {self.ring_pins} pins and {self.second_lobes} in {self.second_ring_pins} "
                "undo each other: the output would never turn"
            )
        return self

    @property
    def rows(self) -> tuple[CycloidalPair, CycloidalPair]:
        """The two rows of lobes, each with its ring."""
        return (
            CycloidalPair(lobes=self.lobes, ring_pins=self.ring_pins, discs=self.discs),
            CycloidalPair(lobes=self.second_lobes, ring_pins=self.second_ring_pins, discs=self.discs),
        )

    @property
    def disc_turns(self) -> tuple[float, ...]:
        """Where each disc's eccentric stands, in turns."""
        return self.rows[0].disc_turns
