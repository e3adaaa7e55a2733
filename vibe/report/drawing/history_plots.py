"""Pictures of a history that answer to the pointer and the keyboard: levels against time, tones against time, spectra.

Axes, zooming and values under the pointer are bokeh's, as on the other pages; the scripts in ``templates`` put data
into its figures and lay the cursors over them. Pages hold data and no script of their own.
"""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.records.history import ArchivedSpectrum
from vibe.report.drawing import interactive
from vibe.report.drawing.canvas import BLUE, GREEN, GREY, INK, VERMILION

LOW_DECADE, DECADES = -8.0, 14.0
"""Spectra travel as 16 bits a cell, even steps of their logarithm from 1e-8 to 1e6: 0.004 dB each."""
_STEPS = 65534
"""16 bits, less one code for nothing and one spare."""

LIMIT_DASH = {
    "ISO rules": ("solid", VERMILION),
    "this drive": ("9 4", BLUE),
    "sister drives": ("2 3", GREEN),
    "another system": ("10 3 2 3", "#8a4f7d"),
}
"""A colour and a dash for each source of limits, so that a print without colour says the same."""
LIMIT_WIDTH = {"change": 1.0, "alarm": 1.7, "trip": 2.8}
"""Points: the graver a limit, the thicker its line."""

TONE_STYLES = (
    (VERMILION, "solid", "triangle"), (BLUE, "8 3", "circle"), (GREEN, "2 3", "square"),
    ("#8a4f7d", "9 3 2 3", "diamond"), (INK, "1 2", "inverted_triangle"),
)  # fmt: skip
"""Okabe and Ito's, the lighter ones darkened to be seen on white; each with a dash and a mark of its own."""
_TOOL_NAMES = ("xbox_zoom", "xwheel_zoom", "xpan", "reset")


@cache
def scripts() -> dict[str, bytes]:
    """Files that pages of a history load, by name, in order; the name changes with the content."""
    folder = Path(__file__).parents[1] / "templates"
    found = interactive.scripts()
    for name in ("trends", "cursors", "spectra"):
        text = (folder / f"{name}.js").read_bytes()
        found = found | {f"vibe-{name}-{hashlib.sha256(text).hexdigest()[:8]}.js": text}
    return found


def write_scripts(folder: Path) -> list[str]:
    """Put the scripts into ``folder`` unless they are there; their names in the order a page loads them.

    Raises:
        OutputError: the folder cannot be written.
    """
    return interactive.put_scripts(folder, scripts())


def in_page(value: Any) -> str:
    """JSON that may stand inside an HTML page: no character that could end its element."""
    text = json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
    for char in "&<>\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return text


@cache
def figure_json(kind: Literal["levels", "tones", "tones in dB", "spectra"]) -> str:
    """An empty figure as such JSON. It is the same on every page; the scripts put the page's data in."""
    from bokeh.embed import json_item

    make = {
        "levels": trend_figure, "tones": lambda: tones_figure(log=True), "tones in dB": lambda: tones_figure(log=False),
        "spectra": spectrum_figure,
    }  # fmt: skip
    return in_page(json_item(make[kind]()))


# ── spectra as bytes ──────────────────────────────────────────────────────────────────────────────────────────────


def packed(values: NDArray[np.floating]) -> str:
    """Values (n,) as base64 of little-endian 16-bit codes: 0 for nought, else even steps of the logarithm."""
    codes = np.zeros(values.size, dtype="<u2")
    positive = np.isfinite(values) & (values > 0)
    place = (np.log10(values[positive].astype(np.float64)) - LOW_DECADE) / DECADES
    codes[positive] = 1 + np.round(np.clip(place, 0.0, 1.0) * _STEPS).astype("<u2")
    return base64.b64encode(codes.tobytes()).decode("ascii")


