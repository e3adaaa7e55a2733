"""From acceleration to velocity and back, by the frequency domain.

Dividing by 2 pi f multiplies whatever lies lowest, so every function here names the frequency below which it keeps
nothing: drift, mean and slow sensor noise would otherwise drown the result.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.spectrum import Spectrum
from vibe.spectra.fft import fast_length, irfft, rfft


def velocity_spectrum(acceleration_spectrum: Spectrum, low_hz: float) -> Spectrum:
    """Spectrum of the velocity, from that of the acceleration [m/s^2 -> m/s]; zero below ``low_hz``.

    Amplitudes are divided by 2 pi f, densities and powers by its square.

    Raises:
        ValueError: the axis is not in Hz, the unit is not m/s^2, or ``low_hz`` is not positive.
    """
    spectrum = acceleration_spectrum
    if spectrum.axis_unit != "Hz" or spectrum.unit != "m/s^2":
        raise ValueError(f"needs an acceleration in m/s^2 over Hz, not {spectrum.unit} over {spectrum.axis_unit}")
    if not low_hz > 0:
        raise ValueError(f"the lowest frequency kept, {low_hz} Hz, must be positive")
    axis = spectrum.axis
    first = int(np.searchsorted(axis, low_hz * (1 - 1e-9)))
    values = np.zeros(axis.size, dtype=np.float32)
    omega = 2.0 * np.pi * axis[first:]
    values[first:] = spectrum.values[first:] / (omega if spectrum.kind in ("rms", "peak") else omega**2)
    return Spectrum(
        values=values,
        step=spectrum.step,
        axis_unit="Hz",
        unit="m/s",
        kind=spectrum.kind,
        resolution=spectrum.resolution,
    )


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
    samples: NDArray[Any], sample_rate_hz: float, low_hz: float, high_hz: float | None, times_j_omega: int
) -> NDArray[np.float32]:
    """``samples`` times (j 2 pi f) ** ``times_j_omega`` between the two frequencies.

    A transform joins the end of a row to its start. So the row goes on at both ends, mirrored so that the *result*
    stays smooth there, and fades to nothing; what was put on is cut off afterwards. An integral stays smooth, and free
    of drift, when the row goes on mirrored and negated; a derivative when it is turned about its end point.
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
    turn_about = 2.0 if times_j_omega > 0 else 0.0
    before = fade * (turn_about * row[0] - row[pad:0:-1])
    after = fade[::-1] * (turn_about * row[-1] - row[n - 2 : n - pad - 2 if n - pad > 1 else None : -1])
    longer = np.concatenate([before, row, after])
    length = fast_length(longer.size)
    frequency: NDArray[np.float64] = np.arange(length // 2 + 1, dtype=np.float64) * (sample_rate_hz / length)
    factor = np.zeros(frequency.size, dtype=np.complex128)
    factor[1:] = (2j * np.pi * frequency[1:]) ** times_j_omega
    factor *= _pass(frequency, low_hz, high_hz)
    out = irfft(rfft(longer, length) * factor, length)
    return np.asarray(out[pad : pad + n], dtype=np.float32)


def integrate(
    samples: NDArray[Any], sample_rate_hz: float, *, low_hz: float, high_hz: float | None = None
) -> NDArray[np.float32]:
    """Velocity [m/s] of an acceleration [m/s²] (or displacement of a velocity), shape (n,), same length and phase.

    Whole between ``low_hz`` and ``high_hz``, nothing below 0.7 ``low_hz`` and above 1.15 ``high_hz``. The first and
    last periods of ``low_hz`` are estimates, since what happened before and after the record is not known: a sine can
    be half wrong at the very end and a tenth wrong one period in.

    Raises:
        ValueError: fewer than four samples, or frequencies that are no band.
    """
    if not low_hz > 0 or (high_hz is not None and not high_hz > low_hz):
        raise ValueError(f"{low_hz} to {high_hz} Hz is no band to integrate in")
    return _filtered(samples, sample_rate_hz, low_hz, high_hz, -1)


def differentiate(
    samples: NDArray[Any], sample_rate_hz: float, *, low_hz: float = 0.0, high_hz: float | None = None
) -> NDArray[np.float32]:
    """Acceleration [m/s²] of a velocity [m/s] (or velocity of a displacement), shape (n,), same length and phase.

    Noise grows with frequency: give ``high_hz`` where the sensor's band ends. The ends are as uncertain as in
    :func:`integrate`.

    Raises:
        ValueError: fewer than four samples, or frequencies that are no band.
    """
    if low_hz < 0 or (high_hz is not None and not high_hz > low_hz):
        raise ValueError(f"{low_hz} to {high_hz} Hz is no band to differentiate in")
    return _filtered(samples, sample_rate_hz, low_hz, high_hz, 1)
