from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from tests.spectra.spectra_signals import noise
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes, band_edges, envelopes, local_floor, whitened

RATE, N, SPEED = 12_800.0, 128_000, 25.0
TIME = np.arange(N) / RATE
LAW = AngleLaw.steady(SPEED, N / RATE)


def cut(row: np.ndarray, band_hz: tuple[float, float] = (500.0, 6144.0), width_hz: float = 700.0) -> BandEnvelopes:
    return envelopes(whitened(row.astype(np.float32), RATE, channel="a"), LAW, band_hz=band_hz, width_hz=width_hz)


def line_depth(series: np.ndarray, turns: float, order: float) -> float:
    """Amplitude at ``order`` over the mean, read as a plain Fourier coefficient over a whole number of cycles."""
    phase = np.exp(-2j * np.pi * order * np.arange(series.size) / series.size * turns)
    return float(2 * np.abs(np.mean(series * phase)) / np.mean(series))


@pytest.mark.parametrize("rate", [2560.0, 8192.0, 25_600.0, 100_000.0])
def test_bands_tile_their_range_by_a_power_of_two(rate: float) -> None:
    centres, width = band_edges(rate, 500.0, 0.48 * rate, 700.0)
    assert np.log2(centres.size) % 1 == 0
    assert centres[0] - width / 2 == pytest.approx(500.0)
    assert centres[-1] + width / 2 == pytest.approx(0.48 * rate)
    np.testing.assert_allclose(np.diff(centres), width)
    assert width >= min(700.0, 0.48 * rate - 500.0)


def test_the_floor_is_the_mean_of_the_noise_and_lines_do_not_lift_it() -> None:
    # Periodogram of white noise: exponential, so mean = median / ln 2.
    power = np.random.default_rng(4).exponential(3.0, 60_000)
    plain = local_floor(power, 500)
    assert float(plain.mean()) == pytest.approx(3.0, rel=0.02)
    assert plain.std() / 3.0 < 2.0 / np.sqrt(500)  # a median has 1.44 times the scatter of a mean
    power[::50] *= 1e4
    assert float(local_floor(power, 500).mean()) == pytest.approx(3.0, rel=0.05)


def test_the_floor_of_silence_is_positive() -> None:
    assert np.all(local_floor(np.zeros(1000), 100) > 0)
    assert np.all(local_floor(np.ones(3), 100) > 0)


def test_parseval_the_bands_hold_what_the_signal_has_between_their_edges() -> None:
    b, a = scipy.signal.butter(2, [1500.0, 4000.0], "bandpass", fs=RATE)
    row = scipy.signal.lfilter(b, a, noise(3, N, 2.0))
    found = cut(row)
    spectrum = np.fft.rfft(row)
    frequency = np.arange(spectrum.size) * RATE / N
    power = 2 * np.abs(spectrum) ** 2 / N**2
    for centre, rms in zip(found.centre_hz, found.band_rms, strict=True):
        inside = np.abs(frequency - centre) < found.width_hz / 2
        assert rms == pytest.approx(np.sqrt(power[inside].sum()), rel=2e-3)
    outside = power[(frequency < 500.0) | (frequency > 6144.0)].sum()
    assert np.sum(found.band_rms**2) + outside == pytest.approx(np.mean(row**2), rel=2e-3)


@pytest.mark.parametrize("depth", [0.1, 0.4])
def test_modulated_noise_shows_its_modulation_with_the_depth_it_has(depth: float) -> None:
    """(1 + m cos)² = (1 + m²/2) + 2 m cos + (m²/2) cos 2: the lines of a squared envelope in closed form.

    A band of width W passes the envelope's line at f by 1 - f / W (Wiener-Khinchin: the autocorrelation of a box).
    """
    order = 4.0
    found = cut((1 + depth * np.cos(2 * np.pi * order * SPEED * TIME)) * noise(5, N))
    series = found.power.mean(axis=0).astype(float)
    mean = 1 + depth**2 / 2
    passed = 1 - order * SPEED / found.width_hz
    # Scatter of one line in the mean of the bands' exponential noise.
    sigma = 2 / np.sqrt(N / RATE * found.width_hz * found.centre_hz.size)
    assert line_depth(series, found.turns, order) == pytest.approx(2 * depth / mean * passed, abs=3 * sigma)
    second = 1 - 2 * order * SPEED / found.width_hz
    assert line_depth(series, found.turns, 2 * order) == pytest.approx(depth**2 / 2 / mean * second, abs=3 * sigma)
    assert line_depth(series, found.turns, 3.37) < 3 * sigma


def test_every_envelope_has_mean_one_whatever_the_unit() -> None:
    small, large = cut(noise(6, N, 1e-6)), cut(noise(6, N, 1e6))
    np.testing.assert_allclose(small.power.mean(axis=1), 1.0, rtol=1e-4)
    np.testing.assert_allclose(small.power, large.power, rtol=1e-2, atol=1e-3)
    np.testing.assert_allclose(small.band_rms * 1e12, large.band_rms, rtol=1e-4)


