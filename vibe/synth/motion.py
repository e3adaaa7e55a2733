"""How the bodies of a drive turn, from pitch circles that roll on one another.

This is on purpose a second, separate road to the motion: rolling surfaces give linear equations in the angular
speeds, solved as floating-point numbers. Nothing here knows a tone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.drive import (
    BeltStage,
    ChainStage,
    CycloidalStage,
    Drive,
    GearPairStage,
    PlanetaryStage,
    RvStage,
    Stage,
    SteppedStage,
    WormStage,
)
from vibe.core.errors import CallError

Array = NDArray[np.float64]
TURN = 2.0 * np.pi


class _Rolling:
    """Equations in the speeds of named bodies: each row sums to zero."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.rows: list[dict[str, float]] = []

    def add(self, **speeds: float) -> None:
        for name in speeds:
            if name not in self.names:
                self.names.append(name)
        self.rows.append(speeds)

    def inside(self, inner: str, outer: str, arm: str, inner_radius: float, outer_radius: float) -> None:
        """A circle rolls inside another on an arm: both surfaces run the same way seen from the arm."""
        self.add(**_summed((inner, inner_radius), (outer, -outer_radius), (arm, outer_radius - inner_radius)))

    def outside(self, one: str, other: str, arm: str, radius: float, other_radius: float) -> None:
        """Two circles roll on each other from outside: their surfaces meet, so they turn oppositely."""
        self.add(**_summed((one, radius), (other, other_radius), (arm, -radius - other_radius)))

    def same(self, one: str, other: str) -> None:
        self.add(**{one: 1.0, other: -1.0})

    def still(self, body: str) -> None:
        self.add(**{body: 1.0})

    def solve(self, driver: str, speed: float) -> dict[str, float]:
        self.add(**{driver: 1.0})
        matrix = np.array([[row.get(name, 0.0) for name in self.names] for row in self.rows])
        right = np.zeros(len(self.rows))
        right[-1] = speed
        solution = np.linalg.solve(matrix, right)
        return {name: float(value) for name, value in zip(self.names, solution, strict=True)}


def _summed(*terms: tuple[str, float]) -> dict[str, float]:
    total: dict[str, float] = {}
    for name, value in terms:
        total[name] = total.get(name, 0.0) + value
    return total


def _cycloidal(stage: CycloidalStage, speed: float) -> dict[str, float]:
    rolling = _Rolling()
    rolling.inside("disc", "ring", "eccentric", stage.lobes, stage.ring_pins)
    rolling.same("pins", "disc")
    rolling.still("ring" if stage.fixed == "ring" else "pins")
    turns = rolling.solve("eccentric", speed)
    turns["output"] = turns["pins"] if stage.fixed == "ring" else turns["ring"]
    return turns | {"input": speed}


def _rv(stage: RvStage, speed: float) -> dict[str, float]:
    rolling = _Rolling()
    rolling.outside("sun", "crank", "carrier", stage.sun_teeth, stage.planet_teeth)
    rolling.inside("disc", "ring", "crank", stage.lobes, stage.ring_pins)
    rolling.same("disc", "carrier")
    rolling.still("ring" if stage.fixed == "ring" else "carrier")
    turns = rolling.solve("sun", speed)
    turns["output"] = turns["carrier"] if stage.fixed == "ring" else turns["ring"]
    return turns | {"input": speed, "planet": turns["crank"], "eccentric": turns["crank"]}


def _stepped(stage: SteppedStage, speed: float) -> dict[str, float]:
    rolling = _Rolling()
    rolling.inside("disc", "ring", "eccentric", stage.lobes, stage.ring_pins)
    rolling.inside("disc", "second_ring", "eccentric", stage.second_lobes, stage.second_ring_pins)
    rolling.still("ring")
    turns = rolling.solve("eccentric", speed)
    return turns | {"input": speed, "output": turns["second_ring"]}


def _planetary(stage: PlanetaryStage, speed: float) -> dict[str, float]:
    # The planet's own pitch radius is what fits between sun and ring, whatever the profile shift.
    rolling = _Rolling()
    rolling.outside("sun", "planet", "carrier", stage.sun_teeth, stage.planet_teeth)
    rolling.inside("planet", "ring", "carrier", stage.planet_teeth, stage.ring_teeth)
    rolling.still(stage.fixed)
    driver, driven = {"ring": ("sun", "carrier"), "carrier": ("sun", "ring"), "sun": ("ring", "carrier")}[stage.fixed]
    turns = rolling.solve(driver, speed)
    return turns | {"input": speed, "output": turns[driven]}


def _gear_pair(stage: GearPairStage, speed: float) -> dict[str, float]:
    rolling = _Rolling()
    rolling.outside("driver", "driven", "frame", stage.driver_teeth, stage.driven_teeth)
    rolling.still("frame")
    turns = rolling.solve("driver", speed)
    return turns | {"input": speed, "output": turns["driven"]}


