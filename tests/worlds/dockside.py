"""A dock: cranes, winches, capstans, conveyors, gates and lashing robots, and all that strikes in step with them.

Sixty kinds, each of them twice, with machines, speeds, levels, paths and sensors of their own every time. Most sound
drives run next to something whose events fall near tones of their bearings; half of the damaged ones do too. What
breaks is made in ``dock_bench.py`` from angles of bodies, what stands around in ``dock_berth.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from tests.worlds.case import WorldCase
from tests.worlds.dock_bench import (
    COARSE_HZ,
    Strikes,
    Turning,
    bearing_strikes,
    body_strikes,
    bumps,
    disc_strikes,
    looked_up,
)
from tests.worlds.dock_berth import (
    ECCENTRIC,
    INPUT,
    OUTPUT,
    SECOND,
    Berth,
    a_drive,
    berth,
    brake,
    coupling,
    fan,
    finished,
    passed,
    plain,
    rotor,
    running,
    shaft_table,
    shocks,
    sister,
    struck,
    turned_by_output,
    whistle,
)

COUNT = 120
SPROCKET = "sprocket_teeth = {count}"


# ------------------------------------------------ sound captures
def loudness(rng: np.random.Generator) -> float:
    """Of what stands around, in the half octave where it is clearest: faint to loud."""
    return float(rng.uniform(-8, 12))


def near_output(
    rng: np.random.Generator, low: int, high: int, part: str = "outer_race"
) -> tuple[int, dict[str, tuple[str, float]]]:
    """A count of events per output turn, and an output bearing of which a part has nearly as many."""
    count = int(rng.integers(low, high + 1))
    return count, {OUTPUT: (part, float(count))}


def sound_alone(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """Nothing near; meshes from faint to loud."""
    return finished(
        berth(rng, form=str(rng.choice(["single", "turning ring", "double"])), tonal_db=(-12, 8)), "sound", kind
    )


def sound_output(
    rng: np.random.Generator, kind: str, declared: bool, *, low: int, high: int, name: str, part: str = "outer_race",
    even: bool = True, entry: str = "per_turn = [{count}]", form: str = "single", lobes: tuple[int, int] = (9, 35),
    lasts_s: float = 4e-4, hunting: float = 0.0, jitter: float = 2e-3, times: int = 1,
) -> WorldCase:  # fmt: skip
    """``low`` to ``high`` events per output turn, as many as a part of the output bearing has; with ``times`` 2 twice
    as many, of which every second is stronger, as links of a chain make."""
    count, near = near_output(rng, low, high, part)
    count *= times
    here = berth(rng, form=form, lobes=lobes, near=near, hunting=hunting)
    turned_by_output(here, name, count, even=even, level_db=loudness(rng), entry=entry, lasts_s=lasts_s, jitter=jitter,
                     alternate=times == 2)  # fmt: skip
    return finished(here, "sound", kind, declared=declared)


def sound_flow(
    rng: np.random.Generator, kind: str, declared: bool, *, low: int, high: int, name: str, entry: str
) -> WorldCase:
    count = int(rng.integers(low, high + 1))
    near = {OUTPUT: ("outer_race", float(2 * count))} if 2 * count >= 5 else {}
    here = berth(rng, lobes=(7, 29), near=near)
    passed(here, here.out, 1 + rng.normal(0, 0.2, count), loudness(rng), noisy=rng.uniform(0.3, 0.9), high_hz=2500)
    here.tables.append(shaft_table(name, entry.format(count=count), here.drive.last))
    return finished(here, "sound", kind, declared=declared)


def sound_slewing(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """A pinion on the output turns a ring on balls: they pass the loaded place nearly as often as elements pass in the
    output bearing."""
    teeth, ring_teeth = int(rng.integers(13, 19)), int(rng.integers(90, 140))
    balls = int(rng.integers(70, 131))
    per_turn = balls * 0.49 * teeth / ring_teeth
    near = {OUTPUT: ("outer_race", per_turn)} if 5 <= per_turn <= 11 else {}
    here = berth(rng, lobes=(9, 25), near=near)
    level = loudness(rng)
    turned_by_output(here, "slewing pinion", teeth, even=True, level_db=level - 4)
    heights = rng.lognormal(0, 0.3, balls)
    places = np.arange(balls) / balls
    strikes = body_strikes(
        rng, here.turning, here.out * per_turn / balls, places=list(places), heights=list(heights), jitter=2e-4
    )
    struck(here, strikes, level, high_hz=2000, lasts_s=6e-4)
    return finished(here, "sound", kind, declared=declared)


def sound_joint(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """The joint of a belt thuds over its drums, two of them, once per turn of the belt."""
    here = berth(rng, lobes=(9, 21), seconds=(14, 32), most_rate_hz=21e3)
    share = rng.uniform(0.12, 0.6)
    strikes = body_strikes(
        rng, here.turning, here.out * share, places=[0.0, rng.uniform(0.4, 0.6)], heights=[1.0, rng.uniform(0.3, 0.9)],
        jitter=1e-3, scatter=0.2,
    )  # fmt: skip
    struck(here, strikes, loudness(rng), high_hz=1500, lasts_s=8e-4)
    return finished(here, "sound", kind)


def sound_flats(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """Flats of a crane's wheel on the output shaft, each at its place."""
    here = berth(rng, lobes=(9, 25))
    flats = int(rng.integers(1, 5))
    strikes = body_strikes(
        rng, here.turning, here.out, places=list(rng.uniform(0, 1, flats)), heights=list(rng.lognormal(0, 0.3, flats)),
        jitter=5e-4, scatter=0.2,
    )  # fmt: skip
    struck(here, strikes, loudness(rng), high_hz=2500)
    here.tables.append(
        shaft_table("travel wheel", f"per_turn = [1, {flats}]" if flats > 1 else "per_turn = [1]", here.drive.last)
    )
    return finished(here, "sound", kind, declared=declared)


