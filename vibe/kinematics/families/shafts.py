"""Shafts: once per turn."""

from __future__ import annotations

from collections.abc import Iterator

from vibe.core.tones import Tone
from vibe.kinematics.families.make import counted, text
from vibe.kinematics.relations import ONE, Speeds


def input_tone() -> Tone:
    """The input shaft: order 1 by definition."""
    return counted(
        "input.shaft",
        ONE,
        family="shaft",
        made_by="the input shaft turns once: rest unbalance, bend, coupling",
        source="definition",
        defect="unbalance",
    )


def output_tones(outputs: tuple[str, ...], speeds: Speeds) -> Iterator[Tone]:
    """Each stage's output shaft."""
    for body in outputs:
        order = speeds[body]
        yield counted(
            body,
            order,
            family="shaft",
            made_by=f"the output turns {'with' if order > 0 else 'against'} the input, "
            f"once in {text(1 / abs(order))} input turns",
            source="relations of the stages",
            defect="run-out",
        )
