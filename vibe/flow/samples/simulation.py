"""Captures whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.drive import Drive


def simulate_file(
    drive_path: Path,
    damage: Sequence[str],
    seed: int,
    out: Path,
    force: bool,
    around: Sequence[str] = (),
    **conditions: Any,
) -> Path:
    """A capture with known truth, written in the format that ``out`` names."""
    from vibe.synth.writers import write_capture

    drive, _ = tones_of(drive_path)
    return write_capture(simulated(drive, damage, seed, around, **conditions), out, force=force)


def simulated(drive: Drive, damage: Sequence[str], seed: int, around: Sequence[str] = (), **conditions: Any) -> Capture:
    """A capture with known truth. ``conditions`` are fields of ``synth.conditions.Conditions``.

    Raises:
        CallError: a damage, a machine around the drive or a condition that cannot be.
    """
    from vibe.synth.conditions import Conditions
    from vibe.synth.machine.damage import parse_damage
    from vibe.synth.simulate import simulate
    from vibe.synth.surroundings.surroundings import parse_surrounding

    under = Conditions(**conditions, surroundings=tuple(parse_surrounding(text) for text in around))
    return simulate(drive, [parse_damage(text) for text in damage], seed=seed, conditions=under)
