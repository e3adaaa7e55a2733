"""Pairs of captures of one drive, equal for equal numbers: one recording that comes twice, or two that only look alike.

A repeat shares shafts, meshes, roughness by angle, phase, mains, even a shaker's pseudo-chance; its noise is new. A
copy shares its noise, whatever was done to it: moved, scaled, played faster or backwards, filtered, buried, cut.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import signal as sp

from tests.quality.good_recordings import MACHINES, Floats, Machine, unit

POINTS = ("input side radial", "output side radial")


@dataclass(frozen=True)
class Take:
    """One capture: its points by name [m/s²], their rate, and how it is stored."""

    points: dict[str, Floats]
    rate_hz: float
    pulses: Floats | None = None
    form: str = "h5"
    step: float = 0.0  # of its numbers [m/s²]; a thousandth of its effective value unless given


@dataclass(frozen=True)
class Habit:
    """What the repeats of one kind share."""

    name: str
    noise: float = 0.5  # effective value of what is new each time, over that of what the angle decides
    same_phase: bool = False
    wander: float = 2e-4
    slow_table: float = 0.0  # roughness by the output's angle, over that by the input's
    steps: float = 1000.0  # steps of the converter per effective value
    lines: float = 0.0  # mains and carrier, in the same phase each time
    chance: float = 0.0  # the same pseudo-chance of a shaker, or siren, each time
    pattern: float = 0.0  # what the recorder itself adds to each recording
    knock: float = 0.0  # one knock at one time
    clip: float = 0.0  # effective values at which the input is full
    siren: float = 0.0
    pulses: bool = True
    machine: int = 0


HABITS = (
    Habit("another hour"), Habit("same phase", same_phase=True), Habit("in step, same phase", 0.3, True, 0.0),
    Habit("in step, same phase, quiet", 0.03, True, 0.0, machine=1),
    Habit("slow output from its index, quiet", 0.05, True, 0.0, 1.0, machine=4),
    Habit("slow output from its index", 0.3, True, 0.0, 3.0, machine=4),
    Habit("few counts, in step, same phase", 0.02, True, 0.0, steps=1.5, machine=2),
    Habit("shaker of pseudo-chance", 0.3, True, chance=3.0),
    Habit("shaker of pseudo-chance, faint", 0.5, chance=0.3, machine=3),
    Habit("mains and carrier", 0.1, True, lines=10.0), Habit("pattern of the recorder", 0.3, pattern=0.1, machine=1),
    Habit("one knock", 0.3, knock=40.0, machine=5), Habit("input full", 0.2, True, 0.0, clip=1.0),
    Habit("siren", 0.3, True, siren=4.0, machine=6), Habit("nearly at rest, mains", 30.0, lines=20.0, pulses=False),
)  # fmt: skip


def take(habit: Habit, moment: int, seconds: float = 8.0, rate: float = 12_800.0) -> Take:
    """A capture of a drive at a moment; other moments differ in what the habit leaves open."""
    machine: Machine = MACHINES[habit.machine]
    fixed, new = np.random.default_rng([21, habit.machine]), np.random.default_rng([22, habit.machine, moment])
    n = round(seconds * rate)
    t = np.arange(n) / rate
    knots = np.arange(0, seconds + 1, 0.5)
    walk = np.interp(t, knots, new.normal(size=knots.size)) * habit.wander
    start = 0.0 if habit.same_phase else float(new.uniform(0, machine.lobes))
    turns = start + np.cumsum(machine.speed_rpm / 60 * (1 + walk)) / rate
    body, count = machine.turns(turns), machine.counters(turns)
    tables = fixed.normal(size=(3, 2**15))
    grid = np.arange(2**15) / 2**15
    force = np.interp(count["eccentric"] % 1, grid, tables[0], period=1)
    force += np.interp(count["lobe"] % 1, grid, tables[1], period=1)
    slow = np.interp(body["output"] % 1, np.arange(2**18) / 2**18, fixed.normal(size=2**18), period=1)
    force = unit(force) + habit.slow_table * unit(slow)
    for h, phase in zip((1, 2, 3, 4), fixed.uniform(0, 6, 4), strict=True):
        force += 2.0 / h * np.cos(2 * np.pi * h * count["mesh"] + phase)
    out = {}
    for point in POINTS:
        hz, sizes = np.geomspace(400, 0.4 * rate, 8) * fixed.uniform(0.9, 1.1, 8), fixed.normal(size=8)
        u = np.arange(round(0.03 * rate)) / rate
        path = (sizes[:, None] * np.exp(-0.2 * hz[:, None] * u) * np.sin(2 * np.pi * hz[:, None] * u)).sum(0)
        x = unit(sp.fftconvolve(force, path)[:n])
        x = x + habit.noise * (unit(sp.fftconvolve(new.normal(size=n), path)[:n]) + 0.2 * new.normal(size=n))
        mains = enumerate((50, 100, 150, 300, 600, 2950, 3000, 3050, 4000))
        lines = sum(np.cos(2 * np.pi * f * t + k) for k, f in mains)
        x += habit.lines * 0.3 * np.asarray(lines)
        if habit.chance:
            lag = 0 if habit.same_phase else int(new.integers(0, n))
            same = np.random.default_rng([23, habit.machine]).normal(size=n)
            x += habit.chance * unit(sp.fftconvolve(np.roll(same, lag), path)[:n])
        x += habit.siren * np.cos(2 * np.pi * (900 * t + 300 / (2 * np.pi * 0.5) * np.sin(2 * np.pi * 0.5 * t)))
        if habit.pattern:
            own = np.random.default_rng([24]).normal(size=4096)
            x += habit.pattern * np.resize(own, n)
        x[n // 3 : n // 3 + path.size] += habit.knock * path / np.abs(path).max()
        if habit.clip:
            x = np.clip(x, -habit.clip * np.std(x), habit.clip * np.std(x))
        out[point] = x
    pulses = ((turns % 1) < 0.1) * 5.0 if habit.pulses else None
    return Take(out, rate, pulses, step=1.0 / habit.steps)


TAKES_OF_A_KIND = 5
REPEATS = len(HABITS) * TAKES_OF_A_KIND * (TAKES_OF_A_KIND - 1) // 2


def repeat(number: int) -> tuple[str, Take, Take]:
    """True repeats of a number below REPEATS: their kind and the two captures."""
    ways = [(i, j) for i in range(TAKES_OF_A_KIND) for j in range(i)]
    habit, (i, j) = HABITS[number // len(ways) % len(HABITS)], ways[number % len(ways)]
    return habit.name, take(habit, i), take(habit, j)


Change = Callable[[Floats, np.random.Generator, Floats], Floats]


def played(ratio: float) -> Change:
    """Played at another speed."""
    return lambda x, _rng, _o: np.interp(np.arange(0, x.size - 1, ratio), np.arange(x.size), x)


def warped(size: float) -> Change:
    """Played at a speed that sways by a share."""

    def make(x: Floats, _rng: np.random.Generator, _o: Floats) -> Floats:
        k = np.arange(x.size) * 0.98
        return np.asarray(np.interp(k + size * x.size / 12 * (1 - np.cos(k / x.size * 12)) / 1.0, np.arange(x.size), x))

    return make


def noisy(share: float) -> Change:
    """With noise of its own, by its effective value over that of the capture."""
    return lambda x, rng, _o: x + share * float(np.std(x)) * rng.normal(size=x.size)


def passed(kind: Literal["lowpass", "highpass", "bandpass"], *hz: float) -> Change:
    """Filtered."""
    band = np.array(hz) if len(hz) > 1 else hz[0]
    return lambda x, _rng, _o: np.asarray(sp.sosfilt(sp.butter(4, band, kind, fs=12_800, output="sos"), x))


def stepped(steps: float) -> Change:
    """In coarser steps, by their number per effective value."""
    return lambda x, _rng, _o: np.rint(x / np.std(x) * steps) / steps * float(np.std(x))


def mixed(share: float) -> Change:
    """Mixed with a share of another moment."""
    return lambda x, _rng, o: (1 - share) * x + share * o[: x.size]


def pieces(count: int) -> Change:
    """Cut in pieces that are joined in another order."""
    return lambda x, rng, _o: np.concatenate([np.array_split(x, count)[k] for k in rng.permutation(count)])


def partly(share: float) -> Change:
    """A share of it, then another moment."""
    return lambda x, _rng, o: np.concatenate([x[-round(share * x.size) :], o[round(share * x.size) :]])


def without_lines(x: Floats, rng: np.random.Generator, _o: Floats) -> Floats:
    """All strong lines taken out, and put back in other phases."""
    z = np.fft.rfft(x)
    strong = np.abs(z) > 6 * np.median(np.abs(z))
    z[strong] *= np.exp(2j * np.pi * rng.uniform(size=int(strong.sum())))
    return np.asarray(np.fft.irfft(z, x.size))


def packed(x: Floats, _rng: np.random.Generator, _o: Floats) -> Floats:
    """Packed as music is: the stronger third of each short piece's spectrum."""
    _, _, z = sp.stft(x, nperseg=512)
    z[np.abs(z) < np.quantile(np.abs(z), 0.67, axis=0)] = 0
    return np.asarray(sp.istft(z)[1][: x.size])


