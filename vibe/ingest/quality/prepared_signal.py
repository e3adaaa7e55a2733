"""Samples prepared once for all checks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibe.core.capture import Channel, Reason, Verdict
from vibe.core.tones import PlannedSettings
from vibe.core.units import STANDARD_GRAVITY_M_S2, VOLTS, plain_unit

Floats = NDArray[np.float64]
Samples = NDArray[np.float32]
Window = Callable[[int], Floats]


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """``x`` are the samples with missing ones bridged, ``ac`` the same without mean, ``relative`` that over its r.m.s.,
    so that no unit leaves the range of single numbers; shape (n,)."""

    channel: Channel
    x: Samples
    ac: Samples
    relative: Samples
    ranked: Samples
    """Some tens of thousands of the samples that the file has, in order of their values."""
    mean: float
    rms: float
    peak: float
    missing: float
    step: float | None
    levels: int | None
    """Distinct values, counted only as far as the verdict needs; None for many."""
    planned: PlannedSettings | None = None
    """Settings that remedies name; None where no plan is known."""
    densities: dict[tuple[int, Window], Density] = field(default_factory=dict)
    """Those made so far, by size and window of their segments: checks that ask for the same one share it."""
    averages: dict[int, Samples] = field(default_factory=dict)
    """The same of means of so many neighbours."""

    @property
    def rate_hz(self) -> float:
        return self.channel.sample_rate_hz


_FEW = 64
"""Values up to which all are looked at at once."""
LEVELS_NEED_NO_PROOF = 6
"""Different values so few that they need no second look: two bits have four (our choice)."""


def prepare(channel: Channel, planned: PlannedSettings | None = None) -> Signal:
    """Bridge missing samples by straight lines and take the common numbers."""
    x = channel.samples
    bad = np.isnan(x)
    missing = np.count_nonzero(bad) / x.size if x.size else 1.0
    if 0 < missing < 1:
        x = x.copy()
        good = np.flatnonzero(~bad)
        x[bad] = np.interp(np.flatnonzero(bad), good, x[good])
    elif missing == 1:
        x = np.zeros(x.size, dtype=np.float32)
    mean = float(x.mean(dtype=np.float64)) if x.size else 0.0
    ac = x - np.float32(mean)
    rms = float(np.sqrt(square_sum(ac) / x.size)) if x.size else 0.0
    ranked = np.sort(channel.samples[:: max(1, channel.samples.size // 32_768)])
    ranked = ranked[np.isfinite(ranked)]
    step, levels = _grain(channel, ranked)
    return Signal(
        channel=channel,
        x=x,
        ac=ac,
        relative=ac / np.float32(rms or 1.0),
        ranked=ranked,
        mean=mean,
        rms=rms,
        peak=float(max(ac.max(), -ac.min())) if x.size else 0.0,
        missing=missing,
        step=step,
        levels=levels,
        planned=planned,
    )


_BLOCK = 1 << 16
"""Samples that are taken to double precision at once: memory stays that of single precision."""


def square_sum(x: Samples) -> float:
    """In double precision."""
    blocks = (x[start : start + _BLOCK].astype(np.float64) for start in range(0, x.size, _BLOCK))
    return float(sum(block @ block for block in blocks))


def _grain(channel: Channel, ranked: Samples) -> tuple[float | None, int | None]:
    """(smallest step, number of levels or None for many): what the file says, or what the values show where that is
    coarser.

    Values taken from a recorder of few bits lie on a grid even after conversion to floating point, or to a file of
    finer steps.
    """
    # Each once: quicker than to ask numpy for it, which hashes them first.
    values = ranked.astype(np.float64)
    values = values[np.diff(values, prepend=-np.inf) > 0]
    if values.size < 2:
        return channel.step, int(values.size)
    levels = None
    if values.size <= _FEW:
        everywhere = np.unique(channel.samples)
        levels = int(np.isfinite(everywhere).sum())
        values = everywhere[np.isfinite(everywhere)].astype(np.float64)
    if channel.step is not None and levels is None:
        return channel.step, levels
    gaps = np.diff(values)
    noise = 4 * float(np.spacing(np.float32(np.abs(values).max())))
    stated = channel.step or 0.0
    gaps = gaps[gaps > noise + 1.5 * stated]
    if not gaps.size:
        return channel.step, levels
    # The lower tail of the gaps is the step when the values lie on a grid: then all gaps are whole multiples of it.
    step = float(np.median(gaps[gaps <= 1.5 * gaps.min()]))
    multiples = gaps / step
    on_grid = np.abs(multiples - np.rint(multiples)) < 0.1
    # Two or three levels have too few gaps to prove a grid, and need no proof.
    few = levels is not None and levels <= LEVELS_NEED_NO_PROOF
    proved = few or (on_grid[multiples < 8].mean() > 0.98 and gaps.size >= 3)
    return (step if proved else channel.step), levels


@dataclass(frozen=True, slots=True, eq=False)
class Density:
    """Power spectral density of the ac part [unit²/Hz], ``step_hz`` apart from zero, over ``averages`` segments."""

    values: Floats
    step_hz: float
    averages: int

    @property
    def hz(self) -> Floats:
        return np.asarray(np.arange(self.values.size) * self.step_hz, dtype=np.float64)


def density(signal: Signal, longest_s: float = 4.0, fewest: int = 1, window: Window = np.hanning) -> Density:
    """Averages, half overlapped, of windowed segments of at most ``longest_s``, at least ``fewest`` where they fit."""
    n = signal.ac.size
    size = int(min(max(longest_s * signal.rate_hz, 256.0), 2 * n / (fewest + 1), n))
    # A multiple of a large power of two keeps the transform quick.
    size = size // 1024 * 1024 if size >= 8192 else size
    if (size, window) not in signal.densities:
        signal.densities[size, window] = _density(signal, size, window)
    return signal.densities[size, window]


def _density(signal: Signal, size: int, window: Window) -> Density:
    shape, squares = _shape(window, size)
    pieces = np.lib.stride_tricks.sliding_window_view(signal.relative, size)[:: max(1, size // 2)]
    total = np.zeros(size // 2 + 1)
    at_once = max(1, _AT_ONCE // size)
    for first in range(0, len(pieces), at_once):
        some = pieces[first : first + at_once]
        some = some - some.mean(axis=1, keepdims=True)
        some *= shape
        lines = scipy.fft.rfft(some, axis=1, overwrite_x=True)
        total += (np.square(lines.real) + np.square(lines.imag)).sum(axis=0)
    scale = 2.0 * signal.rms**2 / (len(pieces) * signal.rate_hz * squares)
    return Density(total * scale, signal.rate_hz / size, len(pieces))


_AT_ONCE = 1 << 19
"""Samples that are transformed together."""


@lru_cache(maxsize=32)
def _shape(window: Window, size: int) -> tuple[Samples, float]:
    """A window and the sum of its squares, kept: all channels of a capture ask for the same few."""
    shape = window(size)
    return shape.astype(np.float32), float(np.sum(shape**2))


def hann(size: int) -> Samples:
    """A symmetric Hann window; not to be written into."""
    return _shape(np.hanning, size)[0]


def averaged(x: Samples, together: int) -> Samples:
    """Means of so many neighbours; a rest is left out."""
    neighbours = x[: x.size // together * together].reshape(-1, together)
    # Column by column: rows are short, and each has its price.
    means = neighbours[:, 0].copy()
    for column in range(1, together):
        means += neighbours[:, column]
    return means if together == 1 else means / np.float32(together)


def slower(signal: Signal, rate_hz: float) -> tuple[Samples, float]:
    """(``relative`` in means of as many neighbours as bring its rate down to ``rate_hz``, not much less, the rate)."""
    together = max(1, int(signal.rate_hz // rate_hz))
    if together not in signal.averages:
        signal.averages[together] = averaged(signal.relative, together)
    return signal.averages[together], signal.rate_hz / together


_FEW_VALUES = 4_096
"""From which a quantile is known to a few thousandths (binomial)."""


def upper_quantiles(x: Samples, shares: Sequence[float]) -> Floats:
    """As ``np.quantile`` gives them; only what lies above a bound, which a few of the values set, is put in order."""
    places = np.asarray(shares) * (x.size - 1)
    bound = np.quantile(x[:: max(1, x.size // _FEW_VALUES)], max(0.0, 2 * min(shares) - 1))
    top = np.sort(x[x >= bound])
    if x.size - top.size > places.min():
        top = np.sort(x)
    return np.asarray(np.interp(places, np.arange(x.size - top.size, x.size), top))


_GRAVITY = {"rejected": 0, "limited": 1, "usable": 2}


def worst(reasons: tuple[Reason, ...]) -> Verdict:
    """The gravest verdict among ``reasons``."""
    return min((reason.verdict for reason in reasons), key=_GRAVITY.__getitem__, default="usable")


def gravest_first(reasons: list[Reason]) -> tuple[Reason, ...]:
    """Sorted by verdict, otherwise in the order given."""
    return tuple(sorted(reasons, key=lambda reason: _GRAVITY[reason.verdict]))


_UNITS = {"acceleration": ("m/s²", 1.0), "velocity": ("mm/s", 1e3), "displacement": ("µm", 1e6)}
"""In which amplitudes of a quantity are printed, and how many of it make one of SI."""


def amount(channel: Channel, value: float) -> str:
    """``value`` in the unit that people read, g where the recorder was set in g or in volts: ``"0.012 m/s²"``."""
    unit, factor = _UNITS.get(channel.quantity, (channel.recorded_unit, 1.0))
    if channel.quantity == "acceleration" and plain_unit(channel.recorded_unit) in ("g", "mg", *VOLTS):
        unit, factor = "g", 1 / STANDARD_GRAVITY_M_S2
    return f"{value * factor:.3g} {unit}".strip()


def percent(share: float) -> str:
    """A fraction in words: ``"0.33 %"``; only all is all."""
    if 0.995 <= share < 1:
        return "over 99 %"
    return f"{100 * share:.{2 if share < 1 else 3}g} %"
