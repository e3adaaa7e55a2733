"""Drives of the dock at random, the records that are made of them, and what strikes, blows and runs around them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tests.worlds.case import Truth, WorldCase
from tests.worlds.dock_bench import (
    DockBearing,
    DockDrive,
    DockStage,
    Samples,
    Strikes,
    Turning,
    Yard,
    bearing_strikes,
    body_strikes,
    bumps,
    contact_forces,
    looked_up,
    steady,
)

NAMES = (
    "gantry travel", "mooring capstan", "lock gate", "grain conveyor", "slewing crane", "anchor winch", "bulk unloader",
    "lashing robot", "linkspan winch", "dock sluice", "ship loader boom", "fender hoist", "fish elevator",
)  # fmt: skip
INPUT, ECCENTRIC, SECOND, OUTPUT = "input bearing", "eccentric bearing", "second eccentric bearing", "output bearing"


# ------------------------------------------------ drives
def bearing_like(
    rng: np.random.Generator, name: str, inner: str, outer: str, *, elements: tuple[int, int], pitch_mm: float,
    load: str | None = None, near: tuple[str, float] | None = None,
) -> DockBearing:  # fmt: skip
    """A bearing; with ``near`` one of whose parts has about so many events per turn, off by a thousandth to 1.5 %."""
    choices = []
    wanted = 0.0 if near is None else near[1] * (1 + rng.choice([-1, 1]) * rng.uniform(0.001, 0.015))
    for count in range(elements[0], elements[1] + 1):
        if near is None:
            slim = rng.uniform(0.7, 0.9) * min(0.27, np.pi / count)
        elif near[0] == "outer_race":
            slim = 1 - 2 * wanted / count
        elif near[0] == "inner_race":
            slim = 2 * wanted / count - 1
        else:
            slim = np.sqrt(wanted**2 + 1) - wanted
        if 0.06 <= slim <= min(0.31, 0.94 * np.pi / count):
            choices.append((count, slim))
    if not choices:
        raise ValueError(f"no bearing of {elements} elements has {wanted:.3g} events per turn")
    count, slim = choices[rng.integers(len(choices))]
    return DockBearing(
        name=name, inner=inner, outer=outer, load=load, elements=count, pitch_mm=pitch_mm,
        element_mm=round(float(slim * pitch_mm), 3),
    )  # fmt: skip


def a_drive(
    rng: np.random.Generator, form: str, *, lobes: tuple[int, int] = (9, 59), near: dict[str, tuple[str, float]],
    mains: bool,
) -> tuple[DockDrive, float]:  # fmt: skip
    """A drive of a form, and the speed of its input [Hz]. ``near``: what a bearing's tone is to fall next to."""
    tooth = 2 if rng.uniform() < 0.1 else 1
    count = int(rng.integers(lobes[0], lobes[1] + 1))
    discs = 3 if rng.uniform() < 0.15 else 2
    disc = DockStage(
        lobes=count, pins=count + tooth, discs=discs, output_pins=int(rng.integers(6, 13)),
        turning_ring=form == "turning ring",
    )  # fmt: skip
    stages: tuple[DockStage, ...] = (disc,)
    if form == "geared":
        driver = int(rng.integers(14, 24))
        gears = DockStage(kind="gear pair", driver_teeth=driver, driven_teeth=int(driver * rng.uniform(1.4, 3.2)) | 1)
        stages = (gears, disc)
    elif form == "double":
        second = int(rng.integers(7, 14))
        stages = (disc, DockStage(lobes=second, pins=second + 1, output_pins=int(rng.integers(6, 10))))
    elif form == "robot":
        lobes_rv, sun = int(rng.choice([29, 35, 39, 41])), int(rng.integers(12, 22))
        stages = (
            DockStage(kind="rv", lobes=lobes_rv, pins=lobes_rv + 1, driver_teeth=sun,
                      driven_teeth=int(sun * rng.uniform(1.3, 2.4)), cranks=int(rng.choice([2, 3]))),
        )  # fmt: skip
    last = f"stage{len(stages)}."
    size = rng.uniform(0.8, 1.8)
    bearings = [
        bearing_like(
            rng, INPUT, "input", "housing", elements=(7, 12), pitch_mm=round(40 * size, 2), near=near.get(INPUT)
        )
    ]
    if form == "robot":
        bearings += [
            bearing_like(rng, "crank bearing", "stage1.crank", "stage1.disc", elements=(10, 16),
                         pitch_mm=round(28 * size, 2), load="stage1.crank", near=near.get("crank bearing")),
            bearing_like(rng, OUTPUT, "stage1.carrier", "housing", elements=(26, 40), pitch_mm=round(130 * size, 2),
                         near=near.get(OUTPUT)),
        ]  # fmt: skip
    else:
        names = [ECCENTRIC] if len(stages) == 1 or form == "geared" else [ECCENTRIC, SECOND]
        for name, number in zip(names, range(len(stages) - len(names) + 1, len(stages) + 1), strict=True):
            here = f"stage{number}."
            bearings.append(
                bearing_like(rng, name, here + "eccentric", here + "disc", elements=(10, 16),
                             pitch_mm=round(52 * size, 2), load=here + "eccentric", near=near.get(name))
            )  # fmt: skip
        if form == "geared":
            bearings.append(
                bearing_like(rng, "middle bearing", "stage1.driven", "housing", elements=(8, 12),
                             pitch_mm=round(50 * size, 2), near=near.get("middle bearing"))
            )  # fmt: skip
        elif rng.uniform() < 0.4 and form == "single":
            bearings.append(
                bearing_like(rng, "pilot bearing", "input", last + "output", elements=(7, 10),
                             pitch_mm=round(30 * size, 2), near=near.get("pilot bearing"))
            )  # fmt: skip
        bearings.append(
            bearing_like(rng, OUTPUT, last + "output", "housing", elements=(11, 24), pitch_mm=round(95 * size, 2),
                         near=near.get(OUTPUT))
        )  # fmt: skip
    poles, line = int(rng.choice([4, 4, 6])), 50.0
    if mains:
        synchronous = 120 * line / poles
        plate = round(synchronous * rng.uniform(0.955, 0.98))
        speed = synchronous * rng.uniform(plate / synchronous + 0.002, 0.992) / 60
        limits = (plate * 0.988, synchronous)
    else:
        speed = rng.uniform(11, 30)
        line = round(speed * poles / 2 / rng.uniform(0.96, 0.985), 1)
        plate = round(60 * speed * rng.uniform(0.985, 1.015))
        limits = (plate * 0.94, plate * 1.06)
    drive = DockDrive(
        tag=f"DK-{rng.integers(1, 90):02d}", name=str(rng.choice(NAMES)), stages=stages, bearings=tuple(bearings),
        rpm=plate, range_rpm=limits, kw=round(float(rng.uniform(0.75, 22)), 1), poles=poles, line_hz=line,
    )  # fmt: skip
    return drive, float(speed)


