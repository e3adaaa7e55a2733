"""Run-ups and coast-downs of drives among other things, by code of their own: the angle at every instant is known.

A drive is angles. Its eccentric meets the ring's pins one by one and presses each a little differently; discs creep
round beneath; wheels meet tooth by tooth. Errors are patterns on these angles, forces of mass grow with the square of
the speed, and all goes through one structure with its resonances, which stay where they are while lines cross them.
Speeds come from a motor's ramp or from the balance of inertia and friction. Around it: an inverter whose hum rises with
slip, a machine that runs on at one speed, a pump that slows down at its own rate, a sister drive on another ramp.
Nothing here knows a tone, a speed search or ``vibe.synth``.
``python -m tests.worlds.sweeps --out DIR`` writes them, without pulses, and what is true of each.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RATE_HZ = 8_192.0
POINTS = ("ring", "output side")
LOBES = (6, 9, 11, 15, 17, 21, 29, 35, 43, 59, 71, 87, 119)
KINDS = (
    "linear", "s-shape", "steps", "friction", "drag", "stop", "reversal", "resonances", "hum", "steady machine",
    "other pump", "weak mesh", "rv", "gear first", "two discs off", "quiet", "sister", "cut short", "other drive",
    "still",
)  # fmt: skip
"""What is hard about a sweep. Of "other drive" the counts are not those of its file; of "still" nothing turns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One capture: what kind, of how many lobes, up or down."""

    kind: str
    seed: int
    lobes: int
    discs: int
    rpm: float
    seconds: float
    up: bool
    sun: int = 0
    wheel: int = 0

    @property
    def name(self) -> str:
        return f"{self.kind.replace(' ', '_')}-{self.seed}"

    @property
    def nominal_hz(self) -> float:
        return self.rpm / 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Made:
    """Rows of acceleration [m/s²], (points, n); the input's turns (n,), which go back in a reversal."""

    rows: Array
    turns: Array


def sweep_of(kind: str, seed: int) -> Sweep:
    """A drive and a way to take it through its speeds."""
    draw = np.random.default_rng([seed, *kind.encode()])
    return Sweep(
        kind=kind, seed=seed, lobes=int(draw.choice(LOBES)) if kind != "rv" else int(draw.integers(15, 45)),
        discs=int(draw.choice([1, 2, 2, 2, 3])), rpm=float(draw.choice([960.0, 1455.0, 1470.0, 1750.0])),
        seconds=float(draw.uniform(16.0, 40.0)), up=kind not in ("friction", "drag") and bool(draw.random() < 0.6),
        sun=int(draw.integers(10, 20)), wheel=int(draw.integers(24, 48)),
    )  # fmt: skip


def make(sweep: Sweep) -> Made:
    """All that its sensors feel."""
    draw = np.random.default_rng([sweep.seed, 7, *sweep.kind.encode()])
    time = np.arange(int(sweep.seconds * RATE_HZ)) / RATE_HZ
    speed = _speed(sweep, time, draw)
    turns = np.cumsum(speed) / RATE_HZ + draw.uniform()
    weak = {"weak mesh": 0.12, "quiet": 0.35}.get(sweep.kind, draw.uniform(0.5, 1.3))
    ways = [_structure(draw, many=12 if sweep.kind == "resonances" else 6) for _ in POINTS]
    force = _drive(sweep, turns, speed, weak, draw)
    if sweep.kind == "still":
        force = np.zeros_like(force)
    size = float(np.std(_through(force, ways[0]))) or 1.0
    rows = [_through(force, way) for way in ways]
    for place, row in enumerate(rows):
        row += _around(sweep, time, speed, size, draw, place)
        row += size * draw.uniform(0.08, 0.3) * draw.standard_normal(time.size)
        # Flow in pipes: low and wide.
        wide = np.cumsum(draw.standard_normal(time.size))
        wide -= np.convolve(wide, np.full(401, 1 / 401), mode="same")
        row += size * 0.15 * wide / wide.std()
    return Made(rows=np.array(rows), turns=turns)


# ── speeds ────────────────────────────────────────────────────────────────────────────────────────────────────────


