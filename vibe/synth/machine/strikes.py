"""Impacts where one body angle passes another."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from vibe.synth.machine.contact import path
from vibe.synth.machine.damage import Damage, ImpactTrain, uneven
from vibe.synth.machine.motion import Array, crossings

if TYPE_CHECKING:
    from vibe.synth.scene import Scene


def strikes(
    scene: Scene,
    damage: Damage,
    number: int,
    passing: Array,
    where: Array,
    *,
    strength: float = 1.0,
    pulse_s: float = 1.3e-4,
    jitter_turns: float = 4e-4,
    track: str = "",
    met: Callable[[Array], Array] | None = None,
) -> ImpactTrain:
    """Impacts where ``passing`` (turns) goes through whole numbers; ``where`` is the housing angle of the contact.

    ``met``: how hard the part is met at given times [s], 1 unless given; not at all where it is 0.
    """
    motion = scene.motion
    times = crossings(passing, motion.time_s)
    rng = scene.streams.capture(f"hits {damage.tone} {track}")
    rate = abs(passing[-1] - passing[0]) / (motion.time_s[-1] - motion.time_s[0])
    seen = path(np.interp(times, motion.time_s, where))
    # Slow contacts knock less: the speed of approach is what rings the casing.
    gentle = float(np.clip(np.sqrt(rate / 20.0), 0.25, 1.0)) if rate > 0 else 0.0
    heights = damage.size * strength * gentle * seen * uneven(rng, times.size)
    if met is not None:
        share = met(times)
        times, heights = times[share > 0], (heights * share)[share > 0]
    times = times + jitter_turns / max(rate, 1e-9) * rng.standard_normal(times.size)
    side = scene.stage_side(number)
    return ImpactTrain(
        label=damage.tone,
        source=f"stage{number} {damage.tone.rpartition('.')[2]}",
        times_s=times,
        heights=scene.at_side(side)[:, None] * heights[None, :],
        pulse_s=pulse_s,
        side=side,
    )
