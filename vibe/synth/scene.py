"""One simulated measurement before any sample: the drive, its motion, its streams, where the sensors sit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibe.core.drive import Drive
from vibe.synth.conditions import Conditions
from vibe.synth.machine.motion import Array, BodyMotion, input_motion
from vibe.synth.machine.structure import side_of
from vibe.synth.stages import act_of, turning
from vibe.synth.streams import Streams

LEAD_S = 0.25
"""Simulated and thrown away, so that the casing already rings when the capture starts."""
RUN_UP_DRIFT = 0.5
"""Relative change of speed from which a capture is one of a run-up or coast-down."""
NOMINAL_NOISE_M_S2 = 0.8
"""Broadband friction noise of a healthy small reducer at nominal load, r.m.s.; impacts are sized against it."""
NOMINAL_LOAD_PERCENT = 75.0
"""At which strengths are meant: drives are chosen with a reserve of a quarter (common practice)."""
CYCLE_DEPTH = 0.005
"""Relative change of speed by a load cycle of strength 1: slip between part load and full load (common practice)."""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """``mean_hz`` is the input speed drawn or stated; ``sides`` runs parallel to the points."""

    drive: Drive
    conditions: Conditions
    streams: Streams
    motion: BodyMotion
    mean_hz: float
    sides: tuple[str, ...]

    @property
    def load(self) -> float:
        """Load factor of forces, 1 at nominal load; friction and preload keep a part of it without load."""
        return 0.3 + 0.7 * self.conditions.load_percent / NOMINAL_LOAD_PERCENT

    @property
    def speed(self) -> float:
        """Speed over nominal."""
        return self.mean_hz / self.drive.input.speed_hz

    @property
    def speed_now(self) -> float | Array:
        """Speed over nominal; at every instant (n,) of a run-up or coast-down, in which forces change by factors."""
        if abs(self.conditions.speed_drift) < RUN_UP_DRIFT:
            return self.speed
        return self.motion.input_hz / self.drive.input.speed_hz

    def at_side(self, side: str) -> Array:
        """How much of a force at ``side`` of the drive reaches each point (n_points,); the nearest gets 1."""
        reach = np.array([1.0 if side == own else 0.8 if "middle" in (side, own) else 0.4 for own in self.sides])
        return np.asarray(reach / reach.max())

    def stage_side(self, number: int) -> str:
        """First of several stages: input side; last: output side; a single one: the middle."""
        if len(self.drive.stage) == 1:
            return "middle"
        return "input" if number == 1 else "output" if number == len(self.drive.stage) else "middle"

    def body_side(self, body: str) -> str:
        if body in ("input", "motor"):
            return "input"
        stage, _, part = body.partition(".")
        if not part:
            return "output" if body == "output" else "middle"
        number = int(stage.removeprefix("stage"))
        if number == len(self.drive.stage) and part in ("output", "carrier", "driven"):
            return "output"
        return self.stage_side(number)


def set_scene(drive: Drive, seed: int, conditions: Conditions) -> Scene:
    """Draw the speed, turn the bodies."""
    machine = seed if conditions.machine_seed is None else conditions.machine_seed
    streams = Streams(machine, seed)
    if conditions.speed_rpm is not None:
        mean_hz = conditions.speed_rpm / 60.0
    else:
        low, high = drive.input.speed_range_hz
        margin = 0.15 * (high - low)
        drawn = drive.input.speed_hz + streams.capture("speed").normal(0.0, (high - low) / 8.0)
        mean_hz = float(np.clip(drawn, low + margin, high - margin))
    time_s, turns, speed = input_motion(
        duration_s=conditions.duration_s,
        lead_s=LEAD_S,
        sample_rate_hz=conditions.sample_rate_hz,
        mean_hz=mean_hz,
        variation=conditions.speed_wander,
        drift=conditions.speed_drift,
        rng=streams.capture("motion"),
        cycles=load_cycles(streams, conditions),
    )
    # Thousands of turns ago everything stood at zero: slow bodies start anywhere, whole turns of the input stay whole.
    turns += float(streams.capture("history").integers(0, 5000))
    motion = BodyMotion(time_s, turns, speed, turning(drive))
    return Scene(drive, conditions, streams, motion, mean_hz, tuple(side_of(point) for point in conditions.points))


def load_cycles(streams: Streams, conditions: Conditions) -> tuple[tuple[float, float], ...]:
    """(frequency [Hz], relative depth in the speed) of every load cycle; a period between 0.4 and 5 s is drawn."""
    found = []
    for number, item in enumerate(conditions.surroundings):
        if item.kind == "load cycles":
            drawn_s = streams.capture(f"load cycle {number}").uniform(np.log(0.4), np.log(5.0))
            found.append((item.hz or 1.0 / float(np.exp(drawn_s)), CYCLE_DEPTH * item.strength))
    return tuple(found)


def orbit_body(drive: Drive, body: str) -> str | None:
    """The carrier that takes a crank or planet round, None for bodies on the main axis."""
    head, _, part = body.partition(".")
    if not part or not head.startswith("stage"):
        return None
    carried = act_of(drive.stage[int(head.removeprefix("stage")) - 1]).carried
    return f"{head}.carrier" if part in carried else None
