"""Rolling bearings by rolling: ring surfaces carry the elements round, the cage slips a little."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sqrt

import numpy as np

from vibe.core.drive import Bearing
from vibe.core.errors import CallError
from vibe.synth.machine.contact import LOAD_SIDE_TURNS, load_zone, path
from vibe.synth.machine.damage import Damage, ImpactTrain, uneven
from vibe.synth.machine.motion import Array, crossings
from vibe.synth.scene import Scene, orbit_body

PARTS = ("outer_race", "inner_race", "rolling_element", "cage")
CAGE_PAST = ("load", "inner", "housing")
"""What a cage may strike besides the outer ring's land: damage ``cage_past_<frame>``."""
GRAVITY_TURNS = 0.75
"""Loads that stand still in the housing point down."""


@dataclass(frozen=True, slots=True)
class Rolling:
    """Contact radii over the pitch diameter: inner (1 - k)/2, outer (1 + k)/2, element radius e/2; n elements."""

    elements: int
    inner_radius: float
    outer_radius: float
    element_radius: float


def rolling(bearing: Bearing) -> Rolling:
    """Radii from the geometry, else from a table of orders.

    A table gives k back: per turn of ring against ring, n(1 - k)/2 elements pass a point of the outer ring and
    n(1 + k)/2 one of the inner ring.

    Raises:
        CallError: the table is too short to place the elements.
    """
    if bearing.elements and bearing.element_diameter_mm and bearing.pitch_diameter_mm:
        ratio = bearing.element_diameter_mm / bearing.pitch_diameter_mm
        k = ratio * cos(radians(bearing.contact_angle_deg))
        return Rolling(bearing.elements, (1.0 - k) / 2.0, (1.0 + k) / 2.0, ratio / 2.0)
    table = bearing.orders
    count: float | None = bearing.elements
    cage = table.cage if table else None
    if table and table.outer_race and table.inner_race:
        count = count or round(table.outer_race + table.inner_race)
        cage = cage or table.outer_race / (table.outer_race + table.inner_race)
    elif table and table.outer_race:
        count = count or (round(table.outer_race / cage) if cage else None)
        cage = cage or (table.outer_race / count if count else None)
    elif table and table.inner_race:
        count = count or (round(table.inner_race / (1.0 - cage)) if cage else None)
        cage = cage or (1.0 - table.inner_race / count if count else None)
    if count is None or cage is None or not 0 < cage < 0.5:
        raise CallError(
            f"bearing {bearing.name!r} cannot be simulated: its table of orders does not give the number of elements "
            "and the cage order"
        )
    k = 1.0 - 2.0 * cage
    element = k
    if table and table.rolling_element:
        # spin per turn s = (1 - k^2) / (2 e), with e the element over the pitch diameter
        element = (1.0 - k * k) / (2.0 * table.rolling_element)
    return Rolling(int(count), (1.0 - k) / 2.0, (1.0 + k) / 2.0, element / 2.0)


def slow_noise(scene: Scene, rng: np.random.Generator, correlation_s: float) -> Array:
    """Unit-variance noise that forgets after ``correlation_s``, (n,): first-order, made coarsely and interpolated."""
    time_s = scene.motion.time_s
    step = correlation_s / 4.0
    count = int(np.ceil((time_s[-1] - time_s[0]) / step)) + 2
    keep = np.exp(-0.25)
    drive = rng.standard_normal(count) * sqrt(1.0 - keep * keep)
    level = float(rng.standard_normal())
    values = np.empty(count)
    for i in range(count):
        level = keep * level + drive[i]
        values[i] = level
    return np.asarray(np.interp(time_s, time_s[0] + step * np.arange(count), values))


def load_frame(bearing: Bearing) -> str:
    """Body in whose frame the load stands still: as stated, else the eccentric that pushes a disc, else the housing."""
    if bearing.load:
        return bearing.load
    ends = (bearing.inner, bearing.outer)
    pushed = any(end.endswith(".disc") for end in ends)
    return next((end for end in ends if pushed and end.endswith((".eccentric", ".crank"))), "housing")


@dataclass(frozen=True, slots=True, eq=False)
class Angles:
    """Angles in turns (n,): rings and cage in the housing frame, ``spin`` of an element about its own axis seen from
    the cage."""

    inner: Array
    outer: Array
    cage: Array
    spin: Array
    load: Array
    slip: float


