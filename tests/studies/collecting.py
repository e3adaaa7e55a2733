"""Faults of collecting at random strengths, each on a capture whose twin without it must be accepted.

``python -m tests.studies.collecting --count 24 --seed 400 --workers 2`` measures and prints the table.

The faults are made here, on samples, and share nothing with the checks. The drive is simulated; what a fault does to
its samples is the recorder's, the cable's or the technician's doing.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.studies.fleet import FLEET, life, spread_out
from vibe.core.capture import Capture, Channel
from vibe.flow.route.plan import route_plan_of
from vibe.flow.route.round import Round
from vibe.synth.simulate import simulate
from vibe.synth.writers import write_capture

POINTS = ("input side radial", "output side radial")
START = datetime(2026, 5, 4, 8, tzinfo=UTC)
Fault = Callable[[np.ndarray, float, np.random.Generator], np.ndarray]


def _wrapped(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    at = float(rng.uniform(0.25, 0.8)) * float(np.abs(x).max())
    return (x + at) % (2 * at) - at


def _spliced(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    at, lost = int(rng.uniform(0.3, 0.7) * x.size), int(rng.uniform(0.1, 0.5) * rate_hz)
    return np.concatenate((x[:at], x[at + lost :]))


def _repeated(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    size, at = int(rng.uniform(0.02, 1.0) * rate_hz), int(0.5 * x.size)
    out = x.copy()
    out[at : at + size] = x[at - size : at]
    return out


def _zeros(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    out = x.copy()
    size = int(rng.uniform(0.002, 0.05) * rate_hz)
    for at in rng.integers(0, x.size - size, rng.integers(2, 12)):
        out[at : at + size] = 0.0
    return out


def _held(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    out = x.copy()
    size = int(rng.uniform(0.002, 0.05) * rate_hz)
    for at in rng.integers(1, x.size - size, rng.integers(2, 12)):
        out[at : at + size] = out[at - 1]
    return out


def _hum(mains_hz: float) -> Fault:
    def add(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
        time_s = np.arange(x.size) / rate_hz
        exact = mains_hz * (1 + rng.uniform(-5e-4, 5e-4))
        wave = sum(
            h * np.sin(2 * np.pi * k * exact * time_s + rng.uniform(0, 6))
            for k, h in ((1, 1.0), (3, rng.uniform(0.1, 0.4)), (5, rng.uniform(0.05, 0.2)), (7, 0.05))
        )
        return np.asarray(x + rng.uniform(3, 30) * x.std() * wave)

    return add


def _times(factor: float) -> Fault:
    return lambda x, rate_hz, rng: x * factor


def _velocity(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    lines, hz = np.fft.rfft(x - x.mean()), np.fft.rfftfreq(x.size, 1 / rate_hz)
    return 1e3 * np.fft.irfft(
        lines * np.divide(-1j, 2 * np.pi * hz, out=np.zeros(hz.size, complex), where=hz > 2), x.size
    )


def _short(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    return x[: int(rng.uniform(0.2, 0.8) * x.size)]


def _coarse(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    step = float(rng.uniform(0.4, 3.0)) * float(x.std())
    return np.rint(x / step) * step


def _clipped(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    at = float(rng.uniform(0.3, 0.8)) * float(np.abs(x).max())
    return np.clip(x, -at, at)


def _noise_only(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    return float(10 ** rng.uniform(-2.5, -1.4)) * rng.standard_normal(x.size)


def _soft_mount(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    rings_hz, damping = rng.uniform(1500, 4000), rng.uniform(0.03, 0.10)
    r = np.fft.rfftfreq(x.size, 1 / rate_hz) / rings_hz
    passed = (1 + 2j * damping * r) / (1 - r**2 + 2j * damping * r)
    return np.fft.irfft(np.fft.rfft(x) * passed, x.size) + 0.003 * rng.standard_normal(x.size)


ON_SAMPLES: dict[str, Fault] = {
    "overflow": _wrapped, "samples lost": _spliced, "buffer repeated": _repeated, "filled by zeros": _zeros,
    "filled by holds": _held, "hum 50 Hz": _hum(50.0), "hum 60 Hz": _hum(60.0), "x 10": _times(10.0),
    "/ 10": _times(0.1), "/ 30": _times(1 / 30), "g as m/s2": _times(1 / 9.80665), "m/s2 as g": _times(9.80665),
    "mm/s2 as m/s2": _times(1000.0), "velocity": _velocity, "cut short": _short, "coarse": _coarse,
    "clipped": _clipped, "soft mount": _soft_mount, "at rest": _noise_only,
}  # fmt: skip
ON_CAPTURES = ("one sensor twice", "points exchanged", "clock not set", "beside a running twin", "no pulses")
FAULTS = (*ON_SAMPLES, *ON_CAPTURES)
SOUND = "no fault"


@dataclass(frozen=True, slots=True)
class Trial:
    """One capture, with its fault, and what the check said."""

    fault: str
    drive: str
    seed: int
    verdict: str
    codes: str

    @property
    def told(self) -> bool:
        return self.verdict != "accepted"


def _route(tag: str) -> str:
    points = "".join(
        f'[[stop.point]]\nname = "{name}"\nplace = "bearing housing"\naxis = "radial"\nmounting = "stud"\n'
        for name in POINTS
    )
    pulses = '[[stop.point]]\nname = "tacho"\nplace = "coupling"\naxis = ""\nquantity = "tachometer"\n'
    head = f'title = "Round"\ndrives = ["drive.toml"]\ncaptures = 1\n[[stop]]\ndrive = "{tag}"\nwhere = "hall"\n'
    return head + points + pulses


def _drive_toml(tag: str) -> str:
    import vibe

    return vibe.Drive(**FLEET[tag].model_dump(exclude_unset=True)).to_toml()


def trials(work: tuple[str, int, tuple[str, ...]]) -> list[Trial]:
    """One drive visited twice; the second visit with each fault in turn and without any."""
    tag, seed, faults = work
    drive = FLEET[tag]
    out = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "drive.toml").write_text(_drive_toml(tag), encoding="utf-8")
        route = folder / "route.toml"
        route.write_text(_route(tag), encoding="utf-8")
        plan = route_plan_of(route).stops[0].plan
        fixed: dict[str, Any] = {
            "points": POINTS, "duration_s": plan.duration_s, "sample_rate_hz": plan.sample_rate_hz,
            "machine_seed": seed, "tachometer": True, "stray_shocks": 0,
        }  # fmt: skip
        visits = []
        for month in (0, 1):
            met = life(seed + 1000 * month, of="collecting", measured_at=START + timedelta(days=30 * month), **fixed)
            visits.append(simulate(drive, [], seed=seed + 1000 * month, conditions=met))
        earlier, now = (replace(visit, drive=tag) for visit in visits)
        (folder / "before").mkdir()
        write_capture(earlier, folder / "before" / "a.h5", force=True)
        rng = np.random.default_rng([seed, 77])
        for fault in (SOUND, *faults):
            place = folder / fault.replace("/", "over").replace(" ", "_")
            place.mkdir()
            write_capture(_faulty(now, fault, rng), place / "b.h5", force=True)
            call = Round.of(route, place, folder / "before").checked(workers=1)
            for file in call.files:
                vibration = [point for point in file.points if point.point in POINTS]
                grades = {point.verdict for point in vibration} or {"retake"}
                said = {reason.code for point in vibration for reason in point.reasons}
                if fault in ("clock not set",) and any("not set" in remark for remark in file.remarks):
                    grades.add("limited")
                worst = next(grade for grade in ("retake", "limited", "twice", "accepted") if grade in grades)
                out.append(Trial(fault, tag, seed, worst, " ".join(sorted(said))))
    return out


def _faulty(capture: Capture, fault: str, rng: np.random.Generator) -> Capture:
    channels = list(capture.channels)
    vibration = [index for index, channel in enumerate(channels) if channel.name in POINTS]
    if fault in ON_SAMPLES:
        for index in vibration:
            channel = channels[index]
            x = ON_SAMPLES[fault](channel.samples.astype(np.float64), channel.sample_rate_hz, rng)
            channels[index] = _with(channel, x)
        shortest = min(channels[index].samples.size for index in vibration)
        if fault in ("samples lost", "cut short"):
            channels = [_with(channel, channel.samples[:shortest]) for channel in channels]
    elif fault == "one sensor twice":
        first, second = vibration
        other = channels[first].samples + 1e-4 * float(channels[first].samples.std()) * rng.standard_normal(
            channels[first].samples.size
        )
        channels[second] = _with(channels[second], other)
    elif fault == "points exchanged":
        first, second = vibration
        channels[first], channels[second] = (
            replace(channels[second], name=POINTS[0]), replace(channels[first], name=POINTS[1])
        )  # fmt: skip
    elif fault == "clock not set":
        return replace(capture, measured_at=datetime(int(rng.choice([1970, 2000, 2080])), 1, 1, 2, tzinfo=UTC))
    elif fault in ("beside a running twin", "no pulses"):
        faint = float(rng.uniform(0.01, 0.05))
        for index, channel in enumerate(channels):
            noise = rng.standard_normal(channel.samples.size)
            if index in vibration:
                own = faint * channel.samples + 0.01 * noise if fault == "beside a running twin" else 0.02 * noise
                channels[index] = _with(channel, own)
            else:
                channels[index] = _with(channel, 0.02 * noise)
    return replace(capture, channels=tuple(channels))


def _with(channel: Channel, samples: np.ndarray) -> Channel:
    return replace(channel, samples=np.asarray(samples, dtype=np.float32), step=None, full_scale=None)


def measured(count: int, seed: int, *, faults: tuple[str, ...] = FAULTS, workers: int = 2) -> list[Trial]:
    """``count`` drives, each with every fault."""
    tags = sorted(FLEET)
    work = [(tags[number % len(tags)], seed + 10 * number, faults) for number in range(count)]
    return [trial for some in spread_out(trials, work, workers=workers) for trial in some]


def table(rows: list[Trial]) -> pd.DataFrame:
    """Per fault: captures, told, sent back, and the codes given."""
    frame = pd.DataFrame(
        [{"fault": r.fault, "told": r.told, "retake": r.verdict == "retake", "codes": r.codes} for r in rows]
    )
    grouped = frame.groupby("fault", sort=False)
    out = grouped.agg(captures=("told", "size"), told=("told", "mean"), retake=("retake", "mean"))
    out["codes"] = grouped["codes"].agg(
        lambda codes: ", ".join(sorted({one for line in codes for one in line.split()}))
    )
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--seed", type=int, default=400)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    rows = measured(given.count, given.seed, workers=given.workers)
    print(table(rows).to_string())
    for row in rows:
        if (row.fault == SOUND) == row.told:
            print("wrong:", row)


if __name__ == "__main__":
    main()
