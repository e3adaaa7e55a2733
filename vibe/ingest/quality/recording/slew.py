"""A sensor or amplifier that cannot follow: its slope is cut off as a clipped input's height is."""

from __future__ import annotations

import numpy as np
import scipy.fft

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Samples, Signal, amount, hann, square_sum, upper_quantiles

_GAUSS = 3.0
"""Kurtosis of noise."""
_SINE = 1.5
"""Kurtosis of one sine; what it takes from that of a sum goes by the square of its share of the power, since fourth
cumulants of independent parts add."""
_BELOW = 0.5
"""How far the kurtosis lies below the least that lines allow. Derived: two lines in step take up to
``2 s1**1.5 s2**0.5`` more than independent ones, 0.5 where the stronger has half of the power; impacts only add."""
_STRONGEST = 0.5
"""Share of one line above which ``_BELOW`` is no bound."""
_WINDOW_S = 0.1
"""So short that a speed that drifts keeps its lines together, and lines that lie near each other count as one."""
_LEAST_S = 1.0
"""Ten windows and more (our choice)."""
_FEWEST = 64
"""Samples in a window."""
_TAIL = (0.97, 0.9995)
"""Quantiles of the slopes of one sign whose ratio says how its distribution ends: 1.75 of a normal one, more
where blows are (derived)."""
_HELD = 1.42
"""Ratio at which one side alone is held. Derived: a limit that a twentieth of the slopes reach makes 1 of it, the
recorder's filter up to 1.4."""
_OTHER_SIDE = 1.25
"""The other side's ratio is so many times as high: lines and noise have equal sides, and what makes a saw of a signal
are lines in step, which rule it."""
_BOTH_HELD = 1.58
"""Ratio at which both sides are held. Derived: a tenth below that of a normal distribution, four times what chance
leaves open in 150 slopes; sums of many lines and blows have more."""
_SPREAD, _NO_LINE = 0.05, 0.15
"""Most of concentration and of the strongest line's share for that: lines end sooner than noise does."""
_SPREAD_OF_SIDES = 0.25
"""The same for one side alone: one line makes both shorter alike, and several in step have less (our choice)."""
_SPREAD_IF_SURE, _LINE_IF_SURE = 0.15, 0.4
"""The same where both end as one side does that is held (our choice)."""
_LATER = 1.05
"""By how much farther slopes go once the lines and the rest, of other moments, are put together anew, where a limit
holds their sum. Derived: a few lines in step end at once too, but what comes with them is then added where they end; of
a sum that is held the rest gives way where the lines are steep. In 62 good recordings, meshes in step among them, the
end that moved less moved by 1 % at most; in 39 whose slope is held the held ends moved by 7 % and more."""
_STANDS = 10.0
"""Power of a line in a window over the median of its neighbours: of noise one bin in a thousand has it (2 ** -10)."""
_NEIGHBOURS = 32
"""Bins of which the median is taken: 320 Hz, narrower than most resonances are (our choice)."""
_MOMENTS = 600
"""Windows that are put together anew at most: a minute (our choice)."""
_SHIFTS = (1, 2, 3)
"""By how many windows the rest is moved: all of them count together."""
_STEEP = 0.85
"""Share of the steepest slopes from which on a sample counts as cut off; the recorder's filter rounds the edge."""