# ------------------------------------------------ a berth
@dataclass(eq=False)
class Berth:
    """A drive, its motion, and the record that is made of it."""

    rng: np.random.Generator
    drive: DockDrive
    speed_hz: float
    yard: Yard
    turning: Turning
    angle: Samples
    tables: list[str] = field(default_factory=list)
    marks: dict[str, float] = field(default_factory=dict)

    @property
    def out(self) -> float:
        """Turns of the output per turn of the input, whichever way."""
        return abs(self.drive.turns()[self.drive.last])


def berth(
    rng: np.random.Generator, *, form: str = "single", lobes: tuple[int, int] = (9, 59),
    near: dict[str, tuple[str, float]] | None = None, seconds: tuple[float, float] = (8, 20),
    most_rate_hz: float = 52e3, hunting: float = 0.0, tonal_db: tuple[float, float] = (-7, 4), runs: bool = True,
) -> Berth:  # fmt: skip
    """A drive that runs (or stands), recorded for ``seconds`` at one or two points. ``tonal_db``: power of what its
    meshes make over that of its noise."""
    drive, speed = a_drive(rng, form, lobes=lobes, near=near or {}, mains=hunting == 0 and rng.uniform() < 0.55)
    rates = [rate for rate in (5120, 8192, 10240, 12800, 20480, 25600, 32768, 51200) if rate <= most_rate_hz]
    rate = float(rng.choice(rates))
    lasts = rng.uniform(*seconds)
    if seconds == (8, 20) and rng.uniform() < 0.15:
        lasts = rng.uniform(4.5, 8) if rng.uniform() < 0.5 else rng.uniform(20, 40)
    points = ("input side",) if rng.uniform() < 0.6 else ("input side", "output side")
    yard = Yard(rng, rate, round(min(lasts, 380e3 / rate / len(points) ** 0.3), 2), points)
    drift = 10 ** rng.uniform(-4, -2.9)
    turning = steady(rng, yard.length_s + 0.2, speed, drift=drift, hunting=hunting, hunting_hz=rng.uniform(0.1, 0.7))
    here = Berth(rng, drive, speed, yard, turning, turning.at(rate, yard.count))
    dock = yard.through(yard.noise(tilt=rng.uniform(0.5, 1.5)), yard.path(low_hz=60, high_hz=2500, damping=(0.05, 0.3)))
    level = 10 ** rng.uniform(-1.3, 0.4)
    yard.add(dock, level * 10 ** rng.uniform(-1.3, -0.4) / np.sqrt(yard.power(dock)))
    if runs:
        running(here, drive, here.angle, level, rng.uniform(*tonal_db))
        hum = np.cos(2 * np.pi * 2 * drive.line_hz * np.arange(yard.count) / rate + rng.uniform(0, 6))
        plain(here, hum, level * 10 ** rng.uniform(-2.5, -1))
    return here