def tumbled(x: Floats, _rng: np.random.Generator, _o: Floats) -> Floats:
    """Every other tenth turned over in sign."""
    return np.concatenate([p * (-1) ** k for k, p in enumerate(np.array_split(x, 10))])


def swelling(x: Floats, _rng: np.random.Generator, _o: Floats) -> Floats:
    """With a gain that swells and fades."""
    return np.asarray(x * np.exp(np.sin(np.arange(x.size) / x.size * 25)))


def both(*changes: Change) -> Change:
    """One change after another."""

    def make(x: Floats, rng: np.random.Generator, o: Floats) -> Floats:
        for change in changes:
            x = change(x, rng, o)
        return x

    return make


def moved(share: float) -> Change:
    """Begun later by a share of its length, and ended by what came then."""
    return lambda x, _rng, _o: x[round(share * x.size) :]


def louder(gain: float) -> Change:
    """With another gain."""
    return lambda x, _rng, _o: gain * x


def backwards(x: Floats, _rng: np.random.Generator, _o: Floats) -> Floats:
    """Played backwards."""
    return x[::-1].copy()


CHANGES: tuple[tuple[str, Change], ...] = (
    ("moved by a hundredth", moved(0.01)), ("moved by a third", moved(0.33)), ("the last fifth", moved(0.8)),
    ("louder", louder(1.37)), ("turned over", louder(-0.8)), ("backwards", backwards),
    ("at speed 1.0003", played(1.0003)),
    ("at speed 1.01", played(1.01)), ("at speed 0.971", played(0.971)), ("at speed 1.06", played(1.06)),
    ("swaying by a thousandth", warped(0.001)), ("swaying by a hundredth", warped(0.01)),
    ("noise of a tenth", noisy(0.1)),
    ("noise of half", noisy(0.5)), ("noise as strong", noisy(1.0)), ("noise of three", noisy(3.0)),
    ("below 2 kHz", passed("lowpass", 2000.0)), ("above 1.5 kHz", passed("highpass", 1500.0)),
    ("from 900 to 1 400 Hz", passed("bandpass", 900.0, 1400.0)), ("eight steps", stepped(2.0)),
    ("two steps", stepped(0.6)),
    ("mixed with a third", mixed(0.33)), ("mixed with two thirds", mixed(0.67)), ("in 5 pieces", pieces(5)),
    ("in 60 pieces", pieces(60)), ("a third of it", partly(0.33)), ("an eighth of it", partly(0.125)),
    ("other phases of its lines", without_lines), ("packed", packed), ("signs in turn", tumbled),
    ("swelling", swelling),
    ("backwards, faster, noise", both(backwards, played(1.012), noisy(0.4))),
    ("moved, louder, filtered", both(moved(0.2), louder(2.0), passed("bandpass", 400.0, 3000.0))),
    ("turned over, eight steps, slower", both(louder(-1.0), stepped(2.0), played(0.99))),
)  # fmt: skip
WAYS = ("points exchanged", "one point only", "as CSV", "as WAV", "at 10 kHz", "at 25.6 kHz", "as the other point")
COPIES = 2 * len(CHANGES) + len(WAYS)
BURIED = frozenset((27, 30, 31, 39, 63, 67))  # copies whose noise lies 15 dB or more below what was added


