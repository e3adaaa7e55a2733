"""A fruit and juice works, to which no rule was ever fitted.

Sorting drums, screw presses, bottle tables, stirrers and jointed arms, whose drives are rolled through their angles
(``orchard_bench``) among pumps, fans, bottles and water (``orchard_around``). Sixty kinds of capture: thirteen show
nothing of the drive, thirty are of sound drives, most of them ordinary, seventeen of damaged ones. Each comes once in
the first half and once in the second, on another machine.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.worlds import orchard_around as around
from tests.worlds.case import Truth, WorldCase
from tests.worlds.orchard_around import Array, Complex, Hall
from tests.worlds.orchard_bench import (
    PATHS,
    Bearing,
    Discs,
    Gear,
    Make,
    Part,
    Reducer,
    Strikes,
    bearing_strikes,
    blows,
    blows_per_turn,
    drive_toml,
    forces,
    part_strikes,
    turns,
)

COUNT = 120
HALF = 60

USUAL = Make()
GOOD = Make(
    pins=0.015, lobes=0.015, holes=0.02, teeth=0.03, discs=0.01, entry=0.12, unbalance=0.04, bearings=0.1
)  # fmt: skip
COARSE = Make(pins=0.1, lobes=0.1, holes=0.1, teeth=0.12, discs=0.06, entry=0.25, unbalance=0.25, bearings=0.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What is tried. ``clear``: smooth forces against what rubs; ``hall``: the hall against the drive, both r.m.s."""

    name: str
    truth: Truth = "sound"
    styles: tuple[str, str] = ("two discs", "two discs")
    hz: tuple[float, float] | None = None
    """Speed of the input where an inverter feeds the motor; else that of a motor of four poles on 50 Hz."""
    rates: tuple[float, ...] = (12_800.0, 16_000.0, 20_000.0, 25_600.0)
    seconds: tuple[float, float] = (8.0, 20.0)
    points: int = 0
    """0: one or two."""
    make: Make = USUAL
    clear: tuple[float, float] = (0.6, 1.5)
    hall: tuple[float, float] = (0.2, 0.7)
    others: tuple[tuple[str, float], ...] = ()
    """What is around, with its r.m.s. value against the drive's."""
    hurts: tuple[tuple[tuple[str, float], ...], ...] = ()
    """By half: damaged parts, with the power of their blows over that of all else in a slice of their best band."""
    motion: str = "steady"
    pulses: int = 0
    noted: bool | None = None
    spoil: str = ""
    level: tuple[float, float] = (0.08, 2.5)


STILL = ("rest", "gear unit", "pump in step")
"""What leaves the drive at rest, or away."""
SLOW_RATES = (5_120.0, 6_400.0, 8_192.0)
FAST_RATES = (32_768.0, 40_000.0, 51_200.0)

UNUSABLE = (
    Kind(name="at rest, others run", truth="unusable", spoil="rest",
         others=(("fan", 0.8), ("gear unit", 0.6), ("drive race", 0.8))),
    Kind(name="another ratio in its place", truth="unusable", spoil="other ratio", styles=("two discs", "three discs")),
    Kind(name="a gear unit in its place", truth="unusable", spoil="gear unit", others=(("fan", 0.5),)),
    Kind(name="stopped after a moment", truth="unusable", spoil="stopped", others=(("pump", 0.02),)),
    Kind(name="speed without law", truth="unusable", motion="lawless"),
    Kind(name="dead sensor", truth="unusable", spoil="dead"),
    Kind(name="loose sensor", truth="unusable", spoil="loose"),
    Kind(name="clipped to ruin", truth="unusable", spoil="clipped"),
    Kind(name="counts for acceleration", truth="unusable", spoil="counts"),
    Kind(name="hum in an open cable", truth="unusable", spoil="hum"),
    Kind(name="packed as music is", truth="unusable", spoil="packed", others=(("bottles", 0.5),)),
    Kind(name="at rest, a pump in step", truth="unusable", spoil="pump in step"),
    Kind(name="on a calibrator or in a pocket", truth="unusable", spoil="elsewhere"),
)  # fmt: skip

PLAIN = (
    Kind(name="plain, two discs"),
    Kind(name="plain, well made", make=GOOD, clear=(0.35, 0.7), hall=(0.3, 0.7)),
    Kind(name="plain, high ratio", styles=("high", "high")),
    Kind(name="plain, low ratio", styles=("low", "low"), make=COARSE),
    Kind(name="plain, three discs", styles=("three discs", "three discs")),
    Kind(name="plain, tooth difference two", styles=("difference two", "difference two")),
    Kind(name="plain, turning ring", styles=("turning ring", "turning ring"), hz=(8.0, 30.0)),
    Kind(name="plain, cranks", styles=("cranks", "cranks"), hz=(10.0, 32.0)),
    Kind(name="plain, two stages", styles=("two stages", "two stages")),
    Kind(name="plain, gear pair before", styles=("gear pair", "gear pair")),
    Kind(name="plain, planets before", styles=("planets", "planets")),
    Kind(name="plain, very slow", hz=(0.4, 2.5), rates=SLOW_RATES, seconds=(24.0, 40.0), make=COARSE,
         styles=("low", "two discs"), clear=(0.2, 0.6), pulses=2, level=(0.02, 0.2)),
    Kind(name="plain, very fast", hz=(44.0, 60.0), rates=FAST_RATES, seconds=(6.0, 12.0)),
    Kind(name="plain, small logger", rates=SLOW_RATES, points=1, seconds=(6.0, 14.0), noted=True),
    Kind(name="plain, with pulses", pulses=1, hz=(12.0, 40.0)),
    Kind(name="plain, light load, hollow shaft", styles=("one disc", "one disc"), hz=(5.0, 20.0),
         clear=(0.4, 0.8), hall=(0.3, 0.8), noted=False),
)  # fmt: skip

