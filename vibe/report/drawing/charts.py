"""Still pictures: spectra with their comb, maps round a turn, waveforms. One idea each, drawn once, as SVG.

Every mark has a shape of its own besides its colour, so that a black-and-white print says the same.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import Mark, PlotData, PolarPlot, SpectrumPlot, WaveformPlot
from vibe.report.drawing.canvas import BLUE, GREEN, GREY, INK, VERMILION, Box, Canvas, Key, draw_axes, draw_legend
from vibe.report.drawing.polar_map import draw_turn
from vibe.report.drawing.thinning import extremes
from vibe.report.printing.text_width import text_width
from vibe.report.words import number, printable

WIDTH_IN = 6.9
"""A4 less its margins."""
_WIDTH = 72 * WIDTH_IN
"""Points: 72 an inch."""
_LEFT, _RIGHT = 49.0, 14.5
"""Margins [points] that hold the texts."""
_STILL_BINS = 450
"""About one per point of the axis: as fine as the line is thick."""
_FLOOR_BINS = 75
"""Steps of the floor's line: it is smooth, so that a sixth of the axis's will do."""
_LABELLED_COMB = 6
"""Harmonics that get a number; more touch (looked at)."""
LABEL_SIZE = 7.5
"""Points."""
_DASHES = "4 2"
_NAMES = {
    "comb": "harmonics of this tone",
    "sideband": "predicted sidebands",
    "owner": "lines with another owner",
    "limit": "limit",
}
LABEL_COLOUR = {"comb": "#a34700", "owner": "#444444", "sideband": "#a34700", "limit": "#00644a"}
"""Dark enough to read as text (contrast over 4.5 to 1 on white)."""
_SHAPES = {
    "owner": Key(
        words="", color=GREY, shape="m-1.9,0a1.9,1.9 0 1,0 3.8,0a1.9,1.9 0 1,0 -3.8,0z", fill="#fff", width=0.9
    ),
    "sideband": Key(words="", color=VERMILION, shape="m0,-2l2,2l-2,2l-2,-2z", fill="#fff", width=0.8),
    "comb": Key(words="", color=VERMILION, shape="m0,-0.5l-2.3,-4.6h4.6z", fill=VERMILION, width=0.4),
}
"""Drawn in this order; the triangle sits on a line's tip instead of covering it."""


def svg(plot: PlotData) -> str:
    """The picture of one plot as SVG, the same bytes for the same plot.

    Raises:
        TypeError: a plot of a kind that has no picture.
    """
    if isinstance(plot, SpectrumPlot):
        return _spectrum(plot).svg()
    if isinstance(plot, PolarPlot):
        return draw_turn(plot).svg()
    if isinstance(plot, WaveformPlot):
        return _waveform(plot).svg()
    raise TypeError(f"no picture for {type(plot).__name__}")


def describe(plot: PlotData) -> str:
    """Words for a person who cannot see the picture."""
    if isinstance(plot, SpectrumPlot):
        said = f"Spectrum: {plot.y_label} against {plot.x_label}."
        if plot.y.size and np.isfinite(plot.y).any():
            top = int(np.nanargmax(plot.y))
            said += f" Highest line {number(float(plot.y[top]))} at {number(float(plot.x[top]), 4)}."
        combs = [mark.label for mark in plot.marks if mark.kind == "comb"]
        if combs:
            said += f" {len(combs)} harmonics marked."
    elif isinstance(plot, PolarPlot):
        parts = ", ".join(str(part + 1) for part in plot.marked)
        said = f"Map of one turn by {plot.part}, 1 to {plot.count}; standing out: {parts or 'none'}."
    elif isinstance(plot, WaveformPlot):
        said = f"Waveform: {plot.y_label} against time."
    else:
        said = "Picture."
    return f"{plot.title}. {said}"


# ── axes ──────────────────────────────────────────────────────────────────────────────────────────────────────────


def _box(
    height: float, x: NDArray[np.floating], y: tuple[float, float], *, marks: bool = True, log_y: bool = False
) -> Box:
    """Axes on a sheet of ``height`` points; without ``marks`` no room is kept for labels above and a legend below."""
    first, last = (float(x[0]), float(x[-1])) if x.size > 1 and x[-1] > x[0] else (0.0, 1.0)
    top, below = (30.0, 45.0) if marks else (9.0, 33.0)
    return Box(left=_LEFT, right=_WIDTH - _RIGHT, top=top, bottom=height - below, x=(first, last), y=y, log_y=log_y)


