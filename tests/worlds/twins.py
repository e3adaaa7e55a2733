"""Two drives of one type on one frame: damage in the one that is measured, in the other, or in one that stands alone.

Made of the bodies and paths of ``ferryside``. The speeds differ by a stated share, so that what is said can be read
over the difference of speed, the length of the capture and the kind of damage: one that cannot slip (a lobe, a ring
pin) stands at an exact order of the shaft to which it belongs, a bearing's within its slip.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tests.worlds.case import WorldCase
from tests.worlds.ferryside import Scene, bearing_blows, gear_blows, gear_twins, make_drive, run_drive, turns

Whose = Literal["own", "other", "alone", "nobody"]
"""Damage in the measured drive next to a sound one, in the other one, in a drive that stands alone, in neither."""
SEED = 90817
EXACT = ("lobe", "ring_pin")
SLIPPING = ("outer_race", "inner_race")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """``apart``: how much faster, relative, the other turns. ``other_db``: level of the other's sound at the point
    against the measured drive's own, as it comes through the frame."""

    whose: Whose
    part: str
    apart: float
    seconds: float
    other_db: float = -8.0
    pulsed: bool = False


def pair_case(pair: Pair, number: int) -> WorldCase:
    """One capture, always the same for its number."""
    rng = np.random.default_rng([number, SEED])
    rate = float(rng.choice([12800, 20000, 25600]))
    level = float(np.exp(rng.uniform(np.log(0.5), np.log(3))))
    drive = make_drive(rng, f"TW-{number:03d}", str(rng.choice(["low", "low", "low", "high", "difference"])))
    scene = Scene(rng, rate, pair.seconds, int(rng.integers(1, 3)))
    hz = drive.rpm / 60 * (1 + float(rng.uniform(-0.4, 0.4)) * drive.spread)
    turn = turns(scene, hz)
    bodies = run_drive(scene, drive, turn, level, scene.case, float(rng.uniform(0.25, 0.8)))
    struck = bodies
    if pair.whose != "alone":
        there = turns(scene, hz * (1 + pair.apart))
        louder = level * 10 ** (pair.other_db / 20)
        other = run_drive(scene, drive, there, louder, scene.steel, float(rng.uniform(0.25, 0.8)))
        struck = other if pair.whose == "other" else bodies
    named: tuple[str, ...] = ()
    if pair.whose != "nobody":
        if pair.part in EXACT:
            blows, named = gear_blows(scene, pair.part, "stage1", struck), gear_twins(drive, pair.part, "stage1")
        else:
            bearing = drive.bearings[int(rng.integers(2))]
            blows, named = bearing_blows(scene, bearing, pair.part, struck), (f"bearing.{bearing.name}.{pair.part}",)
        if pair.whose == "other":
            scene.add(blows, scene.steel, level * float(rng.uniform(0.4, 0.8)))
        else:
            scene.add_damage(blows, float(np.exp(rng.uniform(np.log(1.5), np.log(4.5)))))
    detected = turn[scene.lead :]
    speed = float((detected[-1] - detected[0]) / (detected.size - 1) * rate)
    pulses = None
    if pair.pulsed:
        pulses = (5.0 * (np.mod(detected, 1) < 0.12) + rng.normal(0, 0.05, detected.size)).astype(np.float32)
    damaged = pair.whose in ("own", "alone")
    return WorldCase(
        name=drive.tag, kind=f"{pair.part}, {pair.whose}", truth="damaged" if damaged else "sound",
        drive_toml=drive.toml(), damaged=named if damaged else (),
        channels=scene.channels(level * float(10 ** rng.uniform(-2.5, -1.2))), sample_rate_hz=rate, speed_hz=speed,
        pulses=pulses, marks={"apart": pair.apart, "seconds": pair.seconds, "other_db": pair.other_db},
    )  # fmt: skip
