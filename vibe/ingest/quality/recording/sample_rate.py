"""Speed noted and speed found differ: was it read off wrongly, or is the sample rate in the file wrong?

Motors hum at the mains and at twice the mains, whose frequency is known better than any speed. Where that line stands
moved by the very ratio of the two speeds, it is the sample rate; where it stands where it belongs, it is the note.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from vibe.core.capture import Channel
from vibe.ingest.quality.prepared_signal import density, prepare
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

Slip = Literal["rate", "note", "open"]
LEAST = 0.004
"""Relative difference of the two speeds from which on the lines can be distinguished: 0.4 Hz at 100 Hz."""
_NEAR = 0.0015
"""The mains keeps to 0.1 % (common practice); a bin more."""
_OVER_FLOOR = 30.0
"""A line of the mains in power: noise comes so high in no capture (exp(-30))."""


def slip_of(
    channels: Sequence[Channel],
    found_over_noted: float,
    *,
    found_hz: float | None = None,
    mains_hz: Sequence[float] = LIMIT.mains_hz,
) -> Slip:
    """What explains that the speed found is ``found_over_noted`` times the speed noted; "open" where no line shows.

    ``found_hz``: that speed; where a multiple of it lies on the place of a line of the mains, the line proves nothing.
    ``mains_hz``: of the drive's motor, where it is known.
    """
    if abs(found_over_noted - 1) < LEAST:
        return "open"
    moved = stays = False
    for channel in channels:
        if channel.quantity != "acceleration" or channel.duration_s < 4.0:
            continue
        spectrum = density(prepare(channel), longest_s=8.0, window=np.blackman)
        for one_hz in mains_hz:
            for multiple in (1, 2):
                line_hz = multiple * one_hz
                places = (line_hz * found_over_noted, line_hz)
                if found_hz is not None and any(_is_shafts(place, found_hz, spectrum.step_hz) for place in places):
                    continue
                moved |= _stands(spectrum.values, spectrum.step_hz, places[0])
                stays |= _stands(spectrum.values, spectrum.step_hz, places[1])
    return "rate" if moved and not stays else "note" if stays and not moved else "open"


def _is_shafts(line_hz: float, found_hz: float, step_hz: float) -> bool:
    """Whether a multiple of the shaft lies within what is taken for the line."""
    away_hz = abs(line_hz - found_hz * max(1, round(line_hz / found_hz)))
    return away_hz <= _NEAR * line_hz + 3 * step_hz


def _stands(power: np.ndarray, step_hz: float, line_hz: float) -> bool:
    """Whether a sharp line stands within the tolerance of the mains about ``line_hz``."""
    half = max(1, round(_NEAR * line_hz / step_hz))
    centre = round(line_hz / step_hz)
    near = power[centre - half : centre + half + 1]
    around = power[centre - half - 40 : centre + half + 41]
    if near.size == 0 or around.size < 40:
        return False
    peak = centre - half + int(near.argmax())
    # A peak, not the flank of a neighbour.
    top = power[peak] >= power[peak - 1 : peak + 2].max()
    return bool(top and near.max() > _OVER_FLOOR * float(np.median(around)))
