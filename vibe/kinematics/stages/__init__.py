"""Stage -> bodies, relations and tones, one file per stage kind. Every file of this folder is read for its ``KIND``."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules
from typing import Any

from vibe.core.stages import StageForm
from vibe.kinematics.stages.kind import StageKind

KINDS: dict[type[StageForm], StageKind[Any]] = {}
"""By the form that a drive file fills in."""

for _file in iter_modules(__path__):
    _kind = getattr(import_module(f"{__name__}.{_file.name}"), "KIND", None)
    if _kind is not None:
        KINDS[_kind.form] = _kind


def kind_of(stage: StageForm) -> StageKind[Any]:
    """What the kinematics know of this stage."""
    return KINDS[type(stage)]
