"""Drives of a fruit and juice works, rolled through their angles contact by contact.

Bodies roll on each other without slip, so that the radius of their pitch circles carries one angle into the next. Every
contact of a lobe with its pin, of a tooth with its mate, of a pin with its hole adds a window of force whose size is
made by the two partners that meet; over the period in which all have met all these forces are tabled, and read at the
angle of each sample. Damage is a crossing of two angles. No rate of any contact is written down anywhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import cos, gcd, pi, radians
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
TURN = 2.0 * pi

PATHS = ("input", "ring", "output")
"""Where forces enter the housing: input side, ring, output side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """A stage of involute teeth before the discs: a pair, or a sun with planets in a ring of ``ring`` teeth."""

    driver: int
    driven: int
    ring: int = 0
    planets: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Discs:
    """A cycloidal stage; with ``sun`` teeth its cranks are turned by planet wheels."""

    lobes: int
    pins: int
    output_pins: int = 8
    discs: int = 2
    ring_turns: bool = False
    sun: int = 0
    planet: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """Rolling bearing between two bodies; ``load``: the body in whose frame its load stands still."""

    name: str
    inner: str
    outer: str
    load: str
    elements: int
    element_mm: float
    pitch_mm: float
    contact_deg: float = 0.0
    path: str = "input"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reducer:
    """A drive as its drawing has it."""

    tag: str
    name: str
    stages: tuple[Gear | Discs, ...]
    bearings: tuple[Bearing, ...]
    rpm: float
    rpm_range: tuple[float, float]
    power_kw: float
    line_hz: float | None = None
    shaft_height_mm: float = 132.0
    extras: str = ""
    """What stands around, as declared in the drive file."""

    def bearing(self, name: str) -> Bearing:
        return next(one for one in self.bearings if one.name == name)


def turns(reducer: Reducer) -> dict[str, float]:
    """Turns of every body per turn of the input, signed: each pitch circle rolls on the next without slip."""
    made = {"housing": 0.0, "input": 1.0}
    shaft = 1.0
    for number, stage in enumerate(reducer.stages, start=1):
        at = f"stage{number}."
        if isinstance(stage, Gear) and not stage.ring:
            made[at + "driver"] = shaft
            shaft = made[at + "driven"] = -shaft * stage.driver / stage.driven
        elif isinstance(stage, Gear):
            # The planet's far side rests on the ring while its near side is carried by the sun: its centre does half.
            middle = (stage.driver + stage.driven) / 2
            carrier = shaft * stage.driver / 2 / (2 * middle)
            made[at + "sun"], made[at + "carrier"] = shaft, carrier
            made[at + "planet"] = carrier - carrier * stage.ring / stage.driven
            shaft = carrier
        elif stage.sun:
            # The carrier is turned by the discs, whose cranks turn by what sun and carrier leave to them.
            crank_per_carrier = -stage.lobes / (stage.pins - stage.lobes)
            carrier = shaft * stage.sun / (stage.sun + stage.planet - crank_per_carrier * stage.planet)
            made |= {at + "sun": shaft, at + "crank": crank_per_carrier * carrier, at + "ring": 0.0}
            made |= {at + "carrier": carrier, at + "disc": carrier}
            shaft = carrier
        else:
            made[at + "eccentric"] = shaft
            if stage.ring_turns:
                made[at + "disc"] = 0.0
                made[at + "ring"] = shaft - shaft * stage.lobes / stage.pins
            else:
                made[at + "ring"] = 0.0
                made[at + "disc"] = shaft - shaft * stage.pins / stage.lobes
            shaft = made[at + "ring"] if stage.ring_turns else made[at + "disc"]
        made[at + "output"] = shaft
    made["output"] = shaft
    return made


