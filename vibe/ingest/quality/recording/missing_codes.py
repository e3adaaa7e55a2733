"""A converter that leaves out values: a bit that is stuck makes gaps in the middle of all that it reads."""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal, amount
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_MIDDLE = (0.1, 0.9)
"""Quantiles between which no value that a vibration passes may be missing."""
_EXPECTED = 60.0
"""Samples that a gap would hold if it were filled as its neighbourhood is: none by chance in ``exp(-60)``, and still
none where a few samples in a row are one reading."""
_STEPS = 4.0
"""Steps of the recorder that a gap is wide at least: a stuck bit leaves out as many as it is worth, and from four on no
fault of the steps themselves does (our choice)."""
_FEWEST = 8_192
"""Samples, so that a gap that matters would hold dozens of them."""
_FEWEST_VALUES = 24
"""Different values among them: of fewer, gaps are the rule."""
_MOST = 65_536
"""Samples that are looked at, for the sake of time."""
_FIRST_LOOK = 0.8
"""Of the gap looked for, its place and width known by fewer samples: the smallest that these must have (derived: a few
thousand know the spread of the middle to some per cent)."""


def missing_codes(signal: Signal) -> list[Reason]:
    """A gap among the middle values, several steps wide, that would hold dozens of samples."""
    if signal.x.size < _FEWEST or signal.missing > 0 or signal.rms == 0:
        return []
    if not _may_have(signal):
        return []
    values = np.sort(signal.x[:: max(1, signal.x.size // _MOST)]).astype(np.float64)
    low, high = (int(share * values.size) for share in _MIDDLE)
    middle = values[low:high]
    begins = np.append(0, np.flatnonzero(np.diff(middle)) + 1)
    kept, counts = middle[begins], np.diff(begins, append=middle.size)
    if kept.size < _FEWEST_VALUES or middle[-1] <= middle[0]:
        return []
    gaps = np.diff(kept)
    usual = max(signal.step or 0.0, float(np.median(gaps)))
    dense = middle.size / float(middle[-1] - middle[0])
    wide = gaps > max(_STEPS * usual, _EXPECTED / dense)
    # One gap may part two states of a signal; a bit leaves many, and all of one width.
    if not wide.any() or int(counts.max()) > 0.2 * middle.size:
        return []
    width, count = float(np.median(gaps[wide])), int(wide.sum())
    return [
        Reason(
            code="missing_codes",
            text=f"{count} gap{'' if count == 1 else 's'} of {amount(signal.channel, width)} among its middle values, "
            "which a vibration cannot leap over: a bit of the recorder's converter is stuck",
            remedy="Record with another input or another recorder, and have this one repaired.",
            verdict="limited" if width * LIMIT.steps_limited > signal.rms else "usable",
        )
    ]


def _may_have(signal: Signal) -> bool:
    """Whether the samples that are in order already have a gap that is nearly as wide: one that nothing fills is one in
    any of them."""
    edge = int(0.9 * _MIDDLE[0] * signal.ranked.size)  # of fewer samples a quantile is known less closely
    wider = signal.ranked[edge : signal.ranked.size - edge]
    low, high = (signal.ranked[int(share * signal.ranked.size)] for share in _MIDDLE)
    looked_at = signal.x[:: max(1, signal.x.size // _MOST)].size
    dense = (_MIDDLE[1] - _MIDDLE[0]) * looked_at / max(float(high) - float(low), 1e-30)
    return bool(float(np.diff(wider).max()) > _FIRST_LOOK * _EXPECTED / dense)