BESIDE = (
    Kind(name="beside bottles", others=(("bottles", 1.5),)),
    Kind(name="beside its damaged twin", others=(("twin race", 0.7),)),
    Kind(name="beside another damaged drive", others=(("drive race", 0.9),), styles=("high", "cranks")),
    Kind(name="above a table that strikes in step", others=(("table", 0.8),)),
    Kind(name="beside a compressor", others=(("compressor", 1.2),), styles=("two discs", "gear pair")),
    Kind(
        name="beside pumps and water",
        clear=(1.0, 1.6),
        others=(("cavitation", 0.8), ("spray", 0.4)),
        styles=("three discs", "low"),
    ),
    Kind(name="beside belts and whistles", others=(("belt", 0.7), ("whistle", 0.8)), hz=(10.0, 35.0)),
    Kind(name="beside a jointed arm", others=(("arm", 1.0),), styles=("two stages", "two discs")),
)

EDGE = (
    Kind(name="edge, load that swings", motion="swinging load", styles=("high", "two discs")),
    Kind(name="edge, speed that wanders", motion="wandering", hz=(15.0, 40.0), clear=(0.9, 1.6)),
    Kind(name="edge, short", seconds=(4.0, 4.5), hz=(20.0, 45.0), styles=("low", "two discs")),
    Kind(name="edge, reversing moves", motion="reversing", hz=(15.0, 30.0), styles=("cranks", "two discs"), pulses=32,
         seconds=(16.0, 24.0)),
    Kind(name="edge, slow ramp", motion="ramp", hz=(14.0, 35.0), pulses=0),
    Kind(name="edge, fresh grease", motion="fresh grease", hall=(0.2, 0.4)),
)  # fmt: skip

DAMAGED = (
    Kind(name="input bearing, plain", truth="damaged",
         hurts=((("input bearing.outer_race", 0.5),), (("input bearing.rolling_element", 0.9),))),
    Kind(name="input bearing beside machines", truth="damaged", others=(("fan", 0.5), ("pump", 0.4)),
         hurts=((("input bearing.inner_race", 0.5),), (("input bearing.outer_race", 0.5),))),
    Kind(name="eccentric bearing, early", truth="damaged", styles=("two discs", "three discs"), seconds=(14.0, 20.0),
         hurts=((("eccentric bearing.outer_race", 0.15),), (("eccentric bearing.inner_race", 0.15),))),
    Kind(name="eccentric bearing beside machines", truth="damaged", others=(("bottles", 0.6), ("belt", 0.4)),
         hurts=((("eccentric bearing.inner_race", 0.6),), (("eccentric bearing.outer_race", 0.6),))),
    Kind(name="eccentric element, heavy", truth="damaged", styles=("low", "high"),
         hurts=((("eccentric bearing.rolling_element", 3.5),), (("eccentric bearing.rolling_element", 3.0),))),
    Kind(name="cage", truth="damaged", seconds=(14.0, 20.0),
         hurts=((("eccentric bearing.cage", 1.2),), (("input bearing.cage", 1.2),))),
    Kind(name="output bearing, plain", truth="damaged", styles=("low", "low"), seconds=(16.0, 20.0), hz=(24.0, 50.0),
         pulses=1, hurts=((("output bearing.outer_race", 0.6),), (("output bearing.inner_race", 0.6),))),
    Kind(name="output bearing, heavy, beside machines", truth="damaged", styles=("low", "low"), seconds=(16.0, 20.0),
         hz=(24.0, 50.0), others=(("compressor", 0.4), ("spray", 0.5)),
         hurts=((("output bearing.inner_race", 3.0),), (("output bearing.rolling_element", 3.5),))),
    Kind(name="ring pin", truth="damaged", hurts=((("stage1.ring_pin", 0.6),), (("stage1.ring_pin", 0.4),)),
         styles=("two discs", "high")),
    Kind(name="lobe beside machines", truth="damaged", others=(("twin race", 0.3), ("fan", 0.4)),
         hurts=((("stage1.lobe", 0.6),), (("stage1.lobe", 0.9),)), styles=("two discs", "difference two")),
    Kind(name="output pin, early", truth="damaged", styles=("low", "turning ring"), seconds=(14.0, 20.0),
         hurts=((("stage1.output_pin", 0.25),), (("stage1.output_pin", 0.25),))),
    Kind(name="disc bore, near clipping", truth="damaged", spoil="near clipping", styles=("low", "two discs"),
         hurts=((("stage1.output_pin", 4.0),), (("stage1.output_pin", 4.0),))),
    Kind(name="tooth of the gear pair, beside machines", truth="damaged", styles=("gear pair", "gear pair"),
         others=(("arm", 0.4), ("fan", 0.4)),
         hurts=((("stage1.driver_tooth", 0.9),), (("stage1.driven_tooth", 1.2),))),
    Kind(name="tooth among planets, beside machines", truth="damaged", styles=("planets", "planets"),
         others=(("cavitation", 0.5), ("belt", 0.4)),
         hurts=((("stage1.sun_tooth", 0.7),), (("stage1.planet_tooth", 0.9),))),
    Kind(name="crank bearing, near clipping", truth="damaged", styles=("cranks", "cranks"), hz=(20.0, 35.0),
         spoil="near clipping", seconds=(14.0, 20.0),
         hurts=((("crank bearing.outer_race", 3.5),), (("crank bearing.inner_race", 3.5),))),
    Kind(name="two damages, beside machines", truth="damaged", others=(("bottles", 0.5), ("spray", 0.4)),
         hurts=((("eccentric bearing.outer_race", 0.9), ("stage1.ring_pin", 0.55)),
                (("input bearing.inner_race", 0.9), ("stage1.lobe", 0.55)))),
    Kind(name="crank support, near clipping, beside machines", truth="damaged", styles=("cranks", "cranks"),
         hz=(20.0, 35.0), spoil="near clipping", seconds=(14.0, 20.0), others=(("pump", 0.4), ("whistle", 0.3)),
         hurts=((("crank support bearing.inner_race", 3.5),), (("crank support bearing.outer_race", 3.5),))),
)  # fmt: skip

