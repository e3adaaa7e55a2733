"""Spectra and waveforms that zoom and show values under the pointer: drawn on a canvas, offline, never by WebGL.

The drawing script is the one that the bokeh package brings; it is written once next to the pages. A page holds only
data (base64 float32 inside JSON) and no script of its own, so that its content security policy can forbid them.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import Mark, PlotData, SpectrumPlot, WaveformPlot
from vibe.report.drawing.bokeh_document import Document, Model
from vibe.report.drawing.canvas import BLUE, GREEN, GREY, INK, VERMILION
from vibe.report.drawing.charts import LABEL_COLOUR, mark_heights, placed_labels, spectrum_y_limits
from vibe.report.drawing.thinning import extremes, thin
from vibe.report.words import printable
from vibe.storage.files import write_whole
from vibe.storage.regular import refuse_links_out

PAGE_POINTS = 60_000
"""Points shared by all pictures of a page: about 0.8 MB of text."""
_MOST_POINTS, _LEAST_POINTS = 12_000, 2_000
"""Of one picture: finer than a screen is wide, and as coarse as a line may look."""

_LABEL_ROOM_IN = 5.0
"""Of the picture's width, that labels have to stand in (looked at)."""
_NAMES = {"comb": "harmonic", "sideband": "predicted sideband", "owner": "line", "limit": "limit"}
_SHAPES = {
    "comb": {"marker": "inverted_triangle", "size": 9, "fill_color": VERMILION, "line_color": VERMILION},
    "sideband": {"marker": "diamond", "size": 8, "fill_color": "white", "line_width": 1.3, "line_color": VERMILION},
    "owner": {"marker": "circle", "size": 7, "fill_color": "white", "line_width": 1.5, "line_color": GREY},
    "limit": {"marker": "x", "size": 9, "line_width": 2, "line_color": GREEN},
}
"""Marks by what they say; sizes in pixels (looked at)."""


@cache
def scripts() -> dict[str, bytes]:
    """The files that pages load, by name; the name changes with the content, so that no browser mixes two."""
    # Found without loading the package, which would take longer than all that is drawn.
    package = find_spec("bokeh")
    if package is None or package.origin is None:
        raise ImportError("bokeh is not installed")
    library = Path(package.origin).parent / "server" / "static" / "js" / "bokeh.min.js"
    starter = (Path(__file__).parents[1] / "templates" / "page.js").read_bytes()
    return {
        f"bokeh-{version('bokeh')}.min.js": library.read_bytes(),
        f"vibe-page-{hashlib.sha256(starter).hexdigest()[:8]}.js": starter,
    }


def write_scripts(folder: Path) -> list[str]:
    """Put the scripts into ``folder`` unless they are there; their names, in the order a page loads them.

    Raises:
        OutputError: the folder cannot be written.
    """
    return put_scripts(folder, scripts())


def put_scripts(folder: Path, scripts: Mapping[str, bytes]) -> list[str]:
    """Put ``scripts`` into ``folder`` unless they are there; their names.

    Raises:
        OutputError: the folder cannot be written, or is a link that leads out of where the pages are.
    """
    refuse_links_out(folder.parent, folder.name)
    for name, content in scripts.items():
        path = folder / name
        if not path.is_file() or path.stat().st_size != len(content):
            write_whole(path, content, force=True)
    return list(scripts)


