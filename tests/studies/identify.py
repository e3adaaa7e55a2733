"""How well an unknown drive is distinguished from its signal alone, and how far the stated probabilities can be
trusted.

Drives drawn at random: 6 to 119 lobes, 6 to 12 output pins, 1 to 3 discs, 2, 4 or 6 poles, a speed within a range that
is 7 to 60 % wide; a third of them damaged. *Usual* captures last 10 s at 25.6 kHz; *poor* ones are shorter, slower or
noisier, so that some can say nothing. ``python -m tests.studies.identify --count 500 --seed 10000``: seeds below
10,000 were used to set numbers. *Outside* drives are made by code of their own, two captures each.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from tests.studies import outside_drives
from tests.studies.fleet import _cycloid, _drive, life, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.drive import Drive
from vibe.flow.identify.answer import together
from vibe.flow.identify.identification import SURE, identified
from vibe.synth.simulate import Conditions, Damage, possible_damages, simulate

FULL_LOAD_RPM = {2: 2900.0, 4: 1455.0, 6: 970.0}
PASS_BAND = 0.39
BINS = (0.0, 0.5, 0.9, 0.99, 0.999, 1.0001)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One capture: the truth, and what was stated of it."""

    seed: int
    case: str
    lobes: int
    discs: int
    in_band: bool
    """The mesh lies below what the recorder passes."""
    damaged: bool
    reported: bool
    first: int | None
    """Lobes of the likeliest candidate."""
    probability: float
    of_truth: float
    none: float
    speed_error: float | None
    speed_sigma: float | None
    discs_stated: int | None
    discs_probability: float | None
    cost_s: float

    @property
    def right(self) -> bool:
        return self.first == self.lobes


def drawn(seed: int) -> tuple[Drive, tuple[float, float], list[Damage], np.random.Generator]:
    """A drive nobody described, the speeds [r/min] that it may run at, and its damage."""
    rng = np.random.default_rng([seed, *b"identify"])
    lobes = int(np.clip(np.round(np.exp(rng.uniform(np.log(5.5), np.log(119.5)))), 6, 119))
    stage = _cycloid(lobes, int(rng.integers(6, 13)), discs=int(rng.choice([1, 2, 2, 3])))
    poles = int(rng.choice([2, 4, 4, 6]))
    rpm = FULL_LOAD_RPM[poles] * rng.uniform(0.985, 1.015)
    drive = _drive(f"unknown-{seed}", rpm, [stage], poles=poles, power_kw=2.2)
    width = rng.uniform(0.03, 0.3)
    low, high = rpm * (1 - width * rng.uniform(0.3, 1)), rpm * (1 + width * rng.uniform(0.3, 1))
    # The speed itself is drawn within the drive's own 3 %, which the range of the search must hold.
    range_rpm = min(low, 0.965 * rpm), max(high, 1.035 * rpm)
    damage = []
    if rng.uniform() < 1 / 3:
        choices = sorted(possible_damages(drive))
        damage = [Damage(choices[int(rng.integers(len(choices)))], float(rng.uniform(0.3, 1.5)))]
    return drive, range_rpm, damage, rng


def usual(seed: int) -> Trial:
    drive, range_rpm, damage, _ = drawn(seed)
    return _tried("usual", seed, drive, range_rpm, damage, life(seed, of="identify", tell_speed=True))


def poor(seed: int) -> Trial:
    drive, range_rpm, damage, rng = drawn(seed)
    worse: dict[str, Any] = {
        "duration_s": float(rng.choice([2.0, 3.0, 5.0, 10.0])),
        "sample_rate_hz": float(rng.choice([1280.0, 2560.0, 6400.0, 25_600.0])),
        "noise": float(10 ** rng.uniform(0.0, 1.5)),
    }
    return _tried("poor", seed, drive, range_rpm, damage, life(seed, of="identify", tell_speed=True, **worse))


