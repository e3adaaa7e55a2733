"""Levels against speed as a small drawing inside the page: the same numbers give the same text, wherever it is made."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import ceil, floor, log10

from markupsafe import Markup, escape

from vibe.core.records.commissioning import SpeedCurve
from vibe.core.text import time_spans
from vibe.report import words

WIDTH, HEIGHT = 330.0, 170.0
"""Points of the picture, without a unit: half the width of a page."""
LEFT, RIGHT, TOP, BOTTOM = 30.0, 14.0, 8.0, 32.0
"""Margins that hold the texts, in the same unit."""
WHOLE = 1.1
"""Of a curve whose ends alone say nothing, that is not said."""
MOST_CURVES = 4
"""Drawn; all are in the record."""


def drawn(curves: Sequence[SpeedCurve]) -> list[tuple[str, Markup, str]]:
    """(heading, drawing, words on resonances) of the first curves."""
    found = []
    for curve in curves[:MOST_CURVES]:
        heading = words.printable(f"{curve.kind} at {curve.point}")
        at = ", ".join(f"{speed:.0f}" for speed in curve.resonances_rpm)
        said = f"Resonance at {at} r/min" if at else "No resonance stands out"
        if curve.read_rpm is None and curve.speed_from == "own lines":
            said = "No resonance was looked for: speeds are known over too short a range"
        found.append((heading, chart(curve), f"{said}{_asked(curve)}.{_speed_from(curve)}"))
    return found


def _asked(curve: SpeedCurve) -> str:
    """Where that was looked for, if not all along."""
    if curve.read_rpm is None:
        return ""
    low, high = curve.read_rpm
    inside = low <= curve.speed_rpm[0] * WHOLE and high * WHOLE >= curve.speed_rpm[-1]
    return "" if inside else f"; looked for from {low:.0f} to {high:.0f} r/min"


def _speed_from(curve: SpeedCurve) -> str:
    """Where there was no pulse: how sure the speed is, and where it is not known."""
    if curve.speed_from == "pulses":
        return ""
    sure = "" if curve.speed_uncertainty_percent is None else f", within {curve.speed_uncertainty_percent:g} % (k = 2)"
    text = f" Speed from the drive's own lines{sure}"
    if curve.unknown_s:
        text += f"; {time_spans(curve.unknown_s)} they do not stand out: no level is stated there"
    return f"{text}."


def _unbroken(curve: SpeedCurve) -> list[range]:
    """Places of levels between which no speed is missing."""
    cuts = [
        place
        for place in range(1, len(curve.speed_rpm))
        if any(low >= curve.speed_rpm[place - 1] * 0.999 and high <= curve.speed_rpm[place] * 1.001
               for low, high in curve.gaps_rpm)
    ]  # fmt: skip
    ends = [0, *cuts, len(curve.speed_rpm)]
    return [range(a, b) for a, b in pairwise(ends)]


def chart(curve: SpeedCurve) -> Markup:
    """Velocity r.m.s. as a line, the line once per turn broken, over speed."""
    top = max(*curve.velocity_mm_s, *curve.once_per_turn_mm_s, 1e-6)
    ups = ticks(0.0, top)
    across = ticks(curve.speed_rpm[0], curve.speed_rpm[-1])
    low, high = min(across[0], curve.speed_rpm[0]), max(across[-1], curve.speed_rpm[-1])

    def x(speed: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (speed - low) / ((high - low) or 1.0)

    def y(level: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * level / ups[-1]

    parts = [f'<svg class="over-speed" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img">']
    for level in ups:
        parts.append(f'<path d="M{LEFT:g} {y(level):.1f}H{WIDTH - RIGHT:g}" stroke="#ccc" stroke-width=".7"/>')
        parts.append(_text(LEFT - 4, y(level) + 3.2, f"{level:g}", "end"))
    for speed in across:
        parts.append(f'<path d="M{x(speed):.1f} {HEIGHT - BOTTOM:g}v3" stroke="#000" stroke-width=".8"/>')
        parts.append(_text(x(speed), HEIGHT - BOTTOM + 12, f"{speed:g}", "middle"))
    parts.append(f'<path d="M{LEFT:g} {HEIGHT - BOTTOM:g}H{WIDTH - RIGHT:g}" stroke="#000" stroke-width=".9"/>')
    for values, look in ((curve.velocity_mm_s, ""), (curve.once_per_turn_mm_s, ' stroke-dasharray="4 2.4"')):
        lines = ("L".join(f"{x(curve.speed_rpm[n]):.1f} {y(values[n]):.1f}" for n in own) for own in _unbroken(curve))
        parts.append(f'<path d="M{"M".join(lines)}" fill="none" stroke="#000" stroke-width="1.3"{look}/>')
    parts.append(_text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 5, "speed of the input, r/min; levels in mm/s", "middle"))
    return Markup("".join([*parts, "</svg>"]))


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers over a span, the last at its end or beyond it.

    >>> ticks(0.0, 1.7)
    [0.0, 0.5, 1.0, 1.5, 2.0]
    """
    span = (high - low) or 1.0
    step = 10 ** floor(log10(span / (most - 1)))
    step *= next((many for many in (1, 2, 5) if span / (many * step) <= most - 1), 10)
    first = floor(low / step + 1e-9)
    return [round(step * number, 10) for number in range(first, ceil(high / step - 1e-9) + 1)]


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="9" text-anchor="{anchor}">{escape(text)}</text>'
