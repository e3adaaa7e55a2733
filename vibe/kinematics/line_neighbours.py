"""Which lines of a drive stand near a line that somebody asks for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from vibe.core.tones import Tone, ToneTable

STRIKING = ("mesh", "ring pin", "lobe", "output pin", "output pin pass", "gear tooth", "planet pass", "belt", "driven",
            "fitted")  # fmt: skip
"""Families whose lines stand at exact orders and have many harmonics."""
STRIKING_HARMONICS = 40
"""Harmonics of what strikes or meshes, as many as the envelope allows them (common practice)."""
SLOW_HARMONICS = 12
"""Of a shaft that is slower than the one asked about, in its own right (common practice)."""
FIXED = ("motor.line", "motor.twice_line")
"""Tones that follow the supply, not the shaft."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbours:
    """Orders of lines that may stand near one, and frequencies [Hz] of those that do not follow the shaft."""

    orders: tuple[float, ...]
    fixed_hz: tuple[float, ...]


def neighbours(table: ToneTable, order: float, *, stage: str, within: float, input_hz: float) -> Neighbours:
    """Lines within ``within`` orders of the one at ``order``, itself left out.

    A line of a shaft or a mesh is carried past a fixed sensor and through the load by the slower bodies of its own
    stage, so that it has sidebands at every multiple of their turns: those of the first ``stage`` for the input.
    Harmonics of whatever else turns or meshes come to stand there by chance.
    """
    found = {0.0}
    slow = {abs(float(body.order)) for body in table.bodies if body.body.startswith(f"{stage}.")}
    for step in sorted(one for one in slow if 0 < one < max(order, 1.0) * (1 - 1e-9)):
        found |= {order + sign * k * step for k in range(1, int(within / step) + 1) for sign in (-1, 1)}
    for tone in table.tones:
        found |= set(_harmonics(tone, order, within))
    places = {round(one, 10) for one in found}  # One place by several ways is one line.
    fixed = {harmonic * tone.order * input_hz for tone in table.tones if tone.id in FIXED for harmonic in (1, 2)}
    return Neighbours(
        orders=tuple(sorted(one for one in places if one > 0 and 1e-9 < abs(one - order) <= within)),
        fixed_hz=tuple(sorted(hz for hz in fixed if abs(hz / input_hz - order) <= within)),
    )


def _harmonics(tone: Tone, order: float, within: float) -> Iterator[float]:
    if any(tone.slip) or tone.family not in ("shaft", *STRIKING):
        return
    most = STRIKING_HARMONICS if tone.family in STRIKING or tone.order >= 1 else SLOW_HARMONICS
    first, last = int((order - within) / tone.order), int((order + within) / tone.order) + 1
    for harmonic in range(max(1, first), min(last, most) + 1):
        yield harmonic * tone.order
        for side in tone.sidebands if tone.family in STRIKING else ():
            yield from (harmonic * tone.order + times * side.order for times in (-2, -1, 1, 2))
