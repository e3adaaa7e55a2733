from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from vibe.core.evidence import Mark, PlotData, PolarPlot, SpectrumPlot, WaveformPlot
from vibe.report.drawing import canvas, charts, interactive, polar_map
from vibe.report.drawing.thinning import extremes, thin
from vibe.report.printing import text_width as letters
from vibe.report.printing.fonts import font_files
from vibe.report.printing.text_width import text_width


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


SVG = "{http://www.w3.org/2000/svg}"


def drawn(plot: PlotData) -> dict[str, list[ElementTree.Element]]:
    """The elements of a picture by their class, each in the order of drawing."""
    found: dict[str, list[ElementTree.Element]] = {}
    for element in ElementTree.fromstring(charts.svg(plot)).iter():
        found.setdefault(element.get("class", ""), []).append(element)
    return found


def words(elements: list[ElementTree.Element]) -> list[str]:
    return [element.text or "" for element in elements]


def corners(element: ElementTree.Element) -> np.ndarray:
    """Places (n, 2) of a line."""
    return np.array([pair.split(",") for pair in element.attrib["points"].split()], dtype=float)


def starts(element: ElementTree.Element) -> np.ndarray:
    """Places (n, 2) at which the shapes of a path begin."""
    return np.array(re.findall(r"M([-\d.]+) ([-\d.]+)", element.attrib["d"]), dtype=float)


def scale(texts: list[ElementTree.Element], way: str, offset: float = 0.0) -> Callable[[Any], Any]:
    """Place on the sheet of a value, as the tick labels of a linear axis tell it."""
    values = [float((text.text or "").replace("−", "-")) for text in texts]
    places = [float(text.attrib[way]) - offset for text in texts]
    slope = (places[-1] - places[0]) / (values[-1] - values[0])
    return lambda value: places[0] + slope * (np.asarray(value) - values[0])


def test_spectrum_shows_line_floor_and_every_mark_on_its_tip(plots: dict[str, PlotData]) -> None:
    plot = plots["envelope"]
    assert isinstance(plot, SpectrumPlot)
    picture = drawn(plot)
    across, down = scale(picture["tick-x"], "x"), scale(picture["tick-y"], "y", 2.9)
    combs = [mark.at for mark in plot.marks if mark.kind == "comb"]
    tips = starts(picture["mark-comb"][0])
    assert np.allclose(tips[:, 0], across(combs), atol=0.02)
    for at, tip in zip(combs, tips, strict=True):
        near = abs(plot.x - at) < 0.006
        assert tip[1] == pytest.approx(float(down(plot.y[near].max())), abs=0.05)
    assert len(starts(picture["mark-sideband"][0])) == sum(mark.kind == "sideband" for mark in plot.marks)
    assert words(picture["legend"])[::-1] == [
        "floor", "harmonics of this tone", "predicted sidebands", "lines with another owner",
    ]  # fmt: skip
    assert words(picture["label-x"]) == ["Order of the input [-]"]
    assert words(picture["label-y"]) == ["Envelope [m/s²]"]
    highest = corners(picture["curve"][0])[:, 1].min()
    assert highest == pytest.approx(float(down(plot.y.max())), abs=0.06)
    assert highest > 31
    assert "floor" in picture


def test_a_log_axis_places_tenfold_values_at_equal_steps() -> None:
    x = np.arange(5, dtype=np.float32)
    plot = SpectrumPlot(
        title="t", caption="c", x=x, y=np.array([1.0, 10.0, 100.0, 1000.0, 1.0], np.float32), x_label="Hz",
        y_label="mm/s", log_y=True,
    )  # fmt: skip
    picture = drawn(plot)
    heights = corners(picture["curve"][0])[:4, 1]
    assert np.ptp(np.diff(heights)) < 0.3
    ticks = {text.text: float(text.attrib["y"]) - 2.9 for text in picture["tick-y"]}
    assert heights[2] == pytest.approx(ticks["100"], abs=0.1)


def test_the_floor_of_quiet_noise_lies_within_the_axes() -> None:
    """What noise seldom exceeds lies above all of a sound machine's values."""
    x = np.arange(5, dtype=np.float32)
    y, floor = np.array([-1.2, 0.1, -0.2, 0.1, 0.0], np.float32), np.full(5, 0.33, np.float32)
    plot = SpectrumPlot(title="t", caption="c", x=x, y=y, floor=floor, x_label="Hz", y_label="kurtosis")
    bottom, top = charts.spectrum_y_limits(plot)
    assert bottom < -1.2
    assert top > 0.4


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
            (middle - text_width(text, 7.5) / 144, middle + text_width(text, 7.5) / 144)
            for _, text, middle, r in placed
            if r == row
        )
        assert all(first[1] <= second[0] for first, second in pairwise(spans))
    assert not any(mark.kind == "sideband" for mark, *_ in placed)


