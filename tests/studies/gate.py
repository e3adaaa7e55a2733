"""Is a sound drive let through, and nothing else? The gate on simulated drives and on what only looks like one.

    python -m tests.studies.gate [--count N --seed S --workers W --out DIR]

``count`` sound captures of every drive of the fleet, some short, some slow; each again filed under another drive's file
(its speed range shifted so that the speed fits; drives with the same first stage are counted apart), and as many
captures of noise, of hum, and of a pump that runs next to a drive at rest. *Let through* is any state but ``unknown``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.studies.confusion import wilson
from tests.studies.fleet import FLEET, judged, life, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.capture import Capture, Channel
from vibe.core.drive import Drive
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
from vibe.synth.simulate import simulate

SOUND = ("6 s", "10 s", "as in life", "5 kHz")
FALSE = ("other ratio", "noise", "hum", "pump beside")
TWIN = "other ratio, same first stage"
"""What differs is behind the first stage, whose lines are all there: distinguished, not counted among the other
ratios."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """What the gate said of one capture."""

    tag: str
    seed: int
    what: str
    running: bool
    detected: bool
    probability: float | None
    method: str
    reason: str


def _passed(result: CaptureDiagnosis, tag: str, seed: int, what: str, *, running: bool) -> Passed:
    rejected = [q for q in result.quality if q.verdict == "rejected"]
    silent = "" if result.not_detected is None else result.not_detected.text
    return Passed(
        tag=tag, seed=seed, what=what, running=running,
        detected=result.reading is not None and not rejected and result.not_detected is None,
        probability=result.heard_probability,
        method="" if result.reading is None else result.reading.speed.method,
        reason=rejected[0].reasons[0].text if rejected else silent,
    )  # fmt: skip


def shifted(drive: Drive, speed_hz: float) -> Drive:
    """The drive file of another drive at whose speed this one might run."""
    rpm = 60 * speed_hz
    own = {**drive.input.model_dump(), "speed_rpm": rpm, "speed_range_rpm": [0.97 * rpm, 1.03 * rpm]}
    return Drive.model_validate({**drive.model_dump(), "tag": drive.tag + "-elsewhere", "input": own, "motor": None})


def plain(samples: np.ndarray, rate: float, like: Capture) -> Capture:
    """A capture of one point from bare samples."""
    channel = Channel(
        name="input side", samples=samples.astype(np.float32), sample_rate_hz=rate, quantity="acceleration",
        recorded_unit="m/s^2",
    )  # fmt: skip
    return Capture(source=like.source, sha256="", channels=(channel,))


def not_running(drive: Drive, what: str, like: Capture, rng: np.random.Generator) -> Capture:
    """A drive at rest: noise, hum of the mains, or a pump next to it that turns near its speed."""
    rate, duration = 12800.0, 10.0
    t = np.arange(round(rate * duration)) / rate
    samples = 10 ** rng.uniform(-2.5, 0) * rng.standard_normal(t.size)
    if what == "hum":
        for harmonic in (1, 2, 3, 5, 6, 7, 9, 11):
            strength = rng.exponential(0.3) / harmonic
            samples += strength * np.sin(2 * np.pi * 50 * harmonic * t + rng.uniform(0, 6.28))
    elif what == "pump beside":
        speed = drive.input.speed_hz * rng.uniform(0.975, 1.025)
        turns = speed * t + 1e-4 * np.cumsum(rng.standard_normal(t.size)) / np.sqrt(rate)
        vanes = int(rng.integers(3, 10))
        orders = {1, 2, 3, 4, *(vanes * k for k in range(1, 7)), *(vanes * k + s for k in (1, 2) for s in (-1, 1))}
        for order in orders:
            samples += rng.exponential(0.4) / np.sqrt(order) * np.sin(2 * np.pi * order * turns + rng.uniform(0, 6.28))
    return plain(samples, rate, like)


def listen(work: tuple[str, int]) -> list[Passed]:
    """One sound capture of a drive, filed rightly and wrongly, and one of a drive at rest."""
    tag, seed = work
    drive, rng = FLEET[tag], np.random.default_rng([seed, 77])
    what = SOUND[seed % len(SOUND)]
    fixed: dict[str, Any] = {"duration_s": {"6 s": 6.0}.get(what, 10.0)}
    if what == "5 kHz":
        fixed["sample_rate_hz"] = 5120.0
    capture = simulate(drive, seed=seed, conditions=life(seed, of="gate", **fixed))
    result = judged(capture, drive)
    found = [_passed(result, tag, seed, what, running=True)]
    if result.reading is not None:
        others = [other for other in FLEET.values() if other.tag != tag]
        other = shifted(others[seed % len(others)], result.reading.speed.input_hz)
        stages: tuple[Any, Any] = (drive.stage[0], other.stage[0])
        mine, its = ((one.lobes, one.ring_pins, one.kind) for one in stages)
        what = TWIN if mine == its else "other ratio"
        found.append(_passed(judged(capture, other), tag, seed, what, running=False))
    rest = FALSE[1 + seed % (len(FALSE) - 1)]
    found.append(_passed(judged(not_running(drive, rest, capture, rng), drive), tag, seed, rest, running=False))
    return found


def rows(passed: Sequence[Passed]) -> list[dict[str, Any]]:
    """Captures let through, by kind and by drive."""
    table: list[dict[str, Any]] = []
    for what in (*dict.fromkeys(SOUND), *FALSE, TWIN):
        some = [one for one in passed if one.what == what]
        through = sum(one.detected for one in some)
        _, low, high = wilson(through, len(some))
        table.append(
            {
                "capture": what, "right": "let through" if what in SOUND else "unknown", "captures": len(some),
                "let through": through, "95 % from": round(low, 4), "95 % to": round(high, 4),
            }
        )  # fmt: skip
    return table


def draw(passed: Sequence[Passed], folder: Path) -> Path:
    """Stated probability that the drive was detected, running drives over the others."""
    figure, axes = new_figure(7.5, 3.2)
    bins = np.linspace(0, 1, 21)
    for running, colour, label in (
        (True, "#0072b2", "sound, running"),
        (False, "#d55e00", "another ratio, or at rest"),
    ):
        values = [one.probability or 0.0 for one in passed if one.running == running]
        axes.hist(values, bins, color=colour, alpha=0.7, label=label, hatch=None if running else "//")
    axes.set_yscale("symlog")
    axes.set_xlabel("stated probability that the drive was detected")
    axes.set_ylabel("captures")
    axes.legend(frameon=False)
    return write_figure(folder, "gate", figure)


def main() -> None:
    chosen = options(__doc__.splitlines()[0], count=16, counts="sound captures of each drive")
    clock = Clock()
    work = [(tag, chosen.seed + k) for k in range(chosen.count) for tag in FLEET]
    passed = [one for some in spread_out(listen, work, workers=chosen.workers) for one in some]
    table = rows(passed)
    for row in table:
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    for one in passed:
        if one.detected != one.running:
            print(f"{one.tag} seed {one.seed} {one.what}: {one.method} {one.probability} {one.reason}")
    print(Counter((one.what, one.tag) for one in passed if one.detected != one.running))
    write_table(chosen.out, "gate", table)
    write_table(chosen.out, "gate_captures", [asdict(one) for one in passed])
    draw(passed, chosen.out)
    print(f"{len(passed)} captures in {clock}")


if __name__ == "__main__":
    main()
