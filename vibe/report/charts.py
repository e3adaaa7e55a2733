"""Still pictures: spectra with their comb, maps round a turn, waveforms. One idea each, drawn once, as SVG.

Colours are those of Okabe and Ito (2008), told apart by people with any colour vision; every mark also has a shape
of its own, so that a black-and-white print says the same.
"""

from __future__ import annotations

import io
import logging
import re
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.path import Path as Shape

from vibe.core.evidence import Exhibit, MapExhibit, Mark, SpectrumExhibit, WaveformExhibit
from vibe.report.thin import extremes
from vibe.report.words import number, printable, superscript

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.projections.polar import PolarAxes
    from numpy.typing import NDArray

BLUE, VERMILION, GREEN, GREY, INK = "#0072b2", "#d55e00", "#009e73", "#6b6b6b", "#1a1a1a"

WIDTH_IN = 6.9
"""A4 less its margins."""
MAP_WIDTH_IN = 4.4
_STILL_BINS = 900
_LABELLED_COMB = 6
_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "vibe",
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "font.size": 8.5,
    "axes.labelsize": 8.5,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.6,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "path.simplify": True,
    "path.simplify_threshold": 0.05,
}
_NAMES = {
    "comb": "harmonics of this tone",
    "sideband": "predicted sidebands",
    "owner": "lines with another owner",
    "limit": "limit",
}
LABEL_COLOUR = {"comb": "#a34700", "owner": "#444444", "sideband": "#a34700", "limit": "#00644a"}
"""Dark enough to read as text (contrast over 4.5 to 1 on white)."""
_STYLE: dict[str, dict[str, Any]] = {
    "comb": {"marker": "v", "color": VERMILION, "markersize": 4.5},
    "sideband": {
        "marker": "D",
        "color": VERMILION,
        "markersize": 2.8,
        "markerfacecolor": "white",
        "markeredgewidth": 0.8,
    },
    "owner": {"marker": "o", "color": GREY, "markersize": 3.8, "markerfacecolor": "white", "markeredgewidth": 0.9},
    "limit": {"marker": "x", "color": GREEN, "markersize": 4.5},
}


def draw(exhibit: Exhibit) -> Figure:
    """The picture of one exhibit.

    Raises:
        TypeError: an exhibit of a kind that has no picture.
    """
    with rc_context(_SETTINGS):
        if isinstance(exhibit, SpectrumExhibit):
            return _draw_spectrum(exhibit)
        if isinstance(exhibit, MapExhibit):
            return _draw_map(exhibit)
        if isinstance(exhibit, WaveformExhibit):
            return _draw_waveform(exhibit)
    raise TypeError(f"no picture for {type(exhibit).__name__}")


def svg(figure: Figure) -> str:
    """The figure as SVG text, the same bytes for the same picture."""
    stream = io.StringIO()
    with rc_context(_SETTINGS), warnings.catch_warnings():
        # A name in a script that the built-in font lacks is drawn as boxes; the page has it in full beside the picture.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    # Hundredths of a point are finer than any printer; the rest is weight.
    return re.sub(
        r' d="[^"]*"', lambda path: re.sub(r"(\.\d\d)\d+", r"\1", path.group()).replace(".00", ""), stream.getvalue()
    )


def describe(exhibit: Exhibit) -> str:
    """What a person who cannot see the picture is told."""
    if isinstance(exhibit, SpectrumExhibit):
        said = f"Spectrum: {exhibit.y_label} against {exhibit.x_label}."
        if exhibit.y.size and np.isfinite(exhibit.y).any():
            top = int(np.nanargmax(exhibit.y))
            said += f" Highest line {number(float(exhibit.y[top]))} at {number(float(exhibit.x[top]), 4)}."
        combs = [mark.label for mark in exhibit.marks if mark.kind == "comb"]
        if combs:
            said += f" {len(combs)} harmonics marked."
    elif isinstance(exhibit, MapExhibit):
        parts = ", ".join(str(part + 1) for part in exhibit.marked)
        said = f"Map of one turn by {exhibit.part}, 1 to {exhibit.count}; standing out: {parts or 'none'}."
    elif isinstance(exhibit, WaveformExhibit):
        said = f"Waveform: {exhibit.y_label} against time."
    else:
        said = "Picture."
    return f"{exhibit.title}. {said}"


# ── axes ──────────────────────────────────────────────────────────────────────────────────────────────────────────