def extent(text: ElementTree.Element) -> tuple[float, float, float, float]:
    """Left, right, top and bottom of words on the sheet, in the letters of pictures."""
    size = float(text.attrib["font-size"])
    wide = text_width(text.text or "", size, bold=text.get("font-weight") == "bold")
    x, y = float(text.attrib["x"]), float(text.attrib["y"])
    left = x - {"middle": wide / 2, "end": wide}.get(text.get("text-anchor", ""), 0.0)
    return left, left + wide, y - 0.72 * size, y + 0.21 * size


@pytest.mark.parametrize("bold", [False, True])
def test_widths_are_those_of_the_font(bold: bool) -> None:
    font = pytest.importorskip("fontTools.ttLib").TTFont(font_files()[1 if bold else 0])
    assert font["head"].unitsPerEm == letters.UNITS
    names, advances = font.getBestCmap(), font["hmtx"]
    for one in map(chr, range(32, 127)):
        assert text_width(one, letters.UNITS, bold=bold) == advances[names[ord(one)]][0], one
    for one in "±×−·²³°µ–≥≤⁻⁴":
        assert text_width(one, letters.UNITS, bold=bold) >= advances[names[ord(one)]][0], one


@pytest.mark.parametrize("name", ["envelope", "velocity", "waveform", "map"])
def test_no_two_texts_of_a_picture_overlap_and_all_are_on_the_sheet(plots: dict[str, PlotData], name: str) -> None:
    root = ElementTree.fromstring(charts.svg(plots[name]))
    texts = [text for text in root.iter(f"{SVG}text") if text.get("x") is not None]
    boxes = [extent(text) for text in texts]
    assert len(boxes) > 8
    _, _, width, height = (float(v) for v in root.attrib["viewBox"].split())
    for i, (left, right, top, bottom) in enumerate(boxes):
        assert left >= 0
        assert right <= width
        assert top >= 0
        assert bottom <= height
        for other, box in zip(texts[i + 1 :], boxes[i + 1 :], strict=True):
            apart = right <= box[0] or box[1] <= left or bottom <= box[2] or box[3] <= top
            assert apart, (name, texts[i].text, other.text)


def test_map_marks_the_right_part_and_says_when_positions_are_relative(plots: dict[str, PlotData]) -> None:
    plot = plots["map"]
    assert isinstance(plot, PolarPlot)
    picture = drawn(plot)
    centre = np.array([158.4, 115.2])

    def angle_deg(place: np.ndarray) -> float:
        right, down = place - centre
        return float(np.rad2deg(np.arctan2(right, -down)) % 360)

    wanted = 4 * 360 / 17
    (sector,) = picture["marked"]
    assert angle_deg(corners(sector)[:-1].mean(axis=0)) == pytest.approx(wanted, abs=0.1)
    assert [text.text for text in picture["part"] if text.get("font-weight") == "bold"] == ["5"]
    assert "relative" in charts.notes(plot)
    assert "5" in charts.describe(plot)
    curve = corners(picture["curve"][0])
    loudest = curve[np.linalg.norm(curve - centre, axis=1).argmax()]
    assert angle_deg(loudest) == pytest.approx(wanted, abs=3)


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [(0.0, 1.0, ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]), (-11.0, 12.0, ["−10", "−5", "0", "5", "10"]),
     (2.0, 1000.0, ["200", "400", "600", "800", "1000"]), (1.57, 1.9, ["1.6", "1.7", "1.8", "1.9"])],
)  # fmt: skip
def test_ticks_are_round_and_written_alike(low: float, high: float, wanted: list[str]) -> None:
    assert canvas.tick_words(canvas.ticks(low, high, 7)) == wanted


@pytest.mark.parametrize(("low", "high"), [(1e-6, 1e3), (0.3, 0.7), (0.9, 30.0), (1e-12, 1e-11)])
def test_a_log_axis_has_two_ticks_at_least_and_few(low: float, high: float) -> None:
    found = canvas.log_ticks(low, high, 7)
    assert 1 <= len(found) <= 10
    assert all(low * 0.999 <= value <= high * 1.001 for value in found)
    assert len({canvas.power_of_ten(value) for value in found}) == len(found)


