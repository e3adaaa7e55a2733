"""Captures whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from vibe.flow.settings import tones_of


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
    from vibe.synth.conditions import Conditions
    from vibe.synth.damage import parse_damage
    from vibe.synth.simulate import simulate
    from vibe.synth.surroundings import parse_surrounding
    from vibe.synth.writers import write_capture

    drive, _ = tones_of(drive_path)
    under = Conditions(**conditions, surroundings=tuple(parse_surrounding(text) for text in around))
    capture = simulate(drive, [parse_damage(text) for text in damage], seed=seed, conditions=under)
    return write_capture(capture, out, force=force)
