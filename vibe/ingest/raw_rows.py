"""What a file holds before anything is made of it: rows of numbers, with what the file says of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray


class Row(Protocol):
    """Numbers that may still lie in the file: an array, or whatever gives one for a slice of itself."""

    @property
    def size(self) -> int: ...

    @property
    def dtype(self) -> np.dtype[Any]: ...

    def __getitem__(self, piece: slice, /) -> NDArray[Any]:
        """The numbers of a slice with step 1."""
        ...


@dataclass(frozen=True, kw_only=True, eq=False)
class RawChannel:
    """One row of numbers as the file holds it, with what the file says of it."""

    name: str
    samples: Row
    sample_rate_hz: float | None = None
    unit: str | None = None
    quantity: str | None = None
    scale: float | None = None
    offset: float | None = None
    sensitivity_mv_per_g: float | None = None
    pulses_per_rev: float | None = None
    axis: str | None = None
    full_scale: float | None = None
    step: float | None = None
    recorded_unit: str | None = None
    counts_full: float | None = None
    """Largest number of the recorder where the format fixes it (a WAV of n bits: 2^(n-1)); needs calibration."""
    shares: bool = False
    """Numbers from -1 to 1 stand for shares of a full scale where one is given (a WAV of floats)."""
    promised: int | None = None
    """Samples that the file's header concerns."""
    trouble: str | None = None
    """Why this channel cannot be used, where the reader knows."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RawCapture:
    """All that one file holds."""

    channels: Sequence[RawChannel]
    drive: str | None = None
    measured_at: datetime | str | None = None
    speed_rpm: float | None = None
    load_percent: float | None = None
    remarks: Sequence[str] = field(default_factory=tuple)
