"""Single lines of the vibration spectrum at frequencies that somebody asks for."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.core.evidence import Line
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import fast_length

HALF_BINS = 3
"""Half width over which a line's power is gathered: the main lobe of a Hann window and a little speed variation."""
FLOOR_BINS = 40
"""Either side: the median of 80 bins of noise is off by a sixth, r.m.s. (1 / (ln 2 · sqrt 80))."""
KNOT_SAMPLES = 16
"""Samples between the instants at which the angle law is asked."""
KNOTS_AT_ONCE = 1 << 10
"""What they need stays in the processor's cache."""


def angular(
    samples: NDArray[np.float32], sample_rate_hz: float, law: AngleLaw, transform: NDArray[np.complex64] | None = None
) -> tuple[NDArray[np.float32], float]:
    """Samples laid on equal steps of the input's angle, and the samples per turn; ``transform`` is theirs, padded to
    ``fast_length``, where it is there already.

    Oversampled twice before interpolation, so that the top octave is not dulled. Returns the samples as they are
    when the speed is steady.
    """
    if law.is_steady:
        return samples, sample_rate_hz / law.mean_hz
    n, length = samples.size, fast_length(samples.size)
    lines = fft.rfft(samples, length) if transform is None else transform
    # The samples themselves, and what lies half a step behind each: half as long a transform as that of both.
    dense = np.zeros(2 * length, dtype=np.float32)
    dense[: 2 * n : 2] = samples
    dense[1::2] = fft.irfft(lines * _half_a_step(length), length, overwrite_x=True)
    places, per_turn = _places(law, n, length, sample_rate_hz)
    knots = places.size
    within = np.arange(KNOT_SAMPLES) / KNOT_SAMPLES
    result = np.empty((knots - 1, KNOT_SAMPLES), dtype=np.float32)
    for first in range(0, knots - 1, KNOTS_AT_ONCE):
        some = slice(first, min(first + KNOTS_AT_ONCE, knots - 1))
        steps = places[some.start + 1 : some.stop + 1] - places[some]
        place = places[some, None] + steps[:, None] * within
        below = np.minimum(place.astype(np.intp), 2 * n - 2)
        place -= below
        # None lies outside, and to wrap is the quickest way not to ask.
        low = dense.take(below, mode="wrap")
        rise = dense[1:].take(below, mode="wrap")
        rise -= low
        rise *= place.astype(np.float32)
        np.add(low, rise, out=result[some])
    return result.ravel()[:length], per_turn


@lru_cache(maxsize=2)
def _half_a_step(length: int) -> NDArray[np.complex64]:
    """What moves the transform of ``length`` samples by half a step, (length // 2 + 1,); kept for all channels."""
    turn = np.pi / length * np.arange(length // 2 + 1)
    shift: NDArray[np.complex64] = (np.cos(turn) + 1j * np.sin(turn)).astype(np.complex64)
    return shift


@lru_cache(maxsize=1)
def _places(law: AngleLaw, n: int, length: int, sample_rate_hz: float) -> tuple[NDArray[np.float64], float]:
    """Where, in half samples of ``n``, every ``KNOT_SAMPLES``-th of ``length`` equal steps of angle lies, and how many
    make a turn: the same for all channels of one rate.

    The law bends so slowly that straight lines between instants this close stay far below a sample.
    """
    last_s = (2 * n - 1) / (2 * sample_rate_hz)
    time = np.linspace(0.0, last_s, max(2 * n // KNOT_SAMPLES, 2))
    turns = law.at(time)
    per_turn = (length - 1) / float(turns[-1] - turns[0])
    even = turns[0] + np.arange(length // KNOT_SAMPLES + 2) * (KNOT_SAMPLES / per_turn)
    return np.interp(even, turns, time) * (2 * sample_rate_hz), per_turn


def read_lines(
    power: NDArray[np.float64],
    bin_hz: float,
    wanted: Sequence[tuple[str, float]],
    *,
    noise_bandwidth_bins: float,
    channel: str,
    spread: float = 0.0,
    known: bool = True,
) -> tuple[Line, ...]:
    """Lines at ``wanted`` (name, frequency [Hz]) in a power spectrum of acceleration.

    Args:
        power: (n,) mean-square acceleration per bin [(m/s²)²] of a one-sided, window-corrected spectrum (its sum over
            a line's main lobe, divided by the noise bandwidth, is the line's mean square).
        bin_hz: spacing of the bins [Hz].
        wanted: names and frequencies.
        noise_bandwidth_bins: of the window (Hann: 1.5).
        channel: name put into the lines.
        spread: relative uncertainty of the frequencies; the strongest place within it is taken.
        known: whether a line elsewhere is another's; multiples of the mains are known no closer than that moves.
    """
    lines = []
    for name, frequency in wanted:
        middle = frequency / bin_hz
        reach = int(np.ceil(spread * middle)) + 1
        a, b = int(middle) - reach, int(middle) + reach + 2
        if a < HALF_BINS + 1 or b > power.size - HALF_BINS - 1:
            continue
        spot = a + int(power[a:b].argmax())
        low, high = spot - HALF_BINS, spot + HALF_BINS + 1
        around = np.concatenate([power[max(1, low - FLOOR_BINS) : low], power[high : high + FLOOR_BINS]])
        floor = float(np.median(around)) / np.log(2.0)
        width = 2 * HALF_BINS + 1
        mean_square = max(0.0, float(power[low:high].sum()) - width * floor) / noise_bandwidth_bins
        omega = 2 * np.pi * spot * bin_hz
        lines.append(
            Line(
                name=name,
                frequency_hz=spot * bin_hz,
                velocity_mm_s=float(np.sqrt(mean_square)) / omega * 1e3,
                floor_mm_s=float(np.sqrt(width * floor / noise_bandwidth_bins)) / omega * 1e3,
                acceleration_m_s2=float(np.sqrt(mean_square)),
                channel=channel,
                off_bins=max(0.0, abs(_peak(power, spot) - middle) - spread * middle) if known else 0.0,
            )
        )
    return tuple(lines)


def peak_bins(power: NDArray[np.float64], middle: int) -> float:
    """Where, in bins, the line has its peak that stands highest within a bin of ``middle`` in a ``power`` spectrum (n,)
    of samples under a Hann window."""
    return _peak(power, middle - 1 + int(power[middle - 1 : middle + 2].argmax()))


def _peak(power: NDArray[np.float64], spot: int) -> float:
    """Where, in bins, a sine between bins has its peak, from the three bins about the highest: with a Hann window the
    neighbours' amplitudes a, c and the middle's b give 2 (c - a) / (a + 2 b + c) exactly for a pure one (derived from
    its kernel, 1 / (d (1 - d^2)))."""
    a, b, c = (float(np.sqrt(power[spot + side])) for side in (-1, 0, 1))
    return spot + 2 * (c - a) / max(a + 2 * b + c, 1e-30)
