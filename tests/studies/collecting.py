"""Faults of collecting at random strengths, each on a capture whose twin without it must be accepted.

``python -m tests.studies.collecting --source walk --count 48 --seed 400 --workers 2`` measures and prints the table;
``--faults`` and nothing behind it measures good captures alone.

The faults are made here, on samples, and share nothing with the checks. The drive is that of the fleet, simulated, or
one of ``tests/worlds/walk.py``, whose code knows nothing of the program; what a fault does to its samples is the
recorder's, the cable's or the technician's doing.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.studies.fleet import FLEET, life, spread_out
from tests.worlds import walk
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


def _dropped(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Packets of a radio link that never came, and of which nobody kept the place."""
    keep = np.ones(x.size, dtype=bool)
    for at in rng.integers(0, x.size, rng.integers(3, 9)):
        keep[at : at + int(rng.uniform(0.01, 0.04) * rate_hz)] = False
    return x[keep]


def _replayed(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """A ring buffer that was read too late: a block of some seconds ago."""
    size = int(rng.uniform(0.05, 0.5) * rate_hz)
    first = int(rng.uniform(0.05, 0.3) * x.size)
    again = int(rng.uniform(0.5, 0.9) * x.size)
    out = x.copy()
    out[again : again + size] = x[first : first + size]
    return out


def _bridged(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Packets that the receiver replaced by straight lines."""
    out = x.copy()
    for at in rng.integers(1, int(0.9 * x.size), rng.integers(3, 10)):
        size = int(rng.uniform(0.005, 0.05) * rate_hz)
        out[at : at + size] = np.linspace(out[at - 1], out[at + size], size)
    return out


def _by_hand(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """A probe pressed on by hand: it rings low, and the hand trembles."""
    rings_hz, damping = rng.uniform(1200, 2200), rng.uniform(0.04, 0.12)
    r = np.fft.rfftfreq(x.size, 1 / rate_hz) / rings_hz
    passed = (1 + 2j * damping * r) / (1 - r**2 + 2j * damping * r)
    time_s = np.arange(x.size) / rate_hz
    hand = sum(np.sin(2 * np.pi * hz * time_s + rng.uniform(0, 6)) for hz in rng.uniform(4, 12, 4))
    return np.fft.irfft(np.fft.rfft(x) * passed, x.size) + rng.uniform(0.02, 0.1) * hand


def _saturated(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """An amplifier that bends before it stops."""
    at = float(rng.uniform(0.2, 0.5)) * float(np.abs(x).max())
    return at * np.clip(1.1 * np.tanh(x / at), -1, 1)


def _settling(x: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    time_s = np.arange(x.size) / rate_hz
    return x + float(rng.uniform(3, 40)) * float(x.std()) * np.exp(-time_s / rng.uniform(1.0, 6.0))


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
    "clipped": _clipped, "soft mount": _soft_mount, "at rest": _noise_only, "packets lost": _dropped,
    "old block": _replayed, "filled by lines": _bridged, "by hand": _by_hand, "amplifier bends": _saturated,
    "settling": _settling,
}  # fmt: skip
ON_CAPTURES = (
    "one sensor twice", "copy at another gain", "points exchanged", "clock not set", "beside a running twin",
    "no pulses", "sample rate wrong",
)  # fmt: skip
SHORTENED = ("samples lost", "cut short", "packets lost")
STANDS = "stands by a pump"
"""Of machines of the walk alone: no pulse sensor."""
FAULTS = (*ON_SAMPLES, *ON_CAPTURES, STANDS)
SOUND = "no fault"


@dataclass(frozen=True, slots=True)
class Trial:
    """One capture, with its fault, and what the check said."""

    fault: str
    drive: str
    seed: int
    verdict: str
    codes: str
    points: int
    back: int
    """Points sent back."""

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


def _of_fleet(tag: str, seed: int, folder: Path) -> list[Capture]:
    """Two visits to a drive of the fleet, a month apart."""
    (folder / "drive.toml").write_text(_drive_toml(tag), encoding="utf-8")
    (folder / "route.toml").write_text(_route(tag), encoding="utf-8")
    plan = route_plan_of(folder / "route.toml").stops[0].plan
    fixed: dict[str, Any] = {
        "points": POINTS, "duration_s": plan.duration_s, "sample_rate_hz": plan.sample_rate_hz,
        "machine_seed": seed, "tachometer": True, "stray_shocks": 0,
    }  # fmt: skip
    visits = []
    for month in (0, 1):
        met = life(seed + 1000 * month, of="collecting", measured_at=START + timedelta(days=30 * month), **fixed)
        visits.append(simulate(FLEET[tag], [], seed=seed + 1000 * month, conditions=met))
    return [replace(one, drive=tag) for one in visits]


def _of_walk(seed: int, folder: Path, *, stands: bool) -> list[Capture]:
    """Visits to a machine of the walk: as usual twice, then standing."""
    one = walk.machine(seed)
    (folder / "drive.toml").write_text(one.toml(), encoding="utf-8")
    (folder / "route.toml").write_text(one.route(), encoding="utf-8")
    seconds = route_plan_of(folder / "route.toml").stops[0].plan.duration_s
    return [
        _capture(one, walk.visit(one, month, seconds, runs=month < 2), START + timedelta(days=30 * month))
        for month in range(3 if stands else 2)
    ]


def _capture(one: walk.Machine, taken: walk.Visit, when: datetime) -> Capture:
    rows = {**taken.channels} if taken.speed_rpm is None else {**taken.channels, "tacho": taken.pulses}
    channels = tuple(
        Channel(
            name=name, samples=np.asarray(row, dtype=np.float32), sample_rate_hz=taken.rate_hz,
            quantity="tachometer" if name == "tacho" else "acceleration",
            recorded_unit="V" if name == "tacho" else "m/s^2", pulses_per_rev=1.0 if name == "tacho" else None,
        )
        for name, row in rows.items()
    )  # fmt: skip
    noted = one.rpm if taken.speed_rpm is None else float(round(taken.speed_rpm))
    return Capture(source=Path("b.h5"), sha256="", channels=channels, drive=one.tag, measured_at=when, speed_rpm=noted)


def trials(work: tuple[str, int, tuple[str, ...]]) -> list[Trial]:
    """One drive visited twice; the second visit with each fault in turn and without any. Without a tag the drive is one
    of the walk."""
    tag, seed, faults = work
    out = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        visits = _of_fleet(tag, seed, folder) if tag else _of_walk(seed, folder, stands=STANDS in faults)
        earlier, now = visits[:2]
        route = folder / "route.toml"
        (folder / "before").mkdir()
        write_capture(earlier, folder / "before" / "a.h5", force=True)
        for fault in (SOUND, *faults):
            if fault == STANDS and tag:
                continue
            rng = np.random.default_rng([seed, 77, len(fault)])
            place = folder / fault.replace("/", "over").replace(" ", "_")
            place.mkdir()
            taken = visits[2] if fault == STANDS else _faulty(now, fault, rng)
            write_capture(taken, place / "b.h5", force=True)
            call = Round.of(route, place, folder / "before").checked(workers=1)
            for file in call.files:
                vibration = [point for point in file.points if point.point in POINTS]
                grades = [point.verdict for point in vibration] or ["retake"]
                said = {reason.code for point in vibration for reason in point.reasons if reason.verdict != "usable"}
                if fault in ("clock not set",) and any("not set" in remark for remark in file.remarks):
                    grades.append("limited")
                worst = next(grade for grade in ("retake", "limited", "twice", "accepted") if grade in grades)
                back = sum(grade == "retake" for grade in grades)
                out.append(Trial(fault, now.drive or "", seed, worst, " ".join(sorted(said)), len(vibration), back))
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
        if fault in SHORTENED:
            channels = [_with(channel, channel.samples[:shortest]) for channel in channels]
    elif fault == "sample rate wrong":
        off = 1 + float(rng.choice([-1, 1])) * float(rng.uniform(0.006, 0.05))
        channels = [replace(channel, sample_rate_hz=off * channel.sample_rate_hz) for channel in channels]
    elif fault in ("one sensor twice", "copy at another gain"):
        first, second = vibration
        gain = 1.0 if fault == "one sensor twice" else float(rng.uniform(0.3, 3.0))
        other = gain * channels[first].samples + 1e-4 * float(channels[first].samples.std()) * rng.standard_normal(
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


def measured(
    count: int, seed: int, *, faults: tuple[str, ...] = FAULTS, workers: int = 2, source: str = "fleet"
) -> list[Trial]:
    """``count`` drives of the fleet or of the walk, each with every fault; what was measured before Ctrl-C."""
    tags = sorted(FLEET) if source == "fleet" else [""]
    work = [(tags[number % len(tags)], seed + 10 * number, faults) for number in range(count)]
    rows: list[Trial] = []
    with suppress(KeyboardInterrupt):
        for some in spread_out(trials, work, workers=workers):
            rows += some
    return rows


def table(rows: list[Trial]) -> pd.DataFrame:
    """Per fault: captures, told, sent back, and the codes given."""
    frame = pd.DataFrame(
        [
            {"fault": r.fault, "told": r.told, "retake": r.verdict == "retake", "codes": r.codes, "points": r.points,
             "back": r.back}
            for r in rows
        ]
    )  # fmt: skip
    grouped = frame.groupby("fault", sort=False)
    out = grouped.agg(captures=("told", "size"), told=("told", "mean"), retake=("retake", "mean"),
                      points=("points", "sum"), back=("back", "sum"))  # fmt: skip
    out["codes"] = grouped["codes"].agg(
        lambda codes: ", ".join(sorted({one for line in codes for one in line.split()}))
    )
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--seed", type=int, default=400)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--source", choices=("fleet", "walk"), default="fleet")
    parser.add_argument("--faults", nargs="*", default=list(FAULTS), help="only these; none: good captures alone")
    given = parser.parse_args()
    rows = measured(
        given.count, given.seed, workers=given.workers, source=given.source, faults=tuple(given.faults)
    )  # fmt: skip
    print(table(rows).to_string())
    for row in rows:
        if (row.fault == SOUND) == row.told:
            print("wrong:", row)


if __name__ == "__main__":
    main()
