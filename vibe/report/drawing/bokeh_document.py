"""A zooming figure as the document that the drawing script reads, put together from plain values.

The bokeh package can write the same document from objects of its own, but takes twenty times as long and half a second
to load. Names and attributes are those of its public models; a test reads the documents with the package, which
refuses what it does not know.
"""

from __future__ import annotations

import base64
import gzip
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.report.drawing.canvas import GREY, GRID, INK

Model = dict[str, Any]
Column = NDArray[np.floating] | Sequence[str] | Sequence[float]

_QUICK = 6
"""Level of compression: one more costs time and gains nothing in noise."""


@dataclass(slots=True)
class Document:
    """The models of one figure; ``number`` keeps their names apart from those of other figures on the page."""

    number: int
    made: int = 0
    renderers: list[Model] = field(default_factory=list)
    tools: list[Model] = field(default_factory=list)
    annotations: list[Model] = field(default_factory=list)

    def model(self, name: str, **attributes: Any) -> Model:
        """One of bokeh's models; what is not given has bokeh's default."""
        self.made += 1
        return {"type": "object", "name": name, "id": f"f{self.number}-{self.made}", "attributes": attributes}

    def data(self, **columns: Column) -> Model:
        """Columns of data for glyphs to draw."""
        entries = [[name, _column(values)] for name, values in columns.items()]
        return self.model("ColumnDataSource", data={"type": "map", "entries": entries})

    def glyph(self, name: str, data: Model, **look: Any) -> Model:
        """Draw ``data`` with the glyph ``name``; an attribute that names a column follows it."""
        columns = {column for column, _ in data["attributes"]["data"]["entries"]}
        fields = {
            key: {"type": "field", "field": value}
            for key, value in look.items()
            if isinstance(value, str) and value in columns
        }
        drawn = any(one["attributes"]["data_source"]["id"] == data["id"] for one in self.renderers)
        source = reference(data) if drawn else data
        renderer = self.model("GlyphRenderer", data_source=source, glyph=self.model(name, **{**look, **fields}))
        self.renderers.append(renderer)
        return renderer

    def hover(self, renderers: Sequence[Model], tooltips: Sequence[tuple[str, str]], **how: Any) -> None:
        """Tell values under the pointer."""
        self.tools.append(
            self.model(
                "HoverTool", renderers=[reference(one) for one in renderers], tooltips=[list(tip) for tip in tooltips],
                visible=False, **how,
            )
        )  # fmt: skip

    def legend(self, entries: Sequence[tuple[str, Sequence[Model]]]) -> Model:
        """A legend in one row, whose entries can be switched off."""
        items = [
            self.model("LegendItem", label={"type": "value", "value": words}, renderers=[reference(m) for m in models])
            for words, models in entries
        ]
        return self.model(
            "Legend", items=items, orientation="horizontal", border_line_color=None, label_text_font_size="12px",
            margin=0, spacing=10, click_policy="hide",
        )  # fmt: skip

    def figure(
        self, x_label: str, y_label: str, *, height: int, x: tuple[float, float], y: tuple[float, float],
        log_y: bool, below: Sequence[Model] = (),
    ) -> dict[str, Any]:  # fmt: skip
        """The whole figure, as the script's ``embed_item`` takes it: zoom across, pan, reset; x never leaves ``x``."""
        from importlib.metadata import version

        room = 0.01 * (x[1] - x[0])
        box = self.model("BoxZoomTool", dimensions="width", overlay=self._zoom_box())
        tools = [box, self.model("WheelZoomTool", dimensions="width"), self.model("PanTool"), self.model("ResetTool")]
        across, up = self._axis(x_label), self._axis(y_label, log=log_y)
        grids = [
            self.model("Grid", axis=reference(axis), dimension=dimension, grid_line_color=GRID)
            for dimension, axis in enumerate((across, up))
        ]
        root = self.model(
            "Figure",
            height=height,
            sizing_mode="stretch_width",
            output_backend="canvas",
            outline_line_color=None,
            x_range=self.model("Range1d", start=x[0], end=x[1], bounds=[x[0] - room, x[1] + room]),
            y_range=self.model("Range1d", start=y[0], end=y[1]),
            x_scale=self.model("LinearScale"),
            y_scale=self.model("LogScale" if log_y else "LinearScale"),
            title=self.model("Title"),
            renderers=self.renderers,
            toolbar_location="above",
            toolbar=self.model(
                "Toolbar", tools=tools + self.tools, logo=None, active_drag=reference(box), active_scroll=None
            ),
            left=[up],
            below=[across, *below],
            center=[*grids, *self.annotations],
        )
        document = {"version": version("bokeh"), "title": "", "config": None, "roots": [root]}
        return {"target_id": None, "root_id": root["id"], "doc": document, "version": document["version"]}

    def _axis(self, label: str, *, log: bool = False) -> Model:
        kind = "Log" if log else "Basic"
        steps = {"mantissas": [1, 5], "num_minor_ticks": 10} if log else {"mantissas": [1, 2, 5]}
        return self.model(
            "LogAxis" if log else "LinearAxis",
            ticker=self.model(f"{kind}Ticker", **steps),
            formatter=self.model(f"{kind}TickFormatter"),
            axis_label=label,
            axis_label_text_font_style="normal",
            axis_label_text_color=INK,
            axis_label_text_font_size="13px",
            major_label_text_color=INK,
            major_label_text_font_size="12px",
            axis_line_color=GREY,
            major_tick_line_color=GREY,
            minor_tick_line_color=GREY,
        )

    def _zoom_box(self) -> Model:
        """The box that is drawn while zooming."""
        nowhere = {"type": "number", "value": "nan"}
        return self.model(
            "BoxAnnotation", syncable=False, level="overlay", visible=False, left=nowhere, right=nowhere, top=nowhere,
            bottom=nowhere, left_units="canvas", right_units="canvas", top_units="canvas", bottom_units="canvas",
            line_color="black", line_alpha=1.0, line_width=2, line_dash=[4, 4], fill_color="lightgrey", fill_alpha=0.5,
        )  # fmt: skip


def reference(model: Model) -> Model:
    """A model that stands elsewhere in the document."""
    return {"id": model["id"]}


def _column(values: Column) -> Any:
    if not isinstance(values, np.ndarray):
        return list(values)
    kind = "float64" if values.dtype == np.float64 else "float32"
    raw = np.ascontiguousarray(values, dtype="<f8" if kind == "float64" else "<f4").tobytes()
    data = base64.b64encode(gzip.compress(raw, _QUICK, mtime=0)).decode("ascii")
    return {
        "type": "ndarray", "array": {"type": "bytes", "data": data}, "shape": [values.size], "dtype": kind,
        "order": "little",
    }  # fmt: skip
