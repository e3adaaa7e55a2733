"""Made-up signals in closed form: nothing of the program is used to make them, only to cut them into bands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes, envelopes, whitened
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra, envelope_spectra

Row = NDArray[np.float64]


def noise(seed: int, n: int, sigma: float = 1.0) -> Row:
    return np.random.default_rng(seed).normal(0.0, sigma, n)


def ringing(
    times_s: Row, rate: float, n: int, *, resonance_hz: float, heights: Row | float = 1.0, q: float = 25
) -> Row:
    """Impacts at ``times_s``, between samples too, each ringing as height · exp(-pi f t / q) sin(2 pi f t)."""
    row = np.zeros(n)
    length = min(n, int(rate * 8 * q / (np.pi * resonance_hz)))
    k = np.arange(length)
    for time, height in zip(times_s, np.broadcast_to(heights, np.shape(times_s)), strict=True):
        first = int(np.ceil(time * rate))
        if not 0 <= first < n:
            continue
        t = (first + k[: n - first]) / rate - time
        row[first : first + t.size] += (
            height * np.exp(-np.pi * resonance_hz * t / q) * np.sin(2 * np.pi * resonance_hz * t)
        )
    return row


def repeats(order: float, speed_hz: float, duration_s: float, *, seed: int = 0, slip_sigma: float = 0.001) -> Row:
    """Instants at ``order`` per turn. ``slip_sigma``: relative, of each interval on its own (a cage's random walk)."""
    rng = np.random.default_rng(seed)
    count = int(duration_s * speed_hz * order * 1.1) + 2
    steps = (1.0 + slip_sigma * rng.normal(size=count)) / (order * speed_hz)
    times = rng.uniform(0, steps[0]) + np.concatenate([[0.0], np.cumsum(steps)])
    return times[times < duration_s]


def enveloped(row: Row, rate: float, speed_hz: float, width_hz: float = 700.0) -> tuple[BandEnvelopes, EnvelopeSpectra]:
    """Band envelopes of a row at a steady speed, and their spectra."""
    law = AngleLaw.steady(speed_hz, row.size / rate)
    white = whitened(row.astype(np.float32), rate, channel="a")
    bands = envelopes(white, law, band_hz=(500.0, 0.48 * rate), width_hz=width_hz)
    return bands, envelope_spectra([bands])
