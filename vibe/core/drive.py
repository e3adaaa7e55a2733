"""A drive as its drawing describes it. Wrong drives cannot be made."""

from __future__ import annotations

from fractions import Fraction
from math import asin, gcd, pi
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from vibe.core.surroundings import Driven, Fitted, Neighbour

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Speed = Annotated[float, Field(ge=0.01, le=1_000_000, allow_inf_nan=False)]
"""r/min. Bounds of speeds, lengths and orders are those of any machine; they keep slips of the decimal point out."""
WIDEST_RANGE = 20.0
"""Highest over lowest speed: in a wider range half and double speeds cannot be told apart (common practice)."""
Length = Annotated[float, Field(ge=0.01, le=100_000, allow_inf_nan=False)]
"""mm."""
Order = Annotated[float, Field(ge=1e-4, le=10_000, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=1, le=100_000)]
Force = Annotated[float, Field(ge=1e-4, le=100_000, allow_inf_nan=False)]
"""kN."""


class Part(BaseModel):
    """Strict, frozen, and refusing what it does not know."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class Input(Part):
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


class Motor(Part):
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


def _check_lobes(lobes: int, ring_pins: int) -> None:
    if not lobes < ring_pins:
        raise ValueError(f"{lobes} lobes cannot mesh with {ring_pins} ring pins: the ring needs more pins than lobes")
    if ring_pins - lobes > max(1, lobes // 2):
        raise ValueError(
            f"{lobes} lobes and {ring_pins} ring pins differ by {ring_pins - lobes}: "
            "a cycloidal pair differs by one, two or a few"
        )


class CycloidalPair(Part):
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
        _check_lobes(self.lobes, self.ring_pins)
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
            raise ValueError("ring_roller_diameter_mm needs ring_pitch_diameter_mm and eccentricity_mm beside it")
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


class CycloidalStage(CycloidalPair):
    """Discs with lobes on an eccentric, inside a ring of pins."""

    kind: Literal["cycloidal"]
    output_pins: Annotated[int, Field(ge=3, le=100)] | None = None
    output_roller_diameter_mm: Length | None = None
    """Outside diameter of rollers that turn on the output pins; none where the pins themselves slide in the bores."""
    output_bore_diameter_mm: Length | None = None
    fixed: Literal["ring", "output pins"] = "ring"

    @model_validator(mode="after")
    def _swings(self) -> Self:
        roller, bore, e = self.output_roller_diameter_mm, self.output_bore_diameter_mm, self.eccentricity_mm
        if roller is not None and e is None:
            if bore is None or bore <= roller:
                raise ValueError(
                    "output_roller_diameter_mm needs eccentricity_mm beside it, or an output_bore_diameter_mm "
                    "that is larger"
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


class RvStage(CycloidalPair):
    """Planet wheels turn cranks, the cranks drive the discs."""

    kind: Literal["rv"]
    sun_teeth: Annotated[int, Field(ge=5, le=400)]
    planet_teeth: Annotated[int, Field(ge=5, le=400)]
    cranks: Annotated[int, Field(ge=1, le=6)] = 3
    fixed: Literal["ring", "carrier"] = "ring"


class SteppedStage(Part):
    """Two rows of lobes on one disc body: the first rolls in a fixed ring, the second turns the output's ring."""

    kind: Literal["stepped discs"]
    lobes: Annotated[int, Field(ge=3, le=400)]
    ring_pins: Annotated[int, Field(ge=4, le=401)]
    second_lobes: Annotated[int, Field(ge=3, le=400)]
    second_ring_pins: Annotated[int, Field(ge=4, le=401)]
    discs: Annotated[int, Field(ge=1, le=6)] = 1
    """Disc bodies, equally spaced round the eccentric."""
    ratio: Positive | None = None

    @model_validator(mode="after")
    def _meshes(self) -> Self:
        _check_lobes(self.lobes, self.ring_pins)
        _check_lobes(self.second_lobes, self.second_ring_pins)
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


class PlanetaryStage(Part):
    """Sun, planets and ring."""

    kind: Literal["planetary"]
    sun_teeth: Annotated[int, Field(ge=5, le=1000)]
    planet_teeth: Annotated[int, Field(ge=5, le=1000)]
    ring_teeth: Annotated[int, Field(ge=10, le=3000)]
    planets: Annotated[int, Field(ge=1, le=12)] = 3
    fixed: Literal["ring", "carrier", "sun"] = "ring"
    ratio: Positive | None = None

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


class GearPairStage(Part):
    """Two gears on parallel shafts, or on shafts that meet at an angle (bevel pair)."""

    kind: Literal["gear pair", "bevel pair"]
    driver_teeth: Annotated[int, Field(ge=5, le=2000)]
    driven_teeth: Annotated[int, Field(ge=5, le=2000)]
    ratio: Positive | None = None


class WormStage(Part):
    """A worm and its wheel."""

    kind: Literal["worm"]
    starts: Annotated[int, Field(ge=1, le=20)]
    wheel_teeth: Annotated[int, Field(ge=5, le=2000)]
    ratio: Positive | None = None

    @property
    def driver_teeth(self) -> int:
        """A worm is a wheel of as many teeth as it has starts."""
        return self.starts

    @property
    def driven_teeth(self) -> int:
        return self.wheel_teeth


class ChainStage(Part):
    """Two sprockets and a chain."""

    kind: Literal["chain"]
    driver_teeth: Annotated[int, Field(ge=5, le=2000)]
    driven_teeth: Annotated[int, Field(ge=5, le=2000)]
    links: Annotated[int, Field(ge=8, le=100_000)] | None = None
    ratio: Positive | None = None

    @model_validator(mode="after")
    def _reaches(self) -> Self:
        if self.links is not None and 2 * self.links <= self.driver_teeth + self.driven_teeth:
            raise ValueError(
                f"a chain of {self.links} links cannot reach round sprockets of {self.driver_teeth} and "
                f"{self.driven_teeth} teeth"
            )
        return self


ToothedStage = GearPairStage | WormStage | ChainStage
"""Two wheels whose teeth settle the ratio."""


class BeltStage(Part):
    """Two pulleys and a belt."""

    kind: Literal["belt"]
    driver_diameter_mm: Length
    driven_diameter_mm: Length
    belt_length_mm: Length | None = None
    ratio: Positive | None = None


Stage = Annotated[
    CycloidalStage | RvStage | SteppedStage | PlanetaryStage | GearPairStage | WormStage | ChainStage | BeltStage,
    Field(discriminator="kind"),
]


class BearingOrders(Part):
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


class Bearing(Part):
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


class Service(Part):
    """What a standstill costs, and how long the part that would end it takes to come."""

    consequence: Literal["low", "medium", "high", "safety"] | None = None
    spare_lead_days: Annotated[float, Field(ge=0, le=3650)] | None = None


class Drive(Part):
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
    """Machines beside it, at speeds of their own."""

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
                raise ValueError(f"two sources beside the drive are named {twice[0]!r}")
        return self


def exact(value: float) -> Fraction:
    """The decimal that a person wrote, as an exact fraction (0.1 -> 1/10)."""
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value)