def unpacked(text: str) -> NDArray[np.float64]:
    """What a page reads from ``packed``, within 0.03 %."""
    codes = np.frombuffer(base64.b64decode(text), dtype="<u2").astype(np.float64)
    return np.where(codes == 0, 0.0, 10.0 ** (LOW_DECADE + (codes - 1) / _STEPS * DECADES))


def spectrum_data(spectrum: ArchivedSpectrum) -> dict[str, Any]:
    """One kept spectrum as a page carries it."""
    return {
        "point": spectrum.point, "kind": spectrum.kind, "axis": spectrum.axis, "step": float(spectrum.step),
        "data": packed(spectrum.top),
    }  # fmt: skip


# ── figures ───────────────────────────────────────────────────────────────────────────────────────────────────────


def _figure(height: int, **options: Any) -> Any:
    from bokeh.plotting import figure

    fig = figure(
        height=height, sizing_mode="stretch_width", output_backend="canvas", toolbar_location="above",
        tools=list(_TOOL_NAMES), active_drag="xbox_zoom", active_scroll=None, min_border_right=14, **options,
    )  # fmt: skip
    interactive.dress(fig)
    return fig


def _dates(fig: Any) -> None:
    from bokeh.models import DatetimeTickFormatter

    fig.xaxis.formatter = DatetimeTickFormatter(
        days="%d %b %Y", months="%b %Y", years="%Y", hours="%d %b %H:%M", minutes="%H:%M", hourmin="%H:%M"
    )
    fig.xaxis.ticker.desired_num_ticks = 7


def _add_events(fig: Any) -> None:
    """Events as lines across, those with a new baseline strong; data by ``event_data``."""
    from bokeh.models import ColumnDataSource

    for name, dash, width in (("anew", "solid", 1.6), ("events", "5 4", 1.0)):
        fig.vspan(
            x="x", source=ColumnDataSource({"x": []}, name=name), line_color=INK, line_dash=dash, line_width=width
        )
    fig.text(
        "x", "y", "text", source=ColumnDataSource({"x": [], "y": [], "text": [], "off": [], "align": []}, name="names"),
        text_font_size="12px", text_color=INK, y_offset="off", x_offset=4, text_align="align",
        background_fill_color="white", background_fill_alpha=0.85,
    )  # fmt: skip


def trend_figure() -> Any:
    """Levels against time, empty: a script fills it with the series that is chosen."""
    from bokeh.models import ColumnDataSource, HoverTool, Range1d

    fig = _figure(
        340, x_axis_type="datetime", x_range=Range1d(start=0, end=1, name="time"),
        y_range=Range1d(start=0, end=1, name="level"),
        y_axis_label=" ",
    )  # fmt: skip
    _dates(fig)
    fig.yaxis.name = "level-axis"
    for source, (dash, colour) in LIMIT_DASH.items():
        for kind, width in LIMIT_WIDTH.items():
            data = ColumnDataSource({"y": []}, name=f"limit {source} {kind}")
            fig.hspan(y="y", source=data, line_color=colour, line_dash=dash, line_width=width)
    fig.hspan(y="y", source=ColumnDataSource({"y": []}, name="usual"), line_color=GREY, line_width=5, line_alpha=0.3)
    _add_events(fig)
    columns: dict[str, list[Any]] = {"x": [], "y": [], "when": [], "said": []}
    line = ColumnDataSource({"x": [], "y": []}, name="line")
    fig.line("x", "y", source=line, line_color=BLUE, line_width=1.3)
    shown = []
    for name, style in (
        ("good", {"marker": "circle", "size": 7, "fill_color": BLUE, "line_color": BLUE}),
        ("other", {"marker": "square", "size": 8, "fill_color": "white", "line_color": GREY, "line_width": 1.5}),
        ("beyond", {"marker": "circle", "size": 14, "fill_color": None, "line_color": VERMILION, "line_width": 2}),
    ):
        shown.append(fig.scatter("x", "y", source=ColumnDataSource(dict(columns), name=name), **style))
    fig.text(
        "x", "y", "text", source=ColumnDataSource({"x": [], "y": [], "text": [], "off": []}, name="limit names"),
        text_font_size="11.5px", text_color=INK, y_offset="off", text_align="left", x_offset=4,
        background_fill_color="white", background_fill_alpha=0.8,
    )  # fmt: skip
    fig.add_tools(
        HoverTool(
            renderers=shown[:2], mode="vline", tooltips=[("measured", "@when"), ("value", "@said")], visible=False
        )
    )
    return fig


