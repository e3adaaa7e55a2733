"""How alike neighbouring captures are, and how many independent ones they are worth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def autocorrelation(residual: Array) -> float | None:
    """Correlation of neighbouring residuals (n,), with its small-sample bias mended; None below 6 values.

    The plain estimate is too low by (1 + 4 r) / n: Marriott & Pope, Biometrika 41 (1954) 390-402, from memory.
    """
    n = residual.size
    power = float(residual @ residual)
    if n < 6 or power <= 0.0:
        return None
    plain = float(residual[1:] @ residual[:-1]) / power
    return float(np.clip(plain + (1.0 + 4.0 * plain) / n, -0.9, 0.9))


def effective_count(n: int, alike: float | None, *, fewest: float = 3.0) -> float:
    """How many independent values a mean of ``n`` is worth: n (1 - r) / (1 + r) for a first-order process.

    Counted only where r is positive beyond one standard error 1/sqrt(n): weaker correlation cannot be distinguished
    from none.
    """
    if alike is None or alike <= 1.0 / np.sqrt(n):
        return float(n)
    return float(np.clip(n * (1.0 - alike) / (1.0 + alike), fewest, n))