def sound_buckets(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """A bucket every few links of a chain: no whole number per turn of its sprocket."""
    teeth, links = int(rng.integers(9, 20)), int(rng.integers(2, 5))
    here = berth(rng, lobes=(7, 21), near={OUTPUT: ("outer_race", max(5.0, teeth / 2))})
    level = loudness(rng)
    strikes = body_strikes(rng, here.turning, here.out * teeth / links, jitter=6e-3, scatter=0.3)
    struck(here, strikes, level, high_hz=1800, lasts_s=1e-3)
    turned_by_output(here, "bucket chain", teeth, even=True, level_db=level - 5, entry="sprocket_teeth = {count}")
    return finished(here, "sound", kind, declared=declared)


def near_input(rng: np.random.Generator, low: int, high: int) -> tuple[int, Berth]:
    """A count of events per input turn, and a drive with a bearing on the input or the eccentric of which a part has
    nearly as many."""
    count = int(rng.integers(low, high + 1))
    lobes = int(rng.integers(9, 44))
    if count >= 5 and rng.uniform() < 0.5:
        part = "outer_race" if count < 7 else "inner_race"
        return count, berth(rng, lobes=(lobes, lobes), near={ECCENTRIC: (part, count / (1 + 1 / lobes))})
    return count, berth(rng, near={INPUT: ("outer_race" if count < 5 else "inner_race", float(count))})


def sound_fan(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    blades, here = near_input(rng, 3, 7)
    fan(here, blades, loudness(rng))
    return finished(here, "sound", kind, declared=declared)


def sound_coupling(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    pegs, here = near_input(rng, 3, 7)
    coupling(here, pegs, loudness(rng))
    return finished(here, "sound", kind, declared=declared)


def sound_brake(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    places = int(rng.integers(1, 5))
    here = berth(rng, near={INPUT: ("outer_race", float(places))} if places >= 3 else {})
    brake(here, places, loudness(rng))
    return finished(here, "sound", kind, declared=declared)


def sound_sister(rng: np.random.Generator, kind: str, declared: bool, *, broken: bool, far: bool) -> WorldCase:
    here = berth(rng, lobes=(9, 43))
    off = rng.uniform(0.05, 0.3) if far else rng.uniform(0.006, 0.025)
    sister(here, off * rng.choice([-1, 1]), rng.uniform(-14, 2), broken=broken)
    return finished(here, "sound", kind, declared=declared)


def sound_rotor(rng: np.random.Generator, kind: str, declared: bool, *, name: str, parts: tuple[str, ...]) -> WorldCase:
    """A pump whose vanes, or a unit whose pistons, pass nearly as often as a tone of the input bearing."""
    here = berth(rng)
    bearing = here.drive.bearing(INPUT)
    slim = bearing.slimness
    per_turn = {
        "outer_race": bearing.elements / 2 * (1 - slim), "inner_race": bearing.elements / 2 * (1 + slim),
        "rolling_element": (1 - slim**2) / slim,
    }[str(rng.choice(parts))]  # fmt: skip
    tone = per_turn * here.speed_hz * (1 - rng.uniform(0, 0.02))
    counts = [count for count in (3, 5, 6, 7, 9) if 8 < tone / count < 60 and (count > 4 or name != "hydraulic unit")]
    count = int(rng.choice(counts))
    rotor(here, tone / count, count, loudness(rng), name=name)
    return finished(here, "sound", kind, declared=declared)


def sound_shocks(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    here = berth(rng)
    shocks(here, rng.uniform(0.3, 4), rng.uniform(0, 16))
    return finished(here, "sound", kind)


def sound_whistle(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    here = berth(rng)
    whistle(here, loudness(rng))
    return finished(here, "sound", kind)


def sound_hunting(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    return finished(berth(rng, hunting=rng.uniform(0.003, 0.02)), "sound", kind)


def sound_loud_other(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """A faint drive next to a loud winch of other make, one of whose bearings is broken."""
    here = berth(rng, tonal_db=(-8, 3))
    other, _ = a_drive(rng, "geared", lobes=(13, 31), near={}, mains=True)
    sister(here, rng.uniform(-0.25, 0.25), rng.uniform(0, 6), broken=True, drive=other)
    return finished(here, "sound", kind, declared=declared)


def sound_robot(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """A robot's drive, with a cable carrier whose links click as the arm goes round."""
    here = berth(rng, form="robot", seconds=(12, 24), most_rate_hz=26e3)
    strikes = body_strikes(rng, here.turning, here.out * rng.uniform(18, 30), jitter=0.02, scatter=0.4)
    struck(here, strikes, loudness(rng), low_hz=400, high_hz=5000, lasts_s=2e-4)
    return finished(here, "sound", kind)


# ------------------------------------------------ damaged captures
STRENGTHS_DB = ((-4.0, 0.0), (0.0, 5.0), (5.0, 11.0))
"""Just clear, clear, heavy: power of the impacts over all else in the half octave where they are clearest."""


def damage(here: Berth, part: str, where: str | int) -> tuple[str, ...]:
    """Breaks one part. ``where``: a bearing's name or a stage's number. Returns the tones that may be named."""
    rng, drive, turns = here.rng, here.drive, here.drive.turns()
    tones: tuple[str, ...]
    low, lasts = 900.0, rng.uniform(5e-5, 2e-4)
    if isinstance(where, str):
        strikes = bearing_strikes(
            rng, here.turning, turns, drive.bearing(where), part, rng.uniform(0, 0.015), jitter=rng.uniform(1e-3, 8e-3)
        )
        tones = (f"bearing.{where}.{part}",)
        if part == "cage":
            frames = ("inner",) if drive.bearing(where).load is None else ("load", "housing")
            tones += tuple(f"bearing.{where}.cage_past_{frame}" for frame in frames)
            lasts = rng.uniform(2e-4, 5e-4)
        if where == OUTPUT:
            low, lasts = 500.0, rng.uniform(1e-4, 4e-4)
    elif part in ("driver_tooth", "driven_tooth"):
        per_turn = 1.0 if part == "driver_tooth" else turns[f"stage{where}.driven"]
        strikes = body_strikes(rng, here.turning, per_turn, jitter=3e-4, scatter=0.15)
        tones = (f"stage{where}.{part}",) + (() if part == "driver_tooth" else (f"stage{where + 1}.ring_pin",))
    else:
        strikes = disc_strikes(rng, here.turning, turns, where, drive.stages[where - 1], part)
        twins = {"lobe": ("output_pin",), "output_pin": ("lobe",), "ring_pin": ()}[part]
        tones = tuple(f"stage{where}.{name}" for name in (part, *twins))
    if rng.uniform() < 0.4 and part != "cage":  # a spall has two edges
        gap = rng.uniform(5e-4, 2e-3)
        strikes = strikes.and_those_of(Strikes(strikes.times_s + gap, 0.6 * strikes.sizes))
    level = rng.uniform(*STRENGTHS_DB[int(rng.integers(3))])
    path = here.yard.path(low_hz=low, high_hz=0.44 * here.yard.rate_hz, damping=(0.01, 0.04), modes=6)
    here.yard.add_at(here.yard.through(here.yard.train(strikes), path, lasts_s=lasts), level, from_hz=300)
    inside = strikes.times_s[(strikes.times_s > 0) & (strikes.times_s < here.yard.length_s)]
    here.marks |= {"damage_db": float(level), "strikes_hz": inside.size / here.yard.length_s}
    return tones


Around = Callable[[Berth, int], None]


def around_fan(here: Berth, count: int) -> None:
    fan(here, count, loudness(here.rng))


def around_coupling(here: Berth, count: int) -> None:
    coupling(here, count, loudness(here.rng))


def around_brake(here: Berth, count: int) -> None:
    brake(here, count, loudness(here.rng))


def around_sprocket(here: Berth, count: int) -> None:
    even = bool(here.rng.uniform() < 0.5)
    turned_by_output(here, "chain", count, even=even, level_db=loudness(here.rng), entry=SPROCKET)


def around_lays(here: Berth, count: int) -> None:
    turned_by_output(here, "rope drum", count, even=True, level_db=loudness(here.rng), lasts_s=1e-3)


def around_flights(here: Berth, count: int) -> None:
    flights = -(-count // 2)
    passed(here, here.out, here.rng.uniform(0.8, 1.2, flights), loudness(here.rng), noisy=0.6, high_hz=2000)
    here.tables.append(shaft_table("screw", f"flights = {flights}", here.drive.last))


def around_sister(here: Berth, count: int) -> None:
    off = here.rng.choice([-1, 1]) * here.rng.uniform(0.005, 0.02)
    sister(here, float(off), here.rng.uniform(-14, 0), broken=False)


def around_unit(here: Berth, count: int) -> None:
    rotor(
        here, here.rng.uniform(23.8, 24.9), int(here.rng.choice([7, 9, 11])), loudness(here.rng), name="hydraulic unit"
    )


def around_shocks(here: Berth, count: int) -> None:
    shocks(here, here.rng.uniform(0.2, 1.5), here.rng.uniform(-5, 8))


def damaged(
    rng: np.random.Generator, kind: str, declared: bool, *, part: str, where: str | int, form: str = "single",
    lobes: tuple[int, int] = (9, 43), around: Around | None = None, seconds: tuple[float, float] = (8, 20),
    slow: bool = False,
) -> WorldCase:  # fmt: skip
    """``slow``: a part that needs a long record. What stands around has as many events as a sound part of a bearing."""
    near: dict[str, tuple[str, float]] = {}
    count = 0
    if around in (around_fan, around_coupling, around_brake):
        count = int(rng.integers(3, 5))
        near = {INPUT: ("outer_race", float(count))}
    elif around in (around_sprocket, around_lays, around_flights):
        count, near = near_output(rng, 6, 10)
    if slow:
        here = berth(rng, form=form, lobes=lobes, near=near, seconds=(14, 36), most_rate_hz=26e3)
    else:
        here = berth(rng, form=form, lobes=lobes, near=near, seconds=seconds)
    if around is not None:
        around(here, count)
    return finished(here, "damaged", kind, damaged=damage(here, part, where), declared=declared)


def damaged_tooth(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """A tooth of either wheel before the disc."""
    part = "driver_tooth" if rng.uniform() < 0.5 else "driven_tooth"
    return damaged(rng, kind, declared, part=part, where=1, form="geared", lobes=(9, 29))


# ------------------------------------------------ unusable captures
def unusable_stands(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """The drive stands; a pump and a ventilator run."""
    here = berth(rng, runs=False)
    rotor(here, rng.uniform(23.9, 24.9), int(rng.integers(5, 8)), rng.uniform(5, 20), name="bilge pump")
    rotor(here, rng.uniform(10, 16), int(rng.integers(8, 13)), rng.uniform(-5, 10), name="ventilator")
    return finished(here, "unusable", kind, declared=declared, speed=False)


def unusable_sister(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """The drive stands; one of the same make runs next to it, at a speed that this one never has."""
    here = berth(rng, runs=False, lobes=(11, 43))
    off = rng.choice([rng.uniform(-0.45, -0.2), rng.uniform(0.2, 0.4)])
    sister(here, float(off), rng.uniform(3, 20), broken=bool(rng.uniform() < 0.5))
    return finished(here, "unusable", kind, declared=declared, speed=False)


def unusable_other(rng: np.random.Generator, kind: str, declared: bool, *, geared: bool) -> WorldCase:
    """What runs is not the drive of the file: one of another ratio, or a gear unit without any disc."""
    here = berth(rng, runs=False, lobes=(11, 35))
    here.tables.clear()
    lobes = here.drive.stages[0].lobes
    level = 10 ** rng.uniform(-1, 0.3)
    if geared:
        rest = np.zeros(here.angle.size)
        shaft = 1.0
        for _ in range(3):
            first, second = int(rng.integers(13, 24)), int(rng.integers(40, 80))
            for teeth, turn in ((first, shaft), (second, shaft * first / second)):
                rest += looked_up(bumps(1 + 0.1 * rng.normal(size=teeth), 0.25), turn * here.angle)
            shaft *= first / second
        yard = here.yard
        made = yard.through(rest - np.mean(rest), yard.path(low_hz=150, high_hz=4000))
        yard.add(made, level / np.sqrt(yard.power(made)))
        hiss = yard.through(
            yard.noise(tilt=0.3), yard.path(low_hz=400, high_hz=0.45 * yard.rate_hz, damping=(0.05, 0.2))
        )
        yard.add(hiss, level * 10 ** rng.uniform(-0.4, 0.4) / np.sqrt(yard.power(hiss)))
    else:
        pins = here.drive.stages[0].pins
        others = [
            n
            for n in (11, 15, 17, 21, 25, 29, 35, 43)
            if abs(n / lobes - 1) > 0.12 and (n + 1) % pins and pins % (n + 1)
        ]
        count = int(rng.choice(others))
        stage = replace(here.drive.stages[0], lobes=count, pins=count + 1)
        running(here, replace(here.drive, stages=(stage,)), here.angle, level, rng.uniform(-6, 3))
    return finished(here, "unusable", kind)


def unusable_law(rng: np.random.Generator, kind: str, declared: bool, *, law: str) -> WorldCase:
    """A start at the end of a record or a stop at its beginning, a second or two long, or a crane inched to and fro."""
    here = berth(rng, runs=False, lobes=(11, 35), seconds=(5, 12))
    yard = here.yard
    times = np.arange(int((yard.length_s + 0.2) * COARSE_HZ) + 2) / COARSE_HZ
    if law == "inching":
        knots = np.arange(0, times[-1] + 2, rng.uniform(0.25, 0.5))
        shares = rng.uniform(-1, 1, knots.size) * (rng.uniform(size=knots.size) < 0.8)
        speed = here.speed_hz * np.interp(times, knots, shares)
    else:
        ramp = rng.uniform(0.9, 1.8)
        speed = here.speed_hz * np.clip((times - times[-1]) / ramp + 1, 0, 1) ** rng.uniform(0.7, 1.5)
        speed = speed[::-1].copy() if law == "stop" else speed
    here.turning = Turning.of(speed)
    here.angle = here.turning.at(yard.rate_hz, yard.count)
    before = {point: spectrum.copy() for point, spectrum in yard.picked_up.items()}
    running(here, here.drive, here.angle, 10 ** rng.uniform(-1, 0.3), rng.uniform(-6, 3))
    share = np.interp(np.arange(yard.count) / yard.rate_hz, times, np.abs(speed) / here.speed_hz)
    for point in yard.points:  # what turns slower is quieter
        moving = np.fft.irfft(yard.picked_up[point] - before[point], yard.count) * share**1.5
        yard.picked_up[point] = before[point] + np.fft.rfft(moving)
    return finished(here, "unusable", kind, speed=False)


def unusable_sensor(rng: np.random.Generator, kind: str, declared: bool, *, what: str) -> WorldCase:
    """A drive that runs, and a chain of measurement that shows nothing of it."""
    here = berth(rng, seconds=(6, 14))
    yard = here.yard
    good = yard.recorded(floor=1e-3)
    spoilt: dict[str, NDArray[np.float32]] = {}
    for point, samples in good.items():
        size, scale = samples.size, float(np.std(samples))
        times = np.arange(size) / yard.rate_hz
        if what == "dead":
            made = (
                2e-3 * rng.normal(size=size)
                + 4e-3 * np.cos(2 * np.pi * 50.02 * times)
                + 1e-3 * np.cos(2 * np.pi * 150.06 * times)
            )
        elif what == "cable":  # contact lost and found, the level jumps each time
            edges = np.sort(rng.integers(0, size, int(rng.uniform(12, 40) * times[-1])))
            steps = np.zeros(size)
            np.add.at(steps, edges, rng.normal(0, 30 * scale, edges.size))
            made = np.cumsum(steps) - np.mean(np.cumsum(steps)) + 0.05 * scale * rng.normal(size=size)
        elif what == "clipped":
            rail = rng.uniform(0.08, 0.2) * scale
            made = np.clip(samples, -rail, rail)
        elif what == "units":  # counts of a converter, called m/s²
            made = np.round(samples / scale * 2500) + 16384
        elif what == "jet":
            made = samples + scale * 10 ** rng.uniform(2.2, 2.7) * rng.normal(size=size)
        elif what == "hum":
            made = 1e-5 * samples + 3e-3 * scale * rng.normal(size=size)
            for multiple in range(1, 12):
                made = made + scale * 3 / multiple * rng.uniform(0.2, 1) * np.cos(
                    2 * np.pi * (50.01 * multiple * times + rng.uniform())
                )
        else:  # the recorder's memory was full
            made = samples.astype(float)
            made[int(rng.uniform(0.15, 0.4) * yard.rate_hz) :] = 0.0
        spoilt[point] = made.astype(np.float32)
    return finished(here, "unusable", kind, channels=spoilt)


def unusable_loose(rng: np.random.Generator, kind: str, declared: bool) -> WorldCase:
    """The clutch is open: the motor turns with its fan, nothing of the reducer does."""
    here = berth(rng, runs=False)
    yard = here.yard
    hiss = yard.through(yard.noise(tilt=0.4), yard.path(low_hz=300, high_hz=5000, damping=(0.05, 0.2)))
    yard.add(hiss, 10 ** rng.uniform(-1.5, 0) / np.sqrt(yard.power(hiss)))
    plain(here, np.cos(2 * np.pi * here.angle) + 0.3 * np.cos(4 * np.pi * here.angle), 10 ** rng.uniform(-2, -0.5))
    fan(here, int(rng.integers(5, 12)), rng.uniform(5, 15))
    rotor(here, here.speed_hz * rng.uniform(0.3, 0.9), int(rng.integers(3, 9)), rng.uniform(0, 10), name="belt pump")
    return finished(here, "unusable", kind, declared=declared)


# ------------------------------------------------ kinds
Maker = Callable[[np.random.Generator, str, bool], WorldCase]
KINDS: dict[str, Maker] = {
    "stands, pump and ventilator run": unusable_stands,
    "stands, sister runs at another speed": unusable_sister,
    "other ratio fitted": partial(unusable_other, geared=False),
    "gear unit fitted": partial(unusable_other, geared=True),
    "start": partial(unusable_law, law="start"),
    "stop": partial(unusable_law, law="stop"),
    "inching": partial(unusable_law, law="inching"),
    "dead sensor": partial(unusable_sensor, what="dead"),
    "broken cable": partial(unusable_sensor, what="cable"),
    "clipped": partial(unusable_sensor, what="clipped"),
    "counts for units": partial(unusable_sensor, what="units"),
    "air jet": partial(unusable_sensor, what="jet"),
    "hum alone": partial(unusable_sensor, what="hum"),
    "memory full": partial(unusable_sensor, what="memory"),
    "clutch open": unusable_loose,
    "sound, alone": sound_alone,
    "sound, even sprocket": partial(sound_output, low=7, high=10, name="chain", entry=SPROCKET),
    "sound, worn sprocket": partial(
        sound_output, low=7, high=12, part="inner_race", even=False, name="chain", entry=SPROCKET
    ),
    "sound, rope lays": partial(sound_output, low=5, high=9, name="rope drum", lasts_s=1e-3, jitter=8e-3),
    "sound, rack": partial(sound_output, low=8, high=14, part="inner_race", name="rack pinion", times=2),
    "sound, capstan": partial(sound_output, low=5, high=8, even=False, name="whelps", hunting=0.004, lasts_s=1e-3),
    "sound, gate rollers": partial(
        sound_output, low=5, high=11, even=False, name="gate rollers", form="turning ring", jitter=5e-3
    ),
    "sound, ratchet on geared drive": partial(
        sound_output, low=6, high=10, name="ratchet", form="geared", lobes=(7, 13), lasts_s=2e-4
    ),
    "sound, screw flights": partial(sound_flow, low=3, high=5, name="screw", entry="flights = {count}"),
    "sound, dredge blades": partial(sound_flow, low=3, high=5, name="dredge pump", entry="blades = {count}"),
    "sound, slewing ring": sound_slewing,
    "sound, belt joint": sound_joint,
    "sound, wheel flats": sound_flats,
    "sound, buckets": sound_buckets,
    "sound, fan": sound_fan,
    "sound, coupling": sound_coupling,
    "sound, brake": sound_brake,
    "sound, sister": partial(sound_sister, broken=False, far=False),
    "sound, broken sister": partial(sound_sister, broken=True, far=False),
    "sound, broken sister at another speed": partial(sound_sister, broken=True, far=True),
    "sound, hydraulic unit": partial(sound_rotor, name="hydraulic unit", parts=("inner_race", "rolling_element")),
    "sound, pump": partial(sound_rotor, name="ballast pump", parts=("outer_race",)),
    "sound, shocks": sound_shocks,
    "sound, whistle": sound_whistle,
    "sound, hunting": sound_hunting,
    "sound, loud broken winch": sound_loud_other,
    "sound, robot": sound_robot,
    "input outer race": partial(damaged, part="outer_race", where=INPUT),
    "input inner race, fan": partial(damaged, part="inner_race", where=INPUT, around=around_fan),
    "input element": partial(damaged, part="rolling_element", where=INPUT),
    "input cage, coupling": partial(damaged, part="cage", where=INPUT, around=around_coupling, seconds=(12, 30)),
    "eccentric outer race": partial(damaged, part="outer_race", where=ECCENTRIC),
    "eccentric inner race, sprocket": partial(damaged, part="inner_race", where=ECCENTRIC, around=around_sprocket),
    "eccentric element, unit": partial(damaged, part="rolling_element", where=ECCENTRIC, around=around_unit),
    "eccentric cage": partial(damaged, part="cage", where=ECCENTRIC, seconds=(12, 30)),
    "output outer race, shocks": partial(
        damaged, part="outer_race", where=OUTPUT, lobes=(7, 15), around=around_shocks, slow=True
    ),
    "output inner race": partial(damaged, part="inner_race", where=OUTPUT, lobes=(7, 15), slow=True),
    "output element, rope lays": partial(
        damaged, part="rolling_element", where=OUTPUT, lobes=(7, 13), around=around_lays, slow=True
    ),
    "ring pin": partial(damaged, part="ring_pin", where=1),
    "lobe, screw flights": partial(damaged, part="lobe", where=1, lobes=(9, 29), around=around_flights),
    "ring pin of a turning ring": partial(damaged, part="ring_pin", where=1, form="turning ring"),
    "output pin, sister": partial(damaged, part="output_pin", where=1, lobes=(9, 29), around=around_sister),
    "tooth of the pre-stage": damaged_tooth,
    "second eccentric bearing, brake": partial(
        damaged, part="outer_race", where=SECOND, form="double", lobes=(7, 13), around=around_brake, slow=True
    ),
    "robot crank bearing": partial(damaged, part="inner_race", where="crank bearing", form="robot", slow=True),
}


def kind_of(number: int) -> str:
    """Kinds are shuffled in each half."""
    half, place = divmod(number, len(KINDS))
    return list(KINDS)[np.random.default_rng((half, 7411)).permutation(len(KINDS))[place]]


def case(number: int) -> WorldCase:
    """The capture of a number, the same every time. Raises ValueError for numbers that are none."""
    if not 0 <= number < COUNT:
        raise ValueError(f"captures are numbered from 0 to {COUNT - 1}")
    rng = np.random.default_rng((number, 52_018))
    return KINDS[kind_of(number)](rng, kind_of(number), bool(rng.uniform() < 1 / 3))
