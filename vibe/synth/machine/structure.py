"""From force to acceleration at each sensor: casing resonances, the path, the recorder's low-pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from vibe.synth.machine.motion import TURN, Array
from vibe.synth.streams import Streams

Complex = NDArray[np.complex128]

PASS_BAND = 0.39
"""Share of the sampling rate that the recorder passes (1/2.56, the usual choice of recorders: common practice)."""
STOP_BAND = 0.48
"""Share of the sampling rate above which its filter lets nothing pass: just below half."""
PULSE_TAPS = 48
"""Samples over which a pulse is spread by that filter; beyond, it has died away."""
PULSE_STEPS = 64
"""Places between two samples at which a pulse is tabulated."""


@dataclass(frozen=True, slots=True, eq=False)
class Casing:
    """Resonances of the casing: ``frequency_hz`` and ``damping`` (n_modes,), ``gain`` (n_points, n_modes).

    Modes belong to the casing; each sensor sees its own share of each, and its own few modes more than others.
    """

    frequency_hz: Array
    damping: Array
    gain: Array
    side: tuple[str, ...]


def side_of(point: str) -> str:
    """Which end of the drive a point's name puts it at: "input", "output" or "middle"."""
    lower = point.lower()
    if "output" in lower:
        return "output"
    return "input" if "input" in lower or "motor" in lower else "middle"


def casing(points: tuple[str, ...], streams: Streams) -> Casing:
    """Three to six modes between 800 Hz and 9 kHz per sensor, 1 to 4 % damping, from the machine's seed."""
    frequency: list[float] = []
    damping: list[float] = []
    owner: list[int] = []
    for row, point in enumerate(points):
        rng = streams.machine(f"casing {point}")
        count = int(rng.integers(3, 7))
        # One mode per slice of the log axis, so that modes do not pile up.
        edges = np.linspace(np.log(800.0), np.log(9000.0), count + 1)
        frequency += list(np.exp(rng.uniform(edges[:-1], edges[1:])))
        damping += list(rng.uniform(0.01, 0.04, count))
        owner += [row] * count
    gain = np.empty((len(points), len(frequency)))
    for row, point in enumerate(points):
        rng = streams.machine(f"gain {point}")
        own = np.where(np.array(owner) == row, 1.0, 0.25)
        gain[row] = own * np.exp(0.4 * rng.standard_normal(len(frequency))) * rng.choice((-1.0, 1.0), len(frequency))
    return Casing(np.array(frequency), np.array(damping), gain, tuple(side_of(point) for point in points))


class Structure:
    """Frequency responses on one padded axis; every signal is added as a spectrum and turned back once.

    ``count`` samples at ``sample_rate_hz``; the pad is longer than the slowest ringing, so nothing wraps round.
    """

    def __init__(self, body: Casing, count: int, sample_rate_hz: float) -> None:
        self.body = body
        self.sample_rate_hz = sample_rate_hz
        self.count = count
        self.padded = next_fast_len(count + round(0.08 * sample_rate_hz), real=True)
        self.axis_hz = rfftfreq(self.padded, 1.0 / sample_rate_hz)
        self.recorder = low_pass(self.axis_hz, sample_rate_hz)
        self._modes = np.stack([
            _mode(self.axis_hz, float(f), float(z))
            for f, z in zip(body.frequency_hz, body.damping, strict=True)
        ])  # fmt: skip

    def smooth(self, row: int) -> Complex:
        """Path of the smooth mesh forces: mass-like and flat at low frequency, the modes on top (force in m/s²)."""
        direct = 1.0 / (1.0 - 1j * (15.0 / np.maximum(self.axis_hz, 1e-9))) ** 2
        return direct + self._sum(0.12 * self.body.gain[row])

    def friction(self, row: int) -> Complex:
        """Path and colour of friction noise: rises to about 1 kHz, falls slowly above, the modes on top."""
        colour = (self.axis_hz / 1000.0) / np.sqrt(1.0 + (self.axis_hz / 1000.0) ** 2)
        colour = colour / np.sqrt(1.0 + (self.axis_hz / 4000.0) ** 2)
        return colour * (1.0 + self._sum(0.10 * self.body.gain[row]))

    def path_of_impact(self, row: int, source: str, streams: Streams) -> Complex:
        """Path of a short impact at ``source``: the modes, each excited by its own share."""
        rng = streams.machine(f"source {source}")
        share = np.exp(0.6 * rng.standard_normal(self.body.frequency_hz.size))
        return self._sum(0.12 * share * self.body.gain[row]) + 0.3 * rise(self.axis_hz, 400.0)

    def _sum(self, weights: Array) -> Complex:
        # Real and imaginary parts side by side: one product of real numbers.
        return np.asarray((weights @ self._modes.view(np.float64)).view(np.complex128))

    def spectrum(self, force: Array) -> Complex:
        return np.asarray(rfft(force, self.padded), dtype=np.complex128)

    def signal(self, spectrum: Complex) -> Array:
        return np.asarray(irfft(spectrum * self.recorder, self.padded)[: self.count], dtype=np.float64)