def angles(scene: Scene, bearing: Bearing) -> Angles:
    """Integrate cage and spin from the surface speeds.

    An element rolls on both rings, so its centre moves at the mean of the two surface speeds, at half the pitch
    diameter: d(cage - outer) = r_inner (d inner - d outer) / (r_inner + r_outer), less the slip.
    """
    motion = scene.motion
    radii = rolling(bearing)
    inner, outer = motion.angle(bearing.inner), motion.angle(bearing.outer)
    rng = scene.streams.capture(f"slip {bearing.name}")
    mean = float(rng.uniform(0.001, 0.008)) if scene.conditions.cage_slip is None else scene.conditions.cage_slip
    slip = np.full(inner.size, mean)
    if mean > 0:
        slip *= 1.0 + 0.15 * slow_noise(scene, rng, 0.25)
    share = radii.inner_radius / (radii.inner_radius + radii.outer_radius)
    steps = np.diff(inner - outer) * share * (1.0 - slip[:-1])
    start = scene.streams.capture(f"cage start {bearing.name}").uniform()
    cage = outer + start + np.concatenate([[0.0], np.cumsum(steps)])
    spin = start + (outer - cage) * radii.outer_radius / radii.element_radius
    load_body = load_frame(bearing)
    direction = GRAVITY_TURNS if motion.rate(load_body) == 0.0 else LOAD_SIDE_TURNS
    return Angles(inner, outer, cage, spin, motion.angle(load_body) + direction, mean)


def bearing_impacts(scene: Scene, bearing: Bearing, part: str, damage: Damage) -> list[ImpactTrain]:
    """Impacts of one damaged bearing part: an element passes the damage, as strong as the load there allows."""
    motion = scene.motion
    if motion.rate(bearing.inner) == motion.rate(bearing.outer):
        return []
    radii, turn = rolling(bearing), angles(scene, bearing)
    rng = scene.streams.capture(f"hits {damage.tone}")
    name = f"bearing {bearing.name}"
    roller = radii.element_radius > 0.1 and bearing.outer.endswith("disc")
    exponent = 1.11 if roller else 1.5
    if part in ("outer_race", "inner_race"):
        ring_body = bearing.outer if part == "outer_race" else bearing.inner
        ring = turn.outer if part == "outer_race" else turn.inner
        load_body = load_frame(bearing)
        # A spall grows where the load stands; on a ring that turns past the load every place is equal.
        if motion.rate(ring_body) == motion.rate(load_body):
            place = float(turn.load[0] - ring[0] + rng.normal(0.0, 0.03))
        else:
            place = float(scene.streams.machine(f"place {damage.tone}").uniform())
        times = crossings(radii.elements * (turn.cage - ring - place), motion.time_s)
        where = np.interp(times, motion.time_s, ring) + place
        strength = np.ones(times.size)
        jitter = 0.004 / radii.elements
        rate = np.abs(np.mean(np.gradient(turn.cage - ring, motion.time_s)))
    elif part == "rolling_element":
        which = damage.part % radii.elements / radii.elements
        on_outer = crossings(turn.spin, motion.time_s)
        on_inner = crossings(turn.spin + 0.5, motion.time_s)
        times = np.concatenate([on_outer, on_inner])
        strength = np.concatenate([np.ones(on_outer.size), np.full(on_inner.size, 0.8)])
        order = np.argsort(times)
        times, strength = times[order], strength[order]
        where = np.interp(times, motion.time_s, turn.cage) + which
        jitter = 0.004
        rate = np.abs(np.mean(np.gradient(turn.spin, motion.time_s)))
    else:
        # A cage guided by the outer ring: its broken bar catches one worn spot of the ring's land each round. Guided
        # by the inner ring it does so there; bent, it rubs a shield in the housing; an odd element meets the load.
        still = np.zeros_like(turn.cage)
        frame = {"cage_past_inner": turn.inner, "cage_past_load": turn.load, "cage_past_housing": still}
        passing = turn.cage - frame.get(part, turn.outer)
        times = crossings(passing, motion.time_s)
        where = np.interp(times, motion.time_s, frame.get(part, turn.load))
        strength = np.ones(times.size)
        jitter = 0.003
        rate = np.abs(np.mean(np.gradient(passing, motion.time_s)))
    # A cage bears no load, and what strikes the load does so where it is highest.
    load_at = where if part.startswith("cage") else np.interp(times, motion.time_s, turn.load)
    heights = strength * load_zone(where - load_at, exponent=exponent) * uneven(rng, times.size)
    orbit = next(
        (b for b in (orbit_body(scene.drive, bearing.inner), orbit_body(scene.drive, bearing.outer)) if b), None
    )
    seen = path(np.interp(times, motion.time_s, motion.angle(orbit)) if orbit else where)
    if scene.conditions.cage_slip != 0.0:
        times = times + jitter / max(rate, 1e-9) * rng.standard_normal(times.size)
    ends = [side for side in map(scene.body_side, (bearing.inner, bearing.outer)) if side != "middle"]
    side = ends[0] if ends else "middle"
    reach = scene.at_side(side)
    return [
        ImpactTrain(
            label=damage.tone,
            source=name,
            times_s=times,
            heights=reach[:, None] * (damage.size * heights * seen)[None, :],
            pulse_s=3e-4 if part.startswith("cage") and part != "cage_past_load" else 8e-5,
            side=side,
        )
    ]