KINDS = (*UNUSABLE, *PLAIN, *BESIDE, *EDGE, *DAMAGED)

PLACES = (
    "sorting drum", "wash tank", "screw press", "crate conveyor", "palletiser", "bottle table", "stirrer", "hoist",
    "pulp pump", "peel conveyor", "blending tank", "cap feeder", "pallet turntable", "crusher feed", "filler carousel",
)  # fmt: skip


# ---------------------------------------------------------------- drives


def _seat(
    rng: np.random.Generator,
    name: str,
    inner: str,
    outer: str,
    load: str,
    path: str,
    sizes: tuple[tuple[float, ...], ...],
) -> Bearing:
    elements, element, pitch = sizes[int(rng.integers(len(sizes)))]
    contact = 0.0 if path != "output" else float(rng.choice([0.0, 0.0, 15.0, 30.0]))
    return Bearing(
        name=name, inner=inner, outer=outer, load=load, elements=int(elements), element_mm=element,
        pitch_mm=round(pitch * rng.uniform(0.98, 1.02), 2), contact_deg=contact, path=path,
    )  # fmt: skip


BALLS = ((8, 6.75, 28.5), (8, 7.94, 33.5), (9, 7.94, 39.04), (9, 9.53, 46.0), (9, 11.11, 53.5), (8, 15.08, 66.0))
ROLLERS = ((11, 9.0, 36.0), (13, 11.0, 52.0), (15, 13.0, 68.0), (17, 8.0, 52.0), (16, 7.5, 46.5), (19, 9.0, 66.0))
NEEDLES = ((14, 5.0, 27.0), (15, 6.0, 32.0), (17, 5.5, 34.0), (16, 7.0, 40.0))
LARGE = ((14, 9.53, 70.0), (18, 12.7, 120.0), (16, 11.11, 92.5), (22, 12.0, 110.0), (25, 14.0, 150.0))


def _discs(rng: np.random.Generator, lobes: int, **more: int | bool) -> Discs:
    stage = Discs(lobes=lobes, pins=lobes + 1, output_pins=int(rng.choice([6, 8, 10, 12])))
    return replace(stage, **more)  # type: ignore[arg-type]


def _stages(rng: np.random.Generator, style: str) -> tuple[Gear | Discs, ...]:
    middle = int(rng.choice([13, 15, 17, 19, 21, 23, 25, 29, 35, 43]))
    if style == "low":
        return (_discs(rng, int(rng.choice([9, 10, 11, 12, 13]))),)
    if style == "high":
        return (_discs(rng, int(rng.choice([59, 71, 87, 101, 119])), output_pins=12),)
    if style == "three discs":
        return (_discs(rng, middle, discs=3),)
    if style == "one disc":
        return (_discs(rng, middle, discs=1),)
    if style == "difference two":
        lobes = int(rng.choice([38, 40, 51, 58]))
        return (_discs(rng, lobes, pins=lobes + 2),)
    if style == "turning ring":
        return (_discs(rng, int(rng.choice([19, 29, 34, 49])), ring_turns=True),)
    if style == "cranks":
        sun, planet = ((10, 38), (16, 32), (12, 36), (15, 42), (18, 36))[int(rng.integers(5))]
        return (_discs(rng, int(rng.choice([29, 39, 45])), sun=sun, planet=planet),)
    if style == "two stages":
        first, second = ((9, 19), (11, 13), (13, 11), (15, 11), (11, 15))[int(rng.integers(5))]
        return (_discs(rng, first), _discs(rng, second))
    if style == "gear pair":
        driver, driven = ((19, 47), (23, 61), (27, 53), (31, 74))[int(rng.integers(4))]
        return (Gear(driver=driver, driven=driven), _discs(rng, int(rng.choice([11, 15, 17, 25, 29]))))
    if style == "planets":
        sun, planet = ((18, 27), (21, 30), (24, 21), (16, 31))[int(rng.integers(4))]
        return (Gear(driver=sun, driven=planet, ring=sun + 2 * planet), _discs(rng, int(rng.choice([9, 11, 15, 17]))))
    return (_discs(rng, middle),)


