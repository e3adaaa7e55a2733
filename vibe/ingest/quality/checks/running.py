"""Is the machine running at all? One channel alone can say so only by what noise cannot do.

A running machine leaves at least one of three marks, a stopped one none:

1. The signal moves by many steps of the recorder. Electronic noise is made to lie near one step; a channel that
   visits a handful of levels and stays within one step r.m.s. holds little but the recorder's own noise.
2. The spectrum has shape: casing and sensor mounting resonate, and what passes through them is not white.
3. The spectrum has lines at the shaft, mesh or bearings. Lines at the mains and its multiples do not count: they
   come over the cable from the machine next door. They may all be shifted alike, because sample rates are often
   written down rounded.

Only where none of them is seen, and the level is that of electronic noise, is the machine called stopped. Without
mark 1 but with mark 3 it runs, and the recorder's range is too large to say anything of it. Where mains lines stand
high over such noise, the input is open: a sensor that is connected holds them down.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.checks.input_ranges import smaller_range
from vibe.ingest.quality.prepared_signal import Density, Floats, Signal, amount, density
from vibe.ingest.quality.recording.gaps import SWAP
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_BANDS = 10
"""Equal parts of a spectrum, each so wide that lines leave its median alone (our choice)."""
_LOWEST_HZ = 10.0
"""Below lie drift of sensors and sway of supports (common practice)."""
_SHAFTS_HZ = 1000.0
"""Shafts and meshes show below; lines of recorders and their power supplies lie above."""
_BLOCK = 64
"""Bins of which the median is the floor: wide compared with a line (common practice)."""

_Kind = Literal["none", "mains", "machine"]


def not_running(signal: Signal) -> list[Reason]:
    """A stopped machine, or one that is lost in the recorder's steps: either way nothing can be diagnosed."""
    level = f"{amount(signal.channel, signal.rms)} r.m.s."
    if within_steps(signal):
        assert signal.step is not None
        spectrum = density(signal, longest_s=1.0, fewest=4)
        lines = _lines(spectrum, LIMIT.line_in_steps_db, _SHAFTS_HZ)
        if lines == "machine":
            return [
                Reason(
                    code="too_weak",
                    text=f"range much too large, or the machine stands: {level} are lost in the recorder's steps of "
                    f"{amount(signal.channel, signal.step)}",
                    remedy=f"Does it run? {smaller_range(signal)}",
                    verdict="rejected",
                )
            ]
    else:
        lines = _lines_in_noise(signal)
        if lines == "mains" and signal.rms >= LIMIT.quiet_m_s2:
            return _open_input(level) if _is_hum(signal) else []
    if lines == "machine":
        return []
    hum = lines == "mains"
    return [
        Reason(
            code="not_running",
            text=f"machine not running: only {'mains hum and ' if hum else ''}the recorder's own noise of {level}",
            remedy="Repeat the measurement while the machine runs; if it did run, swap the cable, then the sensor.",
            verdict="rejected",
        )
    ]


def _open_input(level: str) -> list[Reason]:
    return [
        Reason(
            code="mains_hum",
            text=f"open input: {level} of mains hum and nothing of the machine",
            remedy=SWAP,
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


def _lines_in_noise(signal: Signal) -> _Kind:
    """What stands out of electronic noise; "machine" too where the floor is none: marks 1 and 2."""
    if signal.channel.quantity != "acceleration" or signal.x.size < 4096:
        return "machine"
    loud = signal.rms >= LIMIT.quiet_m_s2
    # Strong hum must not spread over the bins next to it.
    spectrum = density(signal, longest_s=1.0, fewest=8, window=np.blackman if loud else np.hanning)
    top_hz = signal.rate_hz / LIMIT.nyquist_factor
    use = (spectrum.hz >= 2 * _LOWEST_HZ) & (spectrum.hz <= top_hz)
    values = spectrum.values[use]
    if values.size < 4 * _BLOCK or spectrum.averages < 8 or not (values > 0).all():
        return "machine"
    bands = [float(np.median(band)) for band in np.array_split(values, _BANDS)]
    if 10 * np.log10(max(bands) / min(bands)) > LIMIT.white_spread_db:
        return "machine"
    if loud and np.sqrt(np.mean(bands) * top_hz) >= LIMIT.quiet_m_s2:
        return "machine"
    lines = _lines(spectrum, LIMIT.line_db, top_hz, foot_bins=4.5 if loud else 2.5)
    # Loud without a line: slow drift, or a shock; other checks concern them.
    return "machine" if loud and lines == "none" else lines


def _lines(spectrum: Density, over_floor_db: float, top_hz: float, *, foot_bins: float = 2.5) -> _Kind:
    """Mark 3: lines up to ``top_hz``: none, only multiples of one mains frequency, or others.

    The foot of a line is ``foot_bins`` wide, the wider the stronger it is.
    """
    hz, values = spectrum.hz, spectrum.values
    use = (hz >= _LOWEST_HZ) & (hz <= top_hz)
    hz, values = hz[use], values[use]
    if values.size < _BLOCK or not (values > 0).all():
        return "none"
    lines = hz[10 * np.log10(values / _floor(values)) > over_floor_db]
    if not lines.size:
        return "none"
    for mains_hz in LIMIT.mains_hz:
        for off in np.linspace(-LIMIT.rate_error, LIMIT.rate_error, 51):
            base = mains_hz * (1 + off)
            away = np.abs(lines - base * np.maximum(1, np.rint(lines / base)))
            if (away <= foot_bins * spectrum.step_hz).all():
                return "mains"
    return "machine"


def _is_hum(signal: Signal) -> bool:
    """The strongest line is a low multiple of the mains, nearer than the shaft of a loaded motor comes."""
    size = signal.ac.size // 1024 * 1024
    power = np.abs(np.fft.rfft(signal.ac[:size].astype(np.float64) * np.hanning(size))) ** 2
    line_hz = float(power.argmax()) * signal.rate_hz / size
    for mains_hz in LIMIT.mains_hz:
        multiple = max(1, round(line_hz / mains_hz))
        off_hz = abs(line_hz - multiple * mains_hz)
        if multiple <= LIMIT.hum_multiples and off_hz <= LIMIT.hum_off * multiple * mains_hz + signal.rate_hz / size:
            return True
    return False


def _floor(values: Floats) -> Floats:
    """Median of each block of bins, repeated."""
    whole = values[: values.size // _BLOCK * _BLOCK].reshape(-1, _BLOCK)
    medians = np.repeat(np.median(whole, axis=1), _BLOCK)
    return np.concatenate((medians, np.full(values.size - medians.size, medians[-1])))