def spectrum_y_limits(plot: SpectrumPlot) -> tuple[float, float]:
    """Bottom and top of the y axis: headroom for marks, room for the floor's line, which may lie above all values."""
    y = plot.y[np.isfinite(plot.y)].astype(float)
    if plot.log_y:
        y = y[y > 0]
        if not y.size:
            return 1e-3, 1.0
        top = float(y.max())
        # Well below the floor there is only the wall of its own scatter: nothing to read, so it is cut.
        bottom = float(np.percentile(y, 5)) * 0.5
        if plot.floor is not None:
            floor = plot.floor[np.isfinite(plot.floor) & (plot.floor > 0)]
            bottom = float(floor.min()) * 0.4 if floor.size else bottom
        bottom = max(min(bottom, top / 10), top * 1e-6)
        return bottom, top * (top / bottom) ** 0.12
    if not y.size:
        return 0.0, 1.0
    shown = y if plot.floor is None else np.concatenate([y, plot.floor[np.isfinite(plot.floor)]])
    low, high = min(float(shown.min()), 0.0), float(shown.max())
    return low * 1.05, high + 0.13 * (high - low or 1.0)


def mark_heights(marks: tuple[Mark, ...], x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.float64]:
    """The height of the line under each mark: the largest ``y`` within half a thousandth of the axis of it."""
    if not x.size:
        return np.zeros(len(marks))
    reach = max(0.0005 * float(x[-1] - x[0]), 1e-12)
    heights = []
    for mark in marks:
        first, last = np.searchsorted(x, [mark.at - reach, mark.at + reach])
        near = y[max(int(first) - 1, 0) : int(last) + 1]
        near = near[np.isfinite(near)]
        heights.append(float(near.max()) if near.size else 0.0)
    return np.array(heights)


def _spectrum(plot: SpectrumPlot) -> Canvas:
    order = np.argsort(plot.x, kind="stable")
    x, y = plot.x[order], plot.y[order]
    sheet = Canvas(_WIDTH, 198.0)
    box = _box(sheet.height, x, spectrum_y_limits(plot), log_y=plot.log_y)
    draw_axes(sheet, box, plot.x_label, plot.y_label)
    _guides(sheet, box, plot.marks)
    keep = extremes(y, _STILL_BINS)
    sheet.line(box.across(x[keep]), box.down(y[keep]), BLUE, width=0.8, name="curve")
    keys = []
    if plot.floor is not None:
        floor = plot.floor[order]
        every = extremes(floor, _FLOOR_BINS)
        sheet.line(box.across(x[every]), box.down(floor[every]), INK, width=0.9, dash=_DASHES, name="floor")
        keys.append(Key(words="floor", color=INK, dash=_DASHES))
    keys += _marks(sheet, box, plot.marks, x, y)
    draw_legend(sheet, keys, right=box.right)
    return sheet


def _waveform(plot: WaveformPlot) -> Canvas:
    marked = bool(plot.marks)
    time, low, high = _outline(plot, _STILL_BINS)
    finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]]).astype(float)
    bottom, top = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    span = top - bottom or 1.0
    sheet = Canvas(_WIDTH, 166.0 if marked else 137.0)
    box = _box(sheet.height, plot.time_s, (bottom - 0.05 * span, top + 0.12 * span), marks=marked)
    draw_axes(sheet, box, "Time [s]", plot.y_label)
    _guides(sheet, box, plot.marks)
    if np.array_equal(low, high):
        sheet.line(box.across(time), box.down(high), BLUE, width=0.8, name="curve")
    else:
        # The envelope as one closed outline: along the highs, back along the lows.
        there = np.concatenate([time, time[::-1]])
        around = np.concatenate([high, low[::-1]])
        sheet.line(box.across(there), box.down(around), BLUE, width=0.5, fill=BLUE, closed=True, name="curve")
    keys = _marks(sheet, box, plot.marks, plot.time_s, plot.high, comb="expected impacts")
    draw_legend(sheet, keys, right=box.right)
    return sheet


