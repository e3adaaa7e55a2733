"""The pair of lobes and ring pins: what plain, RV and stepped stages share."""

from __future__ import annotations

from math import asin, pi
from typing import Annotated, Self

from pydantic import Field, model_validator

from vibe.core.stages.form import PartWords
from vibe.core.strict import Length, Positive, StrictModel

PAIR_PARTS = {
    "mesh": PartWords(
        name="mesh",
        every="the mesh of lobes and ring pins",
        suspect="mesh of lobes and ring pins, stage {0}: pitch errors, fit, or unequal discs",
    ),
    "ring_pin": PartWords(
        name="ring pin",
        one="a ring pin",
        every="the ring pins",
        suspect="ring pins, stage {0}: one that is damaged, or pitch errors of the ring",
    ),
    "lobe": PartWords(
        name="lobe of the disc",
        one="a lobe of the cycloidal disc",
        every="the lobes",
        suspect="lobes of the discs, stage {0}: one that is damaged, or pitch errors",
    ),
    "hunting": PartWords(suspect="one lobe and one ring pin that meet, stage {0}"),
    "disc": PartWords(name="disc"),
    "eccentric": PartWords(name="eccentric"),
    "ring": PartWords(name="ring"),
}
RING_ROLLER = {
    "ring_roller": PartWords(
        name="ring roller, turning on its pin",
        one="a roller on a ring pin",
        every="the rollers on the ring pins",
        suspect="rollers on the ring pins, stage {0}",
    ),
}


def check_lobes(lobes: int, ring_pins: int) -> None:
    """Refuse counts that do not mesh.

    Raises:
        ValueError: fewer pins than lobes, or too many more.
    """
    if not lobes < ring_pins:
        raise ValueError(f"{lobes} lobes cannot mesh with {ring_pins} ring pins: the ring needs more pins than lobes")
    if ring_pins - lobes > max(1, lobes // 2):
        raise ValueError(
            f"{lobes} lobes and {ring_pins} ring pins differ by {ring_pins - lobes}: "
            "a cycloidal pair differs by one, two or a few"
        )


class CycloidalPair(StrictModel):
    """Discs with lobes inside a ring of pins: what plain and RV stages share."""

    lobes: Annotated[int, Field(ge=3, le=400)]
    ring_pins: Annotated[int, Field(ge=4, le=401)]
    """Places for pins round the ring. They settle the ratio."""
    fitted_pins: Annotated[int, Field(ge=3, le=400)] | None = None
    """Pins in these places, when every second or third place is left empty."""
    discs: Annotated[int, Field(ge=1, le=6)] = 2
    disc_phase_deg: list[Annotated[float, Field(ge=-360, le=360)]] | None = None
    """Where the eccentric of each disc stands; equally spaced unless given."""
    eccentricity_mm: Length | None = None
    ring_pitch_diameter_mm: Length | None = None
    """Circle on which the ring pins stand."""
    ring_roller_diameter_mm: Length | None = None
    """Outside diameter of ring pins, or of the sleeves on them, that are free to turn; none where they are fixed."""
    ratio: Positive | None = None

    @model_validator(mode="after")
    def _meshes(self) -> Self:
        check_lobes(self.lobes, self.ring_pins)
        if self.fitted_pins is not None and self.ring_pins % self.fitted_pins:
            raise ValueError(
                f"fitted_pins {self.fitted_pins} do not stand evenly in {self.ring_pins} places; "
                "ring_pins counts the places, fitted or empty"
            )
        if self.disc_phase_deg is not None and len(self.disc_phase_deg) != self.discs:
            raise ValueError(f"disc_phase_deg lists {len(self.disc_phase_deg)} angles for {self.discs} discs")
        return self

    @model_validator(mode="after")
    def _rolls(self) -> Self:
        circle, roller, e = self.ring_pitch_diameter_mm, self.ring_roller_diameter_mm, self.eccentricity_mm
        if roller is not None and (circle is None or e is None):
            raise ValueError("ring_roller_diameter_mm also needs ring_pitch_diameter_mm and eccentricity_mm")
        if circle is not None and e is not None:
            rolling = 2 * e * self.ring_pins / (self.ring_pins - self.lobes)
            if rolling >= circle:
                raise ValueError(
                    f"eccentricity_mm {e:g} is too large: {self.ring_pins} pins roll on a circle of {rolling:g} mm, "
                    f"which must lie inside ring_pitch_diameter_mm {circle:g}"
                )
        if circle is not None and roller is not None and self.pins_fitted * asin(min(1.0, roller / circle)) > pi:
            raise ValueError(
                f"{self.pins_fitted} ring rollers of {roller:g} mm do not fit on a circle of {circle:g} mm"
            )
        return self

    @property
    def pins_fitted(self) -> int:
        """Pins that stand in the ring."""
        return self.fitted_pins or self.ring_pins

    @property
    def disc_turns(self) -> tuple[float, ...]:
        """Where each disc's eccentric stands, in turns."""
        if self.disc_phase_deg is not None:
            return tuple(angle / 360.0 for angle in self.disc_phase_deg)
        return tuple(disc / self.discs for disc in range(self.discs))