def _reducer(rng: np.random.Generator, style: str, hz: tuple[float, float] | None, tag: str) -> Reducer:
    stages = _stages(rng, style)
    bearings = [_seat(rng, "input bearing", "input", "housing", "housing", "input", BALLS)]
    discs = [number for number, stage in enumerate(stages, start=1) if isinstance(stage, Discs)]
    for number in discs:
        at, stage = f"stage{number}.", stages[number - 1]
        assert isinstance(stage, Discs)
        if stage.sun:
            crank, disc, carrier = at + "crank", at + "disc", at + "carrier"
            bearings.append(_seat(rng, "crank bearing", crank, disc, crank, "ring", NEEDLES[:2]))
            bearings.append(_seat(rng, "crank support bearing", crank, carrier, carrier, "ring", NEEDLES[2:]))
        else:
            name = "eccentric bearing" if number == discs[0] else "second eccentric bearing"
            eccentric = at + "eccentric"
            bearings.append(_seat(rng, name, eccentric, at + "disc", eccentric, "ring", ROLLERS))
    last = f"stage{len(stages)}.output"
    bearings.append(_seat(rng, "output bearing", last, "housing", "housing", "output", LARGE))
    if hz is None:
        rpm = float(rng.uniform(1415, 1480))
        span = (rpm * 0.975, min(1495.0, rpm * 1.03))
    else:
        rpm = 60 * float(np.exp(rng.uniform(np.log(hz[0]), np.log(hz[1]))))
        span = (rpm * rng.uniform(0.9, 0.97), rpm * rng.uniform(1.03, 1.08))
    place = PLACES[int(rng.integers(len(PLACES)))]
    return Reducer(
        tag=tag, name=place.capitalize(), stages=stages, bearings=tuple(bearings), rpm=rpm, rpm_range=span,
        power_kw=float(rng.choice([0.55, 0.75, 1.5, 2.2, 4.0, 7.5, 11.0])), line_hz=50.0 if hz is None else None,
        shaft_height_mm=float(rng.choice([80, 100, 132, 160, 180])),
    )  # fmt: skip


# ---------------------------------------------------------------- motion


def _turning(hall: Hall, hz: float, motion: str) -> Array:
    """Turns of the input by sample."""
    rng, t = hall.rng, hall.times()
    speed = hz * (1 + rng.uniform(1e-4, 4e-4) * hall.slow(1.5))
    if motion == "wandering":
        speed = hz * (1 + 0.01 * hall.slow(2.5))
    elif motion == "ramp":
        reach = rng.uniform(0.03, 0.06) * rng.choice([-1, 1])
        speed = speed * (1 + reach * (2 * t / hall.seconds - 1))
    elif motion == "lawless":
        knots = np.cumsum(rng.uniform(0.08, 0.4, int(hall.seconds / 0.2) + 9))
        speed = hz * np.interp(t, knots, rng.uniform(0.3, 1.5, knots.size))
    elif motion == "reversing":
        stroke, rest = rng.uniform(2.0, 3.0), rng.uniform(0.2, 0.5)
        place = np.mod(t, 2 * (stroke + rest))
        sense = np.where(place < stroke + rest, 1.0, -1.0)
        into = np.mod(place, stroke + rest)
        speed = speed * sense * np.clip(np.minimum(into, stroke - into) / 0.25, 0, 1)
    elif motion == "stopped":
        until = hall.seconds * rng.uniform(0.04, 0.07)
        speed = speed * np.clip(1 - (t - until) / 0.5, 0, 1)
    return np.asarray(np.cumsum(speed) / hall.rate_hz)


def _load(hall: Hall, reducer: Reducer, theta: Array, motion: str) -> Array:
    """Torque of the driven machine by sample, around 1."""
    rng = hall.rng
    output = theta * turns(reducer)["output"]
    depth = 0.35 if motion == "swinging load" else rng.uniform(0.01, 0.06)
    load = 1 + depth * np.cos(2 * np.pi * output + 1.0) + 0.4 * depth * np.cos(4 * np.pi * output)
    return np.asarray(np.clip(load + (0.12 if motion == "swinging load" else 0.02) * hall.slow(0.7), 0.1, None))


# ---------------------------------------------------------------- surroundings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Other:
    """A machine around: its acceleration, or force, and how a drive file declares it."""

    wave: Array
    declared: str = ""


def _neighbour(name: str, hz: float, per_turn: tuple[float, ...]) -> str:
    orders = ", ".join(f"{order:.4f}" for order in per_turn)
    span = f"[{hz * 60 * 0.985:.1f}, {hz * 60 * 1.015:.1f}]"
    return f'\n[[neighbour]]\nname = "{name}"\nspeed_range_rpm = {span}\nper_turn = [{orders}]\n'


