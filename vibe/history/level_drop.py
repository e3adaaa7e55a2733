"""A level that fell far below the drive's own earlier captures: a weaker signal is not more health."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log10
from statistics import median


def fall_db(now: Mapping[str, float], earlier: Sequence[Mapping[str, float]]) -> float | None:
    """By how much [dB] values fell, the median over all that are there now and in any earlier capture, each against the
    median of the earlier ones; negative where they rose. None where nothing can be compared."""
    falls = []
    for name, value in now.items():
        before = [one[name] for one in earlier if one.get(name, 0.0) > 0.0]
        if before and value > 0.0:
            falls.append(20.0 * log10(median(before) / value))
    return median(falls) if falls else None
