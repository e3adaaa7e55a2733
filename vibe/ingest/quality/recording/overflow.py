"""Integer overflow: a recorder that wraps from its highest value to its lowest instead of being cut off there."""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.checks.input_ranges import fits_plan, named_range, planned_in_words
from vibe.ingest.quality.prepared_signal import Signal, amount, percent

_EDGE = 0.06
"""Width of the neighbourhood of an extreme, in half ranges: wide enough for a count, narrow compared with the
signal."""
_UNEQUAL = 0.01
"""The two ends of an integer are equally far from zero, to one part in a hundred once a few samples came near."""
_JUMP = 1.2
"""A wrap moves by nearly two half ranges from one sample to the next; from 1.2 on a jump is worth a look."""
_FEWEST = 8
"""Jumps, and samples at either end, below which chance could show the same (our choice)."""
_SMOOTHER = 0.8
"""Share of the jumps that must vanish when two half ranges are added."""
_CUT_OFF = (0.45, 1.9)
"""Samples next to the ends over those one neighbourhood further in. A wrap goes through the end at speed, so that
both hold alike many: 1. The tail of noise or of ringing falls off, to 0.3 and less; a sine turns there, 2.4; both are
derived, and of 211 measured and simulated channels that were not wrapped none came near with jumps of this kind."""

_TIES = 0.2
"""Share of the samples near an end that lie on it: a cut-off signal has most there, a wrap passes through."""


def overflow(signal: Signal) -> list[Reason]:
    """Values that leave the range at one end and come back at the other.

    Three marks together, none of which needs the recorder's range: both ends are equally far out, the values do not
    thin out towards them, and the jumps from one end to the other vanish when the wrap is undone.
    """
    x = signal.x
    if x.size < 512:
        return []
    top, bottom = float(x.max()), float(x.min())
    half = 0.5 * (top - bottom)
    if half <= 0 or abs(top + bottom) > _UNEQUAL * half:
        return []
    steps = np.abs(np.diff(x))
    jumps = np.flatnonzero(steps > np.float32(_JUMP * half))
    jumps = jumps[(jumps >= 1) & (jumps < x.size - 2)]
    if jumps.size < _FEWEST or not _ends_abruptly(x.astype(np.float64), top, bottom, _EDGE * half):
        return []
    around = x[jumps[:, None] + np.arange(-1, 3)].astype(np.float64)
    undone = around.copy()
    undone[:, 2:] -= 2 * half * np.sign(around[:, 2:3] - around[:, 1:2])
    if float(np.mean(_roughness(undone) < 0.5 * _roughness(around))) < _SMOOTHER:
        return []
    wider = named_range(signal.channel, 4 * half)
    choose = "Use a sensor of lower sensitivity" if wider is None else f"Set the input range to ±{wider[0]}"
    if fits_plan(signal, 4 * half, half):
        choose = f"Set {planned_in_words(signal)}"
    return [
        Reason(
            code="overflow",
            text=f"number overflow: values beyond ±{amount(signal.channel, half)} come back with the other sign, "
            f"{jumps.size:,} times ({percent(jumps.size / x.size)} of all samples): the range is too small, or "
            "the file was converted to too few bits",
            remedy=f"{choose} and repeat the measurement.",
            verdict="rejected",
        )
    ]


def _ends_abruptly(x: np.ndarray, top: float, bottom: float, width: float) -> bool:
    high, low = int((x > top - width).sum()), int((x < bottom + width).sum())
    if int((x == top).sum()) + int((x == bottom).sum()) > _TIES * (high + low):
        return False
    further_in = int((x > top - 2 * width).sum()) - high + int((x < bottom + 2 * width).sum()) - low
    ratio = (high + low) / max(further_in, 1)
    return min(high, low) >= _FEWEST and _CUT_OFF[0] < ratio < _CUT_OFF[1]


def _roughness(around: np.ndarray) -> np.ndarray:
    """Squared second differences over a jump; ``around`` (n, 4)."""
    return np.asarray(np.square(np.diff(around, n=2, axis=1)).sum(axis=1))
