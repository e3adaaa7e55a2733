"""A sensor whose sensitivity falls or climbs while it records: all bands by one factor, slowly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Reason

_LEAST_DB = 2.5
"""From one end of the capture to the other: a third more, as a sensitivity is calibrated to a tenth at most (common
practice) and a level of zones is moved by two thirds of a zone's width of 8 dB and more by nothing less."""
_ALIKE = 0.12
"""Scatter of the bands, as a share of what they have in common; a load lifts lines, floors and the sensor's own noise
unlike each other, by several decibels (common practice)."""
_READ_DB = 0.4
"""Scatter that bands have by chance. Derived: a band of 28 bins has 0.8 dB in one window, and a slope through 50
windows 0.8 * sqrt(12 / 50) from end to end."""
_FOLLOWS = 0.8
"""Share of the movement of the common level that one straight line explains."""
_FEWEST_WINDOWS = 30
"""Of which the scatter of a slope is known well enough (our choice)."""


def fading(level_db: NDArray[np.float64] | None) -> list[Reason]:
    """The level of all bands falls together, the sensor's noise with it; ``level_db`` as ``band_levels`` of
    ``gain_step.py`` gives them."""
    if level_db is None or len(level_db) < _FEWEST_WINDOWS:
        return []
    time = np.linspace(-0.5, 0.5, len(level_db))
    slopes_db = time @ (level_db - level_db.mean(axis=0)) / float(time @ time)
    common_db = float(np.median(slopes_db))
    spread_db = float(np.quantile(np.abs(slopes_db - common_db), 0.75))
    if abs(common_db) < _LEAST_DB or spread_db > _READ_DB + _ALIKE * abs(common_db):
        return []
    common = np.median(level_db - level_db.mean(axis=0), axis=1)
    if float(np.square(common - common_db * time).sum()) > (1 - _FOLLOWS) * float(np.square(common).sum()):
        return []
    return [
        Reason(
            code="fading",
            text=f"all bands {'fall' if common_db < 0 else 'rise'} together by {abs(common_db):.0f} dB from the "
            "first to the last second, the sensor's noise too: its sensitivity changes, as in heat or with a wet plug",
            remedy="Let the sensor take the temperature of its place, look whether it may be used at that, dry "
            "the plug and repeat the measurement.",
            verdict="limited",
        )
    ]