def _worm(stage: WormStage, speed: float) -> dict[str, float]:
    # The thread moves on by a pitch for each of its starts; the wheel's rim goes along.
    driven = -speed * stage.starts / stage.wheel_teeth
    return {"input": speed, "driver": speed, "driven": driven, "output": driven}


def _chain(stage: ChainStage, speed: float) -> dict[str, float]:
    pitches = speed * stage.driver_teeth
    driven = pitches / stage.driven_teeth
    turns = {"input": speed, "driver": speed, "driven": driven, "output": driven}
    if stage.links is not None:
        turns["chain"] = pitches / stage.links
    return turns


def _belt(stage: BeltStage, speed: float) -> dict[str, float]:
    driven = speed * stage.driver_diameter_mm / stage.driven_diameter_mm
    turns = {"input": speed, "driver": speed, "driven": driven, "output": driven}
    if stage.belt_length_mm is not None:
        turns["belt"] = speed * np.pi * stage.driver_diameter_mm / stage.belt_length_mm
    return turns


def _stage(stage: Stage, speed: float) -> dict[str, float]:
    if isinstance(stage, CycloidalStage):
        return _cycloidal(stage, speed)
    if isinstance(stage, RvStage):
        return _rv(stage, speed)
    if isinstance(stage, PlanetaryStage):
        return _planetary(stage, speed)
    if isinstance(stage, GearPairStage):
        return _gear_pair(stage, speed)
    if isinstance(stage, SteppedStage):
        return _stepped(stage, speed)
    if isinstance(stage, WormStage):
        return _worm(stage, speed)
    if isinstance(stage, ChainStage):
        return _chain(stage, speed)
    return _belt(stage, speed)


def turning(drive: Drive) -> dict[str, float]:
    """Signed turns of every body per turn of the input."""
    turns = {"housing": 0.0, "input": 1.0, "motor": 1.0}
    speed = 1.0
    for number, stage in enumerate(drive.stage, start=1):
        own = _stage(stage, speed)
        turns |= {f"stage{number}.{body}": value for body, value in own.items()}
        speed = own["output"]
    turns["output"] = speed
    return turns


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Where every body is at every instant: ``input_turns`` (n,) at ``time_s`` (n,), the rest follows by rolling."""

    time_s: Array
    input_turns: Array
    input_hz: Array
    turns: dict[str, float]

    def angle(self, body: str) -> Array:
        """Angle of ``body`` in the housing frame, in turns (not wrapped), shape (n,).

        Raises:
            CallError: the drive has no such body.
        """
        return self.input_turns * self.rate(body)

    def rate(self, body: str) -> float:
        """Signed turns of ``body`` per turn of the input."""
        try:
            return self.turns[body]
        except KeyError:
            raise CallError(f"the drive has no body {body!r}; it has {', '.join(sorted(self.turns))}") from None


def input_motion(
    *,
    duration_s: float,
    lead_s: float,
    sample_rate_hz: float,
    mean_hz: float,
    wander: float,
    drift: float,
    rng: np.random.Generator,
    cycles: Sequence[tuple[float, float]] = (),
) -> tuple[Array, Array, Array]:
    """Time [s], turns and speed [Hz] of the input; time is negative through the lead-in.

    ``cycles``: (frequency [Hz], relative depth) of a load that rises and falls. The wander is a sum of slow sines
    (0.05 to 3 Hz, like load and supply). Turns are the exact integral of both.
    """
    lead = round(lead_s * sample_rate_hz)
    count = round(duration_s * sample_rate_hz)
    time_s = np.arange(-lead, count) / sample_rate_hz
    turns = rng.uniform() + mean_hz * (time_s + drift * time_s * (time_s / duration_s - 1.0) / 2.0)
    speed = mean_hz * (1.0 + drift * (time_s / duration_s - 0.5))
    if wander > 0:
        slow = np.exp(rng.uniform(np.log(0.05), np.log(3.0), 12))
        phase = rng.uniform(0, TURN, slow.size)
        depth = wander * np.sqrt(2.0 / slow.size) * mean_hz
        for frequency, start in zip(slow, phase, strict=True):
            argument = TURN * frequency * time_s + start
            speed += depth * np.cos(argument)
            turns += depth * np.sin(argument) / (TURN * frequency)
    for frequency, depth in cycles:
        argument = TURN * (frequency * time_s + rng.uniform())
        speed += depth * mean_hz * np.cos(argument)
        turns += depth * mean_hz * np.sin(argument) / (TURN * frequency)
    return time_s, turns, speed


def crossings(relative_turns: Array, time_s: Array) -> Array:
    """Instants [s] at which one body angle passes another: ``relative_turns`` goes through a whole number."""
    first, last = float(relative_turns[0]), float(relative_turns[-1])
    if first > last:
        relative_turns, first, last = -relative_turns, -first, -last
    whole = np.arange(np.ceil(first), np.floor(last) + 1.0)
    if whole.size == 0 or last - first < 1e-9:
        return np.empty(0)
    return np.interp(whole, relative_turns, time_s)
