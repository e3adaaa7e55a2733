"""Pasts of a drive: eight captures of it sound, and a new one that is either sound and changed in a harmless way, or a
little damaged.

The drive is that of ``simple_drive.py``, which knows nothing of the project. It has faint combs of its own from the
beginning: pitch errors of its pins and lobes, and a race that is not quite even.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

from tests.quality.simple_drive import (
    DRIVE_TOML,
    NOMINAL_HZ,
    ORDERS,
    Place,
    Samples,
    comb_db,
    hits,
    lines,
    moved,
    noise,
    place,
    strength_for,
    turned,
)

RATE_HZ = 25_600.0
SECONDS = 8.0
EARLIER = 8
SIZES_DB = (3.0, 5.0, 8.0)
"""How far hits lift their comb over what is there without them, in an envelope spectrum that knows where to look."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """How a capture was taken and what the drive did. ``lines`` and ``noise`` are factors of amplitude, ``warmer`` of
    all resonances; ``neighbour``: another machine's lines and noise [m/s²]."""

    points: tuple[Place, ...]
    speed_hz: float = NOMINAL_HZ
    lines: float = 1.0
    noise: float = 1.0
    gain: float = 1.0
    warmer: float = 1.0
    own_hits: float = 1.0
    neighbour: float = 0.0
    neighbour_knocks: float = 0.0
    load_percent: float | None = None
    swapped: bool = False


Changed = Callable[[Condition, np.random.Generator], Condition]


def _speeds(by: float) -> Changed:
    return lambda c, rng: replace(c, speed_hz=c.speed_hz * by)


def _moved_away(c: Condition, rng: np.random.Generator) -> Condition:
    return replace(c, points=tuple(place(int(rng.integers(1 << 30))) for _ in c.points))


def _glued_again(c: Condition, rng: np.random.Generator) -> Condition:
    def glued(p: Place) -> Place:
        return replace(
            p, modes_hz=(*p.modes_hz, 6_300.0), damping=(*p.damping, 0.02), noise_gains=(*p.noise_gains, 1.5),
            hit_gains=(*p.hit_gains, 1.5),
        )  # fmt: skip

    return replace(c, points=tuple(map(glued, c.points)))


HARMLESS: tuple[tuple[str, Changed], ...] = (
    ("sensor at another place", _moved_away),
    ("gain 3 dB higher", lambda c, rng: replace(c, gain=c.gain * 10**0.15)),
    ("load 30 % higher, not noted", lambda c, rng: replace(c, lines=c.lines * 1.3, noise=c.noise * 1.15, own_hits=1.3)),
    ("speed 3 % higher", _speeds(1.03)),
    ("resonances 2 % lower", lambda c, rng: replace(c, warmer=c.warmer * 0.98)),
    ("a neighbour runs", lambda c, rng: replace(c, neighbour=0.15)),
    ("process noise 6 dB up", lambda c, rng: replace(c, noise=c.noise * 2)),
    ("points exchanged", lambda c, rng: replace(c, swapped=True)),
    ("glued again, resonance at 6.3 kHz", _glued_again),
    ("grease changed, noise 5 dB down", lambda c, rng: replace(c, noise=c.noise * 10**-0.25)),
    ("a neighbour knocks", lambda c, rng: replace(c, neighbour=0.08, neighbour_knocks=1.0)),
    ("load 30 % lower, noted",
     lambda c, rng: replace(c, lines=c.lines * 0.7, noise=c.noise * 0.9, own_hits=0.7, load_percent=55.0)),
)  # fmt: skip

COUNT = 2 * len(HARMLESS)
"""Even numbers are sound, odd ones damaged."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Past:
    """Captures in the order of time, the new one last: channels [m/s²] by point."""

    name: str
    part: str | None
    """Tone of the part that is damaged in the last one; None where that is sound."""
    size_db: float | None
    captures: tuple[dict[str, NDArray[np.float32]], ...]
    load_percent: tuple[float | None, ...]
    heard_db: tuple[float, ...] = field(default=())
    """Height of the damaged part's comb in each capture."""

    def written(self, folder: Path) -> tuple[Path, Path, Path]:
        """Drive file, folder of the earlier ones, and the new one."""
        drive = folder / "drive.toml"
        drive.write_text(DRIVE_TOML, encoding="utf-8")
        (folder / "earlier").mkdir()
        start = datetime(2026, 1, 10, 9, tzinfo=UTC)
        path = drive
        for number, (channels, load) in enumerate(zip(self.captures, self.load_percent, strict=True)):
            new = number == len(self.captures) - 1
            path = folder / "new.h5" if new else folder / "earlier" / f"{number}.h5"
            with h5py.File(path, "w") as file:
                file.attrs["drive"] = "XX-07"
                file.attrs["measured_at"] = (start + timedelta(days=30 * number)).isoformat()
                if load is not None:
                    file.attrs["load_percent"] = load
                for name, samples in channels.items():
                    data = file.create_dataset(f"channels/{name}", data=samples)
                    data.attrs.update(sample_rate_hz=RATE_HZ, unit="m/s^2", quantity="acceleration")
        return drive, folder / "earlier", path


