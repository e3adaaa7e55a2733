"""A sheet to draw on that comes out as SVG: lines, shapes and words at places in points, and a pair of plain axes.

A general plotting library takes thirty times as long for such a picture, and its SVG, with every letter as a path,
four times as long to print. Words stay words here: sharp at any size, and in the letters of the page around them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import pairwise
from math import ceil, floor, log10

import numpy as np
from numpy.typing import NDArray

from vibe.report.printing.text_width import text_width
from vibe.report.words import printable, superscript

BLUE, VERMILION, GREEN, GREY, INK = "#0072b2", "#d55e00", "#009e73", "#6b6b6b", "#1a1a1a"
"""Okabe and Ito (2008), distinguished by people with any colour vision; two greys."""
GRID = "#e4e4e4"
FONTS = "'DejaVu Sans', Verdana, sans-serif"
MOST_X_TICKS, MOST_Y_TICKS = 9, 7
"""So many numbers stand along an axis without touching (looked at)."""


@dataclass(slots=True)
class Canvas:
    """Marks on paper of ``width`` by ``height`` points, x to the right, y down."""

    width: float
    height: float
    parts: list[str] = field(default_factory=list)

    def line(
        self, x: NDArray[np.floating] | Sequence[float], y: NDArray[np.floating] | Sequence[float], color: str, *,
        width: float, dash: str = "", fill: str = "none", opacity: float = 1.0, closed: bool = False, name: str = "",
    ) -> None:  # fmt: skip
        """A line through places (n,); ``closed`` makes it the edge of a face. Gaps (NaN) are bridged."""
        pairs = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)])
        pairs = pairs[np.isfinite(pairs).all(axis=1)]
        if not len(pairs):
            return
        said = {
            "class": name, "fill": fill, "fill-opacity": "" if opacity == 1.0 else f"{opacity:g}",
            "stroke": color, "stroke-width": f"{width:g}", "stroke-dasharray": dash,
        }  # fmt: skip
        places = " ".join([f"{a:.1f},{b:.1f}" for a, b in pairs.tolist()])
        self.parts.append(f'<{"polygon" if closed else "polyline"} points="{places}"{_attributes(said)}/>')

    def path(self, d: str, *, color: str, width: float, dash: str = "", fill: str = "none", name: str = "") -> None:
        """Shapes in the words of SVG's path."""
        said = {"class": name, "fill": fill, "stroke": color, "stroke-width": f"{width:g}", "stroke-dasharray": dash}
        self.parts.append(f'<path d="{d}"{_attributes(said)}/>')

    def text(
        self, x: float, y: float, words: str, *, size: float, color: str = INK, anchor: str = "start",
        bold: bool = False, upright: bool = False, name: str = "",
    ) -> None:  # fmt: skip
        """Words whose baseline passes (x, y); ``upright`` turns them to run up the page."""
        said = {
            "class": name, "font-size": f"{size:.3g}", "fill": color,
            "text-anchor": "" if anchor == "start" else anchor, "font-weight": "bold" if bold else "",
        }  # fmt: skip
        place = f'transform="translate({x:.2f} {y:.2f}) rotate(-90)"' if upright else f'x="{x:.2f}" y="{y:.2f}"'
        self.parts.append(f"<text {place}{_attributes(said)}>{escape(printable(words))}</text>")

    def svg(self) -> str:
        """The whole picture."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}pt" height="{self.height:g}pt" '
            f'viewBox="0 0 {self.width:g} {self.height:g}" font-family="{FONTS}" stroke-linejoin="round">\n'
            '<rect width="100%" height="100%" fill="#fff"/>\n' + "\n".join(self.parts) + "\n</svg>\n"
        )


def _attributes(said: dict[str, str]) -> str:
    return "".join(f' {name}="{value}"' for name, value in said.items() if value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A pair of axes: a rectangle of the sheet [points] and the values that its edges stand for."""

    left: float
    right: float
    top: float
    bottom: float
    x: tuple[float, float]
    y: tuple[float, float]
    log_y: bool = False

    def across(self, x: NDArray[np.floating] | float) -> NDArray[np.float64]:
        """Place of a value along the sheet; values outside stop at the edge."""
        share = (np.asarray(x, dtype=np.float64) - self.x[0]) / (self.x[1] - self.x[0])
        return np.asarray(self.left + np.clip(share, 0.0, 1.0) * (self.right - self.left))

    def down(self, y: NDArray[np.floating] | float) -> NDArray[np.float64]:
        """Place of a value down the sheet; values outside stop at the edge."""
        low, high = self.y
        value = np.asarray(y, dtype=np.float64)
        if self.log_y:
            low, high, value = log10(low), log10(high), np.log10(np.maximum(value, low))
        share = (value - low) / (high - low)
        return np.asarray(self.bottom - np.clip(share, 0.0, 1.0) * (self.bottom - self.top))


