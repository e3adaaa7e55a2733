"""Segments joined: closed forms, and noise that must stay noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.spectra.spectra_signals import noise, ringing
from vibe.core.capture import Channel
from vibe.spectra.analysis import analysis_of, group_of, read
from vibe.spectra.analysis_request import AnalysisRequest, FoldRequest
from vibe.spectra.envelope.envelope_spectrum import mean_squares, over_floor
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.segment import analyse_segment
from vibe.spectra.segment_average import SLOW_CYCLES, Joined
from vibe.spectra.signal_analysis import SignalAnalysis

RATE, SPEED = 6400.0, 24.37
SLOW = 1 / 119
"""Orders of the input: a body that turns six times in a segment of half a minute."""


def channel(row: np.ndarray) -> Channel:
    return Channel(
        name="a", samples=row.astype(np.float32), sample_rate_hz=RATE, quantity="acceleration", recorded_unit="m/s^2"
    )


def analysis_request(*orders: float, folds: bool = False) -> AnalysisRequest:
    return AnalysisRequest(
        range_hz=(24.0, 25.0), nominal_hz=24.5, speed_orders=(1.0, 2.0, 3.0),
        combs=tuple(CombRequest(name=f"at {order:.4g}", order=order, max_harmonic=32) for order in orders),
        folds=tuple(FoldRequest(tone=f"at {order:.4g}", order=order, meetings=1) for order in orders) if folds else (),
        benign=(), lines=(("1x", 1.0),), lines_hz=(), fixed_speed_hz=SPEED,
    )  # fmt: skip


def machine(seconds: float, *, order: float | None = None, height: float = 3.0, seed: int = 1) -> np.ndarray:
    """Shaft lines in noise, with impacts at ``order``."""
    n = int(seconds * RATE)
    time = np.arange(n) / RATE
    row = noise(seed, n) + sum(0.5 / k * np.sin(2 * np.pi * k * SPEED * time + k) for k in (1, 2, 3))
    if order is not None:
        impacts = np.arange(0.01, seconds, 1 / (order * SPEED))
        row = row + ringing(impacts, RATE, n, resonance_hz=2000.0, heights=height)
    return row


def joined_reading(row: np.ndarray, count: int, asked: AnalysisRequest) -> SignalAnalysis:
    joined = Joined(count)
    for part in np.array_split(row, count):
        assert joined.add(analyse_segment([channel(part)], None, asked, joined.first)) is None
    return analysis_of(joined.whole(), asked)


def test_one_segment_is_read_as_before() -> None:
    asked, row = analysis_request(2.37), machine(6.0, order=2.37)
    one, many = read([channel(row)], None, asked), joined_reading(row, 1, asked)
    assert many.combs == one.combs
    assert many.speed == one.speed


@pytest.mark.parametrize("count", [1, 4])
def test_noise_over_its_floor_is_exponential_however_many_segments(count: int) -> None:
    """-ln p of a Gamma variable is exponential: what reads the power need not know of averages."""
    asked = analysis_request(2.37)
    looks = [analyse_segment([channel(noise(k, 40_000))], None, asked).looks[0] for k in range(1)]
    means = looks[0].means
    for seed in range(1, count):
        other = analyse_segment([channel(noise(seed, 40_000))], None, asked)
        means = means.joined(mean_squares(other.looks[0].bands, like=means))
    power = over_floor(means).power[0, 50:-50]
    # Every third bin: a Hann window makes neighbours alike.
    assert stats.kstest(power[::3], "expon").statistic < 0.05
    assert power.mean() == pytest.approx(1.0, abs=0.05)


def test_averages_of_other_axes_are_refused() -> None:
    asked = analysis_request(2.37)
    one, other = (analyse_segment([channel(noise(1, n))], None, asked).looks[0].means for n in (40_000, 30_000))
    with pytest.raises(ValueError, match="axis"):
        one.joined(other)


def test_segments_find_what_one_piece_finds() -> None:
    asked = analysis_request(2.37, 3.1)
    row = machine(24.0, order=2.37, height=4.0)
    one, many = read([channel(row)], None, asked), joined_reading(row, 4, asked)
    for reading in (one, many):
        assert reading.combs[0].false_alarm_probability < 1e-4
        assert reading.combs[1].false_alarm_probability > 0.01
    # Impacts as regular as these make lines of their own, the sharper and the more cut the longer the piece.
    assert many.combs[0].hit_over_floor_db > one.combs[0].hit_over_floor_db - 1.0
    assert many.speed.input_hz == pytest.approx(SPEED, rel=1e-4)
    levels = [{level.measure: level.value for level in reading.levels} for reading in (one, many)]
    for measure in ("velocity_rms", "acceleration_rms", "acceleration_peak", "crest_factor", "kurtosis"):
        assert levels[1][measure] == pytest.approx(levels[0][measure], rel=0.01), measure
    assert many.lines[0].velocity_mm_s == pytest.approx(one.lines[0].velocity_mm_s, rel=0.01)


def test_what_is_too_slow_for_a_segment_is_seen_over_all_of_them() -> None:
    seconds, count = 240.0, 8
    asked = analysis_request(SLOW, folds=True)
    sound, damaged = (machine(seconds, order=order, height=6.0) for order in (None, SLOW))
    assert SLOW * SPEED * seconds / count < SLOW_CYCLES
    alone = read([channel(np.array_split(damaged, count)[0])], None, asked).combs[0]
    silent, found = (joined_reading(row, count, asked) for row in (sound, damaged))
    assert silent.combs[0].false_alarm_probability > 0.01
    assert found.combs[0].false_alarm_probability < 1e-3
    assert found.combs[0].false_alarm_probability < alone.false_alarm_probability
    assert group_of(found.looks, found.combs[0])[0].slow
    assert found.turns[found.combs[0].tone].turns == pytest.approx(SLOW * SPEED * seconds, rel=0.02)


def test_a_segment_at_another_speed_is_left_out_and_said() -> None:
    asked = analysis_request(2.37)
    joined = Joined(2)
    assert joined.add(analyse_segment([channel(machine(6.0))], None, asked)) is None
    analysis = analyse_segment([channel(machine(6.0))], None, asked, joined.first)
    half = analysis.law.steady(analysis.law.mean_hz / 2, analysis.law.duration_s)
    assert "another one" in (joined.add(replace(analysis, law=half)) or "")
    assert joined.first is not None
    assert joined.whole().speed == joined.first.speed
