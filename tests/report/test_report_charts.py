from __future__ import annotations

import json
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest

from vibe.core.evidence import Exhibit, MapExhibit, Mark, SpectrumExhibit, WaveformExhibit
from vibe.report import charts, interactive
from vibe.report.thin import extremes, thin


def test_thinning_keeps_a_single_line_among_a_million_points() -> None:
    y = np.full(1_000_000, 0.1, dtype=np.float32)
    y[654_321], y[123_457] = 9.0, -3.0
    x = np.arange(y.size, dtype=np.float32)
    few_x, few_y = thin(x, y, 500)
    assert few_x.size <= 1002
    assert few_x[few_y.argmax()] == 654_321
    assert few_x[few_y.argmin()] == 123_457
    assert np.all(np.diff(few_x) > 0)


def test_thinning_survives_gaps_and_short_rows() -> None:
    y = np.r_[np.full(700, np.nan), np.arange(301.0)]
    keep = extremes(y, 10)
    assert 1000 in keep
    assert keep[0] == 0
    assert np.array_equal(extremes(np.array([1.0, 2.0]), 10), [0, 1])
    assert extremes(np.array([]), 10).size == 0


def test_spectrum_shows_line_floor_and_every_mark_on_its_tip(exhibits: dict[str, Exhibit]) -> None:
    exhibit = exhibits["envelope"]
    assert isinstance(exhibit, SpectrumExhibit)
    axes = charts.draw(exhibit).axes[0]
    drawn = {str(line.get_label()): line for line in axes.lines if not str(line.get_label()).startswith("_child")}
    combs = [mark.at for mark in exhibit.marks if mark.kind == "comb"]
    assert np.allclose(drawn["harmonics of this tone"].get_xdata(), combs)
    tips = np.asarray(drawn["harmonics of this tone"].get_ydata(), dtype=float)
    for at, tip in zip(combs[:5], tips, strict=False):
        near = abs(exhibit.x - at) < 0.006
        assert tip == pytest.approx(exhibit.y[near].max())
    assert "floor" in drawn
    assert {"predicted sidebands", "lines with another owner"} <= set(drawn)
    assert axes.get_xlabel() == "Order of the input [-]"
    assert axes.get_ylabel() == "Envelope [m/s²]"
    highest = max(np.nanmax(np.asarray(line.get_ydata(), dtype=float)) for line in axes.lines[:1])
    assert highest == pytest.approx(exhibit.y.max())
    assert axes.get_ylim()[1] > highest


def test_no_two_labels_of_a_row_touch() -> None:
    rng = np.random.default_rng(1)
    kinds = ("comb", "owner", "sideband", "limit")
    marks = tuple(
        Mark(at=float(at), label=f"label {i} of many", kind=kinds[i % 4])  # type: ignore[arg-type]
        for i, at in enumerate(rng.uniform(0, 100, 80))
    )
    placed = charts.placed_labels(marks, 0.0, 100.0, 6.0)
    assert len(placed) >= 6
    for row in (0, 1):
        spans = sorted(
            (middle - 0.034 * len(text), middle + 0.034 * len(text)) for _, text, middle, r in placed if r == row
        )
        assert all(first[1] <= second[0] for first, second in pairwise(spans))
    assert not any(mark.kind == "sideband" for mark, *_ in placed)


def test_drawn_label_texts_do_not_overlap_as_rendered(exhibits: dict[str, Exhibit]) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    for name in ("envelope", "velocity", "waveform"):
        figure = charts.draw(exhibits[name])
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        labels = [t for t in figure.axes[0].texts if t.get_text()]
        boxes = [label.get_window_extent(canvas.get_renderer()) for label in labels]
        assert boxes
        for i, box in enumerate(boxes):
            assert box.x1 <= figure.bbox.x1
            assert not any(box.overlaps(other) for other in boxes[i + 1 :]), name


