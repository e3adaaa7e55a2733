"""Evidence as it is asked for while somebody looks: plain rows of numbers with an axis, a unit and a title."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.records.history import Event

RowsKind = Literal["spectrum", "waveform", "turn", "cascade"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowOf:
    """The capture that a row is of."""

    content: str
    drive: str
    measured_at: datetime
    kept: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvidenceRows:
    """Rows on one axis of equal steps.

    ``values`` float32, read-only: a spectrum or a turn (n,); a waveform (2, n), least and greatest of each cell; a
    cascade (captures, n), oldest first, with their ``rows``. NaN where nothing is known. Value k stands at
    ``x0 + k dx`` in ``x_unit``; ``unit`` and ``y_name`` say what is drawn. ``remarks`` are sentences that belong under
    the picture. ``etag`` names the content: equal for equal questions about the same captures.

    A turn begins with part 1 at angle 0 and has the parts that stand out in ``marked``, counted from 1,
    each give or take ``within`` parts.
    """

    kind: RowsKind
    title: str
    values: NDArray[np.float32]
    x0: float
    dx: float
    x_name: str
    x_unit: str
    y_name: str
    unit: str
    etag: str
    rows: tuple[RowOf, ...]
    remarks: tuple[str, ...] = ()
    count: int = 0
    """Parts on one turn; 0 of what is no turn."""
    marked: tuple[int, ...] = ()
    within: int = 0
    part: str = ""

    def __post_init__(self) -> None:
        if self.values.dtype != np.float32:
            raise ValueError(f"rows are float32, not {self.values.dtype}")
        self.values.flags.writeable = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesRows:
    """How one measure went over the years, oldest first; all arrays (n,).

    ``time_s`` float64 counts from 1970 (UTC); ``speed_hz`` and ``load_percent`` are NaN where unknown; ``accepted`` is
    False of captures that count for no baseline. ``rejected_s`` (m,) are times of captures that gave no value at all,
    and ``events`` what was done to the drive.
    """

    title: str
    drive: str
    point: str
    measure: str
    subject: str
    unit: str
    time_s: NDArray[np.float64]
    values: NDArray[np.float32]
    speed_hz: NDArray[np.float32]
    load_percent: NDArray[np.float32]
    accepted: NDArray[np.bool_]
    content: tuple[str, ...]
    rejected_s: NDArray[np.float64]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SidebandMark:
    """Where lines are expected on either side of a tone's harmonics, and why."""

    order: float
    hz: float | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneMark:
    """A tone of the drive for a cursor; ``hz`` at the speed of one capture, None where that is not known."""

    id: str
    words: str
    made_by: str
    family: str
    order: float
    order_exact: str | None
    hz: float | None
    slip: tuple[float, float]
    sidebands: tuple[SidebandMark, ...]
    part: str = ""
    """What its turn carries, where a capture can be laid on one: ``turn`` may be asked for this tone."""
    count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PointOf:
    """A point of a capture: what may be asked of it. ``sample_rate_hz`` is None where samples were thinned away."""

    name: str
    quantity: str
    sample_rate_hz: float | None
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundFile:
    """A band as sound: a WAV file of 16 bits, one channel."""

    title: str
    wav: bytes
    duration_s: float
    moved_down_hz: float
    etag: str
