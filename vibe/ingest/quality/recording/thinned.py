"""Samples that software left out at equal steps and filled up by straight lines: the rate is less than the file
says."""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_STEPS = range(2, 17)
"""One sample kept of so many: what a careless export does (common practice)."""
_LOOKED_AT = 65_536
"""Samples, for the sake of time."""


def thinned(signal: Signal) -> list[Reason]:
    """Bends at every second, third ... sample alone, and mere rounding between."""
    x = signal.x[:_LOOKED_AT].astype(np.float64)
    if signal.missing > 0 or x.size < 64 * _STEPS[-1]:
        return []
    grain = max(signal.step or 0.0, 2 * float(np.spacing(np.float32(np.abs(x).max()))))
    bend = np.abs(np.diff(x, 2))
    if np.count_nonzero(bend <= 2.1 * grain) < 0.4 * bend.size:
        return []
    for step in _STEPS:
        columns = np.sort(np.quantile(bend[: bend.size // step * step].reshape(-1, step), 0.5, axis=0))
        if columns[-1] > LIMIT.line_grains * grain and columns[-2] <= 2.1 * grain:
            true_hz = signal.rate_hz / step
            return [
                Reason(
                    code="thinned",
                    text=f"only one sample in {step} was measured, at {true_hz:.6g} Hz: straight lines fill the rest, "
                    "and what lies above half of that rate is folded down",
                    remedy="Record at the full rate, or with a filter that fits the lower one, and repeat the "
                    "measurement.",
                    verdict="rejected",
                )
            ]
    return []
