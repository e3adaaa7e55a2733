"""Samples that were lost on the way: all steady lines jump in phase at one moment, while their strength stays."""

from __future__ import annotations

import numpy as np
import scipy.fft

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Floats, Samples, Signal, hann, slower

_WINDOWS_S = (0.45, 0.3, 0.2)
"""Long windows part lines that lie close. Where packets are lost every second or so, four long ones in a row hold more
than one loss; then shorter ones are asked, for more lines, since what they cannot part beats."""
_HOPS = 4
"""Windows begin a quarter of their length apart."""
_RATE_HZ = 5000.0
"""Means of neighbouring samples bring the rate down to this: lines that fold over are lines all the same."""
_LINES = 16
"""Strongest lines whose phases are followed (our choice: lines that jump are a few of them)."""
_OVER_FLOOR = 8.0
"""A line whose phase can be read: in noise, to 0.25 radians in one window (1 / sqrt(2 * 8))."""
_FLOOR_BINS = 41
"""Over which the floor is a median: wide compared with a line, narrow compared with a resonance (common practice)."""
_STEADY = 0.5
"""A line must keep half its usual strength on both sides: where two beat, the phase jumps as they cancel."""
_NEAR = np.concatenate((np.arange(-14, -2), np.arange(3, 15)))
"""Bins near a line that show the noise about it."""
_PHASE_OF_NOISE = 0.85
"""Standard deviation of a phase for noise of the height 1 by its median: 1 / 1.18 (derived, Rayleigh)."""
_LEAST_STEP = 0.02
"""Radians; no phase is read better over a third of a second."""
_SIGMAS, _MOST_SIGMAS = 6.0, 12.0
"""From which on a line jumps, and more than which one line counts for in the sum (common practice: 6 never come by
chance)."""
_SURE, _LIKELY, _LIKELY_SUM = 3, 2, 32.0
"""Lines that jump together, or fewer that jump far. Of 106 measured and simulated channels without a splice none had
more than two lines that jumped, and the sum of all was 21 at most; the limit is half as much again."""
_SURE_SHORT, _MOST_OF = 5, 0.6
"""The same in short windows: lines, or, where there are fewer, their share: a loss moves all but those of which a whole
number of periods went. Of 342 channels, measured and of other worlds, one had four of 16 (a base plate that beats with
the mains), five had three of 14 and more."""


def spliced(signal: Signal) -> list[Reason]:
    """A loss of samples within the capture, with its place.

    The phase of each line is followed from window to window; a step is what is left between the rates of both sides.
    A speed that varies moves all phases too, but slowly: its steps make up the scatter that a jump must exceed.
    """
    long, *short = _WINDOWS_S
    x, rate_hz = slower(signal, _RATE_HZ)
    jump = _jump(x, rate_hz, long, _SURE)
    for window_s in short:
        jump = jump or _jump(x, rate_hz, window_s, _SURE_SHORT)
    if jump is None:
        return []
    at_s, lines = jump
    return [
        Reason(
            code="spliced",
            text=f"samples were lost at about {at_s:.1f} s: {lines} lines jump in phase there together",
            remedy="Repeat the capture; if it happens again, use a faster memory card or fewer channels at once.",
            verdict="limited",
        )
    ]


def _jump(x: Samples, rate_hz: float, window_s: float, sure: int) -> tuple[float, int] | None:
    """(time of the jump [s], lines that take part), where as many as ``sure`` do; of fewer in long windows those that
    jump far, in short ones most of all there are."""
    size = int(window_s * rate_hz) // _HOPS * _HOPS
    hop = size // _HOPS
    if size < 64 or x.size < 8 * size:
        return None
    frames = np.lib.stride_tricks.sliding_window_view(x, size)[::hop]
    lines = scipy.fft.rfft(frames * hann(size), axis=1, overwrite_x=True)
    power: Floats = (np.square(lines.real) + np.square(lines.imag)).mean(axis=0, dtype=np.float64)
    middle = power[1:-1]
    peaks = 1 + np.flatnonzero((middle > power[:-2]) & (middle >= power[2:]))
    peaks = peaks[peaks >= 3]
    near = np.lib.stride_tricks.sliding_window_view(np.pad(power, _FLOOR_BINS // 2, mode="edge"), _FLOOR_BINS)[peaks]
    floor = np.maximum(np.partition(near, _FLOOR_BINS // 2, axis=1)[:, _FLOOR_BINS // 2], 1e-300)
    over = power[peaks] / floor
    peaks, over = peaks[power[peaks] > _OVER_FLOOR * floor], over[power[peaks] > _OVER_FLOOR * floor]
    if peaks.size < _LIKELY:
        return None
    peaks = peaks[np.argsort(over)[::-1][:_LINES]]
    own = lines[:, peaks]
    turn = np.exp(-2j * np.pi * np.outer(np.arange(len(own)) * hop, peaks) / size)
    phase, height = np.unwrap(np.angle(own * turn), axis=0), np.abs(own)
    # Windows before (0, 1) and after (2, 3) a place: neighbours that do not overlap.
    a, b, c, d = (phase[k * _HOPS : len(phase) - (3 - k) * _HOPS] for k in range(4))
    step = (c - b) - 0.5 * ((b - a) + (d - c))
    step = np.abs(np.angle(np.exp(1j * step)))
    least = np.minimum.reduce([height[k * _HOPS : len(height) - (3 - k) * _HOPS] for k in range(4)])
    usual = np.median(height, axis=0)
    scatter = 1.4826 * np.median(step, axis=0) + _LEAST_STEP
    fewest = _LIKELY if sure == _SURE else min(sure, max(_SURE + 1, _MOST_OF * peaks.size))
    # The noise about the lines only ever takes jumps away: most signals have too few to begin with.
    if ((step > _SIGMAS * scatter) & (least > _STEADY * usual)).sum(axis=1).max() < fewest:
        return None
    # Where a shock or a burst of noise lies over the lines, their phases are read as badly as that is high.
    around = np.abs(lines[:, np.clip(peaks[:, None] + _NEAR, 0, lines.shape[1] - 1)])
    unsure = _PHASE_OF_NOISE * np.median(around, axis=2) / np.maximum(height, 1e-30)
    e, f, g, h = (unsure[k * _HOPS : len(unsure) - (3 - k) * _HOPS] for k in range(4))
    unsure = np.sqrt(2.25 * (np.square(f) + np.square(g)) + 0.25 * (np.square(e) + np.square(h)))
    sigmas = step / np.maximum(scatter, unsure)
    if sure != _SURE:
        # A shock fills few short windows with lines of its own.
        most = np.maximum.reduce([height[k * _HOPS : len(height) - (3 - k) * _HOPS] for k in range(4)])
        least = np.where(most < usual / _STEADY, least, 0.0)
    sigmas = np.where(least > _STEADY * usual, np.minimum(sigmas, _MOST_SIGMAS), 0.0)
    count, total = (sigmas > _SIGMAS).sum(axis=1), sigmas.sum(axis=1)
    place = int(np.argmax(_MOST_SIGMAS * _LINES * count + total))
    likely = (
        count[place] >= _LIKELY and total[place] > _LIKELY_SUM
        if sure == _SURE
        else count[place] >= max(_SURE + 1, _MOST_OF * peaks.size)
    )
    if count[place] < sure and not likely:
        return None
    return float((place + 2 * _HOPS) * hop / rate_hz), int(count[place])
