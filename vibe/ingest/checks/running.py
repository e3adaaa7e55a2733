"""Is the machine running at all? One channel alone can say so only by what noise cannot do.

A running machine leaves at least one of three marks, a stopped one none:

1. The signal moves by many steps of the recorder. Electronic noise is made to lie near one step; a channel that
   visits a handful of levels and stays within one step r.m.s. holds nothing but the recorder's own noise.
2. The spectrum has shape: casing and sensor mounting resonate, and what passes through them is not white.
3. The spectrum has lines at the shaft, mesh or bearings. Lines at the mains and its multiples do not count: they
   come over the cable from the machine next door.

Only where none of them is seen, and the level is that of electronic noise, is the machine called stopped.
"""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.checks.signal import Floats, Signal, amount, density
from vibe.ingest.checks.thresholds import THRESHOLDS as LIMIT

_BANDS = 10
_LOWEST_HZ = 20.0
_BLOCK = 64


def not_running(signal: Signal) -> list[Reason]:
    """None of the three marks of a running machine, and a level of electronic noise."""
    silent = within_steps(signal)
    if not silent and not _noise_only(signal):
        return []
    if silent:
        assert signal.step is not None
        what = (
            f"the signal of {amount(signal.channel, signal.rms)} r.m.s. stays within one step of the recorder "
            f"({amount(signal.channel, signal.step)}, {signal.levels} levels)"
        )
    else:
        what = f"the signal of {amount(signal.channel, signal.rms)} r.m.s. is white noise without lines"
    return [
        Reason(
            code="not_running",
            text=f"machine not running: {what}, which is electronic noise",
            remedy="Capture while the machine runs under load; if it did run, check sensor, cable and input range.",
            verdict="rejected",
        )
    ]


def within_steps(signal: Signal) -> bool:
    """Mark 1."""
    return (
        signal.step is not None
        and signal.levels is not None
        and signal.levels <= LIMIT.levels_silent
        and signal.rms <= LIMIT.steps_silent * signal.step
    )


def _noise_only(signal: Signal) -> bool:
    if signal.channel.quantity != "acceleration" or signal.rms >= LIMIT.quiet_m_s2 or signal.x.size < 4096:
        return False
    spectrum = density(signal, longest_s=1.0, fewest=8)
    hz, values = spectrum.hz, spectrum.values
    use = (hz >= _LOWEST_HZ) & (hz <= signal.rate_hz / LIMIT.nyquist_factor)
    hz, values = hz[use], values[use]
    if values.size < 4 * _BLOCK or spectrum.averages < 8 or not (values > 0).all():
        return False
    bands = [np.median(band) for band in np.array_split(values, _BANDS)]
    if 10 * np.log10(max(bands) / min(bands)) > LIMIT.white_spread_db:
        return False
    lines = hz[10 * np.log10(values / _floor(values)) > LIMIT.line_db]
    return all(_is_mains(line, 1.5 * spectrum.step_hz) for line in lines)


def _floor(values: Floats) -> Floats:
    """Median of each block of bins, repeated."""
    whole = values[: values.size // _BLOCK * _BLOCK].reshape(-1, _BLOCK)
    medians = np.repeat(np.median(whole, axis=1), _BLOCK)
    return np.concatenate((medians, np.full(values.size - medians.size, medians[-1])))


def _is_mains(line_hz: float, width_hz: float) -> bool:
    return any(abs(line_hz - mains * round(line_hz / mains)) <= width_hz for mains in LIMIT.mains_hz)