def _tried(
    case: str,
    seed: int,
    drive: Drive,
    range_rpm: tuple[float, float],
    damage: Sequence[Damage],
    conditions: Conditions,
) -> Trial:
    capture = simulate(drive, damage, seed=seed, conditions=conditions)
    start = time.process_time()
    found = identified(capture, range_rpm)
    cost = time.process_time() - start
    stage: Any = drive.stage[0]
    assert capture.speed_rpm is not None
    speed, true_rpm = found.speed_rpm, capture.speed_rpm
    read_rpm = speed.value if isinstance(speed.value, float) else None
    return Trial(
        seed=seed,
        case=case,
        lobes=stage.lobes,
        discs=stage.discs,
        in_band=stage.ring_pins * true_rpm / 60 < PASS_BAND * conditions.sample_rate_hz,
        damaged=bool(damage),
        reported=found.ratio.value is not None,
        first=found.candidates[0].lobes if found.candidates else None,
        probability=found.candidates[0].probability if found.candidates else 0.0,
        of_truth=next((one.probability for one in found.candidates if one.lobes == stage.lobes), 0.0),
        none=found.none,
        speed_error=read_rpm / true_rpm - 1 if read_rpm is not None else None,
        speed_sigma=speed.uncertainty / true_rpm if read_rpm is not None and speed.uncertainty else None,
        discs_stated=found.discs.value if isinstance(found.discs.value, int) else None,
        discs_probability=found.discs.probability,
        cost_s=cost,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideTrial:
    """Two captures of one drive made by code of its own: what the first says, and what both together say."""

    case: str
    noise: float
    lobes: int
    first: int | None
    probability: float
    answered: bool
    mesh_seen: bool
    both: int | None
    both_probability: float


QUIET = 0.17
"""Noise [m/s², r.m.s. to 6.4 kHz] that half of the outside drives lie below."""
OUTSIDE = {
    "outside, one disc": (1, False), "outside, two discs": (2, False), "outside, three discs": (3, False),
    "outside, one disc, unbalance rules": (1, True), "outside, three discs, unbalance rules": (3, True),
}  # fmt: skip


def outside(work: tuple[str, int]) -> OutsideTrial:
    """One drive of ``tests/studies/outside_drives.py``."""
    case, seed = work
    discs, dominated = OUTSIDE[case]
    drive, rng = outside_drives.drawn(seed, discs=discs, dominated=dominated)
    found = [identified(capture, drive.range_rpm) for capture in outside_drives.captured(drive, rng, captures=2)]
    one, joined = found[0], together(found)
    return OutsideTrial(
        case=case, noise=drive.noise, lobes=drive.lobes, first=one.candidates[0].lobes if one.candidates else None,
        probability=one.candidates[0].probability if one.candidates else 0.0, answered=one.ratio.value is not None,
        mesh_seen="stands out at" in one.mesh, both=joined[0].lobes if joined else None,
        both_probability=joined[0].probability if joined else 0.0,
    )  # fmt: skip


def summed_outside(case: str, trials: Sequence[OutsideTrial]) -> dict[str, Any]:
    """One row of the table."""

    def share(count: int) -> str:
        return f"{100 * count / len(trials):.1f}"

    sure = [t for t in trials if t.both_probability >= SURE]
    quiet: list[OutsideTrial | None] = [*(t for t in trials if t.noise <= QUIET)] or [None]
    return {
        "case": case,
        "drives": len(trials),
        "mesh stands out %": share(sum(t.mesh_seen for t in trials)),
        "answered by one capture %": share(sum(t.answered for t in trials)),
        "the same, quieter half %": f"{100 * sum(t is not None and t.answered for t in quiet) / len(quiet):.1f}",
        "answered by two %": share(len(sure)),
        "wrong above 0.9, one capture": sum(t.probability > SURE and t.first != t.lobes for t in trials),
        "wrong above 0.9, two": sum(t.both != t.lobes for t in sure),
    }


def _share(trials: Sequence[Trial], of: Callable[[Trial], bool]) -> str:
    return f"{100 * sum(map(of, trials)) / len(trials):.1f}" if trials else ""


def summed(case: str, trials: Sequence[Trial]) -> dict[str, Any]:
    """One row of the table."""
    seen = [t for t in trials if t.in_band]
    reported = [t for t in trials if t.reported]
    with_discs = [t for t in trials if t.discs_stated is not None]
    speeds = [t for t in trials if t.speed_error is not None]
    fair = [abs(t.speed_error or 0.0) for t in speeds if abs(t.speed_error or 0.0) < 1e-3]
    within = [abs(t.speed_error or 0.0) < 2 * (t.speed_sigma or 0.0) for t in speeds]
    return {
        "case": case,
        "captures": len(trials),
        "mesh in band": len(seen),
        "right first, mesh in band %": _share(seen, lambda t: t.right),
        "right first %": _share(trials, lambda t: t.right),
        "cannot be told %": _share(trials, lambda t: not t.reported),
        "stated, right %": _share(reported, lambda t: t.right),
        "wrong with p > 0.9 %": _share(trials, lambda t: not t.right and t.probability > SURE),
        "discs stated %": _share(trials, lambda t: t.discs_stated is not None),
        "discs stated, right %": _share(with_discs, lambda t: t.discs_stated == t.discs),
        "speed stated %": _share(trials, lambda t: t.speed_error is not None),
        "speed wrong %": _share(speeds, lambda t: abs(t.speed_error or 0.0) > 1e-3),
        "speed error r.m.s. of those not wrong": f"{np.sqrt(np.mean(np.square(fair))):.1e}" if fair else "",
        "within 2 sigma %": f"{100 * np.mean(within):.1f}" if within else "",
        "cost s": f"{np.mean([t.cost_s for t in trials]):.2f}",
    }


def calibration(trials: Sequence[Trial]) -> list[dict[str, Any]]:
    """Stated probability of the first candidate against how often it is right."""
    rows = []
    for low, high in pairwise(BINS):
        own = [t for t in trials if t.first is not None and low <= t.probability < high]
        if own:
            rows.append(
                {
                    "stated from": low,
                    "to": min(high, 1.0),
                    "captures": len(own),
                    "stated %": f"{100 * np.mean([t.probability for t in own]):.2f}",
                    "right %": _share(own, lambda t: t.right),
                }
            )
    return rows


def draw(folder: Path, trials: Sequence[Trial], rows: Sequence[dict[str, Any]]) -> Path:
    """Left to right: how sure, and how often right."""
    figure, axes = new_figure(7.0, 5.0)
    stated = [float(row["stated %"]) for row in rows]
    right = [float(row["right %"]) for row in rows]
    axes.plot([0, 100], [0, 100], color="black", lw=1.0, label="as stated")
    axes.plot(stated, right, "o-", lw=2, label=f"{len(trials)} captures")
    for x, y, row in zip(stated, right, rows, strict=True):
        axes.annotate(str(row["captures"]), (x, y), textcoords="offset points", xytext=(4, -12))
    axes.set(
        xlabel="stated probability of the likeliest counts [%]",
        ylabel="right [%]",
        title="Counts of an unknown drive: how often right against how sure",
        xlim=(0, 102),
        ylim=(0, 102),
    )
    axes.grid(alpha=0.3)
    axes.legend(loc="upper left")
    return write_figure(folder, "identify", figure)


def main() -> None:
    asked = options(
        __doc__ or "", count=500, counts="usual captures; half as many poor ones, a fifth of each outside case"
    )
    clock = Clock()
    drives = [(case, asked.seed + k) for case in OUTSIDE for k in range(max(1, asked.count // 5))]
    trials = list(spread_out(outside, drives, workers=asked.workers))
    table = [summed_outside(case, [t for t in trials if t.case == case]) for case in OUTSIDE]
    for row in table:
        print("  ".join(f"{name}: {value}" for name, value in row.items()))
    print(write_table(asked.out, "identify.outside", table), f"({clock})")
    good = list(spread_out(usual, range(asked.seed, asked.seed + asked.count), workers=asked.workers))
    seeds = range(asked.seed, asked.seed + max(1, asked.count // 2))
    bad = list(spread_out(poor, seeds, workers=asked.workers))
    rows = [
        summed("usual", good),
        summed("usual, sound", [t for t in good if not t.damaged]),
        summed("usual, damaged", [t for t in good if t.damaged]),
        summed("poor", bad),
    ]
    for row in rows:
        print("  ".join(f"{name}: {value}" for name, value in row.items()))
    for t in [*good, *bad]:
        if not t.right and t.probability > 0.5:
            print("wrong:", t)
    judged = calibration([*good, *bad])
    for row in judged:
        print("  ".join(f"{name}: {value}" for name, value in row.items()))
    print(write_table(asked.out, "identify", rows))
    print(write_table(asked.out, "identify.calibration", judged))
    print(draw(asked.out, [*good, *bad], judged), f"({clock})")


if __name__ == "__main__":
    main()