def _mode(axis_hz: Array, frequency_hz: float, damping: float) -> Complex:
    """Acceleration per force of one mode, 1 far above it; numerator and denominator from the resonator's equation."""
    square = axis_hz * axis_hz
    return np.asarray(-square / (frequency_hz**2 - square + 2j * damping * frequency_hz * axis_hz))


def rise(axis_hz: Array, corner_hz: float) -> Array:
    """Smooth high-pass of first order without phase: 0 at rest, 1 far above the corner."""
    return np.asarray(axis_hz / np.sqrt(axis_hz**2 + corner_hz**2))


def low_pass(axis_hz: Array, sample_rate_hz: float) -> Array:
    """The recorder's filter against aliasing: 1 up to ``PASS_BAND``, a raised-cosine fall to 0 at ``STOP_BAND``."""
    place = np.clip((axis_hz / sample_rate_hz - PASS_BAND) / (STOP_BAND - PASS_BAND), 0.0, 1.0)
    return np.asarray(0.5 * (1.0 + np.cos(np.pi * place)))


def pulse_table(duration_s: float, sample_rate_hz: float) -> Array:
    """A raised-cosine force pulse, band-limited to the recorder, at ``PULSE_STEPS`` places between two samples.

    Shape (PULSE_STEPS, PULSE_TAPS); each row sums to about the pulse's area in samples. Tabulating the band-limited
    pulse lets an impact fall anywhere between samples without folding.
    """
    taps = max(PULSE_TAPS, 2 * int(np.ceil(duration_s * sample_rate_hz)) + PULSE_TAPS // 2)
    taps += taps % 2
    fine = 16
    size = 4 * taps * fine
    rate = fine * sample_rate_hz
    t = (np.arange(size) - size // 2) / rate
    pulse = np.where(np.abs(t) < duration_s / 2, 0.5 * (1.0 + np.cos(TURN * t / duration_s)), 0.0)
    limited = irfft(rfft(pulse) * low_pass(rfftfreq(size, 1.0 / rate), sample_rate_hz), size)
    # Row r: the pulse's centre lies r / PULSE_STEPS of a sample after tap taps/2 - 1.
    offset = np.arange(taps)[None, :] - (taps // 2 - 1) - np.arange(PULSE_STEPS)[:, None] / PULSE_STEPS
    table = np.interp(offset / sample_rate_hz, t, limited)
    ends = np.hanning(taps + 2)[1:-1] ** 0.1
    return np.asarray(table * ends, dtype=np.float64)


def place_pulses(
    count: int, first_s: float, sample_rate_hz: float, times_s: Array, height: Array, pulse_s: float
) -> Array:
    """A force (count,) with one pulse of ``height`` at each of ``times_s``; sample 0 lies at ``first_s``."""
    force = np.zeros(count)
    if times_s.size == 0:
        return force
    table = pulse_table(pulse_s, sample_rate_hz)
    taps = table.shape[1]
    place = (times_s - first_s) * sample_rate_hz
    whole = np.floor(place).astype(np.int64)
    step = np.round((place - whole) * PULSE_STEPS).astype(np.int64)
    whole += step // PULSE_STEPS
    step %= PULSE_STEPS
    index = whole[:, None] + np.arange(taps)[None, :] - (taps // 2 - 1)
    values = table[step] * height[:, None]
    inside = (index >= 0) & (index < count)
    return np.asarray(np.bincount(index[inside], weights=values[inside], minlength=count), dtype=np.float64)
