"""A plain cycloidal stage in motion."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.core.stages.cycloidal import CycloidalStage
from vibe.synth.machine import rollers
from vibe.synth.machine.contact import harmonic_limit, look_up, smooth_table
from vibe.synth.machine.damage import Damage, ImpactTrain
from vibe.synth.machine.forces import MESH_M_S2, PITCH_LINE_M_S2, Smooth, liveliness, parts_turn, relative_hz
from vibe.synth.machine.rolling import RollingCircles
from vibe.synth.machine.strikes import strikes
from vibe.synth.stages.act import Breakable, StageAct, Wear
from vibe.synth.stages.pair import (
    Extra,
    LobeRow,
    coasting_loss,
    disc_share,
    hub,
    ring_roller_part,
    rolled,
    row_force,
    row_parts,
    swing,
)

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


def turns(stage: CycloidalStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    rolling = RollingCircles()
    rolling.inside("disc", "ring", "eccentric", stage.lobes, stage.ring_pins)
    rolling.same("pins", "disc")
    rolling.still("ring" if stage.fixed == "ring" else "pins")
    turns = rolling.solve("eccentric", speed)
    turns["output"] = turns["pins"] if stage.fixed == "ring" else turns["ring"]
    return turns | {"input": speed}


def output_roller_impacts(scene: Scene, damage: Damage, number: int, stage: CycloidalStage) -> list[ImpactTrain]:
    """One damaged roller on an output pin."""
    row = LobeRow(number, stage)
    pin = scene.motion.angle(f"{row.head}.pins") + damage.part / (stage.output_pins or 1)
    disc = scene.motion.angle(f"{row.head}.disc")
    passing = rollers.output_roller(stage, hub(scene, row, 0), pin, disc, coasting_loss(scene, damage))
    return rolled(scene, damage, row, passing, pin)


def output_pin_impacts(scene: Scene, damage: Damage, number: int, stage: CycloidalStage) -> list[ImpactTrain]:
    """One damaged output pin, met by each disc."""
    row = LobeRow(number, stage)
    pins = stage.output_pins or 1
    pin = scene.motion.angle(f"{row.head}.pins") + damage.part / pins
    return [
        strikes(
            scene, damage, row.number, swing(scene, row, disc) - pin, pin,
            strength=disc_share(scene, row.number, disc), pulse_s=1.5e-4, track=f"disc {disc}",
        )
        for disc in range(stage.discs)
    ]  # fmt: skip


def disc_bore_impacts(scene: Scene, damage: Damage, number: int, stage: CycloidalStage) -> list[ImpactTrain]:
    """One damaged bore, of the disc that it is in."""
    row = LobeRow(number, stage)
    pins = stage.output_pins or 1
    disc, bore = divmod(damage.part, pins)
    place = scene.motion.angle(f"{row.head}.disc") + bore / pins
    return [strikes(scene, damage, row.number, swing(scene, row, disc) - place, place, pulse_s=1.5e-4)]


def parts(stage: CycloidalStage) -> dict[str, Breakable[CycloidalStage]]:
    """What can be damaged."""
    found = row_parts(stage, LobeRow) | ring_roller_part(stage, LobeRow)
    if stage.output_roller_diameter_mm is not None:
        found["output_roller"] = Breakable(stage.output_pins or 1, output_roller_impacts)
    if stage.output_pins:
        found["output_pin"] = Breakable(stage.output_pins, output_pin_impacts)
        found["disc_bore"] = Breakable(stage.output_pins * stage.discs, disc_bore_impacts)
    return found


def wears(stage: CycloidalStage) -> tuple[str, ...]:
    """The mesh, and the output pins where they are counted."""
    return ("mesh", "output_pin_pass") if stage.output_pins else ("mesh",)


def force(scene: Scene, number: int, stage: CycloidalStage, wear: Wear, total: Smooth) -> None:
    """Discs in their ring, and the output pins that they push."""
    row, pins = LobeRow(number, stage), stage.output_pins
    extra = None if not pins else _output_pins(scene, row, pins, wear.get("output_pin_pass", 0.0))
    row_force(scene, row, wear.get("mesh", 0.0), total, extra)


def _output_pins(scene: Scene, row: LobeRow, pins: int, wear: float) -> Extra:
    motion, head, eccentric = scene.motion, row.head, f"{row.head}.{row.eccentric}"
    lively = liveliness(row.pair.pins_fitted * relative_hz(scene, eccentric, f"{head}.ring"))
    disc_hz = relative_hz(scene, eccentric, f"{head}.disc")
    table = smooth_table(
        parts_turn(
            scene.streams.machine(f"{head} output pins"),
            count=pins, width=0.5, limit=harmonic_limit(disc_hz, scene.conditions.sample_rate_hz),
            line=PITCH_LINE_M_S2 * lively * scene.conditions.pitch_errors, mesh=0.1 * MESH_M_S2 * lively, wear=wear,
        )
    )  # fmt: skip
    return lambda direction: look_up(table, direction - motion.angle(f"{head}.pins"))


ACT = StageAct(form=CycloidalStage, turns=turns, parts=parts, wears=wears, force=force)
