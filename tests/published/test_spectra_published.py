"""Windows, averaged spectra, frequency bound and envelope threshold against published figures and simulation."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.kinematics.resolution import RESOLUTION_BINS
from vibe.spectra.levels import levels
from vibe.spectra.spectrum import (
    amplitude_spectrum,
    density_interval,
    density_spectrum,
    envelope_line_threshold,
    equivalent_averages,
    exceedance_ratio,
    frequency_bound_hz,
    segment_count,
    segment_length,
)
from vibe.spectra.windows import coherent_gain, enbw_bins, overlap_correlation, scallop_loss_db, window

# Harris, Proc. IEEE 66 (1978) 51-83, Table 1: coherent gain, noise bandwidth in bins, scalloping dB, correlation of
# transforms overlapped by 75 % and 50 %. Recomputed for long periodic windows, since the printed table rounds to two
# decimals. Bartlett in closed form: 4/3 bins, 1.824 dB. Flat top: the five-term window of ISO 18431-2, computed.
HARRIS = {
    "rectangle": (1.000, 1.0000, 3.922, 0.750, 0.500),
    "bartlett": (0.500, 1.3333, 1.824, 0.719, 0.250),
    "hann": (0.500, 1.5000, 1.424, 0.659, 0.167),
    "hamming": (0.540, 1.3628, 1.751, 0.707, 0.234),
    "blackman": (0.420, 1.7268, 1.099, 0.567, 0.090),
    "kaiser 3": (0.403, 1.795, 1.023, 0.539, 0.074),
    "blackman-harris": (0.3588, 2.0044, 0.826, 0.460, 0.038),
    "flat top": (0.2156, 3.7702, 0.010, 0.046, -0.015),
}
# The same table as printed (from memory): noise bandwidth, scalloping dB.
HARRIS_PRINTED = {
    "rectangle": (1.00, 3.92),
    "hann": (1.50, 1.42),
    "hamming": (1.36, 1.78),
    "blackman": (1.73, 1.10),
    "kaiser 3": (1.80, 1.02),
    "blackman-harris": (2.00, 0.83),
}


@pytest.mark.parametrize("name", HARRIS)
def test_window_figures(name: str) -> None:
    w = window(name, 4096)
    gain, bandwidth, scallop, three_quarters, half = HARRIS[name]
    assert coherent_gain(w) == pytest.approx(gain, abs=6e-4)
    assert enbw_bins(w) == pytest.approx(bandwidth, abs=6e-4)
    assert scallop_loss_db(w) == pytest.approx(scallop, abs=1e-3)
    assert overlap_correlation(w, 0.75) == pytest.approx(three_quarters, abs=6e-4)
    assert overlap_correlation(w, 0.5) == pytest.approx(half, abs=6e-4)


@pytest.mark.parametrize("name", HARRIS_PRINTED)
def test_window_figures_as_printed(name: str) -> None:
    bandwidth, scallop = HARRIS_PRINTED[name]
    assert enbw_bins(window(name, 4096)) == pytest.approx(bandwidth, abs=0.0051)
    # Hamming: 1.78 dB is printed, its definition gives 1.75 dB.
    assert scallop_loss_db(window(name, 4096)) == pytest.approx(scallop, abs=0.03 if name == "hamming" else 0.0051)


def test_side_lobes_as_printed() -> None:
    # Harris 1978, Table 1 (from memory): highest side lobe -13, -32, -43, -58, -92 dB.
    lobes = {"rectangle": -13, "hann": -32, "hamming": -43, "blackman": -58, "blackman-harris": -92}
    for name, printed_db in lobes.items():
        fine = np.abs(np.fft.rfft(window(name, 512), 512 * 64))
        db = 20 * np.log10(fine / fine[0] + 1e-12)
        first_null = int(np.argmax(np.diff(db) > 0))
        assert db[first_null:].max() == pytest.approx(printed_db, abs=1.0), name


def test_overlapped_averages_of_a_hann_window() -> None:
    # Welch 1967 and Harris 1978 (variance formula, from memory), K = 16: variance ratio and degrees of freedom.
    for overlap, ratio, freedom in ((0.5, 0.0658, 30.4), (0.75, 0.1164, 17.2)):
        averages = equivalent_averages(16, overlap)
        assert 1.0 / averages == pytest.approx(ratio, abs=1e-4)
        assert 2.0 * averages == pytest.approx(freedom, abs=0.05)
    # A record of fixed length, cut with half overlap, keeps 0.53 of the variance of the plain cut.
    assert equivalent_averages(1000, 0.0) / equivalent_averages(1999, 0.5) == pytest.approx(0.53, abs=0.005)


@pytest.mark.parametrize("overlap", [0.0, 0.5, 0.75])
def test_variance_of_averaged_spectra_by_simulation(overlap: float) -> None:
    # Bendat & Piersol: relative error 1/sqrt(K) of K independent averages; Welch 1967 where they overlap.
    rng = np.random.default_rng(11)
    rate, n = 1000.0, 4096
    segment = segment_length(n, rate, 6.0)
    expected = 1.0 / equivalent_averages(segment_count(n, segment, overlap), overlap)
    many = np.array(
        [
            density_spectrum(rng.normal(size=n), rate, resolution_hz=6.0, overlap=overlap, unit="").values
            for _ in range(60)
        ]
    )[:, 4:-4]
    assert float(many.var() / many.mean() ** 2) == pytest.approx(expected, rel=0.10)


def test_chi_square_intervals() -> None:
    # Chi-square quantiles (any table): factors of the 95 % interval for 2, 10, 20, 40, 100, 200 degrees of freedom.
    table = {
        2: (0.271, 39.5),
        10: (0.488, 3.080),
        20: (0.585, 2.085),
        40: (0.674, 1.637),
        100: (0.772, 1.347),
        200: (0.830, 1.229),
    }
    for freedom, (low, high) in table.items():
        assert density_interval(freedom / 2) == pytest.approx((low, high), rel=1.3e-3)
    assert 10 * np.log10(density_interval(20)) == pytest.approx([-1.71, 2.14], abs=0.005)


def test_exceedance_ratios() -> None:
    # Chi-square quantiles over their mean at p = 0.01, 0.001, 1e-6 (computed table).
    table = {
        1: (4.61, 6.91, 13.8),
        10: (1.88, 2.27, 3.27),
        20: (1.59, 1.84, 2.44),
        50: (1.36, 1.49, 1.82),
        100: (1.25, 1.34, 1.55),
    }
    for averages, ratios in table.items():
        for p, ratio in zip((0.01, 0.001, 1e-6), ratios, strict=True):
            assert exceedance_ratio(averages, p) == pytest.approx(ratio, rel=4e-3)


def test_frequency_bound_of_a_real_tone() -> None:
    # Rife & Boorstyn, IEEE Trans. IT 20 (1974) 591-598; Kay 1993, Eq. 3.41: standard deviation in bins.
    for n, snr_db, bins in ((1024, 10, 0.00545), (4096, 0, 0.00861), (65_536, -20, 0.0215)):
        assert frequency_bound_hz(10 ** (snr_db / 10), n, float(n)) == pytest.approx(bins, rel=2.5e-3)
    assert frequency_bound_hz(10.0, 1024, 1.0) == pytest.approx(5.3206e-6, rel=1e-4)


def test_frequency_bound_is_the_inverse_of_the_information_in_the_samples() -> None:
    # Kay 1993, chapter 3: bound = inverse of the Fisher matrix of amplitude, frequency and phase, formed numerically.
    n, snr = 1024, 10.0
    k, amplitude, frequency, phase = np.arange(n), 1.0, 0.1234, 0.7
    angle = 2 * np.pi * frequency * k + phase
    slopes = np.stack([np.cos(angle), -amplitude * 2 * np.pi * k * np.sin(angle), -amplitude * np.sin(angle)])
    information = slopes @ slopes.T / (amplitude**2 / (2 * snr))
    assert frequency_bound_hz(snr, n, 1.0) == pytest.approx(np.sqrt(np.linalg.inv(information)[1, 1]), rel=3e-3)


def test_a_line_read_from_a_spectrum_stays_above_the_bound_and_near_it() -> None:
    # Twice the bound is what interpolation between bins of a Hann window can do; below the bound nothing can.
    rng = np.random.default_rng(12)
    n, snr, rate = 1024, 10.0, 1024.0
    errors = []
    for _ in range(300):
        truth = 100.0 + rng.random()
        row = np.cos(2 * np.pi * truth * np.arange(n) / rate + rng.random() * 6.28)
        row += rng.normal(0.0, np.sqrt(1 / (2 * snr)), n)
        found = amplitude_spectrum(row, rate, unit="", kind="peak").values
        i = int(np.argmax(found))
        side = 1 if found[i + 1] > found[i - 1] else -1
        ratio = found[i + side] / found[i]
        errors.append((i + side * (2 * ratio - 1) / (1 + ratio)) * rate / n - truth)
    assert 0.9 < np.std(errors) / frequency_bound_hz(snr, n, rate) < 2.0


@pytest.mark.parametrize("false_alarm", [0.05, 0.001])
def test_envelope_threshold_by_simulation(false_alarm: float) -> None:
    # Background: Borghesani et al., MSSP 40 (2013) 38-55. White complex noise, lines of the squared envelope.
    rng = np.random.default_rng(13)
    n, rows = 2048, 200
    noise = (rng.normal(size=(rows, n)) + 1j * rng.normal(size=(rows, n))) * 0.8
    squared = np.abs(noise) ** 2
    lines = np.abs(np.fft.rfft(squared, axis=1) / n)[:, 1:-1] ** 2
    threshold = np.array([envelope_line_threshold(false_alarm, mean, n) for mean in squared.mean(axis=1)])
    share = float(np.mean(lines > threshold[:, None]))
    assert share == pytest.approx(false_alarm, abs=4 * np.sqrt(false_alarm / lines.size) + 0.02 * false_alarm)


OPEN_DATA = Path(os.environ.get("VIBE_OPEN_DATA", Path(__file__).parents[2] / ".." / "shared" / "open_data"))

# Smith & Randall, MSSP 64-65 (2015) 100-131, Table B2 (after reading notes): kurtosis of the drive-end channel, lowest
# and highest of the records of one fault; one record of each is here. Rounded to one decimal in the table.
KURTOSIS = {
    "de12k/105_0": (5.3, 5.6),
    "de12k/169_0": (18.0, 22.0),
    "de12k/209_0": (7.5, 8.4),
    "de12k/118_0": (2.8, 3.0),
    "de12k/130_0": (7.6, 8.0),
    "de12k/197_0": (2.9, 3.8),
    "de12k/144_0": (3.9, 4.2),
    "de12k/156_0": (8.0, 8.7),
    "de12k/234_0": (21.0, 23.5),
    "de12k/258_0": (33.0, 35.0),
    "normal/97_0a": (2.76, 2.96),
}


@pytest.mark.parametrize("record", KURTOSIS)
def test_kurtosis_of_measured_captures(record: str) -> None:
    h5py = pytest.importorskip("h5py")
    path = OPEN_DATA / "cwru" / f"{record}.h5"
    if not path.is_file():
        pytest.skip(f"the measured capture {path} is not here; set VIBE_OPEN_DATA")
    with h5py.File(path) as file:
        stored = file["channels/drive_end"]
        samples = np.asarray(stored[()], dtype=np.float32)  # kurtosis does not depend on scale and offset
        rate = float(stored.attrs["sample_rate_hz"])
    one = Channel(name="x", samples=samples, sample_rate_hz=rate, quantity="acceleration", recorded_unit="g")
    found = {level.measure: level.value for level in levels(one, input_hz=29.5)}
    low, high = KURTOSIS[record]
    assert low - 0.06 <= found["kurtosis"] <= high + 0.06
    # Damage repeats: blocks tell what the whole record tells.
    assert found["kurtosis_typical"] == pytest.approx(found["kurtosis"], rel=0.15)


# Harris 1978, Table 1, 6 dB bandwidth in bins: lines further apart than that show two tops. Recomputed for long
# periodic windows; printed for Hann: 2.00 (from memory).
SIX_DECIBELS = {
    "rectangle": 1.207,
    "bartlett": 1.772,
    "hann": 2.000,
    "hamming": 1.815,
    "blackman": 2.299,
    "kaiser 3": 2.389,
    "blackman-harris": 2.666,
    "flat top": 4.583,
}


@pytest.mark.parametrize("name", SIX_DECIBELS)
def test_six_decibel_bandwidth_says_when_two_lines_part(name: str) -> None:
    n, fine = 1024, 256
    w = window(name, n)
    half = np.abs(np.fft.rfft(w, n=fine * n)[: 4 * fine])
    below = int(np.argmax(half < half[0] / 2))
    share = (half[below - 1] - half[0] / 2) / (half[below - 1] - half[below])
    bandwidth = 2 * (below - 1 + share) / fine
    assert bandwidth == pytest.approx(SIX_DECIBELS[name], abs=2e-3)
    if name == "hann":
        assert bandwidth == pytest.approx(RESOLUTION_BINS, abs=2e-3)
