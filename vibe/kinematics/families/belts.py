"""Belts: once per round of the belt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from vibe.core.drive import BeltStage
from vibe.core.tones import Tone
from vibe.kinematics.families.make import counted
from vibe.kinematics.relations import Speeds


def belt_tones(stage: BeltStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """The belt pass tone, where the belt's length is known."""
    if stage.belt_length_mm is None:
        return
    tone = counted(
        f"{name}.belt",
        speeds[f"{name}.belt"],
        family="belt",
        made_by="one spot of the belt comes round: pi x driving diameter / belt length; "
        "it crosses two pulleys per round, so twice this order speaks too",
        source="geometry of the belt; common practice",
        defect="belt damage",
        meetings=2,
    )
    # pi and a measured length: no exact order.
    yield replace(tone, order_exact=None)
