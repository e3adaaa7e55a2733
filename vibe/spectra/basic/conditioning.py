"""Samples made fit for transforms: gaps bridged, mean removed. Judging them is the business of ingest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.fft import once


def bridged(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """``samples`` (n,) with NaN and infinities bridged by straight lines and the mean removed, as a new array.

    A channel without one finite sample comes back as zeros.
    """
    good = np.isfinite(samples)
    if not good.any():
        return np.zeros(samples.size, dtype=np.float32)
    if good.all():
        whole = samples.astype(np.float32, copy=True)
    else:
        index = np.arange(samples.size)
        whole = np.interp(index, index[good], samples[good]).astype(np.float32)
    whole -= np.float32(whole.mean(dtype=np.float64))
    return whole


bridged_once = once(bridged)
"""The same array again for the same samples, not to be written into."""