def _other(hall: Hall, name: str, reducer: Reducer, theta: Array, hz: float) -> Other:
    rng = hall.rng
    four_pole, two_pole = rng.uniform(23.9, 24.85), rng.uniform(47.8, 49.3)
    if name in ("fan", "pump"):
        blades = int(rng.integers(5, 13)) if name == "fan" else int(rng.integers(3, 8))
        own = four_pole if name == "fan" else two_pole
        return Other(
            wave=around.heard(hall, around.rotor(hall, own, blades)), declared=_neighbour(name, own, (1.0, blades))
        )
    if name == "gear unit":
        driver, driven = int(rng.integers(17, 31)), int(rng.integers(40, 90))
        wave = around.heard(hall, around.gearbox(hall, four_pole, driver, driven))
        return Other(wave=wave, declared=_neighbour("gear unit", four_pole, (1.0, driver)))
    if name in ("twin race", "drive race"):
        return _damaged_neighbour(hall, reducer, hz, twin=name == "twin race")
    if name == "bottles":
        return Other(wave=around.heard(hall, around.clinks(hall, rng.uniform(4, 25))))
    if name == "table":
        slow = abs(turns(reducer)["output"])
        rates = [rate / slow for rate in blows_per_turn(reducer).values()]
        free = [count for count in range(3, 12) if not _alike(count, rates)]
        pockets = int(rng.choice(free))
        made = around.beats(hall, theta * slow, pockets)
        last = f"stage{len(reducer.stages)}.output"
        declared = f'\n[[driven]]\nname = "bottle table"\non = "{last}"\nper_turn = [{pockets}]\n'
        return Other(wave=around.heard(hall, made, far=False), declared=declared)
    if name == "compressor":
        rates = [rate * hz for rate in blows_per_turn(reducer).values()]
        # Cages that are knocked as their inner ring passes.
        rates += [hz * blows_per_turn(reducer)[f"{one.name}.inner_race"] / one.elements for one in reducer.bearings]
        own = rng.uniform(11.5, 16.5)
        while _alike(own, rates) or _alike(2 * own, rates):
            own = rng.uniform(11.5, 16.5)
        blow = around.heard(hall, around.beats(hall, hall.phase(own, 6e-4), 2))
        body = around.heard(hall, around.rotor(hall, own, 2, hiss=0.1))
        wave = around.at_level(blow, 1.0) + around.at_level(body, 0.5)
        return Other(wave=wave, declared=_neighbour("compressor", own, (1.0, 2.0)))
    if name == "cavitation":
        vanes = int(rng.integers(5, 8))
        wave = around.heard(hall, around.cavitation(hall, two_pole, vanes))
        return Other(wave=wave, declared=_neighbour("pulp pump", two_pole, (1.0, vanes)))
    if name == "spray":
        return Other(wave=around.heard(hall, around.spray(hall), far=False))
    if name == "belt":
        own = rng.uniform(3.0, 8.0)
        return Other(wave=around.heard(hall, around.belt(hall, own)), declared=_neighbour("belt", own, (1.0,)))
    if name == "whistle":
        carrier = float(rng.choice([2000.0, 3000.0, 4000.0]))
        return Other(wave=around.whistle(hall, carrier, 2 * hz))
    return Other(wave=around.heard(hall, around.arm_moves(hall, rng.uniform(8, 30), int(rng.choice([40, 30, 46])))))


def _alike(rate: float, others: list[float]) -> bool:
    """Whether blows at ``rate`` would be taken for those of another part that slips, or for every second of them."""
    return any(abs(share * rate / other - 1) < 0.018 for other in others for share in (0.5, 1.0, 2.0))


def _damaged_neighbour(hall: Hall, reducer: Reducer, hz: float, *, twin: bool) -> Other:
    """A drive nearby with a damaged race: one of the same type a little off in speed, or another one."""
    rng = hall.rng
    other = reducer if twin else _reducer(rng, "two discs", None, "OTHER")
    rates = [rate * hz for rate in blows_per_turn(reducer).values()]
    while True:
        # So near to a part of this drive that slip would explain it, nobody could tell them apart.
        own = hz * (1 + rng.choice([-1, 1]) * rng.uniform(0.022, 0.035)) if twin else rng.uniform(18.0, 30.0)
        bearing = other.bearings[int(rng.integers(2))]
        part: Part = "outer_race" if rng.uniform() < 0.5 else "inner_race"
        struck_hz = own * blows_per_turn(other)[f"{bearing.name}.{part}"]
        if abs(own / hz - 1) > 0.02 and not _alike(struck_hz, rates):
            break
    theta = hall.phase(own, 3e-4)
    strikes = bearing_strikes(bearing, turns(other), theta, part, rng, slip=rng.uniform(0, 0.01))
    struck = blows(strikes, hall.size, hall.rate_hz, rng, width_s=2e-4)
    made = forces(other, theta, np.ones(hall.size), USUAL, rng)
    rubbing = hall.noise() * np.sqrt(made.rough["ring"])
    mesh = around.at_level(made.even["ring"] - made.even["ring"].mean(), 1.0)
    wave = around.at_level(around.heard(hall, struck), 1.0) + around.at_level(around.heard(hall, rubbing), 0.4)
    wave = wave + around.at_level(around.heard(hall, mesh), 0.4)
    per_turn = strikes.at.size / abs(theta[-1] - theta[0])
    return Other(wave=wave, declared=_neighbour("drive next to it", own, (1.0, per_turn)))