def drive_toml(reducer: Reducer) -> str:
    """The drive file."""
    low, high = reducer.rpm_range
    ratio = 1.0 / abs(turns(reducer)["output"])
    lines = [
        f'tag = "{reducer.tag}"', f'name = "{reducer.name}"', 'support = "rigid"',
        f"shaft_height_mm = {reducer.shaft_height_mm:g}", f"ratio = {ratio:.6f}", "", "[input]",
        f"speed_rpm = {reducer.rpm:.1f}", f"speed_range_rpm = [{low:.1f}, {high:.1f}]",
        f"power_kw = {reducer.power_kw:g}",
    ]  # fmt: skip
    if reducer.line_hz is not None:
        lines += ["", "[motor]", "poles = 4", f"line_hz = {reducer.line_hz:.2f}"]
    for stage in reducer.stages:
        lines += ["", "[[stage]]"]
        if isinstance(stage, Gear) and stage.ring:
            lines += ['kind = "planetary"', f"sun_teeth = {stage.driver}", f"planet_teeth = {stage.driven}"]
            lines += [f"ring_teeth = {stage.ring}", f"planets = {stage.planets}"]
        elif isinstance(stage, Gear):
            lines += ['kind = "gear pair"', f"driver_teeth = {stage.driver}", f"driven_teeth = {stage.driven}"]
        elif stage.sun:
            lines += ['kind = "rv"', f"sun_teeth = {stage.sun}", f"planet_teeth = {stage.planet}", "cranks = 3"]
            lines += [f"lobes = {stage.lobes}", f"ring_pins = {stage.pins}", f"discs = {stage.discs}", 'fixed = "ring"']
        else:
            lines += ['kind = "cycloidal"', f"lobes = {stage.lobes}", f"ring_pins = {stage.pins}"]
            lines += [f"output_pins = {stage.output_pins}", f"discs = {stage.discs}"]
            lines += ['fixed = "output pins"' if stage.ring_turns else 'fixed = "ring"']
    for bearing in reducer.bearings:
        lines += ["", "[[bearing]]", f'name = "{bearing.name}"', f'inner = "{bearing.inner}"']
        lines += [f'outer = "{bearing.outer}"', f'load = "{bearing.load}"', f"elements = {bearing.elements}"]
        lines += [f"element_diameter_mm = {bearing.element_mm:.3f}", f"pitch_diameter_mm = {bearing.pitch_mm:.3f}"]
        lines += [f"contact_angle_deg = {bearing.contact_deg:g}"]
    return "\n".join(lines) + "\n" + reducer.extras


# ---------------------------------------------------------------- crossings of angles


def crossings(phase: Array, offset: float = 0.0) -> Array:
    """Samples, with fractions, at which ``phase`` [turns] passes a whole number plus ``offset``, either way."""
    shifted = phase - offset
    whole = np.floor(shifted)
    at = np.flatnonzero(np.diff(whole))
    mark = np.maximum(whole[at], whole[at + 1])
    step = shifted[at + 1] - shifted[at]
    return np.asarray(at + (mark - shifted[at]) / step)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strikes:
    """Blows of one damage: samples with fractions, strength of each, and where they enter."""

    at: Array
    strength: Array
    path: str


def cage_turns(bearing: Bearing, inner: float, outer: float) -> float:
    """Turns of the cage: its elements' middle moves at half of what both races' surfaces do."""
    thick = bearing.element_mm * cos(radians(bearing.contact_deg))
    inner_surface = inner * (bearing.pitch_mm - thick) / 2
    outer_surface = outer * (bearing.pitch_mm + thick) / 2
    return (inner_surface + outer_surface) / bearing.pitch_mm


def spin_turns(bearing: Bearing, inner: float, outer: float) -> float:
    """Turns of an element about itself, seen from the cage: its surface follows the inner race's."""
    thick = bearing.element_mm * cos(radians(bearing.contact_deg))
    past = inner - cage_turns(bearing, inner, outer)
    return past * (bearing.pitch_mm - thick) / bearing.element_mm


Part = Literal["outer_race", "inner_race", "rolling_element", "cage"]


def _in_load(angle_turns: Array, half_width_deg: float) -> Array:
    """Force on an element at an angle to the load, of a bearing whose loaded zone is that wide."""
    edge = cos(radians(half_width_deg))
    return np.asarray(np.clip((np.cos(TURN * angle_turns) - edge) / (1 - edge), 0.0, None) ** 1.1)


