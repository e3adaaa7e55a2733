"""Curves of one channel at full resolution, as rows of numbers: what a caller draws or computes with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.spectra.analysis import group_of
from vibe.spectra.signal_analysis import BandAnalysis, SignalAnalysis

LOWEST_HZ = 2.0
"""Velocity below it is mostly the integrated floor of the sensor: where reports begin too."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EnvelopeCurve:
    """One group of bands: ``order`` (n,) events per input turn; ``percent`` (n,) amplitude of each line relative to the
    mean of the squared envelope, ``floor_percent`` (n,) where nothing is; ``band_hz`` and ``channels`` of the group."""

    order: NDArray[np.float64]
    percent: NDArray[np.float64]
    floor_percent: NDArray[np.float64]
    band_hz: tuple[float, float]
    channels: tuple[str, ...]


def envelope_curve(
    reading: SignalAnalysis,
    channel: str,
    *,
    comb: CombEvidence | None = None,
    band_hz: tuple[float, float] | None = None,
) -> EnvelopeCurve:
    """The envelope spectrum in the band of ``comb``, in the group of bands of ``channel`` nearest to ``band_hz``, or
    else in all bands of ``channel``.

    Raises:
        LookupError: there is no band of that channel.
    """
    if comb is not None:
        look, group = group_of(reading.looks, comb)
    else:
        look, group = _nearest(reading.looks, channel, band_hz)
    spectra = look.spectra
    last = min(spectra.squared.shape[1], int(spectra.top_order / spectra.step) + 1)
    return EnvelopeCurve(
        order=spectra.orders[1:last].copy(),
        percent=100.0 * np.sqrt(spectra.squared[group, 1:last]).astype(np.float64),
        floor_percent=100.0 * np.sqrt(spectra.floor[group, 1:last].astype(np.float64)),
        band_hz=(float(spectra.low_hz[group]), float(spectra.high_hz[group])),
        channels=tuple(dict.fromkeys(look.bands[row].channel for row, _ in spectra.members[group])),
    )


def _nearest(
    looks: Sequence[BandAnalysis], channel: str, band_hz: tuple[float, float] | None
) -> tuple[BandAnalysis, int]:
    best: tuple[float, BandAnalysis, int] | None = None
    for look in looks:
        for group, members in enumerate(look.spectra.members):
            if {look.bands[row].channel for row, _ in members} != {channel}:
                continue
            low, high = float(look.spectra.low_hz[group]), float(look.spectra.high_hz[group])
            away = -(high - low) if band_hz is None else abs(low - band_hz[0]) + abs(high - band_hz[1])
            if best is None or away < best[0]:
                best = (away, look, group)
    if best is None:
        raise LookupError(f"no band of {channel!r}")
    return best[1], best[2]


def line_spectrum(reading: SignalAnalysis, channel: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequency [Hz], (n,), and r.m.s. acceleration per bin [m/s²], (n,), on an axis that follows the shaft.

    Raises:
        LookupError: the channel was not analysed.
    """
    spectrum = next((one for one in reading.spectra if one.channel == channel), None)
    if spectrum is None:
        raise LookupError(f"no spectrum of {channel!r}")
    start = max(1, int(np.ceil(LOWEST_HZ / spectrum.bin_hz)))
    frequency_hz: NDArray[np.float64] = np.arange(start, spectrum.power.size, dtype=np.float64) * spectrum.bin_hz
    acceleration_m_s2: NDArray[np.float64] = np.sqrt(spectrum.power[start:], dtype=np.float64)
    return frequency_hz, acceleration_m_s2


def velocity_mm_s(frequency_hz: NDArray[np.float64], acceleration_m_s2: NDArray[np.float64]) -> NDArray[np.float64]:
    """r.m.s. velocity [mm/s] of lines of acceleration at frequencies above 0: v = a / (2 pi f)."""
    return acceleration_m_s2 / (2.0 * np.pi * frequency_hz) * 1e3