# ---------------------------------------------------------------- one capture


def _strikes(hall: Hall, reducer: Reducer, what: str, theta: Array) -> Strikes:
    place, _, part = what.rpartition(".")
    if place.startswith("stage"):
        return part_strikes(reducer, int(place[5:]), part, theta, hall.rng)
    slip = float(hall.rng.uniform(0.0, 0.012)) if part != "cage" else float(hall.rng.uniform(0.0, 0.008))
    bearing = reducer.bearing(place)
    return bearing_strikes(bearing, turns(reducer), theta, part, hall.rng, slip=slip)  # type: ignore[arg-type]


def _best_band_share(hall: Hall, part: Complex, rest: Complex, blows_hz: float) -> float:
    """Largest power of ``part`` over ``rest``, the typical one of each band that holds eight of the blows' multiples.

    A single resonance that rings on from blow to blow shows no rhythm, however loud; so the median of slices counts.
    """
    per_bin = part.size / (hall.rate_hz / 2)
    best, low = 1e-12, 0.04 * hall.rate_hz
    while low < 0.32 * hall.rate_hz:
        high = min(low + max(0.7 * low, 8 * blows_hz), 0.41 * hall.rate_hz)
        edges = (np.linspace(low, high, 9) * per_bin).astype(np.int64)
        sums = [np.add.reduceat(np.abs(bins[: edges[-1]]) ** 2, edges[:-1]) for bins in (part, rest)]
        best, low = max(best, float(np.median(sums[0] / sums[1]))), low + 0.5 * (high - low)
    return best


def _mistakable(reducer: Reducer, what: str) -> bool:
    """Whether a bearing's part would be struck as often as the damaged part, within what slip explains."""
    rates = blows_per_turn(reducer)
    own = rates.pop(what)
    if not what.startswith("stage"):
        return any(abs(own / rate - 1) < 0.025 for rate in rates.values())
    return any(abs(own / rate - 1) < 0.025 for other, rate in rates.items() if not other.startswith("stage"))


def _right_names(reducer: Reducer, what: str) -> tuple[str, ...]:
    place, _, part = what.rpartition(".")
    if not place.startswith("stage"):
        if part == "cage":
            kinds = ("cage", "cage_past_load", "cage_past_inner", "cage_past_housing")
            return tuple(f"bearing.{place}.{kind}" for kind in kinds)
        return (f"bearing.{what}",)
    same = {
        "lobe": ("lobe", "output_pin"),
        "output_pin": ("output_pin", "lobe"),
        "planet_tooth": ("planet_tooth",),
    }.get(part, (part,))
    names = tuple(f"{place}.{one}" for one in same)
    # The driven wheel and the eccentric of the next stage are one body, past which a pin of that ring stands still.
    return (*names, "stage2.ring_pin") if part == "driven_tooth" else names


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sounded:
    """Acceleration by point, before any logger, the drive's own r.m.s. at the first point being 1."""

    points: tuple[Array, ...]
    declared: str
    theta: Array
    depth: float


def _sounded(hall: Hall, kind: Kind, half: int, reducer: Reducer, theta: Array, hz: float, points: int) -> Sounded:
    rng = hall.rng
    load = _load(hall, reducer, theta, kind.motion)
    own = forces(reducer, theta, load, kind.make, rng)
    moving = np.gradient(theta) * hall.rate_hz
    lively = np.abs(moving) / max(1e-9, float(np.max(np.abs(moving))))
    if reducer.line_hz is not None:
        # A motor on the mains hums at twice their frequency.
        own.even["input"] += 0.02 * np.cos(4 * np.pi * reducer.line_hz * hall.times())
    even = {path: around.spectrum(hall, (own.even[path] - own.even[path].mean()) * lively**2) for path in PATHS}
    rough = {path: around.spectrum(hall, hall.noise() * np.sqrt(own.rough[path]) * lively) for path in PATHS}
    hurts = kind.hurts[half] if kind.hurts else ()
    struck: list[tuple[str, Complex, float, float]] = []
    for what, depth in hurts:
        strikes = _strikes(hall, reducer, what, theta)
        flank = rng.uniform(0.04, 0.1) if depth > 3 and "race" in what else 0.0
        force = blows(
            strikes, hall.size, hall.rate_hz, rng,
            width_s=rng.uniform(1e-4, 4e-4), jitter=rng.uniform(0.001, 0.006), flank=flank,
        )  # fmt: skip
        struck.append((strikes.path, around.spectrum(hall, force), depth, strikes.at.size / hall.seconds))
    others = [(_other(hall, name, reducer, theta, hz), share) for name, share in kind.others]
    if kind.spoil in ("gear unit", "pump in step"):
        others.append((_in_its_place(hall, kind.spoil, theta), 1.0))
    heard = 0.0 if kind.spoil in STILL else 1.0
    clear, hall_share = rng.uniform(*kind.clear), rng.uniform(*kind.hall)
    made: list[Array] = []
    scales: list[float] = []
    sizes = (1.0, 1.0)
    for point in range(points):
        built = around.structure(hall)
        ways = {path: around.transfer(hall, built) for path in PATHS}
        nearer = {path: rng.uniform(0.5, 1.2) for path in PATHS}
        smooth = sum((even[path] * ways[path] * nearer[path] for path in PATHS), np.zeros_like(even["ring"]))
        rubbing = sum((rough[path] * ways[path] * nearer[path] for path in PATHS), np.zeros_like(even["ring"]))
        if point == 0:
            sizes = (_rms(hall, smooth, above_hz=2.5 * hz), _rms(hall, rubbing))
        total = heard * (clear * smooth / sizes[0] + rubbing / sizes[1]) / np.hypot(1, clear)
        for other, share in others:
            wave = around.at_level(other.wave, share) * (1.0 if point == 0 else rng.uniform(0.5, 1.3))
            total = total + around.spectrum(hall, wave)
        total = total + around.spectrum(hall, around.at_level(around.rumble(hall), hall_share))
        if kind.motion == "fresh grease":
            total = total + around.spectrum(hall, _churned(hall, theta))
        rest = total.copy()
        for number, (path, bins, depth, per_second) in enumerate(struck):
            part = bins * ways[path]
            if point == 0:
                scales.append(float(np.sqrt(depth / _best_band_share(hall, part, rest, per_second))))
            total = total + scales[number] * part
        made.append(around.wave(hall, total))
    declared = "".join(other.declared for other, _ in others)
    return Sounded(points=tuple(made), declared=declared, theta=theta, depth=max((d for _, d in hurts), default=0.0))