def bearing_strikes(
    bearing: Bearing, body: Mapping[str, float], theta: Array, part: Part, rng: np.random.Generator,
    *, slip: float = 0.0, half_width_deg: float = 80.0,
) -> Strikes:  # fmt: skip
    """Blows of one damaged part of a bearing; ``theta``: input [turns] by sample, ``slip``: share the cage lags."""
    inner, outer = body[bearing.inner], body[bearing.outer]
    load = body[bearing.load]
    cage = cage_turns(bearing, inner, outer)
    cage = outer + (cage - outer) * (1 - slip)
    spot, share = rng.uniform(0, 1), 0.06

    def angle_at(rate: float, at: Array) -> Array:
        return np.asarray(rate * np.interp(at, np.arange(theta.size), theta))

    if part == "outer_race":
        # A spot of a race that stands still under the load wears where the load is.
        spot = rng.uniform(-0.06, 0.06) if outer == load else spot
        at = crossings(bearing.elements * ((cage - outer) * theta - spot))
        strength = share + _in_load(angle_at(outer - load, at) + spot, half_width_deg)
    elif part == "inner_race":
        spot = rng.uniform(-0.06, 0.06) if inner == load else spot
        at = crossings(bearing.elements * ((cage - inner) * theta - spot))
        strength = share + _in_load(angle_at(inner - load, at) + spot, half_width_deg)
    elif part == "rolling_element":
        spin = spin_turns(bearing, inner, outer) * (1 - slip) * theta
        near, far = crossings(spin), crossings(spin, 0.5)
        at = np.concatenate([near, far])
        sides = np.concatenate([np.ones(near.size), np.full(far.size, rng.uniform(0.5, 0.9))])
        strength = sides * (share + _in_load(angle_at(cage - load, at) + spot, half_width_deg))
    else:
        # A broken bar lets its element hurry through the load and knock at the next bar, once it is through.
        at = crossings((cage - load) * theta, spot)
        strength = rng.uniform(0.7, 1.3, at.size)
    order = np.argsort(at)
    return Strikes(at=at[order], strength=strength[order], path=bearing.path)


def part_strikes(reducer: Reducer, number: int, what: str, theta: Array, rng: np.random.Generator) -> Strikes:
    """Blows of one damaged pin, lobe, output pin or tooth of stage ``number``."""
    stage, body = reducer.stages[number - 1], turns(reducer)
    at_stage = f"stage{number}."
    if isinstance(stage, Gear) or what in ("sun_tooth", "planet_tooth"):
        if isinstance(stage, Gear) and not stage.ring:
            rate = body[at_stage + ("driver" if what == "driver_tooth" else "driven")]
            at = crossings(rate * theta, rng.uniform(0, 1))
            return Strikes(at=at, strength=np.ones(at.size), path="input")
        carrier = body[at_stage + "carrier"]
        if what == "sun_tooth":
            count = stage.planets if isinstance(stage, Gear) else 3
            at = crossings(count * (body[at_stage + "sun"] - carrier) * theta, rng.uniform(0, 1))
            nearest = np.interp(at, np.arange(theta.size), theta) * body[at_stage + "sun"]
            return Strikes(at=at, strength=1 + 0.35 * np.cos(TURN * nearest), path="input")
        planet = body[at_stage + ("planet" if isinstance(stage, Gear) else "crank")]
        at = crossings((planet - carrier) * theta, rng.uniform(0, 1))
        carried = np.interp(at, np.arange(theta.size), theta) * carrier
        return Strikes(at=at, strength=1 + 0.35 * np.cos(TURN * carried), path="input")
    eccentric = body[at_stage + ("crank" if stage.sun else "eccentric")]
    disc, ring = body[at_stage + "disc"], body[at_stage + "ring"]
    if what == "ring_pin":
        past, carrying, path = eccentric - ring, ring, "ring"
        tracks = range(stage.discs) if rng.uniform() < 0.5 else range(1)
    elif what == "lobe":
        past, carrying, path, tracks = eccentric - disc, disc, "ring", range(1)
    else:
        past, carrying, path, tracks = eccentric - disc, disc, "output", range(1)
    start = rng.uniform(0, 1)
    at = np.concatenate([crossings(past * theta, start + track / stage.discs) for track in tracks])
    weight = np.concatenate(
        [np.full(crossings(past * theta, start + k / stage.discs).size, 1.0 if k == 0 else 0.55) for k in tracks]
    )
    carried = np.interp(at, np.arange(theta.size), theta) * carrying
    order = np.argsort(at)
    strength = weight * (1 + 0.4 * np.cos(TURN * carried + rng.uniform(0, TURN)))
    return Strikes(at=at[order], strength=strength[order], path=path)


