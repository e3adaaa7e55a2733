"""Is the value of a line that of the line alone, and does its interval hold the truth as often as it says?

Captures made here, by sums of cosines over a true angle: running speed with strong lines either side of it, as lobes
that differ make them (1 ± k / lobes), its multiples, the mesh with lines about it, twice the line frequency, noise. The
speed stands, wanders or drifts; it comes from pulses or from the signal. The program is given samples and drive file,
and asked for ``1x``, ``2x`` and the mesh. ``python -m tests.studies.line_values --count 40``: captures of each ratio
and length.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.studies.fleet import _cycloid, _drive, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.capture import Channel
from vibe.core.records.acceptance import Contribution
from vibe.flow.commissioning.line_values import LineAsked, line_values
from vibe.flow.diagnose.tone_requests import analysis_request_of
from vibe.health.acceptance.uncertainty import quantity, unknown_angle, unsteady
from vibe.kinematics.tone_table import tone_table
from vibe.spectra.segment import analyse_segment

RATE_HZ, RPM = 5120.0, 1455.0
RATIOS = (6, 11, 17, 29, 43, 59, 87, 119)
SECONDS = (2.0, 3.0, 5.0, 10.0, 20.0, 60.0)
SIDES = 4
"""Lines either side of 1x and of the mesh."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One capture."""

    seed: int
    lobes: int
    seconds: float
    pulses: bool | None = None
    """Whether there are any; None: by the seed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """One line of one capture: its value over the true one, and whether the interval of 95 % held that."""

    lobes: int
    seconds: float
    line: str
    pulses: bool
    wander: float
    parted: bool
    could_be: bool
    """Whether the capture has 1.4 turns of the output, which is what parting takes."""
    ratio: float
    relative_u: float
    held: bool
    needs_s: float | None = None
    """Length that would part the line, as it is stated."""


def read_case(case: Case) -> list[Read]:
    """Make a capture, and read it."""
    rng = np.random.default_rng([case.seed, case.lobes, int(10 * case.seconds)])
    drive = _drive(f"study-{case.lobes}", RPM, [_cycloid(case.lobes, 8)], poles=4, power_kw=2.2)
    table = tone_table(drive)
    wander = float(rng.choice([0.0, 2e-4, 1e-3]))
    pulses = bool(rng.integers(2))
    pulses = pulses if case.pulses is None else case.pulses
    time = np.arange(int(RATE_HZ * case.seconds)) / RATE_HZ
    turns = _turns(time, case.seconds, wander, rng)
    samples, true = _samples(case, turns, time, rng)
    channel = Channel(
        name="x", samples=samples.astype(np.float32), sample_rate_hz=RATE_HZ, quantity="acceleration",
        recorded_unit="m/s^2",
    )  # fmt: skip
    tachometer = _tachometer(turns) if pulses else None
    reading = analyse_segment([channel], tachometer, analysis_request_of(drive, table, set(), noted_hz=None))
    asked = [
        LineAsked(name="1x", order=1.0, stage="stage1"),
        LineAsked(name="2x", order=2.0, stage="stage1"),
        LineAsked(name="mesh", order=case.lobes + 1.0, stage="stage1"),
    ]
    found = []
    for line in line_values(asked, drive, table, reading):
        budget = [
            Contribution(
                name="averaging", relative=line.scatter, type="A", because="",
                degrees_of_freedom=line.degrees_of_freedom,
            )
        ]  # fmt: skip
        measured = quantity(
            line.velocity_mm_s, "mm/s", [*budget, unsteady(line.smeared), unknown_angle(line.angle)], 0.95
        )
        assert measured.expanded is not None
        found.append(
            Read(
                lobes=case.lobes, seconds=case.seconds, line=line.name, pulses=pulses, wander=wander,
                parted=not line.not_apart, could_be=1.42 * case.lobes * 60 / RPM <= case.seconds,
                ratio=line.velocity_mm_s / true[line.name], relative_u=measured.expanded / line.velocity_mm_s,
                held=abs(line.velocity_mm_s - true[line.name]) <= measured.expanded, needs_s=line.needs_s,
            )
        )  # fmt: skip
    return found


def _turns(time: NDArray[np.float64], seconds: float, wander: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Turns of the input: a speed that wanders with periods of 3 s and more, in five cosines, and drifts."""
    speed = RPM / 60 * (1 + 5e-3 * rng.uniform(-1, 1))
    turns = time + 0.5 * wander * rng.uniform(-1, 1) * time**2 / seconds
    for _ in range(5):
        period = float(np.exp(rng.uniform(np.log(3.0), np.log(30.0))))
        size, phase = wander * rng.standard_normal() / np.sqrt(5), rng.uniform()
        turns = turns + size * period / (2 * np.pi) * np.sin(2 * np.pi * (time / period + phase))
    return speed * (turns - turns[0])