def slew_limited(signal: Signal) -> list[Reason]:
    """The slope is spread more evenly than any sum of lines, noise and impacts can be.

    The slope's kurtosis is at least ``3 - 1.5 sum(s_i**2)``, where ``s_i`` are the shares of its lines in its power:
    noise has 3, impacts have more. Only what holds the slope itself back makes it less. Where that holds but the
    steepest slopes, or those of one sign, the ends of their distribution are cut short; those of a few lines in step
    are too, so where there are lines it is asked whether they and the rest would end as soon by themselves.
    """
    if signal.missing > 0 or signal.rms == 0 or signal.channel.quantity != "acceleration":
        return []
    if signal.channel.duration_s < _LEAST_S or signal.rate_hz * _WINDOW_S < _FEWEST:
        return []
    slope = np.diff(signal.relative)
    power = square_sum(slope) / slope.size
    # What rounding to steps adds has no bounds that mean anything.
    if power * signal.rms**2 <= (signal.step or 0.0) ** 2:
        return []
    kurtosis = square_sum(np.square(slope)) / slope.size / power**2
    some = slope[:: max(1, slope.size // 150_000)]
    falls, rises = (_end_over_usual(side) for side in (-some, some))
    one_side = min(falls, rises) < _HELD and max(falls, rises) > _OTHER_SIDE * min(falls, rises)
    both = max(falls, rises) < _BOTH_HELD
    if kurtosis >= _GAUSS - _BELOW and not one_side and not both:
        return []
    concentration, strongest = _lines(slope, signal.rate_hz)
    held = kurtosis < _GAUSS - _BELOW and strongest <= _STRONGEST and kurtosis < _GAUSS - _SINE * concentration - _BELOW
    later = (np.inf, np.inf) if concentration <= _SPREAD else _put_together_anew(slope, signal.rate_hz)
    held = held and max(later) > _LATER
    if not held:
        one_side = one_side and concentration <= _SPREAD_OF_SIDES and strongest <= _STRONGEST
        one_side = one_side and later[0 if falls < rises else 1] > _LATER
        surely = max(falls, rises) < _HELD and concentration <= _SPREAD_IF_SURE and strongest <= _LINE_IF_SURE
        surely = surely and min(later) > _LATER
        if not one_side and not surely and not (both and concentration <= _SPREAD and strongest <= _NO_LINE):
            return []
    steep = np.abs(slope)
    which = ""
    if not held and one_side:
        which = " where it falls" if falls < rises else " where it rises"
        steep = np.maximum(-slope if falls < rises else slope, 0)
    most = float(np.quantile(steep[:: max(1, steep.size // 100_000)], 0.999))
    share = float((steep > _STEEP * most).mean())
    per_ms = most * signal.rms * signal.rate_hz / 1e3
    return [
        Reason(
            code="slew_limited",
            text=f"the signal cannot follow: its slope is held at {amount(signal.channel, per_ms)} per ms{which} for "
            f"{100 * share:.{0 if share > 0.01 else 1}f} % of the time, so impacts are smoothed away",
            remedy="Use a sensor supply of more current, a shorter cable, or an amplifier and sensor made for steeper "
            "signals, and repeat the measurement.",
            # Lines in step can make a saw of a signal.
            verdict="rejected" if held or (one_side and concentration <= _SPREAD) else "limited",
        )
    ]


def _end_over_usual(slope: Samples) -> float:
    """Ratio of the two quantiles of the side that is positive."""
    usual, end = upper_quantiles(slope, _TAIL)
    return float(end / max(abs(usual), 1e-30) * np.sign(usual))


def _end(slopes: Samples) -> float:
    return float(upper_quantiles(slopes.ravel(), _TAIL)[1])


def _put_together_anew(slope: Samples, rate_hz: float) -> tuple[float, float]:
    """How far (falls, rises) go with the lines of each window and the rest of another, over how far they go as they
    are: by the farther of the two quantiles."""
    size = round(_WINDOW_S * rate_hz)
    rows = slope[: slope.size // size * size].reshape(-1, size)
    rows = rows[:: -(-len(rows) // _MOMENTS)]
    window = hann(size)
    spectrum = scipy.fft.rfft(rows * window, axis=1)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    blocks = power[:, : power.shape[1] // _NEIGHBOURS * _NEIGHBOURS].reshape(len(rows), -1, _NEIGHBOURS)
    floor = np.repeat(np.median(blocks, axis=2), _NEIGHBOURS, axis=1)
    floor = np.pad(floor, ((0, 0), (0, power.shape[1] - floor.shape[1])), mode="edge")
    stands = power > _STANDS * floor
    line = stands.copy()
    line[:, 1:] |= stands[:, :-1]
    line[:, :-1] |= stands[:, 1:]
    # Where the window is half as high or more it can be taken off again.
    middle = slice(size // 4, size - size // 4)
    lines, rest = (
        np.asarray(scipy.fft.irfft(np.where(own, spectrum, 0), size, axis=1)[:, middle] / window[middle], np.float32)
        for own in (line, ~line)
    )
    as_it_is = lines + rest
    anew = np.concatenate([lines + np.roll(rest, shift, axis=0) for shift in _SHIFTS])
    falls, rises = (_end(sign * anew) / max(_end(sign * as_it_is), 1e-30) for sign in (-1, 1))
    return falls, rises


def _lines(slope: Samples, rate_hz: float) -> tuple[float, float]:
    """(sum of squared shares of the lines, share of the strongest) in the slope's power, means over short windows."""
    size = round(_WINDOW_S * rate_hz)
    rows = slope[: slope.size // size * size].reshape(-1, size)
    spectrum = scipy.fft.rfft(rows * hann(size), axis=1, overwrite_x=True)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    # Of a line under a Hann window nearly all lies in three bins.
    lobes = power.copy()
    lobes[:, 1:] += power[:, :-1]
    lobes[:, :-1] += power[:, 1:]
    whole = np.maximum(power.sum(axis=1), np.float32(1e-30))[:, None]
    shares = (power / whole * (lobes / whole)).sum(axis=1)
    return float(shares.mean()), float((lobes / whole).max(axis=1).mean())