def plain(here: Berth, samples: Samples, rms: float) -> None:
    """Something that shakes all points alike."""
    made = [np.fft.rfft(samples) * here.rng.uniform(0.6, 1.0) for _ in here.yard.points]
    here.yard.add(made, rms / np.sqrt(here.yard.power(made)))


def running(
    here: Berth, drive: DockDrive, angle: Samples, level: float, tonal_db: float, *, joints_hz: float | None = None
) -> None:
    """What a sound drive makes: noise that swells a little with the load, meshes with errors, unbalance."""
    rng, yard, turns = here.rng, here.yard, drive.turns()
    near = 1.0 if joints_hz is None else rng.uniform(0.4, 1.0)
    path = yard.path(low_hz=400, high_hz=0.45 * yard.rate_hz, modes=9, damping=(0.04, 0.2), falls_from_hz=joints_hz)
    swell = 1 + rng.uniform(0.03, 0.25) * (looked_up(bumps(rng.uniform(0, 1, 16), 0.8), angle) - 0.5)
    past = turns["stage1.eccentric"] - turns["stage1.disc"] if "stage1.disc" in turns else 1.0
    swell += rng.uniform(0.0, 0.1) * np.cos(2 * np.pi * past * angle)
    noise = yard.through(yard.noise(tilt=rng.uniform(-0.3, 0.8)) * swell, path)
    yard.add(noise, level / np.sqrt(yard.power(noise)))
    force = contact_forces(rng, drive, angle, error=10 ** rng.uniform(-1.3, -0.5))
    lines = yard.through(
        force, yard.path(low_hz=150, high_hz=4000, damping=(0.01, 0.08), falls_from_hz=joints_hz, farther=near)
    )
    yard.add(lines, level * 10 ** (tonal_db / 20) / np.sqrt(yard.power(lines)))
    shaft = np.cos(2 * np.pi * angle) + rng.uniform(0.05, 0.6) * np.cos(2 * np.pi * (2 * angle + rng.uniform()))
    plain(here, shaft, level * 10 ** rng.uniform(-2, -0.7))


def finished(
    here: Berth, truth: Truth, kind: str, *, damaged: tuple[str, ...] = (), declared: bool = False,
    speed: bool = True, channels: dict[str, NDArray[np.float32]] | None = None,
) -> WorldCase:  # fmt: skip
    """The record, as a case."""
    rng, yard = here.rng, here.yard
    drive = replace(here.drive, around=tuple(here.tables) if declared else ())
    loudest = np.sqrt(2 * np.sum(np.abs(yard.picked_up[yard.points[0]]) ** 2)) / yard.count
    recorded = yard.recorded(floor=float(loudest * 10 ** rng.uniform(-3, -1.7))) if channels is None else channels
    mean = float((here.angle[-1] - here.angle[-yard.wanted]) / (yard.wanted - 1) * yard.rate_hz)
    noted = round(60 * here.speed_hz * rng.normal(1, 5e-4)) if rng.uniform() < 0.3 and truth != "unusable" else None
    pulses = None
    if truth != "unusable" and rng.uniform() < 0.12:
        turned = (here.angle % 1 < 0.06).astype(np.float32) * np.float32(4.7)
        pulses = (turned + rng.normal(0, 0.03, turned.size).astype(np.float32))[-yard.wanted :]
    return WorldCase(
        name=f"{kind} on {drive.tag}", kind=kind, truth=truth, drive_toml=drive.toml(), channels=recorded,
        sample_rate_hz=yard.rate_hz, speed_hz=mean if speed else None, noted_rpm=noted, pulses=pulses,
        damaged=damaged, marks=here.marks,
    )  # fmt: skip


