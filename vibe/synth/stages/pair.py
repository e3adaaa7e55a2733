"""Discs with lobes inside a ring of pins: impacts and forces that plain, RV and stepped stages share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import gcd
from typing import TYPE_CHECKING, Any

import numpy as np

from vibe.core.stages.pair import CycloidalPair
from vibe.synth.machine import rollers
from vibe.synth.machine.contact import (
    LOAD_SIDE_TURNS,
    LOAD_WIDTH_TURNS,
    harmonic_limit,
    load_zone,
    look_up,
    smooth_table,
)
from vibe.synth.machine.damage import Damage, ImpactTrain
from vibe.synth.machine.forces import MESH_M_S2, PITCH_LINE_M_S2, Smooth, add, liveliness, parts_turn, relative_hz
from vibe.synth.machine.motion import Array
from vibe.synth.machine.strikes import strikes
from vibe.synth.stages.act import Breakable

if TYPE_CHECKING:
    from vibe.synth.scene import Scene

Extra = Callable[[Array], Array]
"""Force of further parts that the disc loads, by the housing angle of its eccentric [turns]."""


@dataclass(frozen=True, slots=True)
class LobeRow:
    """A row of lobes in its ring: number of the stage, prefix of the ring's name, body that swings the discs."""

    number: int
    pair: CycloidalPair
    prefix: str = ""
    eccentric: str = "eccentric"

    @property
    def head(self) -> str:
        """The stage's name."""
        return f"stage{self.number}"


def disc_share(scene: Scene, number: int, disc: int) -> float:
    """Discs do not share the load equally: a damaged part is struck hardest by the disc that holds its track."""
    if disc == 0:
        return 1.0
    return float(scene.streams.machine(f"track stage{number} {disc}").uniform(0.5, 0.7))


def hub(scene: Scene, row: LobeRow, disc: int) -> Array:
    """Housing angle of the eccentric under one disc."""
    return scene.motion.angle(f"{row.head}.{row.eccentric}") + row.pair.disc_turns[disc]


def swing(scene: Scene, row: LobeRow, disc: int) -> Array:
    """Housing angle of the loaded side of one disc: the eccentric's direction, the disc's phase, the load side."""
    return hub(scene, row, disc) + LOAD_SIDE_TURNS


def ring_pin_impacts(scene: Scene, damage: Damage, row: LobeRow) -> list[ImpactTrain]:
    """One damaged ring pin, met by each disc."""
    pair = row.pair
    pin = scene.motion.angle(f"{row.head}.{row.prefix}ring") + damage.part / pair.pins_fitted
    return [
        strikes(
            scene, damage, row.number, swing(scene, row, disc) - pin, pin,
            strength=disc_share(scene, row.number, disc), track=f"disc {disc}",
        )
        for disc in range(pair.discs)
    ]  # fmt: skip


