"""Which damage a drive can have, and when each shows: when one body angle passes another."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from vibe.core.drive import Bearing, Drive
from vibe.core.errors import CallError
from vibe.core.stages import StageForm
from vibe.synth.machine.bearings import CAGE_PAST, PARTS, bearing_impacts, load_frame
from vibe.synth.machine.damage import Damage, ImpactTrain
from vibe.synth.machine.forces import Smooth
from vibe.synth.scene import Scene
from vibe.synth.stages import act_of, turning
from vibe.synth.stages.act import Breakable

Maker = Callable[[Scene, Damage], list[ImpactTrain]]

SMOOTH = ("mesh", "second_mesh", "gear_mesh", "output_pin_pass")
"""Wear of all parts of a stage: raises smooth forces, strikes nothing."""


def machine_damages(drive: Drive) -> tuple[str, ...]:
    """Damage that is not in one part: shows through shaft lines."""
    return ("unbalance", "misalignment", "looseness", *(("electrical",) if drive.motor else ()))


def smooth_damages(drive: Drive) -> tuple[str, ...]:
    """Wear of all parts of a stage at once."""
    return tuple(
        f"stage{number}.{name}"
        for number, stage in enumerate(drive.stage, start=1)
        for name in act_of(stage).wears(stage)
    )


def possible_damages(drive: Drive) -> tuple[str, ...]:
    """Every damage this drive can be given."""
    return (*_makers(drive), *smooth_damages(drive), *machine_damages(drive))


def check_damage(drive: Drive, damage: Damage) -> None:
    """Refuse what the drive cannot have.

    Raises:
        CallError: lists what it can have, or how many such parts there are.
    """
    known = possible_damages(drive)
    if damage.tone not in known:
        raise CallError(f"unknown damage {damage.tone!r} for drive {drive.tag!r}; possible: {', '.join(known)}")
    count = part_count(drive, damage.tone)
    if damage.part >= count:
        raise CallError(f"damage {damage.tone!r}: part {damage.part} is not one of 0 to {count - 1}")


def part_count(drive: Drive, tone: str) -> int:
    """How many parts ``tone`` could mean (lobes counted disc after disc, planet teeth planet after planet)."""
    head, _, name = tone.rpartition(".")
    if head.startswith("stage"):
        stage = drive.stage[int(head.removeprefix("stage")) - 1]
        part = act_of(stage).parts(stage).get(name)
        return part.count if part else 1
    if name == "rolling_element":
        bearing = next((b for b in drive.bearing if f"bearing.{b.name}" == head), None)
        return (bearing.elements or 1) if bearing else 1
    return 1


def damage_impacts(scene: Scene, damage: Damage) -> list[ImpactTrain]:
    """Impacts of ``damage``; none for damage that shows smoothly."""
    maker = _makers(scene.drive).get(damage.tone)
    return maker(scene, damage) if maker else []


def _makers(drive: Drive) -> dict[str, Maker]:
    makers: dict[str, Maker] = {}
    for number, stage in enumerate(drive.stage, start=1):
        for name, breakable in act_of(stage).parts(stage).items():
            makers[f"stage{number}.{name}"] = _of_stage(breakable, number, stage)
    turns = turning(drive)
    for bearing in drive.bearing:
        for part in PARTS:
            makers[f"bearing.{bearing.name}.{part}"] = _of_bearing(bearing, part)
        for part in _cage_parts(bearing, turns):
            makers[f"bearing.{bearing.name}.{part}"] = _of_bearing(bearing, part)
    return makers


def _cage_parts(bearing: Bearing, turns: dict[str, float]) -> list[str]:
    """What else the bearing's cage can strike: each frame that turns as no other does, none twice."""
    known = [turns.get(bearing.outer)]
    parts: list[str] = []
    for frame, body in zip(CAGE_PAST, (load_frame(bearing), bearing.inner, "housing"), strict=True):
        if turns.get(body) not in known:
            parts.append(f"cage_past_{frame}")
            known.append(turns.get(body))
    return parts


def _of_bearing(bearing: Bearing, part: str) -> Maker:
    return lambda scene, damage: bearing_impacts(scene, bearing, part, damage)


def _of_stage(part: Breakable[Any], number: int, stage: StageForm) -> Maker:
    return lambda scene, damage: part.impacts(scene, damage, number, stage)


def smooth_forces(scene: Scene, wear: dict[str, float]) -> Smooth:
    """Forces of all stages. ``wear``: extent by tone ("stage1.mesh", "stage1.output_pin_pass")."""
    count = scene.motion.time_s.size
    total = Smooth(np.zeros((len(scene.sides), count)), np.zeros(count))
    for number, stage in enumerate(scene.drive.stage, start=1):
        head = f"stage{number}."
        own = {tone.removeprefix(head): extent for tone, extent in wear.items() if tone.startswith(head)}
        act_of(stage).force(scene, number, stage, own, total)
    total.at_points *= scene.load
    return total
