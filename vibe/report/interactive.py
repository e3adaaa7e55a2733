"""Spectra and waveforms that zoom and tell values under the pointer: drawn on a canvas, offline, never by WebGL.

The drawing script is the one that the bokeh package brings; it is written once beside the pages. A page holds only
data (base64 float32 inside JSON) and no script of its own, so that its content security policy can forbid them.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import Exhibit, Mark, SpectrumExhibit, WaveformExhibit
from vibe.core.files import write_whole
from vibe.report.charts import (
    BLUE,
    GREEN,
    GREY,
    INK,
    LABEL_COLOUR,
    VERMILION,
    mark_heights,
    placed_labels,
    spectrum_y_limits,
)
from vibe.report.thin import extremes, thin
from vibe.report.words import printable

PAGE_POINTS = 60_000
"""Points shared by all pictures of a page: about 0.8 MB of text."""
_MOST_POINTS, _LEAST_POINTS = 12_000, 2_000

_LABEL_ROOM_IN = 5.0
_NAMES = {"comb": "harmonic", "sideband": "predicted sideband", "owner": "line", "limit": "limit"}
_SHAPES = {
    "comb": {"marker": "inverted_triangle", "size": 9, "fill_color": VERMILION, "line_color": VERMILION},
    "sideband": {"marker": "diamond", "size": 8, "fill_color": "white", "line_width": 1.3, "line_color": VERMILION},
    "owner": {"marker": "circle", "size": 7, "fill_color": "white", "line_width": 1.5, "line_color": GREY},
    "limit": {"marker": "x", "size": 9, "line_width": 2, "line_color": GREEN},
}


@cache
def scripts() -> dict[str, bytes]:
    """The files that pages load, by name; the name changes with the content, so that no browser mixes two."""
    import bokeh

    library = Path(bokeh.__file__).parent / "server" / "static" / "js" / "bokeh.min.js"
    starter = (Path(__file__).parent / "templates" / "page.js").read_bytes()
    return {
        f"bokeh-{bokeh.__version__}.min.js": library.read_bytes(),
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
        OutputError: the folder cannot be written.
    """
    for name, content in scripts.items():
        path = folder / name
        if not path.is_file() or path.stat().st_size != len(content):
            write_whole(path, content, force=True)
    return list(scripts)


