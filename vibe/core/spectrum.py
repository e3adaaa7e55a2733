"""A spectrum that knows its own axis, its unit and whether its values are amplitudes or densities."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """One-sided. ``values`` shape (n,), on an evenly spaced axis from zero in steps of ``step``.

    ``kind``: "peak" and "rms" are amplitudes of a sine in ``unit``; "density" is unit²/Hz (or per order);
    "power" is unit² per bin. ``resolution`` is the width over which two lines merge (window included), which zero
    padding does not improve.
    """

    values: NDArray[np.float32]
    step: float
    axis_unit: Literal["Hz", "order"]
    unit: str
    kind: Literal["peak", "rms", "density", "power"]
    resolution: float

    @property
    def axis(self) -> NDArray[np.float64]:
        return np.arange(self.values.size, dtype=np.float64) * self.step

    def at(self, where: float) -> float:
        """The value at the nearest bin; 0.0 outside the axis."""
        index = round(where / self.step)
        return float(self.values[index]) if 0 <= index < self.values.size else 0.0
