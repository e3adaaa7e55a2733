"""What a drive must say: body speeds, tones, coincidences, and what a capture can show of them.

Orders count events per turn of the input. Whatever is counted in teeth, lobes, pins and elements is an exact
fraction; geometry (a bearing's diameters) makes an order irrational and ``order_exact`` None.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

Family = Literal[
    "shaft", "mesh", "ring pin", "lobe", "output pin", "output pin pass", "roller", "hunting", "gear tooth",
    "planet pass", "belt", "electrical", "outer race", "inner race", "rolling element", "cage",
    "driven", "fitted",
]  # fmt: skip
OUTSIDE = ("driven", "fitted")
"""Families of what turns with the drive and is no part of it: never damage, never asked of a capture."""

CAGES = ("cage", "cage_past_load", "cage_past_inner", "cage_past_housing")
"""Last names of the tones of one cage: a turn of it past the outer ring, the load, the inner ring, the housing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BodySpeed:
    """One body's speed as a signed order of the input (negative: turns against it)."""

    body: str
    order: Fraction
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sideband:
    """A predicted spacing of lines either side of a tone's harmonics, and why they must be there."""

    order: float
    order_exact: Fraction | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """How to lay a capture on one body: the frame turns ``order`` times per input turn (signed), and carries
    ``count`` equal parts (ring pins, lobes, output pins)."""

    part: str
    count: int
    order: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """Something a drive repeats.

    ``damage``: True when local damage on one part shows at this order (searched in the envelope), False for lines
    that every healthy drive makes (shafts, mesh, all pins). ``slip`` is how far, relative, the real tone may lie below
    and above the kinematic order. ``events_per_turn`` of the part: a pin met by each of M discs shows M times.
    """

    id: str
    component: str
    defect: str
    family: Family
    order: float
    order_exact: Fraction | None
    damage: bool
    made_by: str
    source: str
    slip: tuple[float, float] = (0.0, 0.0)
    sidebands: tuple[Sideband, ...] = ()
    fold: Fold | None = None
    meetings: int = 1
    """How many times per repeat the part may show: the discs that meet a pin."""
    supply_hz: float | None = None
    """Of a tone of the motor's supply, where it lies while the input stands still: its ``order`` holds at nominal speed
    alone. None for one that turns with the input."""
    falls_by: int = 0
    """By how many Hz a tone of the supply falls for each Hz of the input: the poles, for pole pass."""

    def __post_init__(self) -> None:
        if not self.order > 0:
            raise ValueError(f"tone {self.id}: order {self.order} must be positive")

    def hz_at(self, input_hz: float) -> float:
        """Where the tone lies [Hz] while the input turns with ``input_hz``; 0 for pole pass without slip."""
        if self.supply_hz is None:
            return self.order * input_hz
        return max(self.supply_hz - self.falls_by * input_hz, 0.0)

    def order_at(self, input_hz: float | None) -> float:
        """The order of the tone while the input turns with ``input_hz``, at nominal speed where that is None."""
        if self.supply_hz is None or not input_hz:
            return self.order
        return self.hz_at(input_hz) / input_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLines:
    """Lines of one kind that a machine makes by itself: their ``orders`` and by how much [orders] each may lie off, as
    what slips does. Lines of one kind are about as high as one another."""

    what: str
    orders: tuple[float, ...]
    spread: tuple[float, ...]
    struck: bool = False
    """Whether they are of impacts of a part that slips, strong enough to be seen: each has a foot, wider the higher it
    stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowedLines:
    """Lines of one kind by which a speed that moves is followed: their ``orders``, how likely one of them stands out,
    and whether they are this machine's ``own``: multiples of a shaft are any machine's."""

    what: str
    orders: tuple[float, ...]
    stands_out: float
    own: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Coincidence:
    """Two tones that share a line: harmonic ``harmonic_a`` of one lies on ``harmonic_b`` of the other."""

    tone_a: str
    tone_b: str
    harmonic_a: int
    harmonic_b: int
    relative_difference: float
    """(a - b) / b; 0.0 exactly when the two are equal as fractions."""
    exact: bool
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Phasing:
    """What all discs together do to mesh harmonic k: drives torque, a net radial force, or cancels."""

    stage: str
    harmonic: int
    effect: Literal["torque", "radial", "cancels"]
    order: Fraction
    seen_at: tuple[Fraction, ...] = ()
    """Where a sensor on the housing sees what is left: at ``order``, or a turn of the eccentric off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneTable:
    """Everything the kinematics of one drive say."""

    drive: str
    bodies: tuple[BodySpeed, ...]
    tones: tuple[Tone, ...]
    coincidences: tuple[Coincidence, ...]
    phasing: tuple[Phasing, ...]
    ratio: Fraction | None
    """Input turns per output turn, signed; None for a drive without stages."""
    output: str | None

    def tone(self, tone_id: str) -> Tone:
        """The tone of that id.

        Raises:
            KeyError: no such tone; the message lists those there are.
        """
        for tone in self.tones:
            if tone.id == tone_id:
                return tone
        raise KeyError(f"no tone {tone_id!r}; this drive has {', '.join(t.id for t in self.tones)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureSettings:
    """What decides which tones a capture can show."""

    duration_s: float
    sample_rate_hz: float
    usable_band_hz: tuple[float, float]


Reach = Literal["seen", "longer", "other settings", "out of reach"]
"""Seen at these settings; with a longer capture; with another sample rate, sensor or mounting (and time); not by
vibration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visibility:
    """Whether one tone can be seen in one capture; if not, why, and what would show it."""

    tone: str
    seen: bool
    reach: Reach
    why: str = ""
    needs: str = ""
    needs_duration_s: float | None = None
    """Shortest capture that shows it; None where no length does, or none that can be held."""
    needs_sample_rate_hz: float | None = None
    """Lowest rate that shows it; None where the rate is not what stands in the way."""
    shares: tuple[str, ...] = ()
    """Tones on whose lines all of its own lie exactly: no length of capture distinguishes it from them by place."""

    @property
    def alone(self) -> bool:
        """Seen, and not only together with another tone."""
        return self.seen and not self.shares

    def __post_init__(self) -> None:
        if self.seen != (self.reach == "seen"):
            raise ValueError(f"tone {self.tone}: seen is {self.seen} and its reach is {self.reach!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLength:
    """How long one capture must be for damage of a part to be ruled out, not only found: ``part`` is a component."""

    part: str
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSettings:
    """The settings that remedies name: those of the drive's plan, and no others."""

    sample_rate_hz: float
    duration_s: float
    sensor_range_m_s2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturePlan:
    """Settings that show as many of a drive's tones as vibration can."""

    drive: str
    sample_rate_hz: float
    duration_s: float
    captures: int
    sensor_range_m_s2: float
    mounting: str
    resolution_hz: float
    reasons: tuple[str, ...]
    visibility: tuple[Visibility, ...]
    """For each tone at these settings; ``needs`` names the longer setting, or says out of reach."""
    envelope_band_hz: tuple[float, float] | None = None
    """Where impacts are looked for; None where the drive has no tone of damage."""
    slowest_body: str = ""
    slowest_turns: float | None = None
    """Turns of the slowest body in one capture."""
    proof: tuple[PartLength, ...] = ()
    """For each part that can be damaged, the length that an acceptance needs, which says that it is sound."""

    @property
    def settings(self) -> PlannedSettings:
        """What is set on the logger."""
        return PlannedSettings(
            sample_rate_hz=self.sample_rate_hz, duration_s=self.duration_s, sensor_range_m_s2=self.sensor_range_m_s2
        )  # fmt: skip