def test_a_loud_line_in_a_band_does_not_rule_its_envelope() -> None:
    """A sine beats with the noise next to it and hides the impacts; cut to its surroundings it cannot."""
    hum = 300.0 * np.sin(2 * np.pi * 1234.5 * TIME)
    modulated = (1 + 0.4 * np.cos(2 * np.pi * 4.0 * SPEED * TIME)) * noise(5, N)
    with_hum, without = cut(modulated + hum), cut(modulated)
    band = int(np.abs(with_hum.centre_hz - 1234.5).argmin())
    clean = line_depth(without.power[band].astype(float), without.turns, 4.0)
    assert line_depth(with_hum.power[band].astype(float), with_hum.turns, 4.0) == pytest.approx(clean, rel=0.25)


def test_one_stray_shock_does_not_rule_the_envelope() -> None:
    row = noise(7, N)
    row[40_000:40_040] += 2000.0 * np.hanning(40)
    assert float(cut(row).power.max()) < 40.0


def test_a_drifting_capture_is_laid_on_angle() -> None:
    knots = np.linspace(0.0, N / RATE, 41)

    def turns(t: np.ndarray) -> np.ndarray:
        return SPEED * (t + 0.03 * t**2 / 20.0)

    row = (1 + 0.5 * np.cos(2 * np.pi * 6.0 * turns(TIME))) * noise(8, N)
    law = AngleLaw(time_s=knots, turns=turns(knots))
    on_angle = envelopes(whitened(row.astype(np.float32), RATE, channel="a"), law, band_hz=(500, 6144), width_hz=700)
    assert on_angle.turns == pytest.approx(law.total_turns, rel=1e-3)
    steady = AngleLaw.steady(law.mean_hz, N / RATE)
    white = whitened(row.astype(np.float32), RATE, channel="a")
    on_time = envelopes(white, steady, band_hz=(500, 6144), width_hz=700)
    expected = 2 * 0.5 / 1.125 * (1 - 6.0 * law.mean_hz / on_angle.width_hz)
    assert line_depth(on_angle.power.mean(axis=0).astype(float), on_angle.turns, 6.0) == pytest.approx(
        expected, rel=0.1
    )
    assert line_depth(on_time.power.mean(axis=0).astype(float), on_time.turns, 6.0) < 0.25 * expected


@pytest.mark.parametrize(("size", "block"), [(3, 8), (50, 50), (1001, 33), (4096, 64)])
def test_floor_joins_the_middles_of_its_blocks(size: int, block: int) -> None:
    power = np.random.default_rng(size).exponential(size=size)
    wide = min(max(8, block), size)
    count = size // wide
    medians = np.sort(power[: count * wide].reshape(count, wide), axis=1)[:, wide // 2] / np.log(2.0)
    middles = (np.arange(count) + 0.5) * wide
    expected = np.exp(np.interp(np.arange(size), middles, np.log(medians)))
    assert local_floor(power, block) == pytest.approx(expected, rel=1e-12)


def impacts(at_s: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """Blows that ring at 2 kHz for some milliseconds, in noise."""
    row = noise(5, N, 0.02)
    ring = np.exp(-np.arange(400) / 60.0) * np.sin(2 * np.pi * 2000.0 * np.arange(400) / RATE)
    for at, height in zip(at_s, heights, strict=True):
        first = int(at * RATE)
        row[first : first + 400] += height * ring[: N - first]
    return row


def peaks(found: BandEnvelopes, rows: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Largest of ``rows`` after each instant, in the band that holds 2 kHz."""
    band = rows[int(np.abs(found.centre_hz - 2000.0).argmin())]
    rate = band.size / (N / RATE)
    return np.array([band[int(at * rate) : int((at + 0.01) * rate)].max() for at in at_s])


def test_impacts_that_repeat_keep_what_they_differ_by_and_a_stray_shock_is_cut() -> None:
    """However strong: heights of one to two in amplitude are one to four in power, cut alike for combs."""
    at = np.arange(0.05, 9.9, 0.025)
    heights = np.where(np.arange(at.size) % 4 == 0, 2.0, 1.0)
    found = cut(impacts(at, 10.0 * heights))
    assert found.repeated is not None
    kept, alike = (peaks(found, rows, at) for rows in (found.heights, found.power))
    assert np.median(kept[heights == 2]) > 2 * np.median(kept[heights == 1])
    assert np.median(alike[heights == 2]) < 1.5 * np.median(alike[heights == 1])
    for height in (3.0, 6.0):
        once = cut(impacts(np.array([5.0]), np.array([height])))
        assert once.repeated is None
        assert once.heights is once.power
        assert once.power.max() < 25.0