@pytest.mark.parametrize(("count", "marked"), [(17, (4,)), (119, (0, 63)), (400, (7, 8)), (3, ())])
def test_part_numbers_stay_readable(count: int, marked: tuple[int, ...]) -> None:
    shown = polar_map.part_labels(count, marked)
    assert set(marked) <= set(shown)
    assert len(shown) <= 33
    assert max(shown) < count


@pytest.mark.parametrize("odd", ["cost $5 ^{x", "水処理 <b>&", "a\x00b\x1b[31m"])
def test_hostile_labels_draw_as_plain_text(odd: str) -> None:
    x = np.linspace(0, 10, 200, dtype=np.float32)
    plot = SpectrumPlot(
        title=odd, caption=odd, x=x, y=np.ones_like(x), x_label=odd, y_label=odd, marks=(Mark(at=5.0, label=odd),)
    )
    ElementTree.fromstring(charts.svg(plot).encode())
    text = interactive.page_json(plot, 1000)
    assert "<" not in text
    json.loads(text)


@pytest.mark.parametrize("log_y", [False, True])
@pytest.mark.parametrize("y", [[], [0.0], [0.0, 0.0, 0.0], [np.nan, 1.0, 2.0], [np.nan, np.nan]])
def test_degenerate_spectra_still_draw(y: list[float], log_y: bool) -> None:
    values = np.array(y, dtype=np.float32)
    plot = SpectrumPlot(
        title="t", caption="c", x=np.arange(values.size, dtype=np.float32), y=values, floor=values, x_label="Hz",
        y_label="mm/s", log_y=log_y, marks=(Mark(at=0.5, label="here"),),
    )  # fmt: skip
    ElementTree.fromstring(charts.svg(plot).encode())
    json.loads(interactive.page_json(plot, 1000))


def test_log_axis_ticks_are_plain_words(plots: dict[str, PlotData]) -> None:
    assert "0.01" in words(drawn(plots["velocity"])["tick-y"])
    assert canvas.power_of_ten(1e-6) == "10⁻⁶"


def test_same_picture_same_bytes(plots: dict[str, PlotData]) -> None:
    for plot in plots.values():
        assert charts.svg(plot) == charts.svg(plot)


def read_back(text: str) -> Any:
    """The figure as the package reads it; models and attributes that it does not know are refused."""
    from bokeh.document import Document

    item = json.loads(text)
    config = {"type": "object", "name": "DocumentConfig", "id": "config"}
    document = Document.from_json(item["doc"] | {"config": config})
    (figure,) = document.roots
    assert figure.id == item["root_id"]
    return figure


def test_live_plot_carries_the_extremes_and_never_webgl(plots: dict[str, PlotData]) -> None:
    plot = plots["velocity"]
    assert isinstance(plot, SpectrumPlot)
    text = interactive.page_json(plot, 4000)
    assert len(text) < 70_000
    figure = read_back(text)
    assert figure.output_backend == "canvas"
    line = figure.renderers[0].data_source.data
    assert line["y"].max() == plot.y.max()
    assert line["x"][line["y"].argmax()] == plot.x[plot.y.argmax()]
    assert len(line["x"]) <= 4002


def test_live_waveform_keeps_both_envelopes(plots: dict[str, PlotData]) -> None:
    plot = plots["waveform"]
    assert isinstance(plot, WaveformPlot)
    figure = read_back(interactive.page_json(plot, 800))
    data = figure.renderers[0].data_source.data
    assert data["y"].max() == plot.high.max()
    assert data["low"].min() == plot.low.min()
    assert len(data["x"]) < plot.time_s.size
    assert len({id(renderer.data_source) for renderer in figure.renderers[:3]}) == 1


def test_live_figures_of_a_page_share_no_name(plots: dict[str, PlotData]) -> None:
    plot = plots["envelope"]
    assert isinstance(plot, SpectrumPlot)
    first, second = (set(re.findall(r'"id":"([^"]+)"', interactive.page_json(plot, 800, number))) for number in (1, 11))
    assert first
    assert not first & second


def test_pages_of_a_drive_load_neither_plotting_library() -> None:
    code = (
        "import sys; from vibe.report.pages.drive_page import write_drive; from vibe.report.drawing import interactive;"
        "assert interactive.scripts(); print(*sorted({'matplotlib', 'bokeh', 'weasyprint'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_an_exhibit_of_an_unknown_kind_is_refused() -> None:
    with pytest.raises(TypeError, match="no picture"):
        charts.svg(PlotData(title="t", caption="c"))
