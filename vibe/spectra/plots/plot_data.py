"""What was measured, thinned to what a picture can hold. Words come from the caller."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence, Mark, PolarPlot, SpectrumPlot, WaveformPlot
from vibe.spectra.analysis import group_of
from vibe.spectra.basic.fft import irfft, rfft
from vibe.spectra.basic.wavelet_packets import band_kurtosis
from vibe.spectra.envelope.synchronous_average import Turn
from vibe.spectra.signal_analysis import SignalAnalysis

MOST_POINTS = 8000
"""About four a pixel of a wide screen; more only make pages heavier."""


def thinned(
    x: NDArray[np.floating], y: NDArray[np.floating], points: int = MOST_POINTS
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """At most ``points`` of a curve, the largest of each segment: lines are never lost."""
    if x.size <= points:
        return x.astype(np.float32), y.astype(np.float32)
    size = int(np.ceil(x.size / points))
    whole = x.size // size * size
    block = y[:whole].reshape(-1, size)
    top = block.argmax(axis=1) + np.arange(block.shape[0]) * size
    return x[top].astype(np.float32), y[top].astype(np.float32)


def comb_plot(
    reading: SignalAnalysis, comb: CombEvidence, marks: Sequence[Mark], *, title: str, caption: str, highest: float
) -> SpectrumPlot:
    """Envelope spectrum of the bands that showed a comb, up to order ``highest``, with its floor."""
    look, group = group_of(reading.looks, comb)
    envelope = look.spectra
    last = min(envelope.squared.shape[1], int(min(highest, envelope.top_order) / envelope.step) + 1)
    percent = 100.0 * np.sqrt(envelope.squared[group, :last]).astype(np.float64)
    floor = 100.0 * np.sqrt(envelope.floor[group, :last].astype(np.float64))
    x = envelope.orders[:last]
    start = max(1, int(0.05 / envelope.step))
    thin_x, thin_y = thinned(x[start:], percent[start:])
    return SpectrumPlot(
        title=title,
        caption=caption,
        x=thin_x,
        y=thin_y,
        x_label="Order [events per input turn]",
        y_label="Envelope modulation [% of mean power]",
        floor=np.interp(thin_x, x, floor).astype(np.float32),
        marks=tuple(marks),
    )


def velocity_plot(
    reading: SignalAnalysis, channel: str, marks: Sequence[Mark], *, title: str, caption: str, highest_hz: float
) -> SpectrumPlot:
    """r.m.s. velocity against frequency from 2 Hz up, logarithmic."""
    spectrum = next(s for s in reading.spectra if s.channel == channel)
    last = min(spectrum.power.size, int(highest_hz / spectrum.bin_hz) + 1)
    start = max(1, int(2.0 / spectrum.bin_hz))
    x = np.arange(start, last) * spectrum.bin_hz
    velocity = np.sqrt(spectrum.power[start:last]) / (2 * np.pi * x) * 1e3
    thin_x, thin_y = thinned(x, velocity)
    return SpectrumPlot(
        title=title,
        caption=caption,
        x=thin_x,
        y=np.maximum(thin_y, np.float32(1e-7)),
        x_label="Frequency [Hz]",
        y_label="Velocity r.m.s. [mm/s]",
        marks=tuple(marks),
        log_y=True,
    )


def packet_plot(reading: SignalAnalysis, channel: str, *, title: str, caption: str) -> SpectrumPlot:
    """Excess kurtosis of one channel by wavelet-packet band, and what noise alone rarely exceeds."""
    samples, rate = reading.samples[channel]
    centres, values, error = band_kurtosis(samples, rate)
    return SpectrumPlot(
        title=title,
        caption=caption,
        x=centres.astype(np.float32),
        y=values.astype(np.float32),
        x_label="Frequency [Hz]",
        y_label="Excess kurtosis",
        floor=np.full(centres.size, 4 * error, dtype=np.float32),
    )


def polar_plot(
    turn: Turn, *, part: str, count: int, peaks_deg: Sequence[float], absolute: bool, title: str, caption: str
) -> PolarPlot:
    """One turn of a body with its parts; the parts under the peaks are marked."""
    angle_deg, level = turn.at_parts(count)
    level = level - np.median(level)
    return PolarPlot(
        title=title,
        caption=caption,
        part=part,
        count=count,
        angle_deg=angle_deg.astype(np.float32),
        level=(level / max(float(level.max()), 1e-9)).astype(np.float32),
        marked=tuple(dict.fromkeys(round(angle / 360.0 * count) % count for angle in peaks_deg)),
        absolute=absolute,
    )


def waveform_plot(
    reading: SignalAnalysis,
    comb: CombEvidence,
    *,
    title: str,
    caption: str,
    repeats: float = 8.0,
    columns: int = 1500,
) -> WaveformPlot:
    """Some repeats of the signal in the comb's band, where it is loudest, thinned to its extremes."""
    channel = comb.channels[0]
    samples, rate = reading.samples[channel]
    n = samples.size
    spectrum = rfft(samples, n)
    bins = np.arange(spectrum.size) * rate / n
    spectrum[(bins < comb.band_hz[0]) | (bins > comb.band_hz[1])] = 0
    row = irfft(spectrum, n).astype(np.float32)
    length = int(min(n, max(64, repeats / (comb.order * reading.law.mean_hz) * rate)))
    energy = np.concatenate([[0.0], np.cumsum(row.astype(np.float64) ** 2)])
    start = int((energy[length:] - energy[:-length]).argmax()) if n > length else 0
    piece = row[start : start + length]
    size = max(1, length // columns)
    whole = piece.size // size * size
    block = piece[:whole].reshape(-1, size)
    time = (start + np.arange(block.shape[0]) * size) / rate
    return WaveformPlot(
        title=title,
        caption=caption,
        time_s=time.astype(np.float32),
        low=block.min(axis=1),
        high=block.max(axis=1),
        y_label="Acceleration [m/s²]",
    )
