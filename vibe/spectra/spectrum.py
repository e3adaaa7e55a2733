"""Calibrated one-sided spectra, and how far an averaged one can be trusted.

An amplitude spectrum reads sines (its noise floor depends on the record length); a density spectrum reads noise
(its lines depend on the record length). They are different ``kind`` of one value and never mixed.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.spectrum import Spectrum
from vibe.spectra.fft import fast_length, rfft
from vibe.spectra.windows import coherent_gain, enbw_bins, overlap_correlation, window


def _check(samples: NDArray[Any], sample_rate_hz: float) -> None:
    if samples.ndim != 1 or samples.size < 2:
        raise ValueError(f"a spectrum needs one row of at least two samples, not shape {samples.shape}")
    if not sample_rate_hz > 0:
        raise ValueError(f"sample rate {sample_rate_hz} Hz must be positive")


@lru_cache(maxsize=8)
def _window_figures(name: str, n: int) -> tuple[NDArray[np.float32], float, float]:
    """The window in single precision, its sum, and its noise bandwidth in bins."""
    w = window(name, n)
    single = w.astype(np.float32)
    single.flags.writeable = False
    return single, coherent_gain(w) * n, enbw_bins(w)


def amplitude_spectrum(
    samples: NDArray[Any],
    sample_rate_hz: float,
    *,
    window: str = "hann",
    unit: str,
    kind: Literal["rms", "peak"] = "rms",
) -> Spectrum:
    """Amplitude of a sine at each frequency, from one transform of the whole row.

    ``samples`` shape (n,), without NaN, in ``unit``. The row is zero-padded to a quick length (at most a few per
    cent), so ``step`` can be finer than ``resolution``, which is the window's noise bandwidth over the real duration.
    The mean is not removed: bin 0 holds its size. At zero and at half the sample rate a cosine has no twin of negative
    frequency and its r.m.s. equals its peak; both are scaled so.

    Raises:
        ValueError: fewer than two samples, no positive sample rate, unknown window or kind.
    """
    _check(samples, sample_rate_hz)
    if kind not in ("rms", "peak"):
        raise ValueError(f"an amplitude spectrum is of kind 'rms' or 'peak', not {kind!r}")
    n = samples.size
    w, total, enbw = _window_figures(window, n)
    length = fast_length(n)
    values = np.abs(rfft(samples * w, length)).astype(np.float32, copy=False)
    values /= np.float32(total)
    paired = slice(1, (length + 1) // 2)  # every bin but zero and, in an even length, half the sample rate
    values[paired] *= np.float32(2.0 if kind == "peak" else np.sqrt(2.0))
    return Spectrum(
        values=values,
        step=sample_rate_hz / length,
        axis_unit="Hz",
        unit=unit,
        kind=kind,
        resolution=enbw * sample_rate_hz / n,
    )


def segment_length(n: int, sample_rate_hz: float, resolution_hz: float, window: str = "hann") -> int:
    """Samples per segment that give at least ``resolution_hz`` with that window; never more than ``n``."""
    if not resolution_hz > 0:
        raise ValueError(f"resolution {resolution_hz} Hz must be positive")
    wanted = max(2, int(np.ceil(_bandwidth_bins(window) * sample_rate_hz / resolution_hz)))
    return n if wanted >= n else min(n, fast_length(wanted))


@lru_cache(maxsize=16)
def _bandwidth_bins(name: str) -> float:
    return enbw_bins(window(name, 4096))


def segment_count(n: int, segment: int, overlap: float) -> int:
    """Whole segments of ``segment`` samples in ``n``, each sharing ``overlap`` of its length with the one before."""
    hop = segment - round(overlap * segment)
    return 1 + (n - segment) // hop


def density_spectrum(
    samples: NDArray[Any],
    sample_rate_hz: float,
    *,
    resolution_hz: float,
    window: str = "hann",
    overlap: float = 0.5,
    unit: str,
) -> Spectrum:
    """Power spectral density by Welch's averaging, in ``unit``²/Hz; its sum times ``step`` is the variance.

    The mean of each segment is removed. A row too short for ``resolution_hz`` gives one segment, and the spectrum's
    ``resolution`` says what was reached. Source: P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73.

    Raises:
        ValueError: fewer than two samples, or a rate, resolution, overlap or window that makes no sense.
    """
    import scipy.signal

    _check(samples, sample_rate_hz)
    if not 0.0 <= overlap < 1.0:
        raise ValueError(f"overlap {overlap} must be at least 0 and below 1")
    segment = segment_length(samples.size, sample_rate_hz, resolution_hz, window)
    w, _, enbw = _window_figures(window, segment)
    taper: Any = w  # the stubs of scipy.signal do not know that a window may be an array
    _, values = scipy.signal.welch(
        samples,
        sample_rate_hz,
        window=taper,
        noverlap=round(overlap * segment),
        detrend="constant",
        scaling="density",
    )
    return Spectrum(
        values=np.asarray(values, dtype=np.float32),
        step=sample_rate_hz / segment,
        axis_unit="Hz",
        unit=unit,
        kind="density",
        resolution=enbw * sample_rate_hz / segment,
    )


def equivalent_averages(n_segments: int, overlap: float, window: str = "hann") -> float:
    """How many independent averages ``n_segments`` overlapped ones are worth (white noise).

    1 / [1/K + (2/K) sum_m (1 - m/K) c_m²], c_m the windows' correlation m hops apart. Source: Welch 1967;
    Harris, Proc. IEEE 66 (1978).

    Raises:
        ValueError: no segment, or ``overlap`` outside [0, 1).
    """
    if n_segments < 1:
        raise ValueError(f"{n_segments} segments cannot be averaged")
    if not 0.0 <= overlap < 1.0:
        raise ValueError(f"overlap {overlap} must be at least 0 and below 1")
    w = _plain_window(window)
    k, ratio, hop = n_segments, 1.0, 1.0 - overlap
    m = 1
    while m < k and m * hop < 1.0:
        ratio += 2.0 * (1.0 - m / k) * overlap_correlation(w, 1.0 - m * hop) ** 2
        m += 1
    return k / ratio


@lru_cache(maxsize=16)
def _plain_window(name: str) -> NDArray[np.float64]:
    return window(name, 4096)


def density_interval(averages: float, confidence: float = 0.95) -> tuple[float, float]:
    """Factors that turn a density estimate into the ends of its interval (chi-square, 2 degrees per average).

    ``averages`` are independent ones (see :func:`equivalent_averages`).

    Raises:
        ValueError: no average, or ``confidence`` outside (0, 1).
    """
    if not averages > 0 or not 0.0 < confidence < 1.0:
        raise ValueError(f"{averages} averages at confidence {confidence} give no interval")
    from scipy.special import gammaincinv

    tail = (1.0 - confidence) / 2.0
    return float(averages / gammaincinv(averages, 1.0 - tail)), float(averages / gammaincinv(averages, tail))


def exceedance_ratio(averages: float, false_alarm_probability: float) -> float:
    """How far above the mean density one bin of noise rises with that probability (chi-square, 2 degrees per average).

    For one bin: divide the probability by the bins searched to cover a whole spectrum.
    """
    if not averages > 0 or not 0.0 < false_alarm_probability < 1.0:
        raise ValueError(f"{averages} averages at probability {false_alarm_probability} give no threshold")
    from scipy.special import gammainccinv

    return float(gammainccinv(averages, false_alarm_probability) / averages)


def envelope_line_threshold(false_alarm_probability: float, mean_square: float, n_independent: int) -> float:
    """Squared magnitude that one line of a squared-envelope spectrum of noise exceeds with that probability.

    ``mean_square``: mean of the squared envelope of complex Gaussian noise, ``n_independent`` its independent samples;
    the line is the mean of envelope² times exp(-i 2 pi f t), whose squared magnitude is exponential with mean
    ``mean_square``² / ``n_independent``. Background: Borghesani et al., MSSP 40 (2013) 38-55.
    """
    if n_independent < 1 or not 0.0 < false_alarm_probability < 1.0:
        raise ValueError(f"{n_independent} samples at probability {false_alarm_probability} give no threshold")
    return float(-np.log(false_alarm_probability) * mean_square**2 / n_independent)


def frequency_bound_hz(snr: float, n: int, sample_rate_hz: float) -> float:
    """Smallest standard deviation with which a real tone's frequency can be read from ``n`` samples [Hz].

    ``snr`` = amplitude² / (2 noise variance). The Cramér-Rao bound, 12 / [(2 pi)² snr n (n² - 1)] in cycles² per
    sample². Source: Rife and Boorstyn, IEEE Trans. IT 20 (1974) 591-598; S. M. Kay, 1993, Eq. 3.41.

    Raises:
        ValueError: no positive ``snr``, or fewer than two samples.
    """
    if not snr > 0 or n < 2:
        raise ValueError(f"no bound for a signal-to-noise ratio of {snr} over {n} samples")
    return float(sample_rate_hz * np.sqrt(12.0 / ((2.0 * np.pi) ** 2 * snr * n * (float(n) ** 2 - 1.0))))