# ------------------------------------------------ what stands around
def struck(
    here: Berth, strikes: Strikes, level_db: float, *, low_hz: float = 120, high_hz: float = 3000,
    lasts_s: float = 3e-4, damping: tuple[float, float] = (0.02, 0.1),
) -> None:  # fmt: skip
    """Blows of something outside, through the frame."""
    path = here.yard.path(low_hz=low_hz, high_hz=high_hz, damping=damping, modes=5, farther=here.rng.uniform(0.5, 1.6))
    here.yard.add_at(here.yard.through(here.yard.train(strikes), path, lasts_s=lasts_s), level_db)
    here.marks["around_db"] = level_db


def passed(here: Berth, per_turn: float, heights: Samples, level_db: float, *, noisy: float, high_hz: float) -> None:
    """Blades, flights or vanes that pass: even pushes, and noise that swells with them (``noisy``: share of it).
    ``per_turn``: turns of their shaft per turn of the input."""
    rng, yard = here.rng, here.yard
    force = looked_up(bumps(heights, rng.uniform(0.12, 0.25)), per_turn * here.angle + rng.uniform())
    force -= np.mean(force)
    hiss = yard.noise(tilt=0.5)
    mixed = (1 - noisy) * force / np.std(force) + noisy * hiss / np.std(hiss) * np.clip(
        1 + 0.9 * force / np.std(force), 0, None
    )
    yard.add_at(yard.through(mixed, yard.path(low_hz=90, high_hz=high_hz, damping=(0.03, 0.2))), level_db)
    here.marks["around_db"] = level_db


def shaft_table(name: str, entry: str, on: str) -> str:
    return f'[[driven]]\nname = "{name}"\non = "{on}"\n{entry}\n'


def turned_by_output(
    here: Berth, name: str, count: int, *, even: bool, level_db: float, entry: str = "per_turn = [{count}]",
    jitter: float = 2e-3, lasts_s: float = 4e-4, high_hz: float = 3000, alternate: bool = False,
) -> None:  # fmt: skip
    """So many blows per turn of the output, as teeth of a sprocket or a rack, whelps, lays, rollers, ratchets make."""
    rng = here.rng
    heights = rng.lognormal(0, 0.08 if even else 0.5, count)
    if alternate:
        heights[::2] *= 1.6
    places = (np.arange(count) + (0.0 if even else 1.0) * rng.normal(0, 0.06, count)) / count
    strikes = body_strikes(
        rng, here.turning, here.out, places=list(places), heights=list(heights), jitter=jitter / count * 4, scatter=0.2
    )
    struck(here, strikes, level_db, lasts_s=lasts_s, high_hz=high_hz)
    here.tables.append(shaft_table(name, entry.format(count=count), here.drive.last))


def fan(here: Berth, blades: int, level_db: float) -> None:
    heights = 1 + here.rng.normal(0, 0.06, blades)
    passed(here, 1.0, heights, level_db, noisy=here.rng.uniform(0.1, 0.5), high_hz=1500)
    here.tables.append(f'[[fitted]]\nname = "motor fan"\non = "input"\nfan_blades = {blades}\n')


def coupling(here: Berth, pegs: int, level_db: float) -> None:
    rng = here.rng
    places = list((np.arange(pegs) + rng.normal(0, 0.02, pegs)) / pegs)
    strikes = body_strikes(
        rng, here.turning, 1.0, places=places, heights=list(rng.lognormal(0, 0.35, pegs)), jitter=1.5e-3, scatter=0.3
    )
    struck(here, strikes, level_db, high_hz=5000, lasts_s=2e-4)
    here.tables.append(f'[[fitted]]\nname = "peg coupling"\non = "input"\ncoupling_elements = {pegs}\n')