def copy(number: int) -> tuple[str, Take, Take]:
    """A recording and its copy, of a number below COPIES: what was done, and the two captures."""
    rng = np.random.default_rng([25, number])
    habit = HABITS[(0, 2, 1, 9)[number % 4]]
    first, other = take(habit, 100 + number), take(habit, 300 + number)
    a, b = POINTS
    if number < 2 * len(CHANGES):
        name, change = CHANGES[number // 2]
        state = rng.integers(2**31)
        points = {p: change(first.points[p], np.random.default_rng(state), other.points[p]) for p in POINTS}
        return name, first, replace(first, points=points, pulses=None)
    way = WAYS[number - 2 * len(CHANGES)]
    second = replace(first, pulses=None)
    if way == "points exchanged":
        second = replace(second, points={a: first.points[b], b: first.points[a]})
    elif way == "one point only":
        second = replace(other, points={a: other.points[a], b: first.points[b]}, pulses=None)
    elif way == "as the other point":
        second = replace(other, points={a: first.points[b], b: other.points[b]}, pulses=None)
    elif way in ("at 10 kHz", "at 25.6 kHz"):
        up, down = (25, 32) if way == "at 10 kHz" else (2, 1)
        points = {p: sp.resample_poly(x, up, down) for p, x in first.points.items()}
        second = replace(second, points=points, rate_hz=first.rate_hz * up / down)
    else:
        second = replace(second, form=way[3:].lower())
    return way, first, second