def _speed(sweep: Sweep, time: Array, draw: np.random.Generator) -> Array:
    """Of the input [Hz], of either sign."""
    share = time / sweep.seconds
    top = sweep.nominal_hz * (1 + draw.uniform(-0.012, 0.012))
    low = draw.uniform(0.08, 0.25)
    ways: dict[str, Callable[[], Array]] = {
        "s-shape": lambda: low + (1 - low) * _smooth((share - 0.08) / 0.84),
        "steps": lambda: _steps(share, low, draw),
        "friction": lambda: _slowed(
            time, draw, dry=draw.uniform(0.005, 0.02), wet=draw.uniform(1.0, 2.2) / sweep.seconds
        ),
        "drag": lambda: _slowed(time, draw, dry=0.3 / sweep.seconds, square=draw.uniform(2.0, 5.0) / sweep.seconds),
        "stop": lambda: np.abs(np.interp(share, [0, 0.05, 0.42, 0.5, 0.58, 0.95, 1], [1, 1, 0, 0, 0, 1, 1])),
        "reversal": lambda: np.interp(share, [0, 0.08, 0.92, 1], [1, 1, -1, -1]),
        "cut short": lambda: low + (draw.uniform(0.6, 0.75) - low) * share,
    }
    usual = lambda: low + (1 - low) * np.clip((share - draw.uniform(0.0, 0.1)) / 0.85, 0, 1)  # noqa: E731
    run = ways.get(sweep.kind, usual)()
    if not sweep.up and sweep.kind not in ("friction", "drag"):
        run = run[::-1]
    # The load's torque is never quite the same.
    swing = 1 + 0.003 * np.sin(2 * np.pi * (time / draw.uniform(1.0, 4.0) + draw.uniform()))
    return np.asarray(top * run * swing)


def _smooth(share: Array) -> Array:
    clipped = np.clip(share, 0, 1)
    return np.asarray(clipped**2 * (3 - 2 * clipped))


def _steps(share: Array, low: float, draw: np.random.Generator) -> Array:
    """An inverter that is turned up step by step, each a ramp of its own."""
    count = int(draw.integers(4, 7))
    levels = np.linspace(low, 1.0, count)
    places = np.sort(np.concatenate([(np.arange(1, count)) / count, np.arange(1, count) / count + 0.06]))
    return np.interp(share, places, np.repeat(levels, 2)[1:-1])


def _slowed(time: Array, draw: np.random.Generator, *, dry: float, wet: float = 0.0, square: float = 0.0) -> Array:
    """Switched off after a moment: dry friction, oil, and a fan's drag, per second and of the nominal speed."""
    off, speed = draw.uniform(0.3, 1.5), np.ones(time.size)
    now, step = 1.0, 64 / RATE_HZ
    values, at = [], np.arange(0.0, time[-1] + step, step)
    for moment in at:
        values.append(now)
        if moment > off:
            now = max(0.0, now - step * (dry + wet * now + square * now**2))
    speed = np.interp(time, at, values)
    return np.asarray(speed)


# ── the drive ─────────────────────────────────────────────────────────────────────────────────────────────────────


def _drive(sweep: Sweep, turns: Array, speed: Array, weak: float, draw: np.random.Generator) -> Array:
    """Force of the whole drive at the input's angle."""
    share = np.abs(speed) / sweep.nominal_hz
    unbalance = draw.uniform(0.2, 1.5) * share**2 * np.cos(2 * np.pi * (turns + draw.uniform()))
    force = unbalance + 0.15 * share * _pattern(turns, 9, draw)  # Couplings, keyways, the motor's rotor.
    crank, lobes = turns, sweep.lobes
    if sweep.kind == "rv":
        ratio = 1 + (lobes + 1) * sweep.wheel / sweep.sun
        output = turns / ratio
        crank = -lobes * output
        meeting = (turns - output) * sweep.sun
        force = force + 0.5 * weak * share * (np.cos(2 * np.pi * meeting) + 0.4 * np.cos(4 * np.pi * meeting))
        force = force + 0.2 * share * _pattern(turns - output, 2 * sweep.sun, draw)
    if sweep.kind == "gear first":
        crank = -turns * sweep.sun / sweep.wheel
        meeting = turns * sweep.sun
        force = force + 0.5 * weak * share * (np.cos(2 * np.pi * meeting) + 0.4 * np.cos(4 * np.pi * meeting))
    pins = lobes + 1 + (sweep.kind == "other drive") * int(draw.choice([3, 4, 5]))
    teeth = pins - 1
    spin = crank / teeth
    uneven = draw.uniform(0.2, 0.5) if sweep.kind == "two discs off" else 0.06
    ring, disc_pattern = _table(2 * pins, draw), [_table(2 * teeth, draw) for _ in range(sweep.discs)]
    for disc in range(sweep.discs):
        at = crank + disc / sweep.discs
        size = 1 + uneven * (disc - (sweep.discs - 1) / 2)
        past = at + spin
        along = 1 + 0.12 * _read(ring, at) + 0.12 * _read(disc_pattern[disc], past)
        waves = weak * (0.6 * np.cos(2 * np.pi * pins * at + 0.7) + 0.25 * np.cos(4 * np.pi * pins * at))
        force = force + size * (0.3 + share) * (along + waves) * (0.5 + 0.3 * np.cos(2 * np.pi * at)) / sweep.discs
        force = force + 0.2 * (0.3 + share) * np.cos(2 * np.pi * 8 * past) / sweep.discs  # Output pins.
    return np.asarray(force)