def tones_figure(log: bool) -> Any:
    """Amplitudes of several tones against time, empty; names below switch them off and on. The first is strong."""
    from bokeh.models import ColumnDataSource, HoverTool, Range1d
    from bokeh.models.annotations import Legend, LegendItem

    fig = _figure(
        320, x_axis_type="datetime", y_axis_type="log" if log else "linear", y_axis_label=" ",
        x_range=Range1d(start=0, end=1, name="time"), y_range=Range1d(start=1, end=2, name="level"),
    )  # fmt: skip
    fig.yaxis.name = "level-axis"
    _dates(fig)
    _add_events(fig)
    entries, marks = [], []
    for place, (colour, dash, marker) in enumerate(TONE_STYLES):
        data = ColumnDataSource({"x": [], "y": [], "name": []}, name=f"tone {place}")
        line = fig.line("x", "y", source=data, line_color=colour, line_dash=dash, line_width=1.3 if place else 2.4)
        mark = fig.scatter("x", "y", source=data, marker=marker, size=7, fill_color="white", line_color=colour)
        entries.append(LegendItem(label=" ", renderers=[line, mark], name=f"tone name {place}"))
        marks.append(mark)
    legend = Legend(
        orientation="horizontal", ncols=2, location="left", border_line_color=None, label_text_font_size="12px",
        margin=0, click_policy="hide", glyph_width=34, name="tone names",
    )  # fmt: skip
    legend.items = entries
    fig.add_layout(
        legend,
        "below",
    )  # fmt: skip
    fig.add_tools(
        HoverTool(
            renderers=marks, mode="mouse", attachment="above", visible=False, formatters={"@x": "datetime"},
            tooltips=[("", "@name"), ("measured", "@x{%d %b %Y}"), ("value", "@y{0.000}")],
        )
    )  # fmt: skip
    return fig


def spectrum_figure() -> Any:
    """Two spectra on one axis, empty: a script fills it. The second is drawn under the first, thicker and dashed; marks
    show where the cursors read it."""
    from bokeh.models import ColumnDataSource, HoverTool, Range1d

    fig = _figure(
        400, x_range=Range1d(start=0, end=1, name="x"), y_range=Range1d(start=0, end=1, name="y"), x_axis_label=" ",
        y_axis_label=" ",
    )  # fmt: skip
    fig.xaxis.name, fig.yaxis.name = "x-axis", "y-axis"
    shown = []
    for name, style in (
        ("b", {"line_color": "#d08a00", "line_width": 2.2, "line_dash": "4 2"}),
        ("a", {"line_color": BLUE, "line_width": 1.1}),
    ):
        shown.append(fig.line("x", "y", source=ColumnDataSource({"x": [], "y": []}, name=name), **style))
    for name, style in (
        ("at harmonics", {"marker": "circle", "size": 8, "line_color": "#a34700"}),
        ("at sidebands", {"marker": "diamond", "size": 9, "line_color": "#005c43"}),
    ):
        marks = ColumnDataSource({"x": [], "y": []}, name=name)
        fig.scatter("x", "y", source=marks, fill_color="white", fill_alpha=0.6, line_width=1.6, **style)
    for renderer, name in zip(shown, "BA", strict=True):
        fig.add_tools(
            HoverTool(
                renderers=[renderer], mode="vline", line_policy="nearest", point_policy="snap_to_data", visible=False,
                attachment="left" if name == "B" else "right", tooltips=[(name, "@y{0.000e+0} at @x{0.000}")],
            )
        )  # fmt: skip
    return fig