def brake(here: Berth, places: int, level_db: float) -> None:
    """A disc brake that drags where its disc stands out."""
    rng, yard = here.rng, here.yard
    height = looked_up(bumps(rng.lognormal(0, 0.4, places), 0.12), here.angle + rng.uniform())
    scrape = yard.noise(tilt=0.0) * np.clip(height / np.max(height) - 0.25, 0, None)
    yard.add_at(yard.through(scrape, yard.path(low_hz=700, high_hz=9000)), level_db)
    here.marks["around_db"] = level_db
    here.tables.append(f'[[fitted]]\nname = "brake"\non = "input"\nper_turn = [{places}]\n')


def sister(here: Berth, off: float, level_db: float, *, broken: bool, drive: DockDrive | None = None) -> None:
    """A drive of the same make next to it, ``off`` by so much in speed (relative)."""
    rng, yard = here.rng, here.yard
    other = here.drive if drive is None else drive
    speed = here.speed_hz * (1 + off)
    turning = steady(rng, yard.length_s + 0.2, speed, drift=10 ** rng.uniform(-4, -3))
    level = float(np.sqrt(yard.power([yard.picked_up[yard.points[0]]]))) * 10 ** (level_db / 20)
    running(
        here, other, turning.at(yard.rate_hz, yard.count), level, rng.uniform(-6, 3), joints_hz=rng.uniform(900, 4000)
    )
    if broken:
        bearing = other.bearings[int(rng.integers(len(other.bearings) - 1))]
        part = str(rng.choice(["outer_race", "inner_race"]))
        strikes = bearing_strikes(rng, turning, other.turns(), bearing, part, rng.uniform(0, 0.012))
        struck(here, strikes, rng.uniform(-6, 5), low_hz=500, high_hz=5000, lasts_s=1.5e-4)
    here.marks["sister_off"] = float(off)
    low, high = sorted((60 * speed * 0.985, 60 * speed * 1.015))
    pins = next(stage.pins for stage in other.stages if stage.pins)
    here.tables.append(
        f'[[neighbour]]\nname = "sister drive"\nspeed_range_rpm = [{low:.0f}, {high:.0f}]\nper_turn = [1, {pins}]\n'
    )


def rotor(here: Berth, speed_hz: float, count: int, level_db: float, *, name: str, even: float = 0.1) -> None:
    """A pump or a hydraulic unit at a speed of its own, with so many vanes or pistons."""
    rng, yard = here.rng, here.yard
    turning = steady(rng, yard.length_s + 0.2, speed_hz, drift=10 ** rng.uniform(-4, -3.2))
    angle = turning.at(yard.rate_hz, yard.count)
    force = looked_up(bumps(1 + rng.normal(0, even, count), rng.uniform(0.06, 0.18)), angle)
    force -= np.mean(force)
    hiss = yard.noise(tilt=0.7)
    mixed = force / np.std(force) + rng.uniform(0.1, 1.0) * hiss / np.std(hiss) * (1 + 0.3 * force / np.std(force))
    yard.add_at(yard.through(mixed, yard.path(low_hz=120, high_hz=3500, damping=(0.02, 0.1))), level_db)
    here.marks["around_db"] = level_db
    low, high = 60 * speed_hz * 0.985, 60 * speed_hz * 1.015
    here.tables.append(
        f'[[neighbour]]\nname = "{name}"\nspeed_range_rpm = [{low:.0f}, {high:.0f}]\nper_turn = [1, {count}]\n'
    )


def shocks(here: Berth, per_second: float, level_db: float) -> None:
    """Containers set down, hatches, chains: at random."""
    rng, length = here.rng, here.yard.length_s
    count = max(3, int(rng.poisson(per_second * length)))
    struck(
        here, Strikes(rng.uniform(0, length, count), rng.lognormal(0, 0.7, count)), level_db, low_hz=40, high_hz=6000
    )


def whistle(here: Berth, level_db: float) -> None:
    """An inverter's carrier with its side lines."""
    rng, yard = here.rng, here.yard
    times = np.arange(yard.count) / yard.rate_hz
    carrier = float(rng.choice([1500.0, 2000.0, 2500.0, 4000.0]))
    force = np.zeros(yard.count)
    for multiple in range(1, 4):
        if multiple * carrier > 0.42 * yard.rate_hz:
            break
        for side in (-4, -2, 0, 2, 4):
            tone = multiple * carrier + side * here.drive.line_hz
            force += rng.uniform(0.2, 1) / multiple * np.cos(2 * np.pi * (tone * times + rng.uniform()))
    yard.add_at([np.fft.rfft(force) * rng.uniform(0.5, 1) for _ in yard.points], level_db)