def _table(orders: int, draw: np.random.Generator) -> Array:
    """Errors of one turn, as parts that are never quite alike make them."""
    parts = draw.standard_normal(orders) + 1j * draw.standard_normal(orders)
    spectrum = np.concatenate([[0.0], parts / np.arange(1, orders + 1) ** 0.6, np.zeros(2048 - orders)])
    table = np.fft.irfft(spectrum)
    return np.asarray(np.append(table, table[0]) / table.std())


def _read(table: Array, angle: Array) -> Array:
    return np.interp((angle % 1.0) * (table.size - 1), np.arange(table.size), table)


def _pattern(angle: Array, orders: int, draw: np.random.Generator) -> Array:
    return _read(_table(orders, draw), angle)


def _structure(draw: np.random.Generator, many: int) -> tuple[Array, Array, Array]:
    """Resonances [Hz], their damping, their sizes."""
    hz = np.exp(draw.uniform(np.log(18.0), np.log(3200.0), many))
    return hz, draw.uniform(0.015, 0.06, many), draw.uniform(0.3, 1.0, many) * draw.choice([-1, 1], many)


def _through(force: Array, way: tuple[Array, Array, Array]) -> Array:
    size = 2 ** int(np.ceil(np.log2(force.size + RATE_HZ)))
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    answer = np.full(hz.size, 0.05, dtype=complex)
    for f, damping, share in zip(*way, strict=True):
        answer += 0.25 * share * (hz / f) ** 2 / (1 - (hz / f) ** 2 + 2j * damping * hz / f)
    return np.asarray(np.fft.irfft(np.fft.rfft(force - force.mean(), size) * answer, size)[: force.size])


# ── around it ─────────────────────────────────────────────────────────────────────────────────────────────────────


def _around(sweep: Sweep, time: Array, speed: Array, size: float, draw: np.random.Generator, place: int) -> Array:
    """What is felt of other things, each a little otherwise at the second point."""
    row, kind = np.zeros(time.size), sweep.kind
    fixed = np.random.default_rng([sweep.seed, 11, *kind.encode()])  # The same at both points.
    powered = (sweep.up or kind in ("steps", "hum")) and kind != "still"
    slip = fixed.uniform(0.01, 0.05) * (1 + 0.3 * np.sin(2 * np.pi * time / 5.0))
    supply = np.cumsum(2 * np.abs(speed) * (1 + slip)) / RATE_HZ if powered else 50.0 * time
    hum = size * (2.0 if kind == "hum" else 0.15) * draw.uniform(0.6, 1.4)
    for times, share in ((2, 1.0), (4, 0.4), (6, 0.5), (12, 0.3)):
        row += hum * share * np.cos(2 * np.pi * (times * supply + draw.uniform()))
    if kind == "hum":
        for side in (-2, 2):  # Of a carrier that stays where it is.
            row += 0.5 * hum * np.cos(2 * np.pi * ((2000.0 + 0.0 * place) * time + side * supply))
    if kind in ("steady machine", "still"):
        turns = time * fixed.uniform(15.0, 29.0) * (1 + 2e-4 * np.sin(time))
        row += size * 1.2 * draw.uniform(0.6, 1.2) * _blades(turns, int(fixed.integers(3, 9)), fixed)
        row += size * 0.8 * _blades(1.618 * turns, int(fixed.integers(3, 9)), fixed)
    if kind == "other pump":
        start, tau = fixed.uniform(0, 4), fixed.uniform(6.0, 15.0)
        slowed: Array = fixed.uniform(20.0, 29.0) * np.exp(-np.clip(time - start, 0, None) / tau)
        slowed = slowed if fixed.random() < 0.5 else slowed[::-1]
        turns = np.cumsum(slowed) / RATE_HZ
        row += size * 1.2 * draw.uniform(0.6, 1.2) * _blades(turns, int(fixed.integers(3, 9)), fixed)
    if kind == "sister":
        ramp: Array = np.clip(time / sweep.seconds / fixed.uniform(0.6, 0.9), 0.15, 1.0)
        turns = np.cumsum(sweep.nominal_hz * 0.99 * (ramp if sweep.up else ramp[::-1])) / RATE_HZ
        other = _drive(sweep, turns, np.gradient(turns) * RATE_HZ, 0.8, fixed)
        felt = _through(other, _structure(fixed, 6))
        row += fixed.uniform(0.2, 1.2) * size * felt / felt.std()
    return row


