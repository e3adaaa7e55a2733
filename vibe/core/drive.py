"""A drive as its drawing describes it. Wrong drives cannot be made."""

from __future__ import annotations

from math import asin, pi
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from vibe.core.stages import Stage
from vibe.core.strict import Length, Positive, StrictModel
from vibe.core.surroundings import Driven, Fitted, Neighbour

Speed = Annotated[float, Field(ge=0.01, le=1_000_000, allow_inf_nan=False)]
"""r/min. Bounds of speeds, lengths and orders are those of any machine; they keep slips of the decimal point out."""
WIDEST_RANGE = 20.0
"""Highest over lowest speed: in a wider range half and double speeds cannot be distinguished (common practice)."""
Order = Annotated[float, Field(ge=1e-4, le=10_000, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=1, le=100_000)]
Force = Annotated[float, Field(ge=1e-4, le=100_000, allow_inf_nan=False)]
"""kN."""


class Input(StrictModel):
    """The input shaft: nominal speed, the range it may turn in, power."""

    speed_rpm: Speed
    speed_range_rpm: list[Speed] | None = None
    power_kw: Positive | None = None

    @model_validator(mode="after")
    def _range_holds_nominal(self) -> Input:
        if self.speed_range_rpm is not None:
            if len(self.speed_range_rpm) != 2 or not self.speed_range_rpm[0] < self.speed_range_rpm[1]:
                raise ValueError("speed_range_rpm needs two numbers, the lower first")
            low, high = self.speed_range_rpm
            if high > WIDEST_RANGE * low:
                raise ValueError(f"speed_range_rpm [{low:g}, {high:g}] spans more than a factor of {WIDEST_RANGE:g}")
            if not low <= self.speed_rpm <= high:
                raise ValueError(f"speed_rpm {self.speed_rpm:g} lies outside speed_range_rpm [{low:g}, {high:g}]")
        return self

    @property
    def speed_hz(self) -> float:
        return self.speed_rpm / 60.0

    @property
    def speed_range_hz(self) -> tuple[float, float]:
        """The stated range, else 3 % either side of nominal (common practice for a loaded induction motor)."""
        low, high = self.speed_range_rpm or (0.97 * self.speed_rpm, 1.03 * self.speed_rpm)
        return low / 60.0, high / 60.0


class Motor(StrictModel):
    """The motor before the input, for its electrical lines."""

    poles: Annotated[int, Field(ge=2, le=96)]
    line_hz: Annotated[float, Field(ge=1, le=10_000, allow_inf_nan=False)]
    coupling: Literal["direct", "belt", "gear"] = "direct"

    @field_validator("poles")
    @classmethod
    def _even(cls, poles: int) -> int:
        if poles % 2:
            raise ValueError(f"a motor has an even number of poles, not {poles}")
        return poles

    @property
    def synchronous_hz(self) -> float:
        return 2.0 * self.line_hz / self.poles


class BearingOrders(StrictModel):
    """Tone orders out of a bearing table, relative to the speed difference of the two rings."""

    outer_race: Order | None = None
    inner_race: Order | None = None
    rolling_element: Order | None = None
    cage: Order | None = None

    @model_validator(mode="after")
    def _holds_some(self) -> BearingOrders:
        if (self.outer_race, self.inner_race, self.rolling_element, self.cage) == (None, None, None, None):
            raise ValueError("orders needs outer_race, inner_race, rolling_element or cage")
        return self