def points_each(exhibits: int) -> int:
    """How many points each of so many pictures may carry."""
    return int(np.clip(PAGE_POINTS // max(exhibits, 1), _LEAST_POINTS, _MOST_POINTS))


def can_be_live(exhibit: Exhibit) -> bool:
    """Maps stay still pictures: there is nothing to zoom into in one turn."""
    return isinstance(exhibit, SpectrumExhibit | WaveformExhibit)


def plot(exhibit: SpectrumExhibit | WaveformExhibit, points: int) -> Any:
    """The bokeh figure of an exhibit, thinned to about ``points`` points with every extreme kept."""
    if isinstance(exhibit, SpectrumExhibit):
        return _spectrum(exhibit, points)
    return _waveform(exhibit, points)


def page_json(exhibit: SpectrumExhibit | WaveformExhibit, points: int) -> str:
    """The figure as JSON that may stand inside an HTML page: no character that could end its element."""
    from bokeh.embed import json_item

    item = json_item(plot(exhibit, points))
    text = json.dumps(item, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _figure(
    x_label: str,
    y_label: str,
    height: int,
    x: NDArray[Any],
    y_range: tuple[float, float],
    y_type: Literal["linear", "log"],
) -> Any:
    from bokeh.models import BoxZoomTool, PanTool, Range1d, ResetTool, WheelZoomTool
    from bokeh.plotting import figure

    first, last = (float(x[0]), float(x[-1])) if x.size > 1 and x[-1] > x[0] else (0.0, 1.0)
    room = 0.5 * (last - first)
    box = BoxZoomTool(dimensions="width")
    fig = figure(
        height=height, sizing_mode="stretch_width", output_backend="canvas", y_axis_type=y_type,
        x_axis_label=printable(x_label), y_axis_label=printable(y_label), toolbar_location="above",
        x_range=Range1d(start=first, end=last, bounds=(first - 0.02 * room, last + 0.02 * room)),
        y_range=Range1d(start=y_range[0], end=y_range[1]),
        tools=[box, WheelZoomTool(dimensions="width"), PanTool(), ResetTool()], active_drag=box, active_scroll=None,
    )  # fmt: skip
    dress(fig)
    return fig


def dress(fig: Any) -> None:
    """Give a picture the look that all of them have."""
    fig.toolbar.logo = None
    fig.outline_line_color = None
    fig.grid.grid_line_color = "#e4e4e4"
    for axis in fig.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_color = axis.major_label_text_color = INK
        axis.axis_label_text_font_size = "13px"
        axis.major_label_text_font_size = "12px"
        axis.axis_line_color = axis.major_tick_line_color = axis.minor_tick_line_color = GREY


def _add_marks(
    fig: Any, marks: tuple[Mark, ...], heights: NDArray[Any], unit: str, legend: list[tuple[str, list[Any]]], comb: str
) -> None:
    """Marks with their names on hover, the labels that fit, and a legend whose entries can be switched off."""
    from bokeh.models import ColumnDataSource, HoverTool
    from bokeh.models.annotations import Legend, Span

    shown = []
    owner = "another owner" if any(mark.kind == "comb" for mark in marks) else "named lines"
    names = {"comb": comb, "sideband": "sidebands", "owner": owner, "limit": "limit"}
    for kind, shape in _SHAPES.items():
        chosen = [(m, h) for m, h in zip(marks, heights, strict=True) if m.kind == kind]
        if not chosen:
            continue
        source = ColumnDataSource(
            {
                "x": np.array([m.at for m, _ in chosen], dtype=np.float64),
                "y": np.array([h for _, h in chosen], dtype=np.float64),
                "label": [printable(m.label) for m, _ in chosen],
                "kind": [_NAMES[kind]] * len(chosen),
            }
        )
        shown.append(fig.scatter("x", "y", source=source, **shape))
        legend.append((names[kind], [shown[-1]]))
        if kind == "limit":
            for mark, _ in chosen:
                fig.add_layout(Span(location=mark.at, dimension="height", line_color=GREEN, line_dash="dashdot"))
    _add_labels(fig, marks, heights)
    if legend:
        fig.add_layout(
            Legend(
                items=legend, orientation="horizontal", border_line_color=None, label_text_font_size="12px", margin=0,
                spacing=10, click_policy="hide",
            ),
            "below",
        )  # fmt: skip
    if shown:
        fig.add_tools(
            HoverTool(
                renderers=shown, mode="mouse", attachment="above", visible=False,
                tooltips=[("@kind", "@label"), ("at", "@x{0.0000}"), (unit, "@y{0.000e+0}")],
            )
        )  # fmt: skip


def _add_labels(fig: Any, marks: tuple[Mark, ...], heights: NDArray[Any]) -> None:
    """Names over the marks' tips, as many as fit one row of a page on a small screen."""
    from bokeh.models import ColumnDataSource

    height = dict(zip((id(mark) for mark in marks), heights, strict=True))
    first, last = fig.x_range.start, fig.x_range.end
    edge = 0.03 * (last - first)
    placed = placed_labels(marks, first, last, _LABEL_ROOM_IN, rows=1)
    if placed:
        source = ColumnDataSource(
            {
                "x": np.array([mark.at for mark, *_ in placed]),
                # A limit belongs to the whole height: its name hangs from the top.
                "y": np.array([fig.y_range.end if m.kind == "limit" else height[id(m)] for m, *_ in placed]),
                "offset": [14 if mark.kind == "limit" else -8 for mark, *_ in placed],
                "text": [text for _, text, *_ in placed],
                "align": [
                    "left" if m.at < first + edge else "right" if m.at > last - edge else "center" for m, *_ in placed
                ],
                "color": [LABEL_COLOUR[mark.kind] for mark, *_ in placed],
            }
        )
        fig.text(
            "x", "y", "text", source=source, text_color="color", text_font_size="12px", text_align="align",
            y_offset="offset",
            background_fill_color="white", background_fill_alpha=0.75,
        )  # fmt: skip


def _value_hover(fig: Any, line: Any, x_name: str, fields: list[tuple[str, str]]) -> None:
    from bokeh.models import HoverTool

    fig.add_tools(
        HoverTool(
            renderers=[line], mode="vline", line_policy="nearest", point_policy="snap_to_data", attachment="right",
            tooltips=[(x_name, "@x{0.0000}"), *fields], visible=False,
        )
    )  # fmt: skip


def _bare(label: str) -> str:
    """An axis label without its unit, for the tooltip's name."""
    return re.split(r"[\[(]", printable(label))[0].strip() or printable(label)


def _spectrum(exhibit: SpectrumExhibit, points: int) -> Any:
    from bokeh.models import ColumnDataSource

    order = np.argsort(exhibit.x, kind="stable")
    x, y = exhibit.x[order], exhibit.y[order]
    bottom, top = spectrum_y_limits(exhibit)
    xs, ys = thin(x, np.where(np.isfinite(y), y, np.nan), points // 2)
    if exhibit.log_y:
        ys = np.maximum(ys, np.float32(bottom))
    fig = _figure(exhibit.x_label, exhibit.y_label, 330, x, (bottom, top), "log" if exhibit.log_y else "linear")
    line = fig.line("x", "y", source=ColumnDataSource({"x": xs, "y": ys}), color=BLUE, line_width=1.1)
    legend: list[tuple[str, list[Any]]] = []
    if exhibit.floor is not None:
        fx, fy = thin(x, exhibit.floor[order], 400)
        floor = ColumnDataSource({"x": fx, "y": fy})
        legend.append(("floor", [fig.line("x", "y", source=floor, color=INK, line_dash=[6, 3], line_width=1.1)]))
    _value_hover(fig, line, _bare(exhibit.x_label), [(_bare(exhibit.y_label), "@y{0.000e+0}")])
    inside = tuple(m for m in exhibit.marks if x.size and x[0] <= m.at <= x[-1])
    heights = np.maximum(mark_heights(inside, x, y), bottom)
    _add_marks(fig, inside, heights, _bare(exhibit.y_label), legend, "harmonics")
    return fig


def _waveform(exhibit: WaveformExhibit, points: int) -> Any:
    from bokeh.models import ColumnDataSource

    time = exhibit.time_s
    if time.size > points // 2:
        keep = np.unique(np.concatenate([extremes(exhibit.low, points // 8), extremes(exhibit.high, points // 8)]))
        low, high, time = exhibit.low[keep], exhibit.high[keep], time[keep]
    else:
        low, high = exhibit.low, exhibit.high
    finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    span = float(finite.max() - finite.min()) if finite.size else 0.0
    limits = (float(finite.min()) - 0.05 * span, float(finite.max()) + 0.1 * span) if span else (-1.0, 1.0)
    fig = _figure("Time [s]", exhibit.y_label, 280, time, limits, "linear")
    # The envelope as one closed outline: down along the highs, back along the lows.
    source = ColumnDataSource({"x": time.astype(np.float32), "low": low, "y": high})
    fig.varea("x", "low", "y", source=source, fill_color=BLUE, fill_alpha=1.0)
    line = fig.line("x", "y", source=source, color=BLUE, line_width=1.0)
    fig.line("x", "low", source=source, color=BLUE, line_width=1.0)
    _value_hover(fig, line, "Time", [("highest", "@y{0.000}"), ("lowest", "@low{0.000}")])
    inside = tuple(m for m in exhibit.marks if time.size and time[0] <= m.at <= time[-1])
    _add_marks(fig, inside, mark_heights(inside, time, high), _bare(exhibit.y_label), [], "expected hits")
    return fig
