"""The transform of a Hann window, for what its main lobe parts."""

from __future__ import annotations

from math import pi, sin


def hann_transform(x: float) -> float:
    """W(x), 1 at the line itself; ``x`` in bins."""
    if abs(x) < 1e-6:
        return 1.0
    if abs(abs(x) - 1.0) < 1e-6:
        return 0.5
    return sin(pi * x) / (pi * x) / (1.0 - x * x)