def _axes(height_in: float, *, marks: bool = True) -> tuple[Figure, Axes]:
    """A figure with fixed margins (in inches, so that texts always fit) and quiet axes.

    Without ``marks`` there is no room kept for labels above and a legend below.
    """
    figure = Figure(figsize=(WIDTH_IN, height_in))
    left, right, top, bottom = 0.68, 0.2, 0.42 if marks else 0.12, 0.62 if marks else 0.46
    axes = figure.add_axes(
        (left / WIDTH_IN, bottom / height_in, 1 - (left + right) / WIDTH_IN, 1 - (top + bottom) / height_in)
    )
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(visible=True, color="#e4e4e4", linewidth=0.5)
    axes.set_axisbelow(True)
    return figure, axes


def _label_axes(axes: Axes, x_label: str, y_label: str) -> None:
    # The x label starts at the left edge: the legend takes the right half of the same row.
    axes.set_xlabel(printable(x_label), loc="left", color=INK)
    label = printable(y_label)
    figure = axes.get_figure(root=True)
    box = axes.get_position()
    middle, height_in = (box.y0 + box.y1) / 2, 0.0 if figure is None else figure.get_figheight()
    room_in = 2 * min(middle, 1 - middle) * height_in - 0.08
    # An average letter is 0.58 of its size wide: a long label is written smaller rather than cut.
    size = min(8.5, 72 * room_in / (0.58 * max(len(label), 1)))
    axes.set_ylabel(label, color=INK, fontsize=max(size, 5))


def _legend(figure: Figure, handles: list[Artist]) -> None:
    if handles:
        figure.legend(
            handles=handles, loc="lower right", bbox_to_anchor=(1 - 0.2 / WIDTH_IN, 0.0), ncols=len(handles),
            frameon=False, fontsize=7.5, handletextpad=0.4, columnspacing=1.3, borderaxespad=0.25, handlelength=1.6,
        )  # fmt: skip


def power_of_ten(value: float) -> str:
    """A tick of a log axis in plain text (mathematical markup is off, since names may hold its characters)."""
    exponent = round(float(np.log10(value)))
    return f"{10.0**exponent:.{max(-exponent, 0)}f}" if -4 < exponent < 4 else "10" + superscript(exponent)


def spectrum_y_limits(exhibit: SpectrumExhibit) -> tuple[float, float]:
    """Bottom and top of the y axis: headroom for marks; on a log axis never below what the floor needs."""
    y = exhibit.y[np.isfinite(exhibit.y)].astype(float)
    if exhibit.log_y:
        y = y[y > 0]
        if not y.size:
            return 1e-3, 1.0
        top = float(y.max())
        # Well below the floor there is only the wall of its own scatter: nothing to read, so it is cut.
        bottom = float(np.percentile(y, 5)) * 0.5
        if exhibit.floor is not None:
            floor = exhibit.floor[np.isfinite(exhibit.floor) & (exhibit.floor > 0)]
            bottom = float(floor.min()) * 0.4 if floor.size else bottom
        bottom = max(min(bottom, top / 10), top * 1e-6)
        return bottom, top * (top / bottom) ** 0.12
    if not y.size:
        return 0.0, 1.0
    low = min(float(y.min()), 0.0)
    span = float(y.max()) - low or 1.0
    return low * 1.05, float(y.max()) + 0.13 * span


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


def _draw_spectrum(exhibit: SpectrumExhibit) -> Figure:
    figure, axes = _axes(2.75)
    order = np.argsort(exhibit.x, kind="stable")
    x, y = exhibit.x[order], exhibit.y[order]
    keep = extremes(y, _STILL_BINS)
    bottom, top = spectrum_y_limits(exhibit)
    handles: list[Artist] = []
    if exhibit.log_y:
        axes.set_yscale("log")
        axes.yaxis.set_major_formatter(lambda value, _position: power_of_ten(value))
        axes.yaxis.set_minor_formatter(lambda _value, _position: "")
    axes.plot(x[keep], np.maximum(y[keep], bottom) if exhibit.log_y else y[keep], color=BLUE, linewidth=0.8)
    if exhibit.floor is not None:
        floor = exhibit.floor[order]
        every = extremes(floor, 150)
        (line,) = axes.plot(x[every], floor[every], color=INK, linewidth=0.9, linestyle=(0, (4, 2)), label="floor")
        handles.append(line)
    axes.set_ylim(bottom, top)
    if x.size > 1 and x[-1] > x[0]:
        axes.set_xlim(float(x[0]), float(x[-1]))
    handles += _draw_marks(axes, exhibit.marks, x, y)
    _label_axes(axes, exhibit.x_label, exhibit.y_label)
    _legend(figure, handles)
    return figure