def blows_per_turn(reducer: Reducer) -> dict[str, float]:
    """How often each part would be struck per turn of the input, counted; an element is counted once a spin."""
    theta, body, chance = np.arange(40_000) / 100.0, turns(reducer), np.random.default_rng(0)
    every = np.arange(theta.size)
    counted: dict[str, Array] = {}
    for bearing in reducer.bearings:
        parts: tuple[Part, ...] = ("outer_race", "inner_race", "rolling_element", "cage")
        for part in parts:
            at = bearing_strikes(bearing, body, theta, part, chance).at
            counted[f"{bearing.name}.{part}"] = at[::2] if part == "rolling_element" else at
    for number, stage in enumerate(reducer.stages, start=1):
        names = ("lobe", "output_pin")
        if isinstance(stage, Gear):
            names = ("sun_tooth", "planet_tooth") if stage.ring else ("driver_tooth", "driven_tooth")
        for name in names:
            counted[f"stage{number}.{name}"] = part_strikes(reducer, number, name, theta, chance).at
        if isinstance(stage, Discs):
            # One track of a pin, whichever of them are hurt.
            single = replace(stage, discs=1)
            alone = replace(reducer, stages=(*reducer.stages[: number - 1], single, *reducer.stages[number:]))
            counted[f"stage{number}.ring_pin"] = part_strikes(alone, number, "ring_pin", theta, chance).at
    made = {}
    for name, at in counted.items():
        if at.size > 3:
            span = float(np.ptp(np.interp(at[[0, -1]], every, theta)))
            made[name] = (at.size - 1) / span
    return made


def blows(
    strikes: Strikes, size: int, rate_hz: float, rng: np.random.Generator,
    *, width_s: float, jitter: float = 0.003, flank: float = 0.0, scatter: float = 0.2,
) -> Array:  # fmt: skip
    """Force of strikes of finite width; ``flank``: share of the spacing by which a soft entry comes before the blow."""
    made = np.zeros(size)
    if strikes.at.size == 0:
        return made
    spacing = float(np.median(np.diff(strikes.at))) if strikes.at.size > 1 else 1.0
    at = strikes.at + jitter * spacing * rng.standard_normal(strikes.at.size)
    size_of = strikes.strength * np.exp(scatter * rng.standard_normal(at.size))
    _add(made, at, size_of, max(2.0, width_s * rate_hz))
    if flank > 0:
        _add(made, at - flank * spacing, -0.35 * size_of, max(3.0, 2.5 * width_s * rate_hz))
    return made


def _add(made: Array, at: Array, size_of: Array, width: float) -> None:
    """Bells of ``width`` samples and of one area each, set at fractions of samples."""
    reach = np.arange(-int(width) - 1, int(width) + 2)
    first = np.round(at).astype(np.int64)
    place = first[:, None] + reach[None, :]
    away = (place - at[:, None]) / width
    bell = np.where(np.abs(away) < 1, 0.5 + 0.5 * np.cos(pi * away), 0.0) / width
    inside = (place >= 0) & (place < made.size)
    np.add.at(made, place[inside], (bell * size_of[:, None])[inside])


# ---------------------------------------------------------------- forces of sound parts

STEPS = 12
"""Steps per contact in the tables."""


def _window(length: int, width: float, skew: float) -> Array:
    """One contact's force over ``length`` contacts from its start: it rises faster than it falls."""
    x = np.arange(length * STEPS) / STEPS / width
    inside = np.clip(x, 0.0, 1.0)
    return np.asarray(np.where(x < 1, np.sin(pi * inside**skew) ** 1.2, 0.0))


