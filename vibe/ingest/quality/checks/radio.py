"""A handset that sends next to the cable: what is rectified of it are pulses at the exact rate of its frames."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Samples, Signal, amount, averaged, hann, slower


@dataclass(frozen=True, slots=True)
class _Frames:
    """Radio that sends in one of ``slots`` of every frame. ``window_s``: a dozen frames and more, as short as a burst
    may be. ``last``: the highest multiple of the rate that is read. ``fit``: the share of the power at all of them, but
    one where a line of the machine may stand, that one train of pulses explains."""

    what: str
    rate_hz: float
    slots: int
    window_s: float
    last: int
    fit: float


_RADIOS = (
    _Frames("a mobile telephone or modem (GSM)", 26e3 / 120, 8, 0.25, 7, 0.95),
    _Frames("a radio set (TETRA)", 18 / 1.02, 4, 1.0, 47, 0.6),
)
"""26 frames in 120 ms of eight slots each (3GPP TS 45.002), 18 frames in 1.02 s of four (ETSI EN 300 392-2); both from
memory. Telephones that send in frames of 10 ms are left out: nothing distinguishes them from the mains of 50 Hz.

``fit``, derived: six lines with phases and heights by chance reach 0.95 once in 10^5 windows, 34 reach 0.6 never; of
the strong lines that a shaft or mesh has, three reach 0.85 of the six, and five a quarter of the 34."""
_FEWEST_HARMONICS = 6
"""Of the rate, that a recorder passes: by fewer a train of pulses is not known, as derived above."""
_FEWEST_WINDOWS = 2
"""In which pulses stand, since one may be chance."""
_LEAST = 0.5
"""Height of pulses, in r.m.s. values of the capture, from which on they count: below, they hold less than a thirtieth
of its power (our choice; of three machines of other make-up none had another answer at 1, and most had at 3)."""
_TURN = 256
"""Places in a frame that are tried for the pulse: half a place turns its highest line by 0.6 radians, which takes a
tenth of the fit."""

_KEEP_AWAY = (
    "Keep radio sets and telephones some metres away from sensor, cable and logger, see that the cable's screen is "
    "connected, and repeat the measurement."
)
_ROW_S, _FRAMES_OF_ROW, _PLACES_OF_FRAME = 0.120, 26, 16
"""A telephone that speaks sends in 25 of 26 frames and listens in the last (3GPP TS 45.002, from memory). Nothing that
turns leaves out one blow of 26 in every 120 ms, so these bursts are known whatever the amplifier makes of them."""
_ROWS = 10
"""In a window: the clock of a recorder moves them by a hundredth of a frame meanwhile."""
_CLOCKS = np.linspace(-1e-4, 1e-4, 21)
"""By how much the recorder's may be off: 20 to 100 ppm (common practice)."""
_POWER_RATE_HZ = 13_000.0
"""Two values and more in a place of a frame, as far as the recorder gives them."""
_NEXT_HZ = 2.5
"""From the line of the frames to where it is read what stands next to it: three resolved lines of a window."""
_LINE = 2.0
"""Times as high as next to it, from which on frames are looked at one by one: saves the time, decides nothing."""
_RINGS_FOR = 6
"""Places after which a burst has rung out: 1.7 ms, a mode of 2 kHz and a quality of 10 by far (common practice)."""
_HIGHEST = 30.0
"""Times the usual power beyond which single shocks do not count (our choice)."""
_BURST, _SILENT, _SENT = 0.2, 0.25, 0.5
"""Power that a burst adds, over the power between; that of the frame without and of all others, over the usual one.
Captures of 35 machines without a telephone reach 0.06 of the first; with one that adds a third of their r.m.s. value it
is 0.3 and more, the silent frame 0.14 at most, the next one 0.55 at least."""


def radio(signal: Signal) -> list[Reason]:
    """Pulses as long as one slot of a frame, in windows of the capture."""
    if signal.rms == 0:
        return []
    return next((found for frames in _RADIOS if (found := _train(signal, frames))), [])


def _train(signal: Signal, frames: _Frames) -> list[Reason]:
    # Twice as fast as its highest line asks for: what the means of neighbours take of that is little.
    x, rate_hz = slower(signal, 2 * 2.56 * frames.last * frames.rate_hz)
    size = round(frames.window_s * rate_hz)
    windows = x.size // max(size, 1)
    orders = _orders(frames, rate_hz)
    if windows < _FEWEST_WINDOWS or len(orders) < min(_FEWEST_HARMONICS, frames.last):
        return []
    both = x[: windows * size].reshape(windows, size) @ _waves(orders, frames.rate_hz / rate_hz, size)
    # Of the slope, in which a pulse has lines of equal height, and the slow lines of a machine do not rule.
    lines = (both[:, : len(orders)] - 1j * both[:, len(orders) :]) * np.array(orders)
    pulse = np.array(orders) * np.sinc(np.array(orders) / frames.slots)
    # The line that stands out most over a pulse's own may be the machine's.
    left_out = (np.abs(lines) / np.abs(pulse)).argmax(axis=1)
    kept = np.arange(len(orders)) != left_out[:, None]
    lines = np.where(kept, lines, 0)
    whole = (kept * np.square(pulse)).sum(axis=1)
    # The same pulse at every place of the frame, to find the one where it stands.
    turned = np.exp(2j * np.pi * np.outer(orders, np.arange(_TURN) / _TURN))
    along = np.abs((lines * pulse) @ turned).max(axis=1)
    fit = along**2 / np.maximum(np.square(np.abs(lines)).sum(axis=1) * whole, 1e-30)
    height = along / whole
    # A pulse of height 1 makes lines of twice its share of the frame.
    height *= signal.rms * frames.slots / 2
    fits = (fit >= frames.fit) & (height >= _LEAST * signal.rms)
    if int(fits.sum()) < _FEWEST_WINDOWS:
        return []
    strongest = float(height[fits].max())
    first_s = int(fits.argmax()) * frames.window_s
    return [
        Reason(
            code="radio",
            text=f"pulses of {amount(signal.channel, strongest)} at exactly {frames.rate_hz:.4g} Hz for "
            f"{fits.sum() * frames.window_s:.3g} s of {signal.channel.duration_s:.3g} s at least, first at "
            f"{first_s:.3g} s: {frames.what} sends next to the sensor's cable",
            remedy=_KEEP_AWAY,
            verdict="limited",
        )
    ]