def lobe_impacts(scene: Scene, damage: Damage, row: LobeRow) -> list[ImpactTrain]:
    """One damaged lobe, of the disc that it is on."""
    pair = row.pair
    disc, lobe = divmod(damage.part, pair.lobes)
    place = scene.motion.angle(f"{row.head}.disc") + lobe / pair.lobes
    load = swing(scene, row, disc)
    past_ring = load - scene.motion.angle(f"{row.head}.{row.prefix}ring")

    def met(times: Array) -> Array:
        """Where the load passes an empty place no pin meets the lobe."""
        at = np.round(np.interp(times, scene.motion.time_s, past_ring) * pair.ring_pins)
        return np.asarray(np.mod(at, pair.ring_pins // pair.pins_fitted) == 0, dtype=np.float64)

    seldom = pair.pins_fitted < pair.ring_pins
    return [strikes(scene, damage, row.number, load - place, place, pulse_s=1.6e-4, met=met if seldom else None)]


def ring_roller_impacts(scene: Scene, damage: Damage, row: LobeRow) -> list[ImpactTrain]:
    """One damaged sleeve of a ring pin."""
    pair = row.pair
    pin = scene.motion.angle(f"{row.head}.ring") + damage.part / pair.pins_fitted
    disc = scene.motion.angle(f"{row.head}.disc")
    passing = rollers.ring_roller(pair, hub(scene, row, 0), pin, disc, coasting_loss(scene, damage))
    return rolled(scene, damage, row, passing, pin)


def coasting_loss(scene: Scene, damage: Damage) -> float:
    """Share of its turn that a roller loses while it bears no load."""
    if scene.conditions.cage_slip == 0.0:
        return 0.0
    return float(scene.streams.machine(f"coast {damage.tone}").uniform(*rollers.COAST))


def rolled(scene: Scene, damage: Damage, row: LobeRow, passing: Array | None, pin: Array) -> list[ImpactTrain]:
    """A roller's spot meets what it rolls on; it is felt while the load stands there."""
    if passing is None:
        return []
    from_load = swing(scene, row, 0) - pin
    return [
        strikes(
            scene, damage, row.number, passing, pin, jitter_turns=2e-3, pulse_s=1.5e-4,
            met=lambda times: load_zone(np.interp(times, scene.motion.time_s, from_load)),
        )
    ]  # fmt: skip


def row_parts(
    pair: CycloidalPair, row_of: Callable[[int, Any], LobeRow], prefix: str = ""
) -> dict[str, Breakable[Any]]:
    """Ring pins and lobes of a row; ``row_of`` (number, stage) gives the row in a drive."""
    return {
        f"{prefix}ring_pin": Breakable(pair.pins_fitted, lambda sc, dm, n, st: ring_pin_impacts(sc, dm, row_of(n, st))),
        f"{prefix}lobe": Breakable(pair.lobes * pair.discs, lambda sc, dm, n, st: lobe_impacts(sc, dm, row_of(n, st))),
    }


def ring_roller_part(pair: CycloidalPair, row_of: Callable[[int, Any], LobeRow]) -> dict[str, Breakable[Any]]:
    """Sleeves on the ring pins, where there are any."""
    if pair.ring_roller_diameter_mm is None:
        return {}
    return {
        "ring_roller": Breakable(pair.pins_fitted, lambda sc, dm, n, st: ring_roller_impacts(sc, dm, row_of(n, st)))
    }


def row_force(scene: Scene, row: LobeRow, wear: float, total: Smooth, extra: Extra | None = None) -> None:
    """Forces of the lobes of all discs on the pins of their ring."""
    motion, head, pair = scene.motion, row.head, row.pair
    name = f"{head}.{row.eccentric}"
    hub_angle = motion.angle(name)
    ring_hz = relative_hz(scene, name, f"{head}.{row.prefix}ring")
    disc_hz = relative_hz(scene, name, f"{head}.disc")
    # Where places are left empty, a lobe finds a pin every so many turns only, and some lobes none.
    every = pair.ring_pins // pair.pins_fitted
    reached = gcd(every, pair.ring_pins - pair.lobes)
    seldom = reached / every
    lively = liveliness(pair.pins_fitted * ring_hz)
    line = PITCH_LINE_M_S2 * lively * scene.conditions.pitch_errors
    rate = scene.conditions.sample_rate_hz
    pins = smooth_table(
        parts_turn(
            scene.streams.machine(f"{head} {row.prefix}pins"),
            count=pair.pins_fitted, width=LOAD_WIDTH_TURNS, limit=harmonic_limit(ring_hz, rate),
            line=line, mesh=MESH_M_S2 * lively, wear=wear,
        )
    )  # fmt: skip
    share = 1.0 + 0.05 * scene.streams.machine(f"{head} {row.prefix}shares").standard_normal(pair.discs)
    share /= share.sum()
    if (uneven := scene.conditions.unequal_discs) and pair.discs > 1:
        # One disc thicker, or its eccentricity larger: it takes load off the others.
        share *= np.where(np.arange(pair.discs) == 0, 1.0 + uneven, 1.0 - uneven / (pair.discs - 1))
    for disc in range(pair.discs):
        direction = hub_angle + pair.disc_turns[disc]
        lobes = smooth_table(
            parts_turn(
                scene.streams.machine(f"{head} {row.prefix}lobes {disc}"),
                count=pair.lobes // reached, width=LOAD_WIDTH_TURNS * seldom,
                limit=harmonic_limit(disc_hz * seldom, rate),
                line=line * pair.discs**0.5, mesh=0.1 * MESH_M_S2 * lively, wear=wear,
            )
        )  # fmt: skip
        force = look_up(pins, direction - motion.angle(f"{head}.{row.prefix}ring"))
        force += look_up(lobes, seldom * (direction - motion.angle(f"{head}.disc")))
        if extra is not None:
            force += extra(direction)
        add(scene, total, row.number, share[disc] * force, direction + LOAD_SIDE_TURNS)