def _in_its_place(hall: Hall, spoil: str, theta: Array) -> Other:
    """What runs at the speed of the drive's motor, and is no drive of this kind."""
    rng = hall.rng
    if spoil == "gear unit":
        turn = theta + rng.uniform(0, 1)
        first, second = int(rng.integers(15, 28)), int(rng.integers(45, 90))
        made = around.gearbox(hall, float(turn[-1] - turn[0]) / hall.seconds, first, second)
        slower = float(turn[-1] - turn[0]) / hall.seconds * first / second
        made = made + 0.7 * around.gearbox(hall, slower, int(rng.integers(17, 24)), int(rng.integers(50, 90)))
        return Other(wave=around.heard(hall, made, far=False))
    knocks = around.at_level(around.heard(hall, around.beats(hall, theta, int(rng.choice([1, 5, 6])))), 1.0)
    vanes = int(rng.integers(5, 8))
    passing = np.cos(2 * np.pi * theta) + 0.6 * np.cos(2 * np.pi * vanes * theta) + 0.5 * hall.noise()
    return Other(wave=knocks + around.at_level(around.heard(hall, passing), 0.8))


def _rms(hall: Hall, bins: Complex, *, above_hz: float = 0.0) -> float:
    first = int(above_hz * bins.size / (hall.rate_hz / 2))
    return float(np.sqrt(2 * np.sum(np.abs(bins[first:]) ** 2))) / (2 * bins.size)


def _churned(hall: Hall, theta: Array) -> Array:
    """Grease that still is pushed about: a hiss that dies away, and lumps that pass at random."""
    dying = np.exp(-hall.times() / (0.5 * hall.seconds))
    lumps = around.clinks(hall, 2.0)
    return around.at_level(hall.noise() * dying, 0.5) + around.at_level(around.heard(hall, lumps, far=False), 0.25)


def _ordinary(reducer: Reducer, rng: np.random.Generator) -> str:
    """Things on an ordinary drive that a careful hand declares."""
    last = f"stage{len(reducer.stages)}.output"
    fan = f'\n[[fitted]]\nname = "motor fan"\non = "input"\nfan_blades = {int(rng.integers(5, 10))}\n'
    driven = f'\n[[driven]]\nname = "{reducer.name.lower()}"\non = "{last}"\nblades = {int(rng.integers(2, 6))}\n'
    return (fan, driven, fan + driven)[int(rng.integers(3))]


def _pulses(hall: Hall, theta: Array, per_turn: int) -> NDArray[np.float32]:
    high = np.mod(theta * per_turn + 0.37, 1.0) < 0.4
    return np.asarray(5.0 * high + 0.02 * hall.noise(), dtype=np.float32)


def _places(number: int) -> tuple[int, int]:
    """Kind and half of a number: every kind once a half, in an order that tells nothing."""
    half = number // HALF
    order = np.random.default_rng(9100 + half).permutation(HALF)
    return int(order[number % HALF]), half