def _outline(plot: WaveformPlot, bins: int) -> tuple[NDArray[np.floating], NDArray[np.floating], NDArray[np.floating]]:
    """Time, lowest and highest value (about ``bins`` each) of equal segments of a waveform."""
    time, low, high = plot.time_s, plot.low, plot.high
    size = -(-time.size // bins)
    if size <= 1:
        return time, low, high
    starts = np.arange(0, time.size, size)
    return time[starts], np.fmin.reduceat(low, starts), np.fmax.reduceat(high, starts)


def _guides(sheet: Canvas, box: Box, marks: tuple[Mark, ...]) -> None:
    """What lies behind the curve: limits from top to bottom, and dotted lines from harmonics to their labels."""
    for mark in marks:
        if mark.kind == "limit" and box.x[0] <= mark.at <= box.x[1]:
            place = f"M{float(box.across(mark.at)):.2f} {box.top:g}V{box.bottom:g}"
            sheet.path(place, color=GREEN, width=0.9, dash="5 1.5 1 1.5", name="limit")
    dotted = "".join(
        f"M{float(box.across(mark.at)):.2f} {box.top:g}V{box.bottom:g}"
        for mark, *_ in _labels(box, marks)
        if mark.kind == "comb"
    )
    if dotted:
        sheet.path(dotted, color=VERMILION, width=0.5, dash="0.5 1", name="guides")


def _marks(
    sheet: Canvas,
    box: Box,
    marks: tuple[Mark, ...],
    x: NDArray[np.floating],
    y: NDArray[np.floating],
    comb: str = _NAMES["comb"],
) -> list[Key]:
    """Shapes on the lines, labels in two rows above; what has no room for a label keeps its shape. Their keys."""
    inside = tuple(mark for mark in marks if box.x[0] <= mark.at <= box.x[1])
    across = box.across(np.array([mark.at for mark in inside], dtype=float))
    down = box.down(mark_heights(inside, x, y))
    keys: list[Key] = []
    for kind, key in _SHAPES.items():
        shapes = [
            f"M{a:.2f} {d:.2f}{key.shape}" for mark, a, d in zip(inside, across, down, strict=True) if mark.kind == kind
        ]
        if not shapes:
            continue
        sheet.path("".join(shapes), color=key.color, fill=key.fill, width=key.width, name=f"mark-{kind}")
        alone = kind == "owner" and not any(mark.kind == "comb" for mark in marks)
        words = "named lines" if alone else comb if kind == "comb" else _NAMES[kind]
        keys.insert(0, Key(words=words, color=key.color, shape=key.shape, fill=key.fill, width=key.width))
    if any(mark.kind == "limit" for mark in inside):
        keys.append(Key(words=_NAMES["limit"], color=GREEN, dash="5 1.5 1 1.5"))
    for mark, text, middle, row in _labels(box, marks):
        sheet.text(
            box.left + 72 * middle, box.top - 4.5 - 10.5 * row, text, size=LABEL_SIZE, color=LABEL_COLOUR[mark.kind],
            anchor="middle", bold=mark.kind == "comb", name=f"label-{mark.kind}",
        )  # fmt: skip
    return keys


def _labels(box: Box, marks: tuple[Mark, ...]) -> list[tuple[Mark, str, float, int]]:
    return placed_labels(marks, *box.x, (box.right - box.left) / 72)


def placed_labels(
    marks: tuple[Mark, ...], low: float, high: float, width_in: float, *, rows: int = 2
) -> list[tuple[Mark, str, float, int]]:
    """The labels that have room above an axis from ``low`` to ``high``: (mark, text, centre in inches, row).

    Limits and the first harmonics go first (row 0), lines with another owner after them (last row). Sidebands are too
    many for words: their shape and the legend name them. No two texts of a row touch.
    """
    rank = {"limit": 0, "comb": 1, "owner": 2}
    combs = [mark for mark in marks if mark.kind == "comb"]
    wanted = [m for m in marks if m.kind in ("limit", "owner")] + sorted(combs, key=lambda m: m.at)[:_LABELLED_COMB]
    taken: list[list[tuple[float, float]]] = [[] for _ in range(rows)]
    placed = []
    for mark in sorted(wanted, key=lambda m: (rank[m.kind], m.at)):
        text = printable(mark.label)
        if not text or not low <= mark.at <= high or high <= low:
            continue
        text = text if len(text) <= 28 else text[:27] + "…"
        half = 0.5 * text_width(text, LABEL_SIZE, bold=mark.kind == "comb") / 72 + 0.04
        middle = min(max((mark.at - low) / (high - low) * width_in, half - 0.3), width_in + 0.08 - half)
        row = rows - 1 if mark.kind == "owner" else 0
        if all(middle + half < first or middle - half > last for first, last in taken[row]):
            taken[row].append((middle - half, middle + half))
            placed.append((mark, text, middle, row))
    return placed


def notes(plot: PlotData) -> str:
    """What a reader must know to read the picture right, in words next to it; often nothing."""
    if not isinstance(plot, PolarPlot):
        return ""
    if plot.absolute:
        return f"Numbers count {plot.part} 1 to {plot.count}; number 1 is the one under load at the pulse."
    return (
        f"Numbers count {plot.part} 1 to {plot.count} from an arbitrary start: positions are relative, "
        "because there was no pulse once per turn."
    )
