"""Is the machine running at all? One channel alone can say so only by what noise cannot do.

A running machine leaves at least one of three marks, a stopped one none:

1. The signal moves by many steps of the recorder. Electronic noise is made to lie near one step; a channel that
   visits a handful of levels and stays within one step r.m.s. holds little but the recorder's own noise.
2. The spectrum has shape: casing and sensor mounting resonate, and what passes through them is not white.
3. The spectrum has lines at the shaft, mesh or bearings. Lines at the mains and its multiples do not count: they
   come over the cable from the machine next door. They may all be shifted alike, because sample rates are often
   written down rounded.

Only where none of them is seen, and the level is that of electronic noise, is the machine called stopped. Without
mark 1 but with mark 3 it runs, and the recorder's range is too large to say anything of it.
"""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.checks.signal import Density, Floats, Signal, amount, density
from vibe.ingest.checks.thresholds import THRESHOLDS as LIMIT

_BANDS = 10
_LOWEST_HZ = 10.0
_SHAFTS_HZ = 1000.0
"""Shafts and meshes speak below; lines of recorders and their power supplies lie above."""
_BLOCK = 64


def not_running(signal: Signal) -> list[Reason]:
    """A stopped machine, or one that is lost in the recorder's steps: either way nothing can be diagnosed."""
    level = f"the signal of {amount(signal.channel, signal.rms)} r.m.s."
    if within_steps(signal):
        assert signal.step is not None
        steps = f"{level} stays within one step of the recorder ({amount(signal.channel, signal.step)})"
        spectrum = density(signal, longest_s=1.0, fewest=4)
        if _machine_lines(spectrum, LIMIT.line_in_steps_db, _SHAFTS_HZ):
            return [
                Reason(
                    code="too_weak",
                    text=f"{steps}: the machine runs, but its vibration is lost in the steps",
                    remedy="Choose a much smaller input range, check the sensitivity, and repeat the capture.",
                    verdict="rejected",
                )
            ]
        what = f"{steps}, {signal.levels} levels"
    elif _noise_only(signal):
        what = f"{level} is white noise without lines"
    else:
        return []
    return [
        Reason(
            code="not_running",
            text=f"machine not running: {what}, which is electronic noise",
            remedy="Capture while the machine runs under load; if it did run, check sensor, cable and input range.",
            verdict="rejected",
        )
    ]


def within_steps(signal: Signal) -> bool:
    """Mark 1 is missing."""
    return (
        signal.step is not None
        and signal.levels is not None
        and signal.levels <= LIMIT.levels_silent
        and signal.rms <= LIMIT.steps_silent * signal.step
    )


def _noise_only(signal: Signal) -> bool:
    """Marks 2 and 3 are missing, at a level where that means something."""
    if signal.channel.quantity != "acceleration" or signal.rms >= LIMIT.quiet_m_s2 or signal.x.size < 4096:
        return False
    spectrum = density(signal, longest_s=1.0, fewest=8)
    top_hz = signal.rate_hz / LIMIT.nyquist_factor
    use = (spectrum.hz >= 2 * _LOWEST_HZ) & (spectrum.hz <= top_hz)
    values = spectrum.values[use]
    if values.size < 4 * _BLOCK or spectrum.averages < 8 or not (values > 0).all():
        return False
    bands = [np.median(band) for band in np.array_split(values, _BANDS)]
    is_white = 10 * np.log10(max(bands) / min(bands)) <= LIMIT.white_spread_db
    return is_white and not _machine_lines(spectrum, LIMIT.line_db, top_hz)


def _machine_lines(spectrum: Density, over_floor_db: float, top_hz: float) -> bool:
    """Mark 3: lines up to ``top_hz`` that are not all multiples of one mains frequency."""
    hz, values = spectrum.hz, spectrum.values
    use = (hz >= _LOWEST_HZ) & (hz <= top_hz)
    hz, values = hz[use], values[use]
    if values.size < _BLOCK or not (values > 0).all():
        return False
    lines = hz[10 * np.log10(values / _floor(values)) > over_floor_db]
    if not lines.size:
        return False
    for mains_hz in LIMIT.mains_hz:
        for off in np.linspace(-LIMIT.rate_error, LIMIT.rate_error, 51):
            base = mains_hz * (1 + off)
            away = np.abs(lines - base * np.maximum(1, np.rint(lines / base)))
            # The foot of a line is a few bins wide, the wider the stronger it is.
            if (away <= 2.5 * spectrum.step_hz).all():
                return False
    return True


def _floor(values: Floats) -> Floats:
    """Median of each block of bins, repeated."""
    whole = values[: values.size // _BLOCK * _BLOCK].reshape(-1, _BLOCK)
    medians = np.repeat(np.median(whole, axis=1), _BLOCK)
    return np.concatenate((medians, np.full(values.size - medians.size, medians[-1])))
