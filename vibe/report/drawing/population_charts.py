"""Pictures of a population: how far drives scatter, and what production did. Black on white, distinguished by shape."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
from matplotlib import dates, rc_context
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from vibe.core.records.population import FigureKey, FigureSpread, Outlier
from vibe.report.drawing.canvas import GREY, INK, VERMILION
from vibe.report.drawing.charts import WIDTH_IN
from vibe.report.drawing.figure_style import SETTINGS, svg
from vibe.report.words import printable, unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

REACH = 12.0
"""Spreads to either side of the median; what lies beyond is put at the edge, with an arrow."""
_NAMED = 3
"""Drives of one picture that get their name next to their mark; more touch (looked at)."""
_LABEL_IN = 2.8
"""Room at the left for names of figures (looked at)."""


def spread_picture(
    figures: Sequence[FigureSpread], outliers: Sequence[Outlier], label: Callable[[FigureKey], str]
) -> str:
    """One row per figure, all in spreads about their median: where drives lie, and who lies outside. SVG."""
    with rc_context(SETTINGS):
        height = 0.9 + 0.3 * len(figures)
        figure = Figure(figsize=(WIDTH_IN, height))
        axes = figure.add_axes(
            (_LABEL_IN / WIDTH_IN, 0.75 / height, 1 - (_LABEL_IN + 0.2) / WIDTH_IN, 1 - 0.85 / height)
        )
        for row, one in enumerate(figures):
            _row(axes, row, one, [other for other in outliers if other.figure == one.figure])
        axes.set_yticks(range(len(figures)), [_short(printable(label(one.figure))) for one in figures], fontsize=7.5)
        axes.set_ylim(len(figures) - 0.4, -0.7)
        furthest = max([5.0, *(abs(other.spreads) for other in outliers)])
        edge = min(furthest, REACH) + 0.6
        axes.set_xlim(-edge, edge)
        axes.spines[["top", "right", "left"]].set_visible(False)
        axes.tick_params(axis="y", length=0)
        axes.grid(visible=True, axis="x", color="#e4e4e4", linewidth=0.5)
        axes.set_axisbelow(True)
        axes.set_xlabel("distance from the median, in spreads of the type", loc="left", color=INK)
        handles = [
            Line2D([], [], color=INK, linewidth=0.8, label="all but outliers"),
            Line2D([], [], color=INK, linewidth=4.0, label="middle 90 %"),
            Line2D([], [], color=INK, marker="|", linestyle="", markersize=9, label="tolerance interval"),
            Line2D([], [], color=VERMILION, marker="v", linestyle="", markersize=5, label="outlier"),
        ]
        figure.legend(handles=handles, loc="lower right", ncols=4, frameon=False, fontsize=7, handletextpad=0.4,
                      columnspacing=1.2, borderaxespad=0.2)  # fmt: skip
    return svg(figure)


def _row(axes: Axes, row: int, one: FigureSpread, apart: Sequence[Outlier]) -> None:
    middle = one.quantiles[3]
    least, low, high, greatest = (_place(one, one.quantiles[k], middle) for k in (0, 1, 5, 6))
    axes.plot([least, greatest], [row, row], color=INK, linewidth=0.8)
    axes.plot([low, high], [row, row], color=INK, linewidth=4.0, solid_capstyle="butt")
    axes.plot([0], [row], marker="o", color="white", markersize=3.2, markeredgecolor=INK, markeredgewidth=0.6)
    if one.tolerance is not None:
        ends = [_place(one, end, middle) for end in one.tolerance]
        axes.plot(ends, [row, row], marker="|", linestyle="", color=INK, markersize=10, markeredgewidth=1.1)
    for rank, other in enumerate(sorted(apart, key=lambda o: -abs(o.spreads))):
        at = float(np.clip(other.spreads, -REACH, REACH))
        marker = ">" if other.spreads > REACH else "<" if other.spreads < -REACH else "v"
        axes.plot([at], [row - 0.12], marker=marker, color=VERMILION, markersize=4.5, linestyle="")
        if rank < _NAMED and len(apart) <= _NAMED:
            side = "right" if at > 0 else "left"
            axes.annotate(_short(printable(other.serial), 16), (at, row), (-6 if at > 0 else 6, 1), fontsize=6.5,
                          textcoords="offset points", ha=side, va="bottom", color=INK)  # fmt: skip


def drift_picture(one: FigureSpread) -> str:
    """One figure of the drives against the day they were measured; changes are dashed lines. SVG."""
    with rc_context(SETTINGS):
        figure = Figure(figsize=(WIDTH_IN, 2.3))
        axes = figure.add_axes((0.68 / WIDTH_IN, 0.46 / 2.3, 1 - 0.88 / WIDTH_IN, 1 - 0.6 / 2.3))
        days = [_day(time_s) for time_s, _ in one.strip]
        axes.plot(days, [value for _, value in one.strip], marker=".", linestyle="", color=GREY, markersize=3)
        for at, _, _ in one.drift.changes:
            axes.axvline(_day(at), color=INK, linewidth=1.2, linestyle="--")
        if one.tolerance is not None:
            for end in one.tolerance:
                axes.axhline(end, color=INK, linewidth=0.8, linestyle=":")
        locator = dates.AutoDateLocator(maxticks=8)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_ylabel(printable(f"{one.figure.measure.replace('_', ' ')} {unit(one.figure.unit)}"), color=INK)
    return svg(figure)


def _day(time_s: float) -> float:
    return float(dates.date2num(datetime.fromtimestamp(time_s, UTC)))  # type: ignore[no-untyped-call]


def _place(one: FigureSpread, value: float, middle: float) -> float:
    """Distance from the median in spreads, within reach."""
    if not one.spread:
        return 0.0
    if one.scale == "linear" or value <= 0 or middle <= 0:
        off = value - middle
    else:
        # Mean squares go by 10 lg, amplitudes by 20 lg.
        off = (10.0 if one.figure.unit.endswith(")²") else 20.0) * float(np.log10(value / middle))
    return float(np.clip(off / one.spread, -REACH, REACH))


def _short(text: str, most: int = 44) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
