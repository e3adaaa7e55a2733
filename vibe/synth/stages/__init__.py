"""Kinds of stage in motion, one file a kind. Every file of this folder is read for its ``ACT``.

This is on purpose a second, separate road to the motion of a drive: surfaces that roll on one another.
"""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules
from typing import Any

from vibe.core.drive import Drive
from vibe.core.stages import StageForm
from vibe.synth.stages.act import StageAct

ACTS: dict[type[StageForm], StageAct[Any]] = {}
"""By the form that a drive file fills in."""

for _file in iter_modules(__path__):
    _act = getattr(import_module(f"{__name__}.{_file.name}"), "ACT", None)
    if _act is not None:
        ACTS[_act.form] = _act


def act_of(stage: StageForm) -> StageAct[Any]:
    """How this stage moves."""
    return ACTS[type(stage)]


def turning(drive: Drive) -> dict[str, float]:
    """Signed turns of every body per turn of the input."""
    turns = {"housing": 0.0, "input": 1.0, "motor": 1.0}
    speed = 1.0
    for number, stage in enumerate(drive.stage, start=1):
        own = act_of(stage).turns(stage, speed)
        turns |= {f"stage{number}.{body}": value for body, value in own.items()}
        speed = own["output"]
    turns["output"] = speed
    return turns
