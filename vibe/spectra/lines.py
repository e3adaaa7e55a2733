"""Single lines of the vibration spectrum at frequencies that somebody asks for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.core.evidence import Line
from vibe.spectra.angle import AngleLaw
from vibe.spectra.fft import fast_length

HALF_BINS = 3
"""Half width over which a line's power is gathered: the main lobe of a Hann window and a little wander."""
FLOOR_BINS = 40


def angular(samples: NDArray[np.float32], sample_rate_hz: float, law: AngleLaw) -> tuple[NDArray[np.float32], float]:
    """Samples laid on equal steps of the input's angle, and the samples per turn.

    Oversampled twice before interpolation, so that the top octave is not dulled. Returns the samples as they are
    when the speed is steady.
    """
    if law.is_steady:
        return samples, sample_rate_hz / law.mean_hz
    n = samples.size
    dense = fft.irfft(fft.rfft(samples), 2 * n) * np.float32(2.0)
    time = np.arange(2 * n) / (2 * sample_rate_hz)
    turns = law.at(time)
    length = fast_length(n)
    even = np.linspace(turns[0], turns[-1], length)
    result = np.interp(np.interp(even, turns, time), time, dense).astype(np.float32)
    return result, (length - 1) / float(turns[-1] - turns[0])


def read_lines(
    power: NDArray[np.float64],
    bin_hz: float,
    wanted: Sequence[tuple[str, float]],
    *,
    noise_bandwidth_bins: float,
    channel: str,
    spread: float = 0.0,
) -> tuple[Line, ...]:
    """Lines at ``wanted`` (name, frequency [Hz]) in a power spectrum of acceleration.

    Args:
        power: (n,) mean-square acceleration per bin [(m/s²)²] of a one-sided, window-corrected spectrum (its sum over
            a line's main lobe, divided by the noise bandwidth, is the line's mean square).
        bin_hz: spacing of the bins [Hz].
        wanted: names and frequencies.
        noise_bandwidth_bins: of the window (Hann: 1.5).
        channel: name put into the lines.
        spread: relative uncertainty of the frequencies; the strongest place within it is taken.
    """
    lines = []
    for name, frequency in wanted:
        middle = frequency / bin_hz
        reach = int(np.ceil(spread * middle)) + 1
        a, b = int(middle) - reach, int(middle) + reach + 2
        if a < HALF_BINS + 1 or b > power.size - HALF_BINS - 1:
            continue
        spot = a + int(power[a:b].argmax())
        low, high = spot - HALF_BINS, spot + HALF_BINS + 1
        beside = np.concatenate([power[max(1, low - FLOOR_BINS) : low], power[high : high + FLOOR_BINS]])
        floor = float(np.median(beside)) / np.log(2.0)
        width = 2 * HALF_BINS + 1
        mean_square = max(0.0, float(power[low:high].sum()) - width * floor) / noise_bandwidth_bins
        omega = 2 * np.pi * spot * bin_hz
        lines.append(
            Line(
                name=name,
                frequency_hz=spot * bin_hz,
                velocity_mm_s=float(np.sqrt(mean_square)) / omega * 1e3,
                floor_mm_s=float(np.sqrt(width * floor / noise_bandwidth_bins)) / omega * 1e3,
                acceleration_m_s2=float(np.sqrt(mean_square)),
                channel=channel,
            )
        )
    return tuple(lines)