def test_map_marks_the_right_part_and_says_when_positions_are_relative(exhibits: dict[str, Exhibit]) -> None:
    exhibit = exhibits["map"]
    assert isinstance(exhibit, MapExhibit)
    axes = charts.draw(exhibit).axes[0]
    (bar,) = axes.patches[-1:]
    assert bar.get_x() + bar.get_width() / 2 == pytest.approx(4 * 2 * np.pi / 17)  # type: ignore[attr-defined]
    bold = [t.get_text() for t in axes.get_xticklabels() if t.get_fontweight() == "bold"]
    assert bold == ["5"]
    assert "relative" in charts.notes(exhibit)
    assert "5" in charts.describe(exhibit)
    peak = axes.lines[0]
    angle = np.asarray(peak.get_xdata())[np.argmax(peak.get_ydata())]
    assert np.rad2deg(angle) == pytest.approx(4 * 360 / 17, abs=3)


@pytest.mark.parametrize(("count", "marked"), [(17, (4,)), (119, (0, 63)), (400, (7, 8)), (3, ())])
def test_part_numbers_stay_readable(count: int, marked: tuple[int, ...]) -> None:
    shown = charts.part_labels(count, marked)
    assert set(marked) <= set(shown)
    assert len(shown) <= 33
    assert max(shown) < count


@pytest.mark.parametrize("odd", ["cost $5 ^{x", "水処理 <b>&", "a\x00b\x1b[31m"])
def test_hostile_labels_draw_as_plain_text(odd: str) -> None:
    x = np.linspace(0, 10, 200, dtype=np.float32)
    exhibit = SpectrumExhibit(
        title=odd, caption=odd, x=x, y=np.ones_like(x), x_label=odd, y_label=odd, marks=(Mark(at=5.0, label=odd),)
    )
    ElementTree.fromstring(charts.svg(charts.draw(exhibit)).encode())
    text = interactive.page_json(exhibit, 1000)
    assert "<" not in text
    json.loads(text)


@pytest.mark.parametrize("log_y", [False, True])
@pytest.mark.parametrize("y", [[], [0.0], [0.0, 0.0, 0.0], [np.nan, 1.0, 2.0], [np.nan, np.nan]])
def test_degenerate_spectra_still_draw(y: list[float], log_y: bool) -> None:
    values = np.array(y, dtype=np.float32)
    exhibit = SpectrumExhibit(
        title="t", caption="c", x=np.arange(values.size, dtype=np.float32), y=values, floor=values, x_label="Hz",
        y_label="mm/s", log_y=log_y, marks=(Mark(at=0.5, label="here"),),
    )  # fmt: skip
    ElementTree.fromstring(charts.svg(charts.draw(exhibit)).encode())
    json.loads(interactive.page_json(exhibit, 1000))


def test_log_axis_ticks_are_plain_words(exhibits: dict[str, Exhibit]) -> None:
    axes = charts.draw(exhibits["velocity"]).axes[0]
    texts = [t.get_text() for t in axes.get_yticklabels()]
    assert "0.01" in texts
    assert not any("$" in text or "{" in text for text in texts)
    assert charts.power_of_ten(1e-6) == "10⁻⁶"


def test_same_picture_same_bytes(exhibits: dict[str, Exhibit]) -> None:
    assert charts.svg(charts.draw(exhibits["envelope"])) == charts.svg(charts.draw(exhibits["envelope"]))


def test_live_plot_carries_the_extremes_and_never_webgl(exhibits: dict[str, Exhibit]) -> None:
    exhibit = exhibits["velocity"]
    assert isinstance(exhibit, SpectrumExhibit)
    figure = interactive.plot(exhibit, 4000)
    assert figure.output_backend == "canvas"
    line = figure.renderers[0].data_source.data
    assert line["y"].max() == exhibit.y.max()
    assert line["x"][line["y"].argmax()] == exhibit.x[exhibit.y.argmax()]
    assert len(line["x"]) <= 4002
    assert len(interactive.page_json(exhibit, 4000)) < 90_000


def test_live_waveform_keeps_both_envelopes(exhibits: dict[str, Exhibit]) -> None:
    exhibit = exhibits["waveform"]
    assert isinstance(exhibit, WaveformExhibit)
    data = interactive.plot(exhibit, 800).renderers[0].data_source.data
    assert data["y"].max() == exhibit.high.max()
    assert data["low"].min() == exhibit.low.min()
    assert len(data["x"]) < exhibit.time_s.size


def test_an_exhibit_of_an_unknown_kind_is_refused() -> None:
    with pytest.raises(TypeError, match="no picture"):
        charts.draw(Exhibit(title="t", caption="c"))
