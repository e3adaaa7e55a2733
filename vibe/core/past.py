"""What is kept of a judged capture so that a later one of the same drive can be compared with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import Level, Line


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceBand:
    """A group of bands in which combs are traced, its channels and its edges, and which lines of a comb are counted."""

    channels: tuple[str, ...]
    low_hz: float
    high_hz: float
    lines: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """How high the lines of every comb that was asked for stand, in every group of bands, whether they mean anything
    or not.

    ``over_floor_db`` (tones, bands): amplitude of the envelope's lines over their floor [dB]. It grows by as many
    decibels as the impacts do once they are above the floor, and by fewer below. NaN where no line was free to tell.
    ``turns`` of the input in the capture: longer captures have lower floors.
    """

    tones: tuple[str, ...]
    bands: tuple[TraceBand, ...]
    over_floor_db: NDArray[np.float32]
    turns: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PastCapture:
    """What a judged capture leaves to be compared with. ``measured_at`` and ``load_percent`` None where unknown."""

    sha256: str
    measured_at: datetime | None
    speed_hz: float
    load_percent: float | None
    trace: Trace | None
    levels: tuple[Level, ...]
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """How the lines of one comb changed against the drive's own earlier captures, in the band where it is surest.

    ``growth_db``: amplitude of the lines over the mean of the earlier captures [dB], less what all combs changed by
    alike (``common_db``); the impacts behind them grew by at least as much. ``scatter_db``: one standard deviation of
    the earlier ones. ``chance``: that a capture which belongs to the earlier ones shows such growth in any band.
    """

    tone: str
    growth_db: float
    scatter_db: float
    common_db: float
    captures: int
    chance: float
    band: TraceBand
