"""What stands around a drive, as its file declares it: driven machines, things fitted to a shaft, neighbours.

None of it is a part of the drive, and all of it can be detected in a capture.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import pi
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, PrivateAttr, model_validator

from vibe.core.strict import Length, StrictModel

if TYPE_CHECKING:
    from vibe.core.drive import Drive

Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z0-9][A-Za-z0-9 _/-]*$")]
Count = Annotated[int, Field(ge=1, le=10_000)]
PerTurn = Annotated[float, Field(ge=0.01, le=10_000, allow_inf_nan=False)]
Speed = Annotated[float, Field(ge=0.01, le=1_000_000, allow_inf_nan=False)]
"""r/min. Bounds are those of any machine; they keep slips of the decimal point out."""

Made = tuple[str, int | float]
"""What passes, and how many times per turn of the body that carries it: a whole number where it is counted."""


class Driven(StrictModel):
    """A machine that the drive turns, and what of it passes, engages or strikes per turn of its shaft."""

    name: Name
    on: str | None = None
    """Body of the drive that turns it; unless given the last output."""
    sprocket_teeth: Count | None = None
    flights: Count | None = None
    """Of a screw: passes of a flight under a bearing or past an opening per turn."""
    blades: Count | None = None
    vanes: Count | None = None
    per_turn: list[PerTurn] = Field(default_factory=list, max_length=12)
    """Anything else that repeats, as times per turn of the shaft."""

    @model_validator(mode="after")
    def _makes_something(self) -> Driven:
        if not self.makes():
            raise ValueError(
                f"driven {self.name!r} needs sprocket_teeth, flights, blades, vanes or per_turn: what it makes per turn"
            )
        return self

    def makes(self) -> tuple[Made, ...]:
        """What passes, and how many times per turn of the shaft."""
        counted = (
            ("sprocket teeth", self.sprocket_teeth),
            ("flights", self.flights),
            ("blades", self.blades),
            ("vanes", self.vanes),
        )
        return (*_given(counted), *(("per turn", times) for times in self.per_turn))


class Fitted(StrictModel):
    """A thing on a shaft of the drive that is no part of the reducer: fan, coupling, pulley."""

    name: Name
    on: str = "input"
    fan_blades: Count | None = None
    coupling_elements: Count | None = None
    pulley_teeth: Count | None = None
    pulley_diameter_mm: Length | None = None
    """Effective diameter, for how often a belt of ``belt_length_mm`` comes round."""
    belt_length_mm: Length | None = None
    per_turn: list[PerTurn] = Field(default_factory=list, max_length=12)
    """Anything else that repeats, as times per turn of the shaft."""

    @model_validator(mode="after")
    def _makes_something(self) -> Fitted:
        diameter, length = self.pulley_diameter_mm, self.belt_length_mm
        if (diameter is None) != (length is None):
            raise ValueError(f"fitted {self.name!r}: pulley_diameter_mm and belt_length_mm are needed together")
        if diameter is not None and length is not None and length <= pi * diameter:
            raise ValueError(
                f"fitted {self.name!r}: a belt of {length:g} mm is too short for a pulley of {diameter:g} mm"
            )
        if not self.makes():
            raise ValueError(
                f"fitted {self.name!r} needs fan_blades, coupling_elements, pulley_teeth, pulley_diameter_mm with "
                "belt_length_mm, or per_turn: what it makes per turn"
            )
        return self

    def makes(self) -> tuple[Made, ...]:
        """What passes, and how many times per turn of the shaft; a belt comes round less than once a turn."""
        counted = (
            ("fan blades", self.fan_blades),
            ("coupling elements", self.coupling_elements),
            ("pulley teeth", self.pulley_teeth),
        )
        belt: tuple[Made, ...] = ()
        if self.pulley_diameter_mm is not None and self.belt_length_mm is not None:
            belt = (("belt", pi * self.pulley_diameter_mm / self.belt_length_mm),)
        return (*_given(counted), *belt, *(("per turn", times) for times in self.per_turn))


class Neighbour(StrictModel):
    """A machine next to the drive that turns at a speed of its own: another drive, or a speed range and its orders."""

    name: Name
    drive: Annotated[str, Field(min_length=1, max_length=400)] | None = None
    """A drive file (a path that ends in ``.toml``, from this file's folder), or the tag of a drive of the same run."""
    speed_range_rpm: list[Speed] | None = None
    per_turn: list[PerTurn] = Field(default_factory=list, max_length=24)
    """What it makes, as times per turn of its own shaft."""
    _described: Drive | None = PrivateAttr(default=None)

    @model_validator(mode="after")
    def _says_enough(self) -> Neighbour:
        if self.drive is not None:
            if self.speed_range_rpm is not None or self.per_turn:
                raise ValueError(
                    f"neighbour {self.name!r} names a drive, which has its own speed range and orders: leave out "
                    "speed_range_rpm and per_turn"
                )
            return self
        if self.speed_range_rpm is None or not self.per_turn:
            raise ValueError(f"neighbour {self.name!r} needs a drive, or speed_range_rpm and per_turn")
        if len(self.speed_range_rpm) != 2 or not self.speed_range_rpm[0] < self.speed_range_rpm[1]:
            raise ValueError(f"neighbour {self.name!r}: speed_range_rpm needs two numbers, the lower first")
        return self

    @property
    def described(self) -> Drive | None:
        """The drive that ``drive`` names, once whoever read the file has found it."""
        return self._described

    def as_described(self, drive: Drive) -> Neighbour:
        """The same neighbour with its drive found."""
        found = self.model_copy()
        found._described = drive
        return found


def _given(counted: Sequence[tuple[str, int | None]]) -> tuple[Made, ...]:
    return tuple((what, count) for what, count in counted if count is not None)
