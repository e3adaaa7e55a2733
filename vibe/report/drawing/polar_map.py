"""The map of one turn of a body: how strong each of its parts is, drawn round a circle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import PolarPlot
from vibe.report.drawing.canvas import BLUE, GREY, INK, VERMILION, Canvas, Key, draw_legend
from vibe.report.drawing.thinning import extremes

_WIDTH, _HEIGHT, _RADIUS = 316.8, 255.6, 93.6
"""Points: 4.4 by 3.55 inches, two next to each other on a page."""
_CENTRE = (158.4, 115.2)
"""Points: the middle across, above it room for the title and below for the legend."""
_SHADE = "#f6d9c6"
_HATCHES = 9
_MOST_POINTS = 360
"""Half of one bin per degree, so that the widest map is as fine as a print shows."""


def part_labels(count: int, marked: tuple[int, ...]) -> list[int]:
    """Which of ``count`` parts get a number: all if they fit round a circle, else every so-manieth, and the marked."""
    step = next((s for s in (1, 2, 5, 10, 20, 25, 50) if count / s <= 30), 50)
    regular = [p for p in range(count) if (p + 1) % step == 0 or p == 0]
    near = step if step > 1 else 0
    crowd = [p for p in regular if p not in marked and any(_apart(p, m, count) < near * 0.6 for m in marked)]
    crowd += [0] if step > 1 and 0 not in marked and regular[-1] == count - 1 else []
    return sorted((set(regular) - set(crowd)) | set(marked))


def _apart(a: int, b: int, count: int) -> int:
    return min((a - b) % count, (b - a) % count)


def draw_turn(plot: PolarPlot) -> Canvas:
    """Level over the parts of a body, number 1 at the top, clockwise; the marked parts are shaded and bold."""
    sheet = Canvas(_WIDTH, _HEIGHT)
    level = plot.level.astype(float)
    finite = level[np.isfinite(level)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    inner = min(low, 0.0)
    high = high if high > inner else inner + 1.0
    inner -= 0.12 * (high - inner)  # a small empty hub: the turn reads as a ring, and low values do not collapse
    mean = float(np.mean(finite)) if finite.size else 0.0
    pitch = 360.0 / plot.count
    shown = part_labels(plot.count, plot.marked)

    spokes = []
    for part in shown:
        x, y = _at(part * pitch, _RADIUS)
        spokes.append(f"M{_CENTRE[0]:g} {_CENTRE[1]:g}L{float(x):.2f} {float(y):.2f}")
    sheet.path("".join(spokes), color="#dddddd", width=0.5, name="grid")
    for part in plot.marked:
        _shade(sheet, part, pitch)
    keep = extremes(level, _MOST_POINTS) if level.size > 2 * _MOST_POINTS else np.arange(level.size)
    radius = _RADIUS * (level[keep] - inner) / (high - inner)
    x, y = _at(plot.angle_deg[keep].astype(float), radius)
    sheet.line(x, y, BLUE, width=1.1, fill=BLUE, opacity=0.25, closed=True, name="curve")
    sheet.path(_circle(_RADIUS * (mean - inner) / (high - inner)), color=INK, width=0.9, dash="4 2", name="mean")
    sheet.path(_circle(_RADIUS), color=GREY, width=0.6, name="axes")
    for part in shown:
        bold = part in plot.marked
        x, y = _at(part * pitch, _RADIUS + (11.0 if bold else 9.0))
        size = 10.5 if bold else 8.0
        sheet.text(
            float(x), float(y) + 0.36 * size, str(part + 1), size=size, color="#a34700" if bold else INK,
            anchor="middle", bold=bold, name="part",
        )  # fmt: skip
    keys = [
        Key(words="level round the turn", color=BLUE, width=1.4),
        Key(words="mean of the turn", color=INK, dash="4 2"),
    ]
    if plot.marked:
        keys.append(
            Key(
                words="stands out",
                color=VERMILION,
                shape="m-6,-3h12v6h-12zm3,0v6m3,-6v6m3,-6v6",
                fill=_SHADE,
                width=0.6,
            )
        )
    draw_legend(sheet, keys, right=_WIDTH - 24.0)
    return sheet


def _at(angle_deg: NDArray[np.float64] | float, radius: NDArray[np.float64] | float) -> tuple[NDArray[np.float64], ...]:
    """Places on the sheet: zero at the top, clockwise."""
    angle = np.deg2rad(angle_deg)
    return np.asarray(_CENTRE[0] + radius * np.sin(angle)), np.asarray(_CENTRE[1] - radius * np.cos(angle))


def _circle(radius: float) -> str:
    x, y, r = *_CENTRE, max(radius, 0.1)
    return f"M{x - r:.2f} {y:g}a{r:.2f},{r:.2f} 0 1,0 {2 * r:.2f},0a{r:.2f},{r:.2f} 0 1,0 {-2 * r:.2f},0z"


def _shade(sheet: Canvas, part: int, pitch: float) -> None:
    """A part's sector with arcs across it, which set it off from the rest without colour."""
    turn = np.linspace((part - 0.5) * pitch, (part + 0.5) * pitch, max(3, round(pitch / 4) + 1))
    x, y = _at(turn, _RADIUS)
    sheet.line(
        np.append(x, _CENTRE[0]), np.append(y, _CENTRE[1]), VERMILION, width=0.6, fill=_SHADE, closed=True,
        name="marked",
    )  # fmt: skip
    arcs = []
    for row in range(1, _HATCHES):
        x, y = _at(turn, _RADIUS * row / _HATCHES)
        arcs.append("M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True)))
    sheet.path("".join(arcs), color=VERMILION, width=0.6, name="hatch")
