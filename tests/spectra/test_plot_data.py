from __future__ import annotations

import numpy as np
import pytest

from tests.spectra.spectra_signals import noise, repeats, ringing
from vibe.core.capture import Channel
from vibe.core.evidence import Mark
from vibe.spectra.analysis import read
from vibe.spectra.analysis_request import AnalysisRequest, FoldRequest
from vibe.spectra.envelope.synchronous_average import Turn
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.plots import plot_data
from vibe.spectra.signal_analysis import SignalAnalysis

RATE, DURATION, SPEED = 8192.0, 6.0, 25.0
N = int(RATE * DURATION)
ORDER = 3.1


@pytest.fixture(scope="module")
def reading() -> SignalAnalysis:
    time = np.arange(N) / RATE
    row = noise(1, N, 0.3) + ringing(repeats(ORDER, SPEED, DURATION), RATE, N, resonance_hz=2300.0, heights=4.0)
    for order, amplitude in ((1.0, 0.5), (2.0, 0.4), (3.0, 0.3), (18.0, 0.5)):
        row += amplitude * np.sin(2 * np.pi * order * SPEED * time)
    analysis_request = AnalysisRequest(
        range_hz=(24.5, 25.5), nominal_hz=25.0, speed_orders=(1.0, 2.0, 3.0, 18.0),
        combs=(CombRequest(name="tooth", order=ORDER, slip=(-0.01, 0.01)),),
        folds=(FoldRequest(tone="tooth", order=ORDER, meetings=1),), benign=((1.0, 60),), lines=(("1x", 1.0),),
        lines_hz=(),
    )  # fmt: skip
    one = Channel(
        name="housing",
        samples=row.astype(np.float32),
        sample_rate_hz=RATE,
        quantity="acceleration",
        recorded_unit="m/s^2",
    )
    return read([one], None, analysis_request)


def test_thinning_never_loses_the_highest_points() -> None:
    y = np.random.default_rng(0).exponential(1.0, 100_003)
    y[77_777] = 1e3
    x = np.arange(y.size, dtype=float)
    thin_x, thin_y = plot_data.thinned(x, y, 5000)
    assert thin_x.size <= 5000
    assert np.all(np.diff(thin_x) > 0)
    assert float(thin_x[thin_y.argmax()]) == 77_777
    assert float(thin_y.max()) == 1e3
    whole_x, whole_y = plot_data.thinned(x[:100], y[:100], 5000)
    np.testing.assert_allclose(whole_x, x[:100])
    np.testing.assert_allclose(whole_y, y[:100], rtol=1e-6)


def test_the_envelope_picture_shows_the_comb_over_its_floor(reading: SignalAnalysis) -> None:
    comb = reading.combs[0]
    mark = Mark(at=comb.order, label="1")
    shown = plot_data.comb_plot(reading, comb, [mark], title="t", caption="c", highest=10.0)
    assert shown.x.size == shown.y.size <= plot_data.MOST_POINTS
    assert shown.floor is not None
    assert shown.floor.size == shown.x.size
    assert 0 < shown.x[0] < 0.2
    assert 9.5 < shown.x[-1] <= 10.01
    for harmonic in (1, 2, 3):
        near = np.abs(shown.x - harmonic * ORDER) < 0.05
        assert shown.y[near].max() > 5 * shown.floor[near].max()
    quiet = (shown.x > 4.0) & (shown.x < 5.5)
    assert np.median(shown.y[quiet]) < 2 * np.median(shown.floor[quiet])
    assert shown.marks == (mark,)


def test_the_velocity_picture_is_calibrated(reading: SignalAnalysis) -> None:
    shown = plot_data.velocity_plot(reading, "housing", [], title="t", caption="c", highest_hz=1000.0)
    assert shown.log_y
    assert 2.0 <= shown.x[0] < 2.5
    assert shown.x[-1] <= 1001.0
    for order, amplitude in ((1.0, 0.5), (18.0, 0.5)):
        near = np.abs(shown.x - order * SPEED) < 1.0
        expected = amplitude / np.sqrt(2) / (2 * np.pi * order * SPEED) * 1e3
        # A Hann window shows a line between bins by up to 1.42 dB too low (Harris 1978).
        assert 0.84 * expected < shown.y[near].max() < 1.02 * expected


def test_the_map_marks_the_part_under_the_peak() -> None:
    level = np.ones(72)
    level[30] = 5.0  # 152.5 degrees
    turn = Turn(level=level, sigma=np.full(72, 0.01), turns=100.0)
    shown = plot_data.polar_plot(turn, part="lobe", count=17, peaks_deg=(152.5,), absolute=True, title="t", caption="c")
    assert shown.marked == (7,)  # lobes stand at 21.18 degrees each: the seventh at 148.2
    assert (shown.part, shown.count, shown.absolute) == ("lobe", 17, True)
    assert float(shown.level.max()) == 1.0
    assert float(np.median(shown.level)) == 0.0
    assert shown.angle_deg.size % 17 == 0
    assert shown.angle_deg.size >= 72
    round_the_corner = plot_data.polar_plot(
        turn, part="pin", count=18, peaks_deg=(355.0, 2.0), absolute=False, title="t", caption="c"
    )
    assert round_the_corner.marked == (0,)


def test_the_waveform_holds_its_repeats_and_no_more_points_than_asked(reading: SignalAnalysis) -> None:
    comb = reading.combs[0]
    shown = plot_data.waveform_plot(reading, comb, title="t", caption="c", repeats=8.0, columns=400)
    assert 0 < shown.time_s.size < 2 * 400
    assert np.all(shown.low <= shown.high)
    length = float(shown.time_s[-1] - shown.time_s[0])
    assert length == pytest.approx(8.0 / (comb.order * SPEED), rel=0.05)
    assert 0 <= shown.time_s[0] <= DURATION - length
    # Of impacts 4 m/s² high in noise of 0.3, a good part comes through the band.
    assert 1.0 < float(max(shown.high.max(), -shown.low.min())) < 5.0