def case(number: int) -> WorldCase:
    """Capture ``number`` of 0 to ``COUNT`` - 1."""
    if not 0 <= number < COUNT:
        raise IndexError(number)
    place, half = _places(number)
    kind = KINDS[place]
    rng = np.random.default_rng((20260, number))
    hurts = kind.hurts[half] if kind.hurts else ()
    reducer = _reducer(rng, kind.styles[half], kind.hz, f"FJ-{number:03d}")
    while any(_mistakable(reducer, what) for what, _ in hurts):
        reducer = _reducer(rng, kind.styles[half], kind.hz, f"FJ-{number:03d}")
    rate = float(rng.choice(kind.rates))
    seconds = min(float(rng.uniform(*kind.seconds)), 520_000 / rate if kind.motion != "reversing" else 600_000 / rate)
    hall = Hall(size=int(seconds * rate), rate_hz=rate, rng=rng)
    if kind.motion in ("ramp", "wandering", "reversing"):
        reducer = replace(reducer, rpm_range=(0.85 * reducer.rpm, 1.15 * reducer.rpm))
    low, high = reducer.rpm_range
    hz = float(rng.uniform(low + 0.3 * (high - low), high - 0.3 * (high - low))) / 60
    points = kind.points or int(rng.integers(1, 3))
    running = _put_in_place(kind, reducer, rng)
    theta = _turning(hall, hz, "stopped" if kind.spoil == "stopped" else kind.motion)
    sounded = _sounded(hall, kind, half, running, theta, hz, points)
    level = float(np.exp(rng.uniform(np.log(kind.level[0]), np.log(kind.level[1]))))
    waves = [level * wave for wave in sounded.points]
    names = ("input side", "output side") if rng.uniform() < 0.6 else ("ring", "flange")
    channels = {name: _kept(hall, kind, half, wave) for name, wave in zip(names, waves, strict=False)}
    if number % 3 == 0:
        reducer = replace(reducer, extras=sounded.declared or _ordinary(reducer, rng))
    still = kind.spoil in (*STILL, "elsewhere", "dead", "hum")
    noted = bool(rng.uniform() < 0.3) if kind.noted is None else kind.noted
    mean_hz = (
        hz if kind.motion == "reversing" or kind.spoil == "stopped" else float(theta[-1] - theta[0]) / hall.seconds
    )
    steady = kind.motion in ("steady", "swinging load", "fresh grease") and kind.spoil != "stopped"
    return WorldCase(
        name=f"orchardside {number:03d} {kind.name}", kind=kind.name, truth=kind.truth, drive_toml=drive_toml(reducer),
        channels=channels, sample_rate_hz=rate, speed_hz=None if still else mean_hz,
        pulses=_pulses(hall, theta, kind.pulses) if kind.pulses else None, pulses_per_rev=float(max(1, kind.pulses)),
        noted_rpm=round(mean_hz * 60) if noted and steady and not still else None,
        damaged=tuple(name for what, _ in hurts for name in _right_names(reducer, what)),
        marks={"seconds": hall.seconds, "rate_hz": rate, "level": level, "depth": sounded.depth},
    )  # fmt: skip


def _put_in_place(kind: Kind, reducer: Reducer, rng: np.random.Generator) -> Reducer:
    """The drive that runs: the one of the file, but where another one was put in its place."""
    if kind.spoil != "other ratio":
        return reducer
    while True:
        other = _reducer(rng, "two discs", None, reducer.tag)
        first, second = (abs(turns(one)["output"]) for one in (reducer, other))
        if abs(np.log(first / second)) > 0.25 and other.bearings[1].elements != reducer.bearings[1].elements:
            return other


def _kept(hall: Hall, kind: Kind, half: int, wave: Array) -> NDArray[np.float32]:
    """What the logger keeps of a point, with what spoils it."""
    rng, spoil = hall.rng, kind.spoil
    noise = float(np.exp(rng.uniform(np.log(1e-3), np.log(6e-3))))
    size = float(np.std(wave))
    if spoil == "clipped":
        return around.logged(hall, wave, noise=noise, full_scale=0.3 * size)
    if spoil == "near clipping":
        # Only the strongest blows touch the rail.
        return around.logged(hall, wave, noise=noise, full_scale=float(np.quantile(np.abs(wave), 0.9999)), bits=16)
    if spoil == "counts":
        return around.logged(hall, wave / size * rng.uniform(3e4, 3e5), noise=20.0)
    if spoil == "dead":
        return around.logged(hall, 1e-5 * wave, noise=3e-4, drift=2e-3)
    if spoil == "hum":
        return around.logged(hall, around.hum(hall) * rng.uniform(0.5, 5), noise=2e-3)
    if spoil == "packed":
        return around.logged(hall, around.packed(wave, hall.rate_hz), noise=0.0, bits=16)
    if spoil == "loose":
        return around.logged(hall, around.loose(hall, wave), noise=noise)
    if spoil == "elsewhere":
        t = hall.times()
        if half == 0:
            shaken = 14.1 * np.sin(2 * np.pi * 159.15 * t) + 0.02 * np.sin(4 * np.pi * 159.15 * t)
            return around.logged(hall, shaken, noise=noise)
        steps = around.beats(hall, hall.phase(rng.uniform(1.6, 2.1), 0.05), 2, uneven=0.3, late=0.03)
        cloth = around.at_level(hall.noise() * np.exp(hall.slow(0.3)), 0.05)
        return around.logged(hall, around.at_level(around.heard(hall, steps), 1.5) + cloth, noise=noise)
    return around.logged(hall, wave, noise=noise, drift=float(rng.choice([0.0, 0.01, 0.03])))