def _blades(turns: Array, blades: int, draw: np.random.Generator) -> Array:
    """A rotor with blades: multiples of both."""
    row = np.zeros(turns.size)
    for times in range(1, 13):
        share = draw.uniform(0.2, 1.0) / times**0.5
        row += share * np.cos(2 * np.pi * (times * turns + draw.uniform()))
        row += 0.7 * share * np.cos(2 * np.pi * (times * blades * turns + draw.uniform()))
    return np.asarray(row / np.std(row))


# ── files ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def drive_file(sweep: Sweep) -> str:
    """What is ordered."""
    counts = f'lobes = {sweep.lobes}\nring_pins = {sweep.lobes + 1}\ndiscs = {sweep.discs}\nfixed = "ring"\n'
    head = (
        f'tag = "S-{sweep.seed}"\nname = "Reducer of a sludge pump"\n[input]\nspeed_rpm = {sweep.rpm:g}\n'
        f"speed_range_rpm = [{0.975 * sweep.rpm:g}, {1.025 * sweep.rpm:g}]\npower_kw = 5.5\n"
        f"[motor]\npoles = 4\nline_hz = {60 if sweep.rpm > 1500 else 50}\n"
    )
    if sweep.kind == "rv":
        return head + f'[[stage]]\nkind = "rv"\nsun_teeth = {sweep.sun}\nplanet_teeth = {sweep.wheel}\n{counts}'
    gear = f'[[stage]]\nkind = "gear pair"\ndriver_teeth = {sweep.sun}\ndriven_teeth = {sweep.wheel}\n'
    return (
        head
        + (gear if sweep.kind == "gear first" else "")
        + f'[[stage]]\nkind = "cycloidal"\noutput_pins = 8\n{counts}'
    )


def write(sweep: Sweep, folder: Path) -> Made:
    """Drive file and capture, without a pulse, and the true speed in steps of a tenth of a second."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{sweep.name}.toml").write_text(drive_file(sweep), encoding="utf-8")
    made = make(sweep)
    with h5py.File(folder / f"{sweep.name}.h5", "w") as file:
        file.attrs["drive"], file.attrs["measured_at"] = f"S-{sweep.seed}", "2026-05-04T08:00:00+01:00"
        for name, row in zip(POINTS, made.rows, strict=True):
            one = file.create_dataset(f"channels/{name}", data=row.astype(np.float32))
            one.attrs.update(sample_rate_hz=RATE_HZ, unit="m/s^2", quantity="acceleration")
    speed = np.gradient(made.turns) * RATE_HZ
    (folder / f"{sweep.name}.json").write_text(json.dumps(speed[:: int(RATE_HZ / 10)].round(4).tolist()))
    return made


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--out", type=Path, required=True)
    asked.add_argument("--seeds", type=int, nargs=2, default=(1, 3))
    given = asked.parse_args()
    for kind in KINDS:
        for seed in range(*given.seeds):
            write(sweep_of(kind, seed), given.out)


if __name__ == "__main__":
    main()
