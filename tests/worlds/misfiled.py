"""A drive that runs, under the file of another ratio: what happens when two sheets of a route are mixed up.

The two drives sit on like motors, so that the speed fits; their counts of pins are drawn from those that are mixed up
in practice and from those that are hard to tell: half or twice as many, with a common factor, few, a few more or less.
``rightly`` gives the same capture under its own file. Drives and steel are those of the hillside and of the harbour.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from tests.worlds import harbour, hillside
from tests.worlds.case import WorldCase

SEED = 61_004
COUNT = 240
MIXED_UP = ("any count", "half or twice", "common factor", "few pins", "a few more or less", "two stages")
LOBES = (6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 21, 23, 25, 29, 35, 39, 43, 47, 51, 59, 71, 87, 119)
NEAREST = 3
"""Counts nearer than this share their first side lines; an hour of measuring may not tell them by lines alone."""


def _filed_lobes(rng: np.random.Generator, lobes: int, kind: str) -> int:
    """Lobes of the wrong file, tooth difference 1, for a drive of ``lobes``."""
    pins = lobes + 1
    far = [n for n in LOBES if abs(n - lobes) >= NEAREST]
    wanted = {
        "half or twice": [n for n in (2 * pins - 1, pins // 2 - 1, 3 * pins - 1) if 5 <= n <= 129],
        "common factor": [n for n in far if np.gcd(n + 1, pins) > 2],
        "few pins": [n for n in far if n < 12],
        "a few more or less": [lobes + d for d in (-6, -5, -4, 3, 4, 5, 7) if lobes + d >= 6],
    }.get(kind, far)
    return int(rng.choice([n for n in wanted if abs(n - lobes) >= NEAREST] or far))


def _hillside(rng: np.random.Generator, kind: str) -> tuple[WorldCase, str]:
    """The capture under its own file, and the text of the wrong file."""
    drive = hillside.draw_drive(rng, "two" if kind == "two stages" else "single")
    rate = float(rng.choice([12800, 16000, 20000, 25600]))
    scene = hillside.Scene(rng, rate, int(rate * rng.uniform(6, 12)), int(rng.integers(1, 3)))
    hertz = drive.nominal_rpm / 60 * rng.uniform(0.992, 1.008)
    theta = scene.turn(hertz, float(10 ** rng.uniform(-3.8, -3.1)))
    level = float(10 ** rng.uniform(-0.5, 0.5))
    felt = hillside.run_drive(scene, drive, theta, level=level, mesh=float(10 ** rng.uniform(-0.5, 0.4)))
    felt = felt + 0.01 * rng.standard_normal(felt.shape)
    first = drive.stages[0]
    lobes = _filed_lobes(rng, first.lobes, kind)
    wrong = hillside.Stage(lobes, lobes + 1, int(rng.choice([6, 8, 10, 12])), first.discs, True)
    bearings = tuple(b for b in drive.bearings if not b.inner.startswith("stage2"))
    bearings = tuple(replace(b, inner=b.inner.replace("stage2", "stage1")) for b in bearings)
    filed = replace(drive, stages=(wrong,), bearings=bearings, tag=drive.tag + "-B")
    return _case(drive.toml(), felt, rate, float((theta[-1] - theta[0]) / hillside.TAU / scene.grid[-1])), filed.toml()


def _harbour(rng: np.random.Generator, kind: str) -> tuple[WorldCase, str]:
    drive = harbour.draw_drive(rng, "two" if kind == "two stages" else str(rng.choice(["single", "single", "high"])))
    rate = float(rng.choice([12800, 16000, 20000, 25600]))
    n = int(rate * rng.uniform(6, 12))
    torque = np.clip(1 + 0.03 * harbour.drift(rng, n, rate, 0.6), 0.3, None)
    moved = harbour.move(rng, drive, rate, n, drive.speed_hz, torque)
    scene = harbour.Scene(rng, rate, n, int(rng.integers(1, 3)))
    harbour.sing(scene, moved, float(10 ** rng.uniform(-0.5, 0.5)), str(rng.choice(list(harbour.VOICES))))
    felt = np.stack(list(scene.render(float(10 ** rng.uniform(-2.5, -1.7))).values()))
    first = drive.stages[0]
    lobes = _filed_lobes(rng, first.lobes, kind)
    wrong = harbour.Stage(lobes, lobes + 1, int(rng.integers(6, 13)), first.discs)
    bearings = tuple(b for b in drive.bearings if not b.inner.startswith("stage2"))
    bearings = tuple(replace(b, inner=b.inner.replace("stage2", "stage1")) for b in bearings)
    filed = replace(drive, family="single", stages=(wrong,), bearings=bearings)
    turns = moved.turns["input"]
    return _case(harbour.write_toml(drive, "HB-A"), felt, rate, float(np.ptp(turns)) * rate / (n - 1)), (
        harbour.write_toml(filed, "HB-B")
    )


def _case(drive_toml: str, felt: Any, rate: float, speed_hz: float) -> WorldCase:
    return WorldCase(
        name="", kind="", truth="sound", drive_toml=drive_toml, sample_rate_hz=rate, speed_hz=speed_hz,
        channels={f"point {k}": row.astype(np.float32) for k, row in enumerate(felt, 1)},
    )  # fmt: skip


def _made(number: int) -> tuple[WorldCase, str]:
    rng = np.random.default_rng([number, SEED])
    kind = MIXED_UP[number // 2 % len(MIXED_UP)]
    own, wrong = (_harbour if number % 2 else _hillside)(rng, kind)
    return replace(own, name=f"misfiled-{number:03d}", kind=kind), wrong


def rightly(number: int) -> WorldCase:
    """Capture ``number`` under the file of the drive that it is of."""
    return _made(number)[0]


def case(number: int) -> WorldCase:
    """Capture ``number`` under the file of another ratio: nothing can be said of the drive that it claims to be of."""
    own, wrong = _made(number)
    return replace(own, truth="unusable", drive_toml=wrong, speed_hz=None)
