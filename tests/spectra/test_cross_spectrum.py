from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.evidence import CrossLine
from vibe.spectra.analysis import read
from vibe.spectra.analysis_request import AnalysisRequest
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.cross_spectrum import cross_lines, joined_cross_lines
from vibe.spectra.segment import analyse_segment
from vibe.spectra.segment_average import Joined

RATE, SPEED, SECONDS = 4096.0, 24.3, 8.0
ASKED = AnalysisRequest(
    range_hz=(22.0, 26.0), nominal_hz=24.0, speed_orders=(1.0, 2.0, 3.0), combs=(), folds=(), benign=(),
    lines=(("1x", 1.0), ("2x", 2.0)), lines_hz=(),
)  # fmt: skip


def lines_of(first: NDArray[np.float64], second: NDArray[np.float64], hz: float) -> CrossLine:
    transforms = {name: np.fft.rfft(row).astype(np.complex64) for name, row in (("a", first), ("b", second))}
    [line] = cross_lines(transforms, RATE / first.size, [("1x", hz)], spread=1e-3)
    return line


def machine(lead_deg: float, seed: int, turns: NDArray[np.float64]) -> NDArray[np.float32]:
    noise = np.random.default_rng(seed).normal(size=turns.size)
    first = np.cos(2 * np.pi * turns + np.radians(lead_deg))
    more = sum(0.4 * np.cos(2 * np.pi * k * turns + k + k * np.radians(lead_deg)) for k in (2, 3))
    return (first + more + 0.3 * noise).astype(np.float32)


def channel(name: str, samples: NDArray[np.float32], rate: float = RATE) -> Channel:
    return Channel(name=name, samples=samples, sample_rate_hz=rate, quantity="acceleration", recorded_unit="m/s^2")


@pytest.mark.parametrize("lead_deg", [-135.0, -90.0, 0.0, 30.0, 90.0])
def test_the_lead_of_the_second_channel_is_read(lead_deg: float) -> None:
    rng = np.random.default_rng(1)
    turn = 2 * np.pi * SPEED * np.arange(20_000) / RATE
    first = 2.0 * np.cos(turn) + 0.5 * rng.normal(size=turn.size)
    second = 0.5 * np.cos(turn + np.radians(lead_deg)) + 0.1 * rng.normal(size=turn.size)
    seen = lines_of(first, second, SPEED)
    assert seen.phase_deg == pytest.approx(lead_deg, abs=1.0)
    assert seen.amplitude_ratio == pytest.approx(0.25, rel=0.02)
    assert seen.coherence > 0.99
    assert seen.turned().phase_deg == -seen.phase_deg
    assert seen.turned().amplitude_ratio == pytest.approx(4.0, rel=0.02)


def test_noise_is_seldom_coherent() -> None:
    rng = np.random.default_rng(2)
    found = [lines_of(rng.normal(size=4000), rng.normal(size=4000), 400.0).coherence for _ in range(2000)]
    assert 0.2 < np.median(found) < 0.6
    assert np.mean(np.array(found) > 0.9) < 0.01


def test_a_lead_that_comes_and_goes_is_not_coherent() -> None:
    """Twin of the steady lead: the second channel turns round half a turn in the middle of the capture."""
    turn = 2 * np.pi * SPEED * np.arange(20_000) / RATE
    half = np.where(np.arange(turn.size) < turn.size // 2, 0.0, np.pi)
    assert lines_of(np.cos(turn), np.cos(turn + half), SPEED).coherence < 0.5


def test_a_single_channel_and_lines_off_the_axis_give_none() -> None:
    row = np.fft.rfft(np.random.default_rng(3).normal(size=4000)).astype(np.complex64)
    assert cross_lines({"a": row}, 1.0, [("1x", 400.0)]) == ()
    assert cross_lines({"a": row, "b": row}, 1.0, [("low", 2.0), ("high", 1999.0)]) == ()


@pytest.mark.parametrize("run_up", [0.0, 0.05])
def test_an_analysis_tells_the_phase_on_the_angle_of_the_shaft(run_up: float) -> None:
    time = np.arange(round(RATE * SECONDS)) / RATE
    turns = SPEED * time + 0.5 * run_up * time**2
    rows = [channel(name, machine(lead, seed, turns)) for name, lead, seed in (("a", 0.0, 1), ("b", 70.0, 2))]
    found = {line.name: line for line in read(rows, None, ASKED).cross_lines}
    assert (found["1x"].first, found["1x"].second) == ("a", "b")
    assert found["1x"].phase_deg == pytest.approx(70.0, abs=3.0)
    assert found["2x"].phase_deg == pytest.approx(140.0, abs=6.0)
    assert min(line.coherence for line in found.values()) > 0.95


def test_channels_of_other_rates_are_not_compared() -> None:
    time = np.arange(round(RATE * SECONDS)) / RATE
    one, two = machine(0.0, 1, SPEED * time), machine(70.0, 2, SPEED * time)
    law = (AngleLaw.steady(SPEED, SECONDS), read([channel("a", one)], None, ASKED).speed)
    alike = analyse_segment([channel("a", one), channel("b", two)], None, ASKED, known=law)
    unlike = analyse_segment([channel("a", one), channel("b", two[::2].copy(), RATE / 2)], None, ASKED, known=law)
    assert (len(alike.cross_lines), unlike.cross_lines) == (2, ())


def test_segments_are_joined_and_what_turns_between_them_loses_its_coherence() -> None:
    time = np.arange(round(RATE * SECONDS)) / RATE
    one = machine(0.0, 1, SPEED * time)
    steady, joined = [machine(70.0, seed, SPEED * time) for seed in (2, 3)], Joined(2)
    for second in steady:
        joined.add(analyse_segment([channel("a", one), channel("b", second)], None, ASKED, joined.first))
    [line, _] = joined.whole().cross_lines
    assert line.phase_deg == pytest.approx(70.0, abs=3.0)
    assert line.coherence > 0.95
    other = replace(line, phase_deg=line.phase_deg - 180.0)
    assert joined_cross_lines([(line,), (other,)])[0].coherence < 0.01