class Bearing(StrictModel):
    """A rolling bearing between two bodies, by its geometry or by a table of its orders."""

    name: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z0-9][A-Za-z0-9 _/-]*$")]
    inner: str
    outer: str
    load: str | None = None
    """Body in whose frame the load stands still. Unless given: the eccentric for a bearing between an eccentric (or
    crank) and its disc, the carrier for one between a crank and its carrier, else the housing."""
    second_load: str | None = None
    """Body in whose frame a second load stands still. Unless one of both is given: on cranks of RV stages, the other of
    crank and carrier, since torque pushes along the carrier and the swing of the discs along the crank."""
    elements: Annotated[int, Field(ge=3, le=400)] | None = None
    element_diameter_mm: Length | None = None
    pitch_diameter_mm: Length | None = None
    contact_angle_deg: Annotated[float, Field(ge=0, lt=90)] = 0.0
    orders: BearingOrders | None = None
    designation: str | None = None
    type: Literal["ball", "roller"] | None = None
    dynamic_rating_kn: Force | None = None
    """Basic dynamic load rating C of the bearing table (ISO 281)."""
    equivalent_load_kn: Force | None = None
    """Dynamic equivalent load P (ISO 281) that whoever ordered the drive stated."""

    @model_validator(mode="after")
    def _load_can_be_carried(self) -> Bearing:
        rating, load = self.dynamic_rating_kn, self.equivalent_load_kn
        if rating is not None and load is not None and load > rating:
            raise ValueError(
                f"bearing {self.name!r}: equivalent_load_kn {load:g} is beyond dynamic_rating_kn {rating:g}; "
                "both are in kN"
            )
        return self

    @model_validator(mode="after")
    def _can_exist(self) -> Bearing:
        geometry = (self.elements, self.element_diameter_mm, self.pitch_diameter_mm)
        if self.orders is None and None in geometry:
            raise ValueError(
                f"bearing {self.name!r} needs elements, element_diameter_mm and pitch_diameter_mm, or a table of orders"
            )
        if self.inner == self.outer:
            raise ValueError(f"bearing {self.name!r} has both rings on {self.inner!r}: it would never turn")
        if self.elements is not None and self.element_diameter_mm is not None and self.pitch_diameter_mm is not None:
            n, d, pitch = self.elements, self.element_diameter_mm, self.pitch_diameter_mm
            if d >= pitch:
                raise ValueError(
                    f"bearing {self.name!r}: elements of {d:g} mm do not fit a pitch circle of {pitch:g} mm"
                )
            # n chords of length d must fit round the pitch circle: n · 2 asin(d/pitch) <= 2 pi.
            if n * 2 * asin(d / pitch) > 2 * pi * 1.001:
                raise ValueError(
                    f"bearing {self.name!r}: {n} elements of {d:g} mm do not fit round a pitch circle of {pitch:g} mm"
                )
        return self


class Service(StrictModel):
    """What a standstill costs, and how long the part that would end it takes to come."""

    consequence: Literal["low", "medium", "high", "safety"] | None = None
    spare_lead_days: Annotated[float, Field(ge=0, le=3650)] | None = None
    measure_every_days: Annotated[float, Field(gt=0, le=3650)] | None = None


class Drive(StrictModel):
    """A drive: an input, stages in the order of power flow, bearings anywhere between two bodies.

    A drive without stages is a shaft with bearings.
    """

    tag: Annotated[str, Field(min_length=1, max_length=80)]
    name: str = ""
    input: Input
    motor: Motor | None = None
    stage: list[Stage] = Field(default_factory=list, max_length=6)
    bearing: list[Bearing] = Field(default_factory=list, max_length=60)
    ratio: Positive | None = None
    """Ratio on the plate, when stated: refused if the stages contradict it."""
    support: Literal["rigid", "flexible"] | None = None
    shaft_height_mm: Positive | None = None
    note: str = ""
    service: Service | None = None
    driven: list[Driven] = Field(default_factory=list, max_length=12)
    """Machines that the drive turns."""
    fitted: list[Fitted] = Field(default_factory=list, max_length=12)
    """Things on its shafts that are no part of the reducer."""
    neighbour: list[Neighbour] = Field(default_factory=list, max_length=12)
    """Machines next to it, at speeds of their own."""

    @field_validator("tag")
    @classmethod
    def _printable(cls, tag: str) -> str:
        if not tag.isprintable() or tag != tag.strip():
            raise ValueError("tag must be printable, without spaces at its ends")
        return tag

    @model_validator(mode="after")
    def _names_unique(self) -> Drive:
        names = [bearing.name for bearing in self.bearing]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two bearings are named {twice[0]!r}")
        for kind in (self.driven, self.fitted, self.neighbour):
            called = [source.name for source in kind]
            twice = sorted({name for name in called if called.count(name) > 1})
            if twice:
                raise ValueError(f"two sources around the drive are named {twice[0]!r}")
        return self