def rows_of_bursts(signal: Signal) -> list[Reason]:
    """A telephone whose bursts ring in the amplifier or its filter, and are blows to all that looks at shapes."""
    together = max(1, int(signal.rate_hz // _POWER_RATE_HZ))
    rate_hz = signal.rate_hz / together
    size = round(_ROWS * _ROW_S * rate_hz)
    windows = signal.relative.size // together // max(size, 1)
    slow = rate_hz * _ROW_S < _FRAMES_OF_ROW * _PLACES_OF_FRAME
    if signal.rms == 0 or slow or windows < _FEWEST_WINDOWS:
        return []
    slope = np.diff(signal.relative, append=signal.relative[-1:])
    power = averaged(np.square(slope, out=slope), together)[: windows * size]
    frames_hz = _FRAMES_OF_ROW / _ROW_S
    line, below, above = (
        np.abs(power.reshape(windows, size) @ _wave(hz / rate_hz, size)).mean()
        for hz in (frames_hz, frames_hz - _NEXT_HZ, frames_hz + _NEXT_HZ)
    )
    if line < _LINE * max(below, above):
        return []
    halves, between = _frame_by_frame(power, rate_hz, windows)
    burst = halves.mean(axis=0)
    usual = float(np.median(burst))
    silent, sent = np.partition(burst, 1)[:2]
    if usual < _BURST * between or silent > _SILENT * usual or sent < _SENT * usual:
        return []
    # By chance it is another frame each time.
    if np.ptp(halves.argmin(axis=1)) > 0:
        return []
    return [
        Reason(
            code="radio",
            text=f"bursts at exactly {frames_hz:.4g} Hz of which every {_FRAMES_OF_ROW}th is left out, as nothing that "
            "turns does: a mobile telephone or modem (GSM) sends next to the sensor's cable",
            remedy=_KEEP_AWAY,
            verdict="limited",
        )
    ]


def _frame_by_frame(power: Samples, rate_hz: float, windows: int) -> tuple[NDArray[np.float64], float]:
    """What a burst adds to the power in each frame of a row, in every other window and in those between (2, 26), and
    the power between bursts."""
    places = _FRAMES_OF_ROW * _PLACES_OF_FRAME
    size = power.size // windows
    place = (np.arange(power.size) * (places / _ROW_S / rate_hz)).astype(np.intp) % places
    place += np.repeat(np.arange(windows) * places, size)
    # A shock that stands alone must not be a frame's.
    usual = np.minimum(power, _HIGHEST * np.median(power[:: max(1, power.size // 20_000)]))
    rows = np.bincount(place, usual, windows * places) / np.maximum(np.bincount(place, minlength=windows * places), 1)
    rows = rows.reshape(windows, places)
    moved = np.rint(np.outer(_CLOCKS, np.arange(windows)) * (size / rate_hz / _ROW_S * places)).astype(np.intp)
    at = (np.arange(places) + moved[:, :, None]) % places
    tried = rows[np.arange(windows)[:, None], at].mean(axis=1)  # (clocks, places)
    frame = tried.reshape(_CLOCKS.size, _FRAMES_OF_ROW, _PLACES_OF_FRAME).mean(axis=1)
    slot = frame + np.roll(frame, -1, axis=1)
    clock, first = np.unravel_index(int(slot.argmax()), slot.shape)
    turned = np.roll(rows[np.arange(windows)[:, None], at[clock]], -int(first), axis=1)
    frames = turned.reshape(windows, _FRAMES_OF_ROW, _PLACES_OF_FRAME)
    between = frames[:, :, _RINGS_FOR:].mean(axis=2)
    added = frames[:, :, :2].mean(axis=2) - between
    halves = np.stack([added[::2].mean(axis=0), added[1::2].mean(axis=0)])
    return halves, float(np.median(between.mean(axis=0)))


@lru_cache(maxsize=8)
def _wave(share: float, size: int) -> NDArray[np.complex64]:
    """A wave at ``share`` of the sample rate, under a Hann window (size,)."""
    return np.asarray(hann(size) * np.exp(-2j * np.pi * share * np.arange(size)), dtype=np.complex64)


def _orders(frames: _Frames, rate_hz: float) -> tuple[int, ...]:
    """Multiples of the frame rate at which a pulse of one slot has a line, and that a recorder passes."""
    highest = min(frames.last, int(rate_hz / 2.56 / frames.rate_hz))
    return tuple(k for k in range(1, highest + 1) if k % frames.slots)


@lru_cache(maxsize=4)
def _waves(orders: tuple[int, ...], share: float, size: int) -> NDArray[np.float32]:
    """Cosines, then sines, at ``orders`` times ``share`` of the sample rate, under a Hann window; (size, 2 orders).
    Their product with a row of samples is the height of each line."""
    phase = 2 * np.pi * share * np.outer(np.arange(size), orders)
    shape = np.hanning(size)[:, None]
    scale = 2 / shape.sum()
    return np.asarray(scale * np.hstack((shape * np.cos(phase), shape * np.sin(phase))), dtype=np.float32)