def points_each(plots: int) -> int:
    """How many points each of so many pictures may carry."""
    return int(np.clip(PAGE_POINTS // max(plots, 1), _LEAST_POINTS, _MOST_POINTS))


def can_be_live(plot: PlotData) -> bool:
    """Maps stay still pictures: there is nothing to zoom into in one turn."""
    return isinstance(plot, SpectrumPlot | WaveformPlot)


def page_json(plot: SpectrumPlot | WaveformPlot, points: int, number: int = 1) -> str:
    """The figure as JSON that may stand inside an HTML page: no character that could end its element.

    It is thinned to about ``points`` points with every extreme kept. ``number`` keeps figures of a page apart.
    """
    document = Document(number)
    figure = _spectrum(plot, points, document) if isinstance(plot, SpectrumPlot) else _waveform(plot, points, document)
    text = json.dumps(figure, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def dress(fig: Any) -> None:
    """Give a figure that bokeh's own objects make the look that all have."""
    fig.toolbar.logo = None
    fig.outline_line_color = None
    fig.grid.grid_line_color = "#e4e4e4"
    for axis in fig.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_color = axis.major_label_text_color = INK
        axis.axis_label_text_font_size = "13px"
        axis.major_label_text_font_size = "12px"
        axis.axis_line_color = axis.major_tick_line_color = axis.minor_tick_line_color = GREY


def _ends(x: NDArray[Any]) -> tuple[float, float]:
    return (float(x[0]), float(x[-1])) if x.size > 1 and x[-1] > x[0] else (0.0, 1.0)


def _marks(
    document: Document, marks: tuple[Mark, ...], heights: NDArray[Any], unit: str,
    legend: list[tuple[str, list[Model]]], comb: str, x: tuple[float, float], top: float,
) -> list[Model]:  # fmt: skip
    """Marks with their names on hover, the labels that fit, and the legend that belongs below the figure, if any."""
    shown = []
    owner = "another owner" if any(mark.kind == "comb" for mark in marks) else "named lines"
    names = {"comb": comb, "sideband": "sidebands", "owner": owner, "limit": "limit"}
    for kind, shape in _SHAPES.items():
        chosen = [(m, h) for m, h in zip(marks, heights, strict=True) if m.kind == kind]
        if not chosen:
            continue
        data = document.data(
            x=np.array([m.at for m, _ in chosen], dtype=np.float64),
            y=np.array([h for _, h in chosen], dtype=np.float64),
            label=[printable(m.label) for m, _ in chosen],
            kind=[_NAMES[kind]] * len(chosen),
        )
        look = {name: _always(value) for name, value in shape.items()}
        shown.append(document.glyph("Scatter", data, x="x", y="y", **look))
        legend.append((names[kind], [shown[-1]]))
        if kind == "limit":
            document.annotations += [
                document.model(
                    "Span", location=mark.at, dimension="height", line_color=GREEN, line_dash=[6, 4, 2, 4]
                )
                for mark, _ in chosen
            ]  # fmt: skip
    _labels(document, marks, heights, x, top)
    if shown:
        tips = [("@kind", "@label"), ("at", "@x{0.0000}"), (unit, "@y{0.000e+0}")]
        document.hover(shown, tips, mode="mouse", attachment="above")
    return [document.legend(legend)] if legend else []


def _labels(
    document: Document, marks: tuple[Mark, ...], heights: NDArray[Any], x: tuple[float, float], top: float
) -> None:
    """Names over the marks' tips, as many as fit one row of a page on a small screen."""
    height = dict(zip((id(mark) for mark in marks), heights, strict=True))
    first, last = x
    edge = 0.03 * (last - first)
    placed = placed_labels(marks, first, last, _LABEL_ROOM_IN, rows=1)
    if placed:
        data = document.data(
            x=np.array([mark.at for mark, *_ in placed], dtype=np.float64),
            # A limit belongs to the whole height: its name hangs from the top.
            y=np.array([top if m.kind == "limit" else height[id(m)] for m, *_ in placed], dtype=np.float64),
            offset=[14 if mark.kind == "limit" else -8 for mark, *_ in placed],
            text=[text for _, text, *_ in placed],
            align=["left" if m.at < first + edge else "right" if m.at > last - edge else "center" for m, *_ in placed],
            color=[LABEL_COLOUR[mark.kind] for mark, *_ in placed],
        )
        document.glyph(
            "Text", data, x="x", y="y", text="text", text_color="color", text_align="align", y_offset="offset",
            text_font_size=_always("12px"), background_fill_color=_always("white"),
            background_fill_alpha=_always(0.75),
        )  # fmt: skip


def _always(value: Any) -> dict[str, Any]:
    """The same for every row of the data."""
    return {"type": "value", "value": value}


def _value_hover(document: Document, line: Model, x_name: str, fields: list[tuple[str, str]]) -> None:
    document.hover(
        [line], [(x_name, "@x{0.0000}"), *fields], mode="vline", line_policy="nearest", point_policy="snap_to_data",
        attachment="right",
    )  # fmt: skip


def _bare(label: str) -> str:
    """An axis label without its unit, for the tooltip's name."""
    return re.split(r"[\[(]", printable(label))[0].strip() or printable(label)


def _spectrum(plot: SpectrumPlot, points: int, document: Document) -> dict[str, Any]:
    order = np.argsort(plot.x, kind="stable")
    x, y = plot.x[order], plot.y[order]
    bottom, top = spectrum_y_limits(plot)
    xs, ys = thin(x, np.where(np.isfinite(y), y, np.nan), points // 2)
    if plot.log_y:
        ys = np.maximum(ys, np.float32(bottom))
    line = document.glyph("Line", document.data(x=xs, y=ys), x="x", y="y", line_color=BLUE, line_width=1.1)
    legend: list[tuple[str, list[Model]]] = []
    if plot.floor is not None:
        fx, fy = thin(x, plot.floor[order], 400)
        floor = document.glyph(
            "Line", document.data(x=fx, y=fy), x="x", y="y", line_color=INK, line_dash=[6, 3], line_width=1.1
        )  # fmt: skip
        legend.append(("floor", [floor]))
    _value_hover(document, line, _bare(plot.x_label), [(_bare(plot.y_label), "@y{0.000e+0}")])
    inside = tuple(m for m in plot.marks if x.size and x[0] <= m.at <= x[-1])
    heights = np.maximum(mark_heights(inside, x, y), bottom)
    below = _marks(document, inside, heights, _bare(plot.y_label), legend, "harmonics", _ends(x), top)
    return document.figure(
        printable(plot.x_label), printable(plot.y_label), height=330, x=_ends(x), y=(bottom, top),
        log_y=plot.log_y, below=below,
    )  # fmt: skip


def _waveform(plot: WaveformPlot, points: int, document: Document) -> dict[str, Any]:
    time = plot.time_s
    if time.size > points // 2:
        keep = np.unique(np.concatenate([extremes(plot.low, points // 8), extremes(plot.high, points // 8)]))
        low, high, time = plot.low[keep], plot.high[keep], time[keep]
    else:
        low, high = plot.low, plot.high
    finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    span = float(finite.max() - finite.min()) if finite.size else 0.0
    limits = (float(finite.min()) - 0.05 * span, float(finite.max()) + 0.1 * span) if span else (-1.0, 1.0)
    # The envelope as one face between the highs and the lows, and its two edges.
    data = document.data(x=time.astype(np.float32), low=low, y=high)
    document.glyph("VArea", data, x="x", y1="low", y2="y", fill_color=BLUE, fill_alpha=1.0)
    line = document.glyph("Line", data, x="x", y="y", line_color=BLUE, line_width=1.0)
    document.glyph("Line", data, x="x", y="low", line_color=BLUE, line_width=1.0)
    _value_hover(document, line, "Time", [("highest", "@y{0.000}"), ("lowest", "@low{0.000}")])
    inside = tuple(m for m in plot.marks if time.size and time[0] <= m.at <= time[-1])
    heights = mark_heights(inside, time, high)
    below = _marks(
        document, inside, heights, _bare(plot.y_label), [], "expected impacts", _ends(time), limits[1]
    )  # fmt: skip
    return document.figure(
        "Time [s]", printable(plot.y_label), height=280, x=_ends(time), y=limits, log_y=False, below=below
    )  # fmt: skip
