"""Windows and what they do to a line and to noise.

Windows are periodic (one sample short of symmetric), as a transform wants them. Definitions and figures of merit:
F. J. Harris, Proc. IEEE 66 (1978) 51-83; the flat top is the five-term one of ISO 18431-2.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

# Cosine sums: w[i] = sum_k (-1)^k a_k cos(2 pi k i / n).
_COSINE_SUMS: dict[str, tuple[float, ...]] = {
    "rectangle": (1.0,),
    "hann": (0.5, 0.5),
    "hamming": (0.54, 0.46),
    "blackman": (0.42, 0.5, 0.08),
    "blackman-harris": (0.35875, 0.48829, 0.14128, 0.01168),
    "flat top": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
}

WINDOWS = (*_COSINE_SUMS, "bartlett", "kaiser 3")
"""Names that :func:`window` knows; "kaiser 3" is Kaiser-Bessel with alpha = 3 (beta = 3 pi)."""


@lru_cache(maxsize=16)
def _window(name: str, n: int) -> NDArray[np.float64]:
    turn = np.arange(n) / n
    if name in _COSINE_SUMS:
        w = np.zeros(n)
        for k, a in enumerate(_COSINE_SUMS[name]):
            w += (-1) ** k * a * np.cos(2 * np.pi * k * turn)
    elif name == "bartlett":
        w = 1.0 - np.abs(2.0 * turn - 1.0)
    elif name == "kaiser 3":
        w = np.kaiser(n + 1, 3.0 * np.pi)[:-1]
    else:
        raise ValueError(f"no window {name!r}; known: {', '.join(WINDOWS)}")
    w.flags.writeable = False
    return w


def window(name: str, n: int) -> NDArray[np.float64]:
    """The periodic window ``name`` of ``n`` samples, shape (n,), highest value near one. Read-only: it is kept.

    Raises:
        ValueError: no such window, or ``n`` is not positive.
    """
    if n < 1:
        raise ValueError(f"a window needs at least one sample, not {n}")
    return _window(name, n)


def coherent_gain(w: NDArray[np.floating]) -> float:
    """What the window leaves of a sine's amplitude: its mean."""
    return float(np.mean(w, dtype=np.float64))


def enbw_bins(w: NDArray[np.floating]) -> float:
    """Equivalent noise bandwidth in bins: n * sum(w²) / sum(w)²."""
    v = np.asarray(w, dtype=np.float64)
    return float(v.size * np.dot(v, v) / v.sum() ** 2)


def overlap_correlation(w: NDArray[np.floating], overlap: float) -> float:
    """Correlation of neighbouring transforms of white noise whose windows share ``overlap`` (0 to 1) of their length.

    Raises:
        ValueError: ``overlap`` outside [0, 1].
    """
    if not 0.0 <= overlap <= 1.0:
        raise ValueError(f"overlap {overlap} must lie between 0 and 1")
    v = np.asarray(w, dtype=np.float64)
    shared = round(overlap * v.size)
    if shared == 0:
        return 0.0
    return float(np.dot(v[:shared], v[v.size - shared :]) / np.dot(v, v))


def scallop_loss_db(w: NDArray[np.floating]) -> float:
    """Loss of a sine that falls midway between two bins, against one on a bin [dB]."""
    v = np.asarray(w, dtype=np.float64)
    midway = np.abs(np.dot(v, np.exp(-1j * np.pi * np.arange(v.size) / v.size)))
    return float(-20.0 * np.log10(midway / v.sum()))