def _samples(
    case: Case, turns: NDArray[np.float64], time: NDArray[np.float64], rng: np.random.Generator
) -> tuple[NDArray[np.float64], dict[str, float]]:
    """Acceleration [m/s²], and the true r.m.s. velocities [mm/s]."""
    hz = turns[-1] / time[-1]
    true = {"1x": rng.uniform(0.3, 1.5), "2x": rng.uniform(0.1, 0.5), "mesh": rng.uniform(0.05, 0.2)}
    mesh = case.lobes + 1.0
    lines = [(1.0, true["1x"]), (2.0, true["2x"]), (3.0, rng.uniform(0.05, 0.2)), (mesh, true["mesh"])]
    for k, sign in product(range(1, SIDES + 1), (-1, 1)):
        lines.append((1.0 + sign * k / case.lobes, true["1x"] * rng.uniform(0.0, 1.0)))
        lines.append((mesh + sign * k / case.lobes, true["mesh"] * rng.uniform(0.0, 0.5)))
        lines.append((mesh + sign * k, true["mesh"] * rng.uniform(0.0, 0.5)))
    samples = 0.3 * rng.standard_normal(time.size)
    for order, velocity in lines:
        peak = np.sqrt(2) * velocity * 2 * np.pi * order * hz / 1e3
        samples += peak * np.cos(2 * np.pi * (order * turns + rng.uniform()))
    samples += 0.05 * np.cos(2 * np.pi * (100.0 * time + rng.uniform()))
    return samples, true


def _tachometer(turns: NDArray[np.float64]) -> Channel:
    # As wide as a few samples and smooth, as a recorder's filter leaves a pulse.
    steep = np.exp(-0.5 * (((turns + 0.5) % 1.0 - 0.5) / 0.03) ** 2)
    return Channel(
        name="tacho", samples=(5.0 * steep).astype(np.float32), sample_rate_hz=RATE_HZ,
        quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0,
    )  # fmt: skip


def summed(name: str, reads: Sequence[Read]) -> dict[str, Any]:
    """One row of the table."""
    parted = [one for one in reads if one.parted]
    fair = [one for one in reads if one.could_be]
    off = np.array([one.ratio - 1 for one in parted]) if parted else np.zeros(1)
    return {
        "of": name,
        "values": len(reads),
        "answered, of those long enough %": f"{100 * np.mean([one.parted for one in fair]):.1f}" if fair else "",
        "answered though too short": sum(one.parted and not one.could_be for one in reads),
        "bias %": f"{100 * off.mean():.2f}",
        "bias, standard error %": f"{100 * off.std() / np.sqrt(max(len(parted), 1)):.2f}",
        "U, median %": f"{100 * np.median([one.relative_u for one in parted]):.1f}" if parted else "",
        "held %": f"{100 * np.mean([one.held for one in parted]):.1f}" if parted else "",
        "farthest off %": f"{100 * np.abs(off).max():.1f}",
    }


def rows_of(reads: Sequence[Read]) -> list[dict[str, Any]]:
    """Together, and by line, length, ratio, source of the speed and wander."""
    rows = [summed("all", reads)]
    splits: list[tuple[str, Callable[[Read], Any]]] = [
        ("line", lambda one: one.line),
        ("seconds", lambda one: one.seconds),
        ("lobes", lambda one: one.lobes),
        ("speed by pulses", lambda one: one.pulses),
        ("wander", lambda one: one.wander),
    ]
    for name, key in splits:
        rows += [
            summed(f"{name} {value}", [one for one in reads if key(one) == value])
            for value in sorted({key(one) for one in reads})
        ]
    return rows


def main() -> None:
    asked = options(__doc__ or "", count=40, counts="captures of each ratio and length", only="numbers of lobes")
    clock = Clock()
    cases = [
        Case(seed=asked.seed + number, lobes=lobes, seconds=seconds)
        for lobes, seconds in product(asked.only or RATIOS, SECONDS)
        for number in range(ceil(asked.count * min(1.0, 20.0 / seconds)))
    ]
    reads = [one for found in spread_out(read_case, cases, workers=asked.workers) for one in found]
    rows = rows_of(reads)
    for row in rows:
        print("  ".join(f"{name}: {value}" for name, value in row.items()))
    print(write_table(asked.out, "line_values", rows))
    figure, axes = new_figure(7.0, 4.5)
    for line in ("1x", "2x", "mesh"):
        own = [one for one in reads if one.line == line and one.parted]
        axes.plot([one.seconds for one in own], [100 * (one.ratio - 1) for one in own], ".", alpha=0.4, label=line)
    axes.set(xscale="log", xlabel="length of the capture [s]", ylabel="value over the true one [%]",
             title="Lines among strong neighbours")  # fmt: skip
    axes.minorticks_off()
    axes.set_xticks(SECONDS, [f"{seconds:g}" for seconds in SECONDS])
    axes.grid(alpha=0.3)
    axes.legend()
    print(write_figure(asked.out, "line_values", figure), f"({clock})")


if __name__ == "__main__":
    main()
