"""Fourier transforms of real rows: one place that picks quick lengths and keeps single precision.

Single precision costs nothing here: its rounding error lies some 180 dB per bin below a full-scale line.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, cast

import numpy as np
import scipy.fft
from numpy.typing import NDArray

Real = NDArray[np.float32] | NDArray[np.float64]
LONG_SAMPLES = 2**17
"""Rows from here on are transformed at their own length where that is quick at all."""
QUICK_FACTOR = 67
"""Largest prime factor of a length up to which a transform takes about twice what the quickest ones do; lengths with
larger ones take up to seven times that (measured at 4,600 samples)."""
Row = Callable[..., NDArray[Any]]


def once(make: Row) -> Row:
    """``make`` (an array from samples), whose result is kept for as long as the samples are: several steps of an
    analysis ask the same of the same samples. Neither may be written into. What else ``make`` is given must always be
    the same for the same samples.
    """
    kept: dict[int, tuple[weakref.ref[NDArray[np.float32]], NDArray[Any]]] = {}

    @wraps(make)
    def of(samples: NDArray[np.float32], *more: Any) -> NDArray[Any]:
        key = id(samples)
        known = kept.get(key)
        if known is not None and known[0]() is samples:
            return known[1]
        made = make(samples, *more)
        kept[key] = weakref.ref(samples, lambda _: kept.pop(key, None)), made
        return made

    return of


def fast_length(n: int) -> int:
    """The smallest length >= ``n`` whose real transform is quick (no large prime factor).

    Raises:
        ValueError: ``n`` is not positive.
    """
    if n < 1:
        raise ValueError(f"a transform needs at least one sample, not {n}")
    # In a long row a factor of 7 or 11 costs little, and to be padded costs all that follows much: what is cut from a
    # padded row has lengths of any factors.
    own = n >= LONG_SAMPLES and scipy.fft.next_fast_len(n) == n
    return n if own else int(scipy.fft.next_fast_len(n, real=True))


@lru_cache(maxsize=12)
def hann(n: int) -> NDArray[np.float32]:
    """Symmetric Hann window (n,), kept and not to be written into: all segments of one capture ask for the same."""
    taper = np.hanning(n).astype(np.float32)
    taper.flags.writeable = False
    return taper


def rfft(samples: NDArray[Any], length: int | None = None) -> NDArray[Any]:
    """Transform of the last axis, zero-padded to ``length``; shape (..., length // 2 + 1).

    float32 in gives complex64 out, everything else complex128.
    """
    return cast("NDArray[Any]", scipy.fft.rfft(samples, n=length, axis=-1))


def quick_near(n: int, most_off: float) -> int:
    """The nearest length to ``n`` whose transform is quick, at most the share ``most_off`` of it away; where none is,
    the quickest.

    A row as long as a large prime takes four to eight times as long as its neighbours.
    """
    reach = int(most_off * n)
    lengths = sorted(range(n - reach, n + reach + 1), key=lambda length: abs(length - n))
    return next((one for one in lengths if _largest_factor(one) <= QUICK_FACTOR), min(lengths, key=_largest_factor))


@lru_cache(maxsize=256)
def _largest_factor(n: int) -> int:
    """The largest prime factor of ``n``, at least 1."""
    largest, factor = 1, 2
    while factor * factor <= n:
        if n % factor:
            factor += 1
        else:
            n, largest = n // factor, factor
    return max(largest, n)


@once
def transform_of(samples: NDArray[np.float32]) -> NDArray[Any]:
    """Transform of ``samples`` (n,), padded to ``fast_length``, once for all that ask."""
    return rfft(samples, fast_length(samples.size))


@once
def unpadded_transform_of(samples: NDArray[np.float32]) -> NDArray[Any]:
    """Transform of ``samples`` (n,) at their own length, once for all that ask: of a recording of any length it takes
    up to ten times as long as a padded one."""
    return transform_of(samples) if fast_length(samples.size) == samples.size else rfft(samples)


def irfft(lines: NDArray[Any], length: int) -> NDArray[Any]:
    """Inverse of :func:`rfft`; ``length`` is the length that was transformed; shape (..., length)."""
    return cast("NDArray[Any]", scipy.fft.irfft(lines, n=length, axis=-1))