def _draw_marks(axes: Axes, marks: tuple[Mark, ...], x: NDArray[Any], y: NDArray[Any]) -> list[Artist]:
    """Shapes on the lines, labels in two rows above; what has no room for a label keeps its shape."""
    low, high = axes.get_xlim()
    inside = tuple(mark for mark in marks if low <= mark.at <= high)
    heights = mark_heights(inside, x, y)
    bottom, _ = axes.get_ylim()
    handles: list[Artist] = []
    for kind in ("owner", "sideband", "comb", "limit"):
        chosen = [(m.at, h) for m, h in zip(inside, heights, strict=True) if m.kind == kind]
        if not chosen:
            continue
        style = _STYLE[kind]
        at = [a for a, _ in chosen]
        if kind == "limit":
            for place in at:
                axes.axvline(place, color=GREEN, linewidth=0.9, linestyle="-.")
            handles.append(Line2D([], [], color=GREEN, linewidth=0.9, linestyle="-.", label=_NAMES[kind]))
            continue
        peaks = [max(h, bottom) for _, h in chosen]
        name = "named lines" if kind == "owner" and not any(m.kind == "comb" for m in marks) else _NAMES[kind]
        (points,) = axes.plot(at, peaks, linestyle="none", clip_on=False, zorder=4, label=name, **style)
        if kind == "comb":
            # Sits on the line's tip instead of covering it.
            points.set_marker(_tip_triangle())
        handles.insert(0, points)
    _place_labels(axes, inside)
    return handles


def _tip_triangle() -> Any:
    return Shape([(-0.5, 1.1), (0.5, 1.1), (0.0, 0.1), (-0.5, 1.1)], closed=True)


