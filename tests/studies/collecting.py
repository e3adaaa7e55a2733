"""Faults of collecting at random strengths, each on a capture whose twin without it must be accepted.

``python -m tests.studies.collecting --source walk --count 48 --seed 400 --workers 2`` measures and prints the table;
``--faults`` and nothing behind it measures good captures alone.

What a fault does to samples is that of the practice round (``vibe.synth.samples.recorder_faults``), which shares
nothing with the checks; how strong it is is drawn here. The drive is that of the fleet, simulated, or
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
from typing import Any, Literal

import numpy as np
import pandas as pd

from tests.studies.fleet import FLEET, life, spread_out
from tests.worlds import walk
from vibe.core.capture import Capture, Channel
from vibe.flow.route.plan import route_plan_of
from vibe.flow.route.round import Round
from vibe.synth.samples import recorder_faults as faults
from vibe.synth.simulate import simulate
from vibe.synth.writers import write_capture

POINTS = ("input side radial", "output side radial")
START = datetime(2026, 5, 4, 8, tzinfo=UTC)
Array = faults.Array
Fault = Callable[[Array, float, np.random.Generator], Array]


def _wrapped(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return faults.overflowed(x, float(rng.uniform(0.25, 0.8)) * float(np.abs(x).max()))


def _spliced(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return faults.cut_out(x, int(rng.uniform(0.3, 0.7) * x.size), int(rng.uniform(0.1, 0.5) * rate_hz))


def _repeated(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return faults.repeated(x, x.size // 2, int(rng.uniform(0.02, 1.0) * rate_hz))


def _replayed(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """A ring buffer that was read too late: a block of some seconds ago."""
    first, again = (int(rng.uniform(*share) * x.size) for share in ((0.05, 0.3), (0.5, 0.9)))
    return faults.repeated(x, again, int(rng.uniform(0.05, 0.5) * rate_hz), first)


def _filled(how: Literal["zeros", "holds", "lines"], *, shortest_s: float) -> Fault:
    """Packets that never came, and what the receiver puts in their place."""

    def fill(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
        places = rng.integers(1, int(0.9 * x.size), rng.integers(2, 12)).tolist()
        return faults.filled(x, places, [int(rng.uniform(shortest_s, 0.05) * rate_hz) for _ in places], how)

    return fill


def _dropped(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """Packets of a radio link that never came, and of which nobody kept the place."""
    for at in rng.integers(0, int(0.9 * x.size), rng.integers(3, 9)):
        x = faults.cut_out(x, int(at), int(rng.uniform(0.01, 0.04) * rate_hz))
    return x


def _switched(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    factor = float(rng.choice([2.0, 10**0.5, 5.0, 10.0])) ** float(rng.choice([-1, 1]))
    return faults.switched(x, int(rng.uniform(0.2, 0.8) * x.size), factor)


def _by_hand(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """A probe pressed on by hand: it rings low, and the hand trembles."""
    time_s = np.arange(x.size) / rate_hz
    felt = faults.on_spring(x, rate_hz, float(rng.uniform(1200, 2200)), float(rng.uniform(0.04, 0.12)))
    hand = sum(np.sin(2 * np.pi * hz * time_s + rng.uniform(0, 6)) for hz in rng.uniform(4, 12, 4))
    return np.asarray(felt + rng.uniform(0.02, 0.1) * hand)


def _soft_mount(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    felt = faults.on_spring(x, rate_hz, float(rng.uniform(1500, 4000)), float(rng.uniform(0.03, 0.10)))
    return np.asarray(felt + 0.003 * rng.standard_normal(x.size))


def _saturated(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """An amplifier that bends before it stops."""
    at = float(rng.uniform(0.2, 0.5)) * float(np.abs(x).max())
    return at * np.clip(1.1 * np.tanh(x / at), -1, 1)


def _settling(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    time_s = np.arange(x.size) / rate_hz
    return x + float(rng.uniform(3, 40)) * float(x.std()) * np.exp(-time_s / rng.uniform(1.0, 6.0))


def _hum(mains_hz: float) -> Fault:
    def add(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
        heights = {1: 1.0, 3: rng.uniform(0.1, 0.4), 5: rng.uniform(0.05, 0.2), 7: 0.05}
        shares = {k: (float(height), float(rng.uniform(0, 6))) for k, height in heights.items()}
        exact_hz = mains_hz * (1 + rng.uniform(-5e-4, 5e-4))
        return faults.with_hum(x, rate_hz, exact_hz, float(rng.uniform(3, 30)), shares)

    return add


def _rectifier(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """Six pulses a period of the mains, on the screen of the cable; so much that the velocity at least doubles."""
    exact_hz = 6 * float(rng.choice([50.0, 60.0])) * (1 + rng.uniform(-5e-4, 5e-4))
    speeds = faults.integrated(x, rate_hz)
    doubled = 1e-3 * 2 * np.pi * exact_hz * float(speeds.std()) * 2**0.5 / float(x.std())
    shares = {k: (1 / k, float(rng.uniform(0, 6))) for k in range(1, 7)}
    return faults.with_hum(x, rate_hz, exact_hz, doubled * float(rng.uniform(1.8, 6.0)), shares)


def _cannot_follow(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return faults.slewed(x, float(rng.uniform(0.07, 0.15)))


def _radio(frames_hz: float, slots: int) -> Fault:
    """One to four bursts of 0.8 to 3 s, of a handset that reports to its network or is spoken into."""

    def send(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
        count, length_s = int(rng.integers(1, 5)), x.size / rate_hz
        bursts = [(float(rng.uniform(0, 0.8)) * length_s, float(rng.uniform(0.8, 3.0))) for _ in range(count)]
        return faults.keyed(x, rate_hz, frames_hz, slots, float(rng.uniform(3, 15)) * float(x.std()), bursts)

    return send


def _few_bits(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """As ``coarse``, in a file of sixteen bits that reach no farther than the samples."""
    coarse = _coarse(x, rate_hz, rng)
    fine = float(np.abs(coarse).max()) / 32_767
    return np.rint(coarse / fine) * fine


def _high_passed(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return faults.high_passed(x, rate_hz, float(rng.uniform(20, 120)))


def _times(factor: float) -> Fault:
    return lambda x, rate_hz, rng: x * factor


def _velocity(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return faults.integrated(x, rate_hz)


def _short(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return x[: int(rng.uniform(0.2, 0.8) * x.size)]


def _coarse(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    step = float(rng.uniform(0.4, 3.0)) * float(x.std())
    return np.rint(x / step) * step


def _clipped(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    at = float(rng.uniform(0.3, 0.8)) * float(np.abs(x).max())
    return np.clip(x, -at, at)


def _noise_only(x: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    return float(10 ** rng.uniform(-2.5, -1.4)) * rng.standard_normal(x.size)


ON_SAMPLES: dict[str, Fault] = {
    "overflow": _wrapped, "samples lost": _spliced, "buffer repeated": _repeated,
    "filled by zeros": _filled("zeros", shortest_s=0.002), "filled by holds": _filled("holds", shortest_s=0.002),
    "hum 50 Hz": _hum(50.0), "hum 60 Hz": _hum(60.0), "x 10": _times(10.0),
    "/ 10": _times(0.1), "/ 30": _times(1 / 30), "g as m/s2": _times(1 / 9.80665), "m/s2 as g": _times(9.80665),
    "mm/s2 as m/s2": _times(1000.0), "velocity": _velocity, "cut short": _short, "coarse": _coarse,
    "clipped": _clipped, "soft mount": _soft_mount, "at rest": _noise_only, "packets lost": _dropped,
    "old block": _replayed, "filled by lines": _filled("lines", shortest_s=0.005), "by hand": _by_hand,
    "amplifier bends": _saturated, "settling": _settling, "range switched": _switched, "rectifier": _rectifier,
    "high-pass": _high_passed, "slow amplifier": _cannot_follow, "radio GSM": _radio(26e3 / 120, 8),
    "radio TETRA": _radio(18 / 1.02, 4), "few bits": _few_bits,
}  # fmt: skip
LAST_MONTH = "file of last month"
ON_CAPTURES = (
    "one sensor twice", "copy at another gain", "points exchanged", "clock not set", "beside a running twin",
    "no pulses", "sample rate wrong", "stops meanwhile", LAST_MONTH,
)  # fmt: skip
OF_ALL_INPUTS = ("samples lost", "cut short", "packets lost")
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
    def stated(self) -> bool:
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
    tag, seed, names = work
    out = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        visits = _of_fleet(tag, seed, folder) if tag else _of_walk(seed, folder, stands=STANDS in names)
        earlier, now = visits[:2]
        route = folder / "route.toml"
        (folder / "before").mkdir()
        write_capture(earlier, folder / "before" / "a.h5", force=True)
        for fault in (SOUND, *names):
            if fault == STANDS and tag:
                continue
            rng = np.random.default_rng([seed, 77, len(fault)])
            place = folder / fault.replace("/", "over").replace(" ", "_")
            place.mkdir()
            if fault == LAST_MONTH:
                taken = replace(earlier, measured_at=now.measured_at)
            else:
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
        seed = int(rng.integers(2**31))
        for index, channel in enumerate(channels):
            if index in vibration or fault in OF_ALL_INPUTS:
                # What a recorder loses it loses on all its inputs at one time.
                drawn = np.random.default_rng(seed if fault in OF_ALL_INPUTS else [seed, index])
                x = ON_SAMPLES[fault](channel.samples.astype(np.float64), channel.sample_rate_hz, drawn)
                channels[index] = faults.with_samples(channel, x)
    elif fault == "sample rate wrong":
        off = 1 + float(rng.choice([-1, 1])) * float(rng.uniform(0.006, 0.05))
        channels = [replace(channel, sample_rate_hz=off * channel.sample_rate_hz) for channel in channels]
    elif fault in ("one sensor twice", "copy at another gain"):
        first, second = vibration
        gain = 1.0 if fault == "one sensor twice" else float(rng.uniform(0.3, 3.0))
        other = faults.copied(channels[first].samples.astype(np.float64), rng, gain)
        channels[second] = faults.with_samples(channels[second], other)
    elif fault == "points exchanged":
        first, second = vibration
        channels[first], channels[second] = (
            replace(channels[second], name=POINTS[0]), replace(channels[first], name=POINTS[1])
        )  # fmt: skip
    elif fault == "clock not set":
        return replace(capture, measured_at=datetime(int(rng.choice([1970, 2000, 2080])), 1, 1, 2, tzinfo=UTC))
    elif fault == "stops meanwhile":
        share, fades_s = float(rng.uniform(0.3, 0.8)), float(rng.uniform(0.05, 0.4))
        for index, channel in enumerate(channels):
            time_s = np.arange(channel.samples.size) / channel.sample_rate_hz
            left = np.exp(-np.maximum(time_s - share * time_s[-1], 0.0) / fades_s)
            # A pulse sensor sees the shaft turn until it stands, or nearly so.
            own = channel.samples * (left if index in vibration else left > 0.2)
            channels[index] = faults.with_samples(channel, own + 0.01 * rng.standard_normal(time_s.size))
    elif fault in ("beside a running twin", "no pulses"):
        faint = float(rng.uniform(0.01, 0.05))
        for index, channel in enumerate(channels):
            noise = rng.standard_normal(channel.samples.size)
            if index in vibration:
                own = faint * channel.samples + 0.01 * noise if fault == "beside a running twin" else 0.02 * noise
                channels[index] = faults.with_samples(channel, own)
            else:
                channels[index] = faults.with_samples(channel, 0.02 * noise)
    return replace(capture, channels=tuple(channels))


def measured(
    count: int, seed: int, *, names: tuple[str, ...] = FAULTS, workers: int = 2, source: str = "fleet"
) -> list[Trial]:
    """``count`` drives of the fleet or of the walk, each with every fault; what was measured before Ctrl-C."""
    tags = sorted(FLEET) if source == "fleet" else [""]
    work = [(tags[number % len(tags)], seed + 10 * number, names) for number in range(count)]
    rows: list[Trial] = []
    with suppress(KeyboardInterrupt):
        for some in spread_out(trials, work, workers=workers):
            rows += some
    return rows


def table(rows: list[Trial]) -> pd.DataFrame:
    """Per fault: captures, stated, sent back, and the codes given."""
    frame = pd.DataFrame(
        [
            {"fault": r.fault, "noticed": r.stated, "retake": r.verdict == "retake", "codes": r.codes,
             "points": r.points, "back": r.back}
            for r in rows
        ]
    )  # fmt: skip
    grouped = frame.groupby("fault", sort=False)
    out = grouped.agg(captures=("noticed", "size"), stated=("noticed", "mean"), retake=("retake", "mean"),
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
        given.count, given.seed, workers=given.workers, source=given.source, names=tuple(given.faults)
    )  # fmt: skip
    print(table(rows).to_string())
    for row in rows:
        if (row.fault == SOUND) == row.stated:
            print("wrong:", row)


if __name__ == "__main__":
    main()
