"""Stepped discs in motion."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.core.stages.stepped import SteppedStage
from vibe.synth.machine.forces import Smooth
from vibe.synth.machine.rolling import RollingCircles
from vibe.synth.stages.act import Breakable, StageAct, Wear
from vibe.synth.stages.pair import LobeRow, row_force, row_parts

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


def turns(stage: SteppedStage, speed: float) -> dict[str, float]:
    """Signed turns of its bodies."""
    rolling = RollingCircles()
    rolling.inside("disc", "ring", "eccentric", stage.lobes, stage.ring_pins)
    rolling.inside("disc", "second_ring", "eccentric", stage.second_lobes, stage.second_ring_pins)
    rolling.still("ring")
    turns = rolling.solve("eccentric", speed)
    return turns | {"input": speed, "output": turns["second_ring"]}


def first_row(number: int, stage: SteppedStage) -> LobeRow:
    """The row that rolls in the fixed ring."""
    return LobeRow(number, stage.rows[0])


def second_row(number: int, stage: SteppedStage) -> LobeRow:
    """The row that turns the output's ring."""
    return LobeRow(number, stage.rows[1], "second_")


def parts(stage: SteppedStage) -> dict[str, Breakable[SteppedStage]]:
    """What can be damaged."""
    first, second = stage.rows
    return row_parts(first, first_row) | row_parts(second, second_row, "second_")


def force(scene: Scene, number: int, stage: SteppedStage, wear: Wear, total: Smooth) -> None:
    """Both rows in their rings."""
    row_force(scene, first_row(number, stage), wear.get("mesh", 0.0), total)
    row_force(scene, second_row(number, stage), wear.get("second_mesh", 0.0), total)


ACT = StageAct(form=SteppedStage, turns=turns, parts=parts, wears=lambda _: ("mesh", "second_mesh"), force=force)
