"""The Hann spectrum, the envelope's lines over their floor and levels against published figures and simulation.

What is asked here is the code that reports use, as they use it.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from tests.kinematics.hann_window import hann_transform
from tests.open_data import OPEN_DATA
from vibe.core.capture import Channel
from vibe.kinematics.planning.resolution import RESOLUTION_BINS
from vibe.spectra.basic.levels import _power_lines, levels
from vibe.spectra.envelope.envelope_spectrum import MeanSquares, _exponential, line_floor, over_floor
from vibe.spectra.segment import HANN_NOISE_BINS, _mean_square

# Harris, Proc. IEEE 66 (1978) 51-83, Table 1, Hann: noise bandwidth 1.50 bins, scalloping loss 1.42 dB, highest side
# lobe -32 dB, 6 dB bandwidth 2.00 bins (all as printed, from memory; the closed forms follow from W(x)).
NOISE_BINS, SCALLOP_DB, SIDE_LOBE_DB, SIX_DB_BINS = 1.50, 1.42, -32.0, 2.00


def hann_power(row: np.ndarray, size: int | None = None) -> np.ndarray:
    """Mean square per bin, as every vibration spectrum of a report is made."""
    size = size or row.size
    return _mean_square(np.fft.rfft(row, size).astype(np.complex64), row.size, size)


@pytest.mark.parametrize("n", [4096, 4095])
def test_the_spectrum_is_that_of_a_library_with_a_hann_window(n: int) -> None:
    # A periodogram of scipy.signal scaled as a spectrum; its ends are not doubled.
    row = np.random.default_rng(3).normal(size=n)
    _, expected = scipy.signal.periodogram(row, window="hann", detrend=False, scaling="spectrum")
    assert hann_power(row)[2:-2] == pytest.approx(expected[2:-2], rel=2e-3, abs=1e-9)


def test_a_sine_on_a_bin_is_read_with_its_mean_square() -> None:
    turn = 2 * np.pi * np.arange(4096) / 4096
    assert hann_power(3.0 * np.sin(100 * turn + 0.4)).max() == pytest.approx(4.5, rel=1e-4)


def test_scalloping_loss_is_that_of_a_hann_window() -> None:
    turn = 2 * np.pi * np.arange(4096) / 4096
    midway = hann_power(np.sqrt(2) * np.sin(100.5 * turn)).max()
    assert -10 * np.log10(midway) == pytest.approx(SCALLOP_DB, abs=5.1e-3)


def test_noise_bandwidth_is_that_of_a_hann_window() -> None:
    # The sum over all bins, over the noise bandwidth, is the mean square: so with padding.
    rng = np.random.default_rng(4)
    assert HANN_NOISE_BINS == NOISE_BINS
    for size in (65_536, 70_000):
        total = np.mean([hann_power(rng.normal(size=65_536), size).sum() for _ in range(10)])
        assert total / HANN_NOISE_BINS == pytest.approx(1.0, rel=0.01)


def test_side_lobes_are_those_of_a_hann_window() -> None:
    # Where the transform is fine enough between bins: W(x) beyond its first null at 2 bins.
    lobes = max(abs(hann_transform(x)) for x in np.arange(2.0, 6.0, 0.005))
    assert 20 * np.log10(lobes) == pytest.approx(SIDE_LOBE_DB, abs=0.6)


def test_two_lines_part_at_the_six_decibel_bandwidth() -> None:
    below, above = RESOLUTION_BINS / 2 - 1e-3, RESOLUTION_BINS / 2 + 1e-3
    assert hann_transform(below) > 0.5 > hann_transform(above)
    assert pytest.approx(SIX_DB_BINS, abs=5e-3) == RESOLUTION_BINS


@pytest.mark.parametrize("low_hz", [2.0, 10.0])
def test_lines_of_levels_carry_the_mean_square(low_hz: float) -> None:
    # Parseval, for the tapered transform that velocity levels are read from.
    rng = np.random.default_rng(5)
    lines = [_power_lines(rng.normal(size=32_768), 3200.0, low_hz)[0] for _ in range(20)]
    totals = [power.between(0, power.lines.size).sum() for power in lines]
    assert np.mean(totals) == pytest.approx(1.0, rel=0.01)


def test_lines_of_averaged_envelopes_exceed_their_mean_as_chi_square_says() -> None:
    # Chi-square quantiles over their mean at p = 0.01, 0.001, 1e-6 with 2 degrees per average (computed table).
    table = {
        2: (3.3192, 4.6167, 8.3442),
        10: (1.8783, 2.2657, 3.271),
        20: (1.5923, 1.835, 2.4413),
        50: (1.3581, 1.4945, 1.8213),
        100: (1.2472, 1.3377, 1.5492),
    }
    for averages, ratios in table.items():
        found = _exponential(np.array([ratios], dtype=np.float32), averages)[0]
        assert found == pytest.approx(-np.log([0.01, 0.001, 1e-6]), rel=6e-3)


@pytest.mark.parametrize("averages", [1, 4])
@pytest.mark.parametrize("false_alarm", [0.05, 0.001])
def test_threshold_of_a_line_of_the_envelope_by_simulation(false_alarm: float, averages: int) -> None:
    # Background: Borghesani et al., MSSP 40 (2013) 38-55. White complex noise; lines of the squared envelope over the
    # floor that is read from the lines themselves exceed -ln p with probability p, however many were averaged.
    rng = np.random.default_rng(13)
    n, rows = 4096, 60
    squared = np.zeros((rows, n // 2), dtype=np.float32)
    for _ in range(averages):
        noise = rng.normal(size=(rows, n)) + 1j * rng.normal(size=(rows, n))
        squared += (np.abs(np.fft.rfft(np.abs(noise) ** 2, axis=1) / n)[:, 1:] ** 2 / averages).astype(np.float32)
    means = MeanSquares(
        squared=squared, averages=averages, step=1.0, low_hz=np.zeros(rows), high_hz=np.ones(rows),
        members=tuple(((0, row),) for row in range(rows)), top_order=float(n),
    )  # fmt: skip
    share = float(np.mean(over_floor(means).power > -np.log(false_alarm)))
    assert share == pytest.approx(false_alarm, abs=4 * np.sqrt(false_alarm / squared.size) + 0.05 * false_alarm)


def test_floor_of_averaged_lines_is_their_mean() -> None:
    # The median of a chi-square variable over its mean with 2, 8 and 40 degrees: 0.693, 0.918, 0.983 (any table).
    rng = np.random.default_rng(14)
    for averages in (1, 4, 20):
        lines = rng.gamma(averages, 1.0 / averages, (4, 20_000)).astype(np.float32)
        assert float(line_floor(lines, averages=averages).mean()) == pytest.approx(1.0, rel=0.02)


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
