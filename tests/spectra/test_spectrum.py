from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from vibe.spectra.fft import fast_length, irfft, rfft
from vibe.spectra.spectrum import (
    amplitude_spectrum,
    density_interval,
    density_spectrum,
    equivalent_averages,
    segment_count,
    segment_length,
)

RATE = 2048.0
TIME = np.arange(4096) / RATE


@pytest.mark.parametrize("kind", ["rms", "peak"])
@pytest.mark.parametrize("window", ["rectangle", "hann", "blackman", "flat top"])
def test_a_sine_on_a_bin_is_read_exactly_whatever_the_window(window: str, kind: str) -> None:
    found = amplitude_spectrum(
        3.0 * np.sin(2 * np.pi * 100.0 * TIME + 0.4), RATE, window=window, unit="m/s^2", kind=kind
    )
    assert found.at(100.0) == pytest.approx(3.0 if kind == "peak" else 3.0 / np.sqrt(2.0), rel=1e-5)
    assert (found.kind, found.unit, found.axis_unit, found.step) == (kind, "m/s^2", "Hz", 0.5)


def test_a_sine_midway_between_bins_loses_what_the_window_says() -> None:
    # Harris 1978, Table 1: worst scalloping 1.42 dB for Hann, 0.01 dB for the flat top.
    midway = np.sin(2 * np.pi * 100.25 * TIME)
    for window, loss_db in (("hann", 1.4236), ("flat top", 0.0102)):
        found = amplitude_spectrum(midway, RATE, window=window, unit="", kind="peak")
        assert -20 * np.log10(found.values.max()) == pytest.approx(loss_db, abs=2e-3)


@pytest.mark.parametrize("kind", ["rms", "peak"])
def test_mean_and_nyquist_are_not_doubled(kind: str) -> None:
    alternating = np.where(np.arange(TIME.size) % 2, -2.0, 2.0)
    found = amplitude_spectrum(5.0 + alternating, RATE, unit="", kind=kind)
    assert found.at(0.0) == pytest.approx(5.0, rel=1e-6)
    assert found.at(RATE / 2) == pytest.approx(2.0, rel=1e-6)
    assert found.values.size == TIME.size // 2 + 1


def test_the_last_bin_of_an_odd_length_is_an_ordinary_one() -> None:
    n = 2025
    bin_hz = RATE / n
    found = amplitude_spectrum(
        np.cos(2 * np.pi * 1012 * np.arange(n) / n), RATE, window="rectangle", unit="", kind="peak"
    )
    assert fast_length(n) == n
    assert found.at(1012 * bin_hz) == pytest.approx(1.0, rel=1e-4)


def test_parseval_lines_of_a_rectangle_carry_the_mean_square() -> None:
    row = np.random.default_rng(3).normal(2.0, 1.0, 4096)
    found = amplitude_spectrum(row, RATE, window="rectangle", unit="", kind="rms")
    assert np.sum(found.values.astype(float) ** 2) == pytest.approx(np.mean(row**2), rel=1e-5)


def test_an_impulse_is_flat() -> None:
    row = np.zeros(1000)
    row[500] = 8.0
    values = amplitude_spectrum(row, 1000.0, window="rectangle", unit="", kind="peak").values
    np.testing.assert_allclose(values[1:-1], 2.0 * 8.0 / 1000, rtol=1e-5)


def test_padding_moves_the_bins_not_the_resolution() -> None:
    row = np.sin(2 * np.pi * 100.0 * np.arange(4099) / RATE)  # 4099 is prime
    found = amplitude_spectrum(row, RATE, unit="", kind="peak")
    assert found.step == RATE / fast_length(4099) < RATE / 4099
    assert found.resolution == pytest.approx(1.5 * RATE / 4099, rel=1e-6)
    assert found.values.max() == pytest.approx(1.0, abs=0.16)


def test_single_precision_stays_single() -> None:
    row = np.random.default_rng(1).normal(size=4000).astype(np.float32)
    lines = rfft(row)
    assert lines.dtype == np.complex64
    assert irfft(lines, 4000).dtype == np.float32
    np.testing.assert_allclose(irfft(lines, 4000), row, atol=1e-5)
    assert amplitude_spectrum(row, RATE, unit="").values.dtype == np.float32


def test_density_of_noise_integrates_to_its_variance_and_reads_its_level() -> None:
    sigma = 1.7
    row = np.random.default_rng(5).normal(0.0, sigma, 200_000)
    found = density_spectrum(row, RATE, resolution_hz=8.0, unit="m/s^2")
    assert found.resolution <= 8.0
    assert float(found.values.sum()) * found.step == pytest.approx(sigma**2, rel=0.02)
    assert float(np.mean(found.values[5:-5])) == pytest.approx(2 * sigma**2 / RATE, rel=0.02)
    assert found.kind == "density"


def test_density_is_the_one_of_scipy() -> None:
    row = np.random.default_rng(6).normal(size=20_000)
    found = density_spectrum(row, RATE, resolution_hz=6.0, overlap=0.75, unit="")
    segment = segment_length(row.size, RATE, 6.0)
    frequency, values = scipy.signal.welch(row, RATE, "hann", nperseg=segment, noverlap=round(0.75 * segment))
    np.testing.assert_allclose(found.axis, frequency)
    np.testing.assert_allclose(found.values, values, rtol=1e-5)


def test_a_row_too_short_for_the_resolution_says_what_it_reached() -> None:
    found = density_spectrum(np.random.default_rng(2).normal(size=1000), RATE, resolution_hz=0.1, unit="")
    assert found.resolution == pytest.approx(1.5 * RATE / 1000, rel=1e-6)


def test_interval_covers_the_truth_as_often_as_it_claims() -> None:
    rng = np.random.default_rng(8)
    truth, hits, bins = 2.0 / RATE, 0, 0
    for _ in range(20):
        row = rng.normal(size=8192)
        found = density_spectrum(row, RATE, resolution_hz=12.0, unit="")
        segment = segment_length(row.size, RATE, 12.0)
        averages = equivalent_averages(segment_count(row.size, segment, 0.5), 0.5)
        low, high = density_interval(averages)
        inside = found.values[3:-3]
        hits += int(np.sum((inside * low <= truth) & (truth <= inside * high)))
        bins += inside.size
    assert hits / bins == pytest.approx(0.95, abs=0.015)


def test_half_overlapped_averages_are_worth_less_than_their_number_and_more_than_half() -> None:
    assert equivalent_averages(1, 0.5) == 1.0
    assert equivalent_averages(8, 0.0) == pytest.approx(8.0)
    assert 31 * 0.5 < equivalent_averages(31, 0.5) < 31


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"samples": np.zeros((2, 8)), "sample_rate_hz": 1.0}, "one row"),
        ({"samples": np.zeros(1), "sample_rate_hz": 1.0}, "at least two samples"),
        ({"samples": np.zeros(8), "sample_rate_hz": float("nan")}, "must be positive"),
        ({"samples": np.zeros(8), "sample_rate_hz": 1.0, "kind": "density"}, "'rms' or 'peak'"),
    ],
)
def test_nonsense_is_refused(arguments: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        amplitude_spectrum(unit="", **arguments)
