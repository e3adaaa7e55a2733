"""What faults that the check does not see do to an answer; two that it does see for comparison.

``python -m tests.studies.unnoticed --seeds 1 2 3`` measures and prints the table. Each seed is a drive of the fleet,
sound and with a pitted lobe, and a machine of ``tests/worlds/walk.py``; a fault is laid on both channels, polarity on
one.
"""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import signal

import vibe
from tests.studies.collecting import POINTS, START, Array, _capture
from tests.studies.fleet import FLEET, life
from tests.worlds import walk
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.ingest import assess
from vibe.synth.machine.damage import parse_damage
from vibe.synth.samples import recorder_faults as faults
from vibe.synth.simulate import simulate

SECONDS = 12.0
Fault = Callable[[Array, float, np.random.Generator], Array]


def _jitter(samples: float, hz: float | None = None) -> Fault:
    """A clock whose ticks lie ``samples`` off, r.m.s.; slower than ``hz`` only, where given."""

    def moved(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
        off = rng.standard_normal(x.size)
        if hz is not None:
            off = signal.lfilter(*signal.butter(1, hz / (rate_hz / 2)), off)
            off /= off.std()
        fine = signal.resample_poly(x, 8, 1)
        return np.interp(np.arange(x.size) + samples * off, np.arange(fine.size) / 8, fine)

    return moved


def _clicks(count: int, over_rms: float) -> Fault:
    """Clicks of a contactor: some cycles that die out within two milliseconds."""

    def clicked(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
        out, time_s = x.copy(), np.arange(round(0.003 * rate_hz)) / rate_hz
        for at in rng.integers(0, x.size - time_s.size, count):
            wave = np.cos(2 * np.pi * rng.uniform(2000, 9000) * time_s) * np.exp(-time_s / 6e-4)
            out[at : at + time_s.size] += over_rms * float(x.std()) * rng.standard_normal() * wave
        return out

    return clicked


def _bent(share: float) -> Fault:
    """An amplifier whose gain is smaller by ``share`` at the peak."""
    return lambda x, rate_hz, rng: x - share * x * np.square(x / np.abs(x).max())


def _radio(over_rms: float) -> Fault:
    return lambda x, rate_hz, rng: faults.keyed(
        x, rate_hz, 26e3 / 120, 8, over_rms * float(x.std()), [(float(rng.uniform(0, 9)), 1.2) for _ in range(3)]
    )


KINDS: dict[str, Fault] = {
    "bends by a fifth at the peak": _bent(0.2),
    "bends by a third at the peak": _bent(1 / 3),
    "clock jitters by 0.1 sample": _jitter(0.1),
    "clock jitters by 0.5 sample": _jitter(0.5),
    "clock sways by 2 samples, below 50 Hz": _jitter(2.0, 50.0),
    "clock sways by 20 samples, below 5 Hz": _jitter(20.0, 5.0),
    "8 clicks of 10 r.m.s.": _clicks(8, 10.0),
    "15 clicks of 30 r.m.s.": _clicks(15, 30.0),
    "polarity of one channel": lambda x, rate_hz, rng: -x,
    "radio of 1 r.m.s.": _radio(1.0),
    "radio of 3 r.m.s.": _radio(3.0),
    "slope held at 0.2 of the steepest": lambda x, rate_hz, rng: faults.slewed(x, 0.2),
    "slope held at 0.07 of the steepest": lambda x, rate_hz, rng: faults.slewed(x, 0.07),
}


def _drives(seed: int) -> Iterator[tuple[str, Capture, Drive]]:
    tag = sorted(FLEET)[seed % len(FLEET)]
    met = life(
        seed, of="unnoticed", measured_at=START, points=POINTS, duration_s=SECONDS, sample_rate_hz=25_600.0,
        machine_seed=seed, tachometer=False, stray_shocks=0,
    )  # fmt: skip
    for damage in ([], ["stage1.lobe:1.5"]):
        made = simulate(FLEET[tag], [parse_damage(text) for text in damage], seed=seed, conditions=met)
        yield " ".join([tag, *damage]), made, FLEET[tag]
    one = walk.machine(seed)
    taken = replace(walk.visit(one, 0, SECONDS), speed_rpm=None)
    yield one.tag, _capture(one, taken, START), Drive.model_validate(tomllib.loads(one.toml()))


def answer(capture: Capture, drive: Drive) -> tuple[str, list[tuple[str, str]]]:
    """State, and what was found but of the sensor."""
    health = vibe.diagnose(capture, vibe.Drive(**drive.model_dump(exclude_unset=True))).health
    found = [(one.component, one.defect) for one in health.findings if one.component != "sensor"]
    return health.state, sorted(found)


def measured(seeds: list[int]) -> pd.DataFrame:
    """A row for each capture and fault."""
    rows = []
    for seed in seeds:
        for name, capture, drive in _drives(seed):
            before = answer(capture, drive)
            for number, (fault, change) in enumerate(KINDS.items()):
                rng = np.random.default_rng([seed, number])
                faulty = [c for c in capture.channels if c.name == POINTS[0] or not fault.startswith("polarity")]
                rows_of = {c.name: change(c.samples.astype(float), c.sample_rate_hz, rng) for c in faulty}
                channels = tuple(
                    faults.with_samples(one, rows_of[one.name]) if one.name in rows_of else one
                    for one in capture.channels
                )
                after = answer(replace(capture, channels=channels), drive)
                noticed = any(assess(one).verdict != "usable" for one in channels)
                changed = "" if before == after else f"{name}: {before[0]} -> {after[0]}"
                rows.append({"fault": fault, "changed": changed, "noticed": noticed})
    return pd.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    frame = measured(parser.parse_args().seeds)
    for fault, own in frame.groupby("fault", sort=False):
        which = "; ".join(one for one in own["changed"] if one)
        print(f"| {fault} | {(own['changed'] != '').sum()} of {len(own)} | {own['noticed'].sum()} | {which} |")


if __name__ == "__main__":
    main()
