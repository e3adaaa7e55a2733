"""What recorders, cables and mounts make of good samples, at any strength: pure functions on one row of samples.

They share nothing with the checks: each does what the fault does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel

Array = NDArray[np.float64]
_FINER = 4
"""What happens before the recorder's filter is calculated at so many times its rate."""


def with_samples(channel: Channel, samples: Array) -> Channel:
    """``channel`` with other samples; nothing is known any more of the recorder's steps and range."""
    return replace(channel, samples=np.asarray(samples, dtype=np.float32), step=None, full_scale=None)


def overflowed(x: Array, at: float) -> Array:
    """An integer that ends at ``at`` and begins anew at its other end."""
    return np.asarray((x + at) % (2 * at) - at)


def cut_out(x: Array, at: int, size: int) -> Array:
    """``size`` samples that a full buffer could not take, and nobody kept the place of."""
    return np.concatenate((x[:at], x[at + size :]))


def repeated(x: Array, at: int, size: int, first: int | None = None) -> Array:
    """``size`` samples from ``first`` once more in place of those from ``at``; without it, of those right before."""
    begin = at - size if first is None else first
    out = x.copy()
    out[at : at + size] = x[begin : begin + size]
    return out


def filled(x: Array, places: Sequence[int], sizes: Sequence[int], how: Literal["zeros", "holds", "lines"]) -> Array:
    """Packets that never came: what the receiver puts in place of ``sizes`` samples at ``places``."""
    out = x.copy()
    for at, size in zip(places, sizes, strict=True):
        if how == "lines":
            out[at : at + size] = np.linspace(out[at - 1], out[at + size], size)
        else:
            out[at : at + size] = 0.0 if how == "zeros" else out[at - 1]
    return out


def with_hum(
    x: Array, rate_hz: float, line_hz: float, over_rms: float, shares: Mapping[int, tuple[float, float]]
) -> Array:
    """Lines at multiples of ``line_hz``, each with its (share, phase), ``over_rms`` times the r.m.s. of ``x``."""
    time_s = np.arange(x.size) / rate_hz
    wave = sum(h * np.sin(2 * np.pi * line_hz * k * time_s + phase) for k, (h, phase) in shares.items())
    return np.asarray(x + over_rms * float(x.std()) * wave)


def integrated(x: Array, rate_hz: float) -> Array:
    """Velocity [mm/s] of an acceleration ``x`` [m/s²], from 2 Hz on."""
    lines, hz = np.fft.rfft(x - x.mean()), np.fft.rfftfreq(x.size, 1 / rate_hz)
    over = np.divide(-1j, 2 * np.pi * hz, out=np.zeros(hz.size, dtype=complex), where=hz > 2)
    return np.asarray(1e3 * np.fft.irfft(lines * over, x.size))


def on_spring(x: Array, rate_hz: float, rings_hz: float, damping: float) -> Array:
    """What a sensor on a soft mount feels: transmissibility of one degree of freedom."""
    r = np.fft.rfftfreq(x.size, 1 / rate_hz) / rings_hz
    passed = (1 + 2j * damping * r) / (1 - r**2 + 2j * damping * r)
    return np.asarray(np.fft.irfft(np.fft.rfft(x) * passed, x.size))


def high_passed(x: Array, rate_hz: float, corner_hz: float) -> Array:
    """A recorder whose high-pass (Butterworth, second order) is set too high."""
    from scipy.signal import butter, sosfilt

    return np.asarray(sosfilt(butter(2, corner_hz, "highpass", fs=rate_hz, output="sos"), x))


def slewed(x: Array, share: float) -> Array:
    """An amplifier that cannot follow: its output climbs and falls at ``share`` of the steepest slope of ``x`` at most.

    It does so before the recorder's filter, so it is calculated at four times the rate.
    """
    from scipy.signal import resample_poly

    fine = resample_poly(x, _FINER, 1)
    most = share * float(np.abs(np.diff(fine)).max(initial=0.0))
    out, at = np.empty_like(fine), float(fine[0]) if fine.size else 0.0
    for place, wanted in enumerate(fine.tolist()):
        at += min(max(wanted - at, -most), most)
        out[place] = at
    return np.asarray(resample_poly(out, 1, _FINER)[: x.size])


def keyed(
    x: Array, rate_hz: float, frames_hz: float, slots: int, height: float, bursts: Sequence[tuple[float, float]]
) -> Array:
    """A radio that sends in one of ``slots`` of every frame, ``height`` high where a cable or amplifier rectifies it.

    ``bursts``: begin and length of each [s]. What is rectified passes the recorder's filter.
    """
    from scipy.signal import resample_poly

    time_s = np.arange(x.size * _FINER) / (_FINER * rate_hz)
    sent = np.zeros(time_s.size)
    for begin_s, length_s in bursts:
        inside = (time_s >= begin_s) & (time_s < begin_s + length_s)
        sent[inside] = ((time_s[inside] - begin_s) * frames_hz) % 1.0 < 1.0 / slots
    return np.asarray(x + height * resample_poly(sent, 1, _FINER)[: x.size])


def switched(x: Array, at: int, factor: float) -> Array:
    """A range that is switched while the recorder runs, and a file that knows one factor only."""
    out = x.copy()
    out[at:] *= factor
    return out


def copied(x: Array, rng: np.random.Generator, gain: float = 1.0) -> Array:
    """The same sensor on a second input: its samples with the noise of that input."""
    return gain * x + 1e-4 * float(x.std()) * rng.standard_normal(x.size)
