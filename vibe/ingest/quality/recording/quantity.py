"""Velocity that is labelled acceleration: its spectrum falls from low frequencies on, as no acceleration's does."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal, density
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_LOWEST_HZ = 20.0
"""Below lie lines of shafts, and filters begin (common practice)."""
_BANDS = 12
"""Through whose floors a straight line is laid (our choice: four a decade and more)."""
_LOWER = 9
"""Of them, which filters leave alone: they end at a fifth of the highest frequency, and hardly a filter below that (our
choice)."""
_FALL_DB = -4.0
"""Decibels a decade of the floor from 20 Hz to the end of the band. Integration takes 20 off. Measured acceleration at
hand (195 channels): -0.4 to 24, median 15."""


def quantity(signal: Signal) -> list[Reason]:
    """Medians of bands, so that lines and their absence do not matter.

    Where a filter ends the spectrum, a line through all bands falls too. Velocity falls all the way, so that the median
    of the slopes between any two bands does (Theil and Sen, from memory), or slow movement makes the lowest bands fall,
    so that a line through these does.
    """
    if signal.channel.quantity != "acceleration" or signal.x.size < 2 * signal.rate_hz:
        return []
    spectrum = density(signal, longest_s=1.0, window=np.blackman)
    edges_hz = np.geomspace(_LOWEST_HZ, signal.rate_hz / LIMIT.nyquist_factor, _BANDS + 1)
    if edges_hz[-1] < 20 * _LOWEST_HZ:
        return []
    places = np.searchsorted(spectrum.hz, edges_hz)
    if (np.diff(places) < 3).any():
        return []
    floor = np.array([np.median(spectrum.values[a:b]) for a, b in pairwise(places)])
    if not (floor > 0).all():
        return []
    decades, level_db = np.log10(np.sqrt(edges_hz[1:] * edges_hz[:-1])), 10 * np.log10(floor)
    first, second = np.triu_indices(_BANDS, 1)
    usual_db = float(np.median((level_db[second] - level_db[first]) / (decades[second] - decades[first])))
    lower_db = float(np.polyfit(decades[:_LOWER], level_db[:_LOWER], 1)[0])
    fall_db = max(float(np.polyfit(decades, level_db, 1)[0]), min(usual_db, lower_db))
    if fall_db > _FALL_DB:
        return []
    return [
        Reason(
            code="quantity",
            text=f"its floor falls by {-fall_db:.0f} dB a decade from {_LOWEST_HZ:.0f} Hz on, as velocity does: wrong "
            "quantity, or slow movement from cable, plug or amplifier",
            remedy="If the logger wrote velocity, set quantity and unit; else tie the cable down, check the plug and "
            "repeat.",
            verdict="limited",
        )
    ]