def _sound(condition: Condition, rng: np.random.Generator) -> tuple[Samples, list[Samples]]:
    """Turns of the input, and each point of the drive sound."""
    turns = turned(rng, condition.speed_hz, RATE_HZ, SECONDS)
    count = turns.size
    out = []
    other = turned(rng, 16.4, RATE_HZ, SECONDS)
    for point in condition.points:
        at = moved(point, condition.warmer)
        x = condition.lines * lines(turns, at, shaft=0.2, mesh=0.4)
        x += noise(rng, at, RATE_HZ, count, process=0.25 * condition.noise, floor=0.01)
        uneven = np.random.default_rng(5)
        pitch = 1 + 0.05 * np.cos(2 * np.pi * turns) + 0.04 * np.cos(2 * np.pi * ORDERS["stage1.lobe"] * turns)
        rolling = noise(rng, at, RATE_HZ, count, process=0.08 * condition.noise, floor=0.0)
        race = ORDERS["bearing.eccentric bearing.outer_race"] * (1 - 0.003)
        x += rolling * (pitch + 0.3 * condition.own_hits * np.cos(2 * np.pi * race * turns + uneven.random()))
        if condition.neighbour:
            shaft = (
                np.cos(2 * np.pi * other) + 0.6 * np.cos(2 * np.pi * 31 * other) + 0.3 * np.cos(2 * np.pi * 62 * other)
            )
            x += condition.neighbour * (shaft + noise(rng, place(77), RATE_HZ, count, process=1.0, floor=0.0))
        if condition.neighbour_knocks:
            knocks = hits(rng, other, 4.37, place(78), RATE_HZ, slip=0.004)
            x += condition.neighbour_knocks * 0.6 * x.std() / knocks.std() * knocks
        out.append(condition.gain * x)
    return turns, out


def past(number: int, earlier: int = EARLIER) -> Past:
    """The past of that number, so many captures long."""
    which, damaged = number // 2, bool(number % 2)
    rng = np.random.default_rng((99, number))
    name, change = HARMLESS[which]
    points = tuple(place(1000 + 10 * number + n) for n in range(2 if name == "points exchanged" and not damaged else 1))
    noted = 85.0 if "noted" in name and "not noted" not in name and not damaged else None
    usual = Condition(points=points, load_percent=noted)
    part = list(ORDERS)[which % len(ORDERS)] if damaged else None
    size_db = SIZES_DB[which // len(ORDERS)] if damaged else None
    captures: list[dict[str, NDArray[np.float32]]] = []
    loads: list[float | None] = []
    heard = []
    for capture in range(earlier + 1):
        new = capture == earlier
        scatter = rng.normal(size=4)
        now = replace(
            usual, speed_hz=NOMINAL_HZ * (1 + 0.002 * scatter[0]), lines=1 + 0.06 * scatter[1],
            noise=10 ** (0.03 * scatter[2]), warmer=1 + 0.002 * scatter[3],
        )  # fmt: skip
        if new and not damaged:
            now = change(now, rng)
        turns, made = _sound(now, rng)
        if part is not None and size_db is not None:
            slip = 0.004 if part.startswith("bearing") else 0.0
            line_hz = now.speed_hz * ORDERS[part] * (1 - slip)
            if new:
                at = moved(points[0], now.warmer)
                before_db = comb_db(made[0], RATE_HZ, line_hz)
                struck = hits(rng, turns, ORDERS[part], at, RATE_HZ, slip=slip)
                made[0] = made[0] + strength_for(before_db + size_db, made[0], struck, RATE_HZ, line_hz) * struck
            heard.append(comb_db(made[0], RATE_HZ, line_hz))
        names = [f"point {n + 1}" for n in range(len(made))]
        if now.swapped:
            made = made[::-1]
        captures.append({name: x.astype(np.float32) for name, x in zip(names, made, strict=True)})
        loads.append(now.load_percent)
    label = f"{part}, {size_db:.0f} dB" if part else name
    return Past(
        name=label,
        part=part,
        size_db=size_db,
        captures=tuple(captures),
        load_percent=tuple(loads),
        heard_db=tuple(heard),
    )
