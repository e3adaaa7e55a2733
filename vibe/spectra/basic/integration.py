"""From velocity to acceleration, by the frequency domain."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.fft import fast_length, irfft, rfft


def _ramp(x: NDArray[Any]) -> NDArray[Any]:
    """Half a cosine from 0 (x <= 0) to 1 (x >= 1)."""
    smooth: NDArray[Any] = 0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0))
    return smooth


def _pass(frequency_hz: NDArray[Any], low_hz: float, high_hz: float | None) -> NDArray[Any]:
    """One between the two frequencies, zero below 0.7 low and above 1.15 high, smooth between (a cliff would ring)."""
    gain = _ramp((frequency_hz / low_hz - 0.7) / 0.3) if low_hz > 0 else np.ones(frequency_hz.size, dtype=np.float64)
    if high_hz is not None:
        gain = gain * _ramp((1.15 - frequency_hz / high_hz) / 0.15)
    return gain


def _filtered(
    samples: NDArray[Any], sample_rate_hz: float, low_hz: float, high_hz: float | None
) -> NDArray[np.float32]:
    """``samples`` times j 2 pi f between the two frequencies.

    A transform joins the end of a row to its start. So the row goes on at both ends, turned about its end point so that
    the *result* stays smooth there, and fades to nothing; what was put on is cut off afterwards.
    """
    n = samples.size
    if samples.ndim != 1 or n < 4:
        raise ValueError(f"needs one row of at least four samples, not shape {samples.shape}")
    if not sample_rate_hz > 0:
        raise ValueError(f"sample rate {sample_rate_hz} Hz must be positive")
    row = np.asarray(samples, dtype=np.float64)
    row = row - row.mean()
    edge_hz = low_hz if low_hz > 0 else 10.0 * sample_rate_hz / n
    pad = min(n - 1, int(np.ceil(4.0 * sample_rate_hz / edge_hz)))
    fade = _ramp(np.arange(1, pad + 1) / (pad + 1))
    before = fade * (2.0 * row[0] - row[pad:0:-1])
    after = fade[::-1] * (2.0 * row[-1] - row[n - 2 : n - pad - 2 if n - pad > 1 else None : -1])
    longer = np.concatenate([before, row, after])
    length = fast_length(longer.size)
    frequency: NDArray[np.float64] = np.arange(length // 2 + 1, dtype=np.float64) * (sample_rate_hz / length)
    factor = np.zeros(frequency.size, dtype=np.complex128)
    factor[1:] = 2j * np.pi * frequency[1:]
    factor *= _pass(frequency, low_hz, high_hz)
    out = irfft(rfft(longer, length) * factor, length)
    return np.asarray(out[pad : pad + n], dtype=np.float32)


def differentiate(
    samples: NDArray[Any], sample_rate_hz: float, *, low_hz: float = 0.0, high_hz: float | None = None
) -> NDArray[np.float32]:
    """Acceleration [m/s²] of a velocity [m/s] (or velocity of a displacement), shape (n,), same length and phase.

    Whole between ``low_hz`` and ``high_hz``, nothing below 0.7 ``low_hz`` and above 1.15 ``high_hz``. Noise grows with
    frequency: give ``high_hz`` where the sensor's band ends. The ends are estimates, since what happened before and
    after the record is not known.

    Raises:
        ValueError: fewer than four samples, or frequencies that are no band.
    """
    if low_hz < 0 or (high_hz is not None and not high_hz > low_hz):
        raise ValueError(f"{low_hz} to {high_hz} Hz is no band to differentiate in")
    return _filtered(samples, sample_rate_hz, low_hz, high_hz)