def ticks(low: float, high: float, most: int) -> list[float]:
    """At most ``most`` round values (1, 2, 2.5 or 5 times a power of ten apart) from ``low`` to ``high``."""
    raw = (high - low) / max(most - 1, 1)
    if not raw > 0:
        return [low]
    power = 10.0 ** floor(log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 2.5, 5.0, 10.0) if factor * power >= raw * (1 - 1e-9))
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


def tick_words(values: Sequence[float]) -> list[str]:
    """Ticks of one axis, all with as many decimals as their distance needs."""
    step = min((b - a for a, b in pairwise(values)), default=abs(values[0]) if values else 1.0)
    if max(map(abs, values), default=0.0) >= 1e7 or 0 < step < 1e-6:
        return [f"{value:.3g}".replace("-", "−") for value in values]
    decimals = next((d for d in range(7) if abs(step * 10**d - round(step * 10**d)) < 1e-6 * max(step * 10**d, 1)), 6)
    return [f"{value if abs(value) > 1e-12 else 0.0:.{decimals}f}".replace("-", "−") for value in values]


def log_ticks(low: float, high: float, most: int) -> list[float]:
    """Powers of ten from ``low`` to ``high``; also twice and five times those when there would be fewer than two."""
    first, last = ceil(log10(low) - 1e-9), floor(log10(high) + 1e-9)
    every = max(1, ceil((last - first + 1) / most))
    decades = [10.0**k for k in range(first, last + 1) if k % every == 0]
    if len(decades) >= 2:
        return decades
    fine = [factor * 10.0**k for k in range(first - 1, last + 1) for factor in (1, 2, 5)]
    return [value for value in fine if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]


def power_of_ten(value: float) -> str:
    """A tick of a log axis in plain characters."""
    exponent = floor(log10(value) + 1e-9)
    if -4 < exponent < 4:
        return f"{value:.{max(-exponent, 0)}f}"
    lead = round(value / 10.0**exponent)
    return ("" if lead == 1 else f"{lead}·") + "10" + superscript(exponent)


def draw_axes(sheet: Canvas, box: Box, x_label: str, y_label: str) -> None:
    """Grid, two axes, their ticks and labels; the x label starts at the left edge."""
    xs = ticks(*box.x, MOST_X_TICKS)
    ys = log_ticks(*box.y, MOST_Y_TICKS) if box.log_y else ticks(*box.y, MOST_Y_TICKS)
    across, down = box.across(np.array(xs)).tolist(), box.down(np.array(ys)).tolist()
    grid = "".join(f"M{a:.2f} {box.top:g}V{box.bottom:g}" for a in across)
    grid += "".join(f"M{box.left:g} {d:.2f}H{box.right:g}" for d in down)
    sheet.path(grid, color=GRID, width=0.5, name="grid")
    stubs = "".join(f"M{a:.2f} {box.bottom:g}v3.5" for a in across)
    stubs += "".join(f"M{box.left:g} {d:.2f}h-3.5" for d in down)
    frame = f"M{box.left:g} {box.top:g}V{box.bottom:g}H{box.right:g}"
    sheet.path(frame + stubs, color=GREY, width=0.6, name="axes")
    for place, words in zip(across, tick_words(xs), strict=True):
        sheet.text(place, box.bottom + 12.5, words, size=8, anchor="middle", name="tick-x")
    for place, words in zip(down, [power_of_ten(y) for y in ys] if box.log_y else tick_words(ys), strict=True):
        sheet.text(box.left - 6, place + 2.9, words, size=8, anchor="end", name="tick-y")
    sheet.text(box.left, box.bottom + 25, x_label, size=8.5, name="label-x")
    middle = (box.top + box.bottom) / 2
    room = 2 * min(middle, sheet.height - middle) - 6
    # A long label is written smaller rather than cut.
    size = max(5.0, min(8.5, room / max(text_width(printable(y_label), 1.0), 1.0)))
    sheet.text(10, middle, y_label, size=size, anchor="middle", upright=True, name="label-y")


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """An entry of a legend: a shape (path about its middle, or a dash pattern of a short line) and its words."""

    words: str
    color: str
    shape: str = ""
    fill: str = "none"
    dash: str = ""
    width: float = 0.9


def draw_legend(sheet: Canvas, keys: Iterable[Key], *, right: float) -> None:
    """The keys in one row at the sheet's foot, flush right."""
    edge, line, size = right, sheet.height - 5.0, 7.5
    for key in reversed(list(keys)):
        start = edge - text_width(key.words, size)
        sheet.text(start, line, key.words, size=size, name="legend")
        middle = start - 9.5
        if key.shape:
            d = f"M{middle:.2f} {line - 2.6:.2f}{key.shape}"
            sheet.path(d, color=key.color, fill=key.fill, width=key.width)
        else:
            sheet.path(f"M{middle - 6:.2f} {line - 2.6:.2f}h12", color=key.color, width=key.width, dash=key.dash)
        edge = middle - 10.0
