"""A high-pass that is set too high: shaft and unbalance are filtered away before anybody looks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Floats, Signal, density
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_LOWEST_HZ = 3.0
"""Recorders that couple by a capacitor begin between 0.1 and 3 Hz (common practice)."""
_RISE_DB = 7.5
"""Per octave, in two octaves and more that follow each other: a filter of second order rises by 12, of first by 6."""
_QUIETEST = 4e-10
"""(m/s²)²/Hz, that is 2 µg/√Hz. Below the resonance of its mounts a machine shakes less and less too, by 12 dB an
octave; what remains then is the noise of sensor and recorder, 5 µg/√Hz and more at 10 Hz (industrial sensors, common
practice). Only a filter behind the sensor goes below that."""
_FEWEST_BINS = 10
"""Bins of a band whose mean is known to a third (1/sqrt(10)), which is little next to what is asked of it."""


def low_cut(signal: Signal) -> tuple[list[Reason], float | None]:
    """(reason, frequency below which the recorder lets little pass or None).

    The sensor's noise is flat or rises towards low frequencies; where the floor, lines left out, falls below any
    sensor's, the recorder's filter takes it away. Medians of octaves from 3 Hz up.
    """
    size_s = signal.x.size / signal.rate_hz
    top_hz = 40 * LIMIT.velocity_band_hz[0]
    if signal.channel.quantity != "acceleration" or size_s < 4 or signal.rate_hz < 2.56 * top_hz:
        return [], None
    spectrum = density(signal, longest_s=4.0, window=np.blackman)
    edges_hz = _LOWEST_HZ * 2.0 ** np.arange(int(np.log2(top_hz / _LOWEST_HZ)) + 1)
    places = np.searchsorted(spectrum.hz, edges_hz)
    if np.diff(places).min() < _FEWEST_BINS:
        return [], None
    floor: Floats = np.array([np.median(spectrum.values[a:b]) for a, b in pairwise(places)])
    if not (floor > 0).all() or floor[0] > _QUIETEST:
        return [], None
    rises = np.diff(10 * np.log10(floor)) > _RISE_DB
    # Steps that follow each other from the lowest octave on.
    steps = rises.size if rises.all() else int(rises.argmin())
    if steps < 2:
        return [], None
    corner_hz = float(edges_hz[steps])
    return [
        Reason(
            code="low_cut",
            text=f"below about {corner_hz:.0f} Hz the floor falls as behind a high-pass: slow lines, and the velocity "
            "that they make up, are filtered away",
            remedy=f"Set the recorder's high-pass to {_LOWEST_HZ:.0f} Hz or lower, or off, and repeat the measurement.",
            verdict="limited",
        )
    ], corner_hz
