"""Spectra of a capture thinned for keeping: the greatest value in each cell, so that no line is ever lost."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.records.history import ArchivedSpectrum
from vibe.spectra.signal_analysis import BandAnalysis, SignalAnalysis

MOST_CELLS = 4000
"""As many as a screen can show twice over; three spectra of a point take some 50 kB (our choice)."""
VELOCITY_FROM_HZ, VELOCITY_TO_HZ = 2.0, 1000.0
"""Below, integration shows the sensor's drift; above, velocity says nothing that acceleration does not show better."""


def archived_spectra(reading: SignalAnalysis) -> tuple[ArchivedSpectrum, ...]:
    """Of every point: acceleration [m/s²] and velocity [mm/s], r.m.s. per line against frequency (on an axis that
    follows the shaft); and the envelope's power over its floor against order, all bands of the point together."""
    found: list[ArchivedSpectrum] = []
    for spectrum in reading.spectra:
        lines = np.sqrt(spectrum.power)
        found.append(_kept(spectrum.channel, "acceleration", "Hz", lines, spectrum.bin_hz))
        last = min(lines.size, int(VELOCITY_TO_HZ / spectrum.bin_hz) + 1)
        hz = np.arange(last) * spectrum.bin_hz
        velocity = np.zeros(last)
        above = hz >= VELOCITY_FROM_HZ
        velocity[above] = 1e3 * lines[:last][above] / (2.0 * np.pi * hz[above])
        found.append(_kept(spectrum.channel, "velocity", "Hz", velocity, spectrum.bin_hz))
    return (*found, *(_envelopes(reading.looks[0]) if reading.looks else ()))


def _envelopes(look: BandAnalysis) -> list[ArchivedSpectrum]:
    found = []
    for number, band in enumerate(look.bands):
        all_bands = tuple((number, row) for row in range(band.power.shape[0]))
        if all_bands in look.spectra.members:
            power = look.spectra.power[look.spectra.members.index(all_bands)]
            found.append(_kept(band.channel, "envelope", "order", power, look.spectra.step))
    return found


def _kept(point: str, kind: Any, axis: Any, values: NDArray[np.floating], step: float) -> ArchivedSpectrum:
    size = max(1, -(-values.size // MOST_CELLS))
    whole = np.zeros(-(-values.size // size) * size, dtype=np.float32)
    whole[: values.size] = values
    return ArchivedSpectrum(
        point=point, kind=kind, axis=axis, step=step * size, top=whole.reshape(-1, size).max(axis=1)
    )