def placed_labels(
    marks: tuple[Mark, ...], low: float, high: float, width_in: float, *, rows: int = 2
) -> list[tuple[Mark, str, float, int]]:
    """The labels that have room above an axis from ``low`` to ``high``: (mark, text, centre in inches, row).

    Limits and the first harmonics go first (row 0), lines with another owner after them (last row). Sidebands are too
    many for words: their shape and the legend name them. A width is estimated from the text's length, on the safe
    side, so that no two texts of a row touch.
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
        half = 0.5 * 0.068 * len(text) + 0.04
        middle = min(max((mark.at - low) / (high - low) * width_in, half - 0.3), width_in + 0.08 - half)
        row = rows - 1 if mark.kind == "owner" else 0
        if all(middle + half < first or middle - half > last for first, last in taken[row]):
            taken[row].append((middle - half, middle + half))
            placed.append((mark, text, middle, row))
    return placed


def _place_labels(axes: Axes, marks: tuple[Mark, ...]) -> None:
    """Write the labels in two rows above the axes, 10.5 points apart; dotted lines lead to the harmonics."""
    low, high = axes.get_xlim()
    width_in = WIDTH_IN * axes.get_position().width
    for mark, text, middle, row in placed_labels(marks, low, high, width_in):
        axes.annotate(
            text, (middle / width_in, 1.0), xycoords="axes fraction", xytext=(0, 3 + 10.5 * row),
            textcoords="offset points", ha="center", va="bottom", fontsize=7.5, color=LABEL_COLOUR[mark.kind],
            fontweight="bold" if mark.kind == "comb" else "normal", annotation_clip=False, gid=f"label-{mark.kind}",
        )  # fmt: skip
        if mark.kind == "comb":
            axes.axvline(mark.at, color=VERMILION, linewidth=0.5, linestyle=(0, (1, 2)), zorder=1)


def _draw_waveform(exhibit: WaveformExhibit) -> Figure:
    figure, axes = _axes(2.3 if exhibit.marks else 1.9, marks=bool(exhibit.marks))
    time = exhibit.time_s
    if time.size > 2 * _STILL_BINS:
        keep = np.unique(np.concatenate([extremes(exhibit.high, _STILL_BINS), extremes(exhibit.low, _STILL_BINS)]))
    else:
        keep = np.arange(time.size)
    time, low, high = time[keep], exhibit.low[keep], exhibit.high[keep]
    if np.array_equal(low, high):
        axes.plot(time, high, color=BLUE, linewidth=0.8)
    else:
        axes.fill_between(time, low, high, color=BLUE, linewidth=0.4, alpha=1.0)
    if time.size > 1 and time[-1] > time[0]:
        axes.set_xlim(float(time[0]), float(time[-1]))
    finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    if finite.size and finite.max() > finite.min():
        span = float(finite.max() - finite.min())
        axes.set_ylim(float(finite.min()) - 0.05 * span, float(finite.max()) + 0.12 * span)
    handles = _draw_marks(axes, exhibit.marks, time, high)
    for handle in handles:
        if handle.get_label() == _NAMES["comb"]:
            handle.set_label("expected hits")
    _label_axes(axes, "Time [s]", exhibit.y_label)
    _legend(figure, handles)
    return figure


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


def _draw_map(exhibit: MapExhibit) -> Figure:
    width, height, side = MAP_WIDTH_IN, 3.55, 2.6
    figure = Figure(figsize=(width, height))
    polar: PolarAxes = figure.add_axes(  # type: ignore[assignment]
        ((width - side) / 2 / width, 0.65 / height, side / width, side / height), projection="polar"
    )
    polar.set_theta_zero_location("N")
    polar.set_theta_direction(-1)
    angle = np.deg2rad(np.append(exhibit.angle_deg, exhibit.angle_deg[:1]).astype(float))
    level = np.append(exhibit.level, exhibit.level[:1]).astype(float)
    finite = level[np.isfinite(level)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    inner = min(low, 0.0)
    high = high if high > inner else inner + 1.0
    inner -= 0.12 * (high - inner)  # a small empty hub: the turn reads as a ring, and low values do not collapse
    pitch = 2 * np.pi / exhibit.count
    for part in exhibit.marked:
        polar.bar(
            part * pitch, high - inner, width=pitch, bottom=inner, color="#f6d9c6", edgecolor=VERMILION,
            linewidth=0.6, hatch="////", zorder=0.5,
        )  # fmt: skip
    polar.fill_between(angle, inner, level, color=BLUE, alpha=0.25, linewidth=0, zorder=2)
    polar.plot(angle, level, color=BLUE, linewidth=1.1, zorder=3, label="level")
    mean = float(np.mean(finite)) if finite.size else 0.0
    round_turn = np.linspace(0, 2 * np.pi, 181)
    polar.plot(
        round_turn, np.full(181, mean), color=INK, linewidth=0.9, linestyle=(0, (4, 2)), label="mean of the turn"
    )
    polar.set_ylim(inner, high)
    polar.spines["polar"].set_color(GREY)
    polar.grid(visible=True, color="#dddddd", linewidth=0.5)
    polar.set_yticks([mean, high] if high - mean > 0.15 * (high - inner) else [mean])
    polar.set_yticklabels([])
    shown = part_labels(exhibit.count, exhibit.marked)
    polar.set_xticks([part * pitch for part in shown])
    polar.set_xticklabels([str(part + 1) for part in shown])
    polar.tick_params(pad=1)
    for part, text in zip(shown, polar.get_xticklabels(), strict=True):
        if part in exhibit.marked:
            text.set(fontweight="bold", fontsize=10.5, color="#a34700")
    handles: list[Artist] = [
        Line2D([], [], color=BLUE, linewidth=1.4, label="level round the turn"),
        Line2D([], [], color=INK, linewidth=0.9, linestyle=(0, (4, 2)), label="mean of the turn"),
    ]
    if exhibit.marked:
        handles.append(Patch(facecolor="#f6d9c6", edgecolor=VERMILION, hatch="////", label="stands out"))
    figure.legend(
        handles=handles, loc="lower center", bbox_to_anchor=(0.5, 0.0), ncols=len(handles), frameon=False, fontsize=7.5,
        columnspacing=1.3,
    )  # fmt: skip
    return figure


def notes(exhibit: Exhibit) -> str:
    """What a reader must know to read the picture right, in words beside it; often nothing."""
    if not isinstance(exhibit, MapExhibit):
        return ""
    if exhibit.absolute:
        return f"Numbers count {exhibit.part} 1 to {exhibit.count}; number 1 is the one under load at the pulse."
    return (
        f"Numbers count {exhibit.part} 1 to {exhibit.count} from an arbitrary start: positions are relative, "
        "because there was no pulse once per turn."
    )