def _table(weights: Sequence[Array], windows: Sequence[Array]) -> Array:
    """Sum over all contacts of a period, each its window times its weight; the period closes on itself."""
    period = weights[0].size * STEPS
    total = np.zeros(period // 2 + 1, dtype=np.complex128)
    for weight, window in zip(weights, windows, strict=True):
        train = np.zeros(period)
        train[::STEPS] = weight
        folded = np.zeros(period)
        np.add.at(folded, np.arange(window.size) % period, window)
        total += np.fft.rfft(train) * np.fft.rfft(folded)
    return np.asarray(np.fft.irfft(total, period))


def _read(table: Array, contacts: Array) -> Array:
    """The table at so many contacts, linearly."""
    place = contacts * STEPS
    whole = np.floor(place)
    part = place - whole
    index = whole.astype(np.int64) % table.size
    following = np.append(table, table[0])
    return np.asarray(following[index] * (1 - part) + following[index + 1] * part)


@dataclass(frozen=True, slots=True, kw_only=True)
class Make:
    """How well a drive is made, as shares of the deflection under its load."""

    pins: float = 0.06
    lobes: float = 0.06
    holes: float = 0.06
    teeth: float = 0.08
    discs: float = 0.03
    entry: float = 0.2
    """Unevenness that all lobes share, where they enter the load."""
    unbalance: float = 0.12
    bearings: float = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forces:
    """What enters the housing by path: ``even``: smooth forces; ``rough``: power of what rubs, mean one."""

    even: dict[str, Array]
    rough: dict[str, Array]


def forces(reducer: Reducer, theta: Array, load: Array, make: Make, rng: np.random.Generator) -> Forces:
    """Forces of the sound drive; ``theta``: input [turns], ``load``: torque, around 1, both by sample."""
    body = turns(reducer)
    even = {path: np.zeros(theta.size) for path in PATHS}
    rough = {path: np.full(theta.size, 0.2) for path in PATHS}
    even["input"] += make.unbalance * np.cos(TURN * theta + rng.uniform(0, TURN))
    even["input"] += 0.4 * make.unbalance * np.cos(2 * TURN * theta + rng.uniform(0, TURN))
    for number, stage in enumerate(reducer.stages, start=1):
        at = f"stage{number}."
        if isinstance(stage, Gear):
            contact = _gear(stage, at, body, theta, make, rng)
            even["input"] += contact * load
            rough["input"] += np.clip(1 + contact, 0, None)
            continue
        if stage.sun:
            teeth = Gear(driver=stage.sun, driven=stage.planet, ring=-1)
            contact = _gear(teeth, at, body, theta, make, rng)
            even["input"] += 0.5 * contact * load
            rough["input"] += np.clip(1 + contact, 0, None)
        _discs(stage, at, body, theta, load, make, rng, even, rough)
    if make.bearings > 0:
        for bearing in reducer.bearings:
            even[bearing.path] += make.bearings * _rolling(bearing, body, theta, rng)
    rough = {path: power * load / float(np.mean(power * load)) for path, power in rough.items()}
    return Forces(even=even, rough=rough)


def _gear(stage: Gear, at: str, body: Mapping[str, float], theta: Array, make: Make, rng: np.random.Generator) -> Array:
    """Force of teeth around its mean: each contact is made by the two teeth that meet."""
    meets = stage.driver * stage.driven // gcd(stage.driver, stage.driven)
    window = _window(2, 1.6, 0.85)
    made = np.zeros(theta.size)
    first = make.teeth * rng.standard_normal(stage.driver)
    if not stage.ring:
        second = make.teeth * rng.standard_normal(stage.driven)
        lean = make.teeth * np.cos(TURN * np.arange(stage.driver) / stage.driver)
        weight = 1 + first[np.arange(meets) % stage.driver] + second[np.arange(meets) % stage.driven]
        table = _table([weight + lean[np.arange(meets) % stage.driver]], [window])
        return _read(table - table.mean(), stage.driver * body[at + "driver"] * theta)
    sun, carrier = body[at + "sun"] * theta, body[at + "carrier"] * theta
    for planet in range(stage.planets):
        second = make.teeth * rng.standard_normal(stage.driven)
        weight = 1 + first[np.arange(meets) % stage.driver] + second[np.arange(meets) % stage.driven]
        table = _table([weight], [window])
        contacts = stage.driver * (sun - carrier + planet / stage.planets)
        near = 1 + 0.4 * np.cos(TURN * (carrier + planet / stage.planets))
        made += near * _read(table - table.mean(), contacts) / stage.planets
        if stage.ring > 0:
            third = make.teeth * rng.standard_normal(stage.ring)
            table = _table([1 + third], [window])
            contacts = stage.ring * (carrier + planet / stage.planets)
            made += near * _read(table - table.mean(), contacts) / stage.planets
    return made


def _discs(
    stage: Discs, at: str, body: Mapping[str, float], theta: Array, load: Array, make: Make,
    rng: np.random.Generator, even: dict[str, Array], rough: dict[str, Array],
) -> None:  # fmt: skip
    """Lobes on pins and pins in holes of all discs, added to their paths."""
    eccentric = body[at + ("crank" if stage.sun else "eccentric")] * theta
    disc, ring = body[at + "disc"] * theta, body[at + "ring"] * theta
    meets = stage.pins * stage.lobes // gcd(stage.pins, stage.lobes)
    contact = np.arange(meets)
    pin_sizes = make.pins * rng.standard_normal(stage.pins)
    carrying = max(2.0, rng.uniform(0.3, 0.42) * stage.pins)
    length = int(carrying) + 2
    windows = [_window(length, carrying, rng.uniform(0.75, 0.95)), _window(length, 1.0, 0.9)]
    turning = TURN * contact / stage.pins
    swing_c, swing_s = np.cos(TURN * ring), np.sin(TURN * ring)
    for one in range(stage.discs):
        lobe_sizes = make.lobes * rng.standard_normal(stage.lobes)
        size = (1 + make.discs * rng.standard_normal()) / stage.discs
        # How far a lobe and its pin overlap under the load; what does not overlap bears nothing.
        overlap = 1 + pin_sizes[contact % stage.pins] + lobe_sizes[contact % stage.lobes]
        wide = np.clip(overlap, 0, None) ** 1.1
        shapes = [rng.standard_normal(stage.pins), rng.standard_normal(stage.lobes)]
        entry = make.entry * (
            1 + 2.5 * make.lobes * (shapes[0][contact % stage.pins] + shapes[1][contact % stage.lobes])
        )
        weights = [size * wide / carrying, size * entry]
        met = stage.pins * (eccentric - ring + one / stage.discs)
        torque = _read(_table(weights, windows), met)
        along = _read(_table([w * np.cos(turning) for w in weights], windows), met)
        across = _read(_table([w * np.sin(turning) for w in weights], windows), met)
        radial = along * swing_c - across * swing_s
        even["ring"] += load * (radial + 0.6 * (torque - torque.mean()))
        rough["ring"] += np.clip(torque + 0.35 * radial, 0, None)
        if not stage.sun:
            holes = np.clip(1 + make.holes * rng.standard_normal(stage.output_pins), 0, None) ** 1.1
            reach = max(2.0, 0.48 * stage.output_pins)
            window = _window(int(reach) + 2, reach, 0.9)
            place = TURN * np.arange(stage.output_pins) / stage.output_pins
            met = stage.output_pins * (eccentric - disc + one / stage.discs)
            sizes = size * holes / reach
            torque = _read(_table([sizes], [window]), met)
            along = _read(_table([sizes * np.cos(place)], [window]), met)
            across = _read(_table([sizes * np.sin(place)], [window]), met)
            radial = along * np.cos(TURN * disc) - across * np.sin(TURN * disc)
            even["output"] += load * (radial + 0.6 * (torque - torque.mean()))
            rough["output"] += np.clip(torque + 0.35 * radial, 0, None)


def _rolling(bearing: Bearing, body: Mapping[str, float], theta: Array, rng: np.random.Generator) -> Array:
    """Force of a sound bearing: elements of uneven size under load, over races that are not quite round."""
    thin = max(1, theta.size // 24_000)
    turn = theta[::thin]
    inner, outer = body[bearing.inner] * turn, body[bearing.outer] * turn
    load = body[bearing.load] * turn
    cage = cage_turns(bearing, body[bearing.inner], body[bearing.outer]) * turn
    waves, phases = rng.integers(2, 9, 2), rng.uniform(0, TURN, 2)
    made = np.zeros(turn.size)
    for element in range(bearing.elements):
        at = cage + element / bearing.elements
        press = np.clip(np.cos(TURN * (at - load)) + 0.1, 0, None)
        uneven = 1 + 0.03 * rng.standard_normal()
        uneven = uneven + 0.02 * np.cos(waves[0] * TURN * (at - inner) + phases[0])
        uneven = uneven + 0.02 * np.cos(waves[1] * TURN * (at - outer) + phases[1])
        made += uneven * press * np.cos(TURN * at)
    made -= made.mean()
    return np.asarray(np.interp(np.arange(theta.size), np.arange(0, theta.size, thin), made)) / bearing.elements
