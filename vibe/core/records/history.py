"""What is kept of captures over the years, and what people decided about them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.comb_history import PastCapture

Kept = Literal["accepted", "limited", "rejected"]
"""How good a capture was. Baselines are made of accepted ones only."""

MEASURES: dict[str, str] = {
    "velocity_rms": "mm/s",
    "acceleration_rms": "m/s²",
    "acceleration_peak": "m/s²",
    "crest_factor": "",
    "kurtosis": "",
    "line": "mm/s",
    "hit": "m/s²",
    "hit_over_floor": "dB",
    "share": "(m/s²)²",
    "speed": "Hz",
    "load": "%",
}
"""Measures that the program itself makes, and their units; a series of any other name may be kept too. ``line`` is the
r.m.s. velocity of a line by its name, ``hit`` and ``hit_over_floor`` the size of a tone's impacts, ``share`` the mean
square of acceleration that one owner causes (mesh, pins, a bearing, ...)."""

SHORT = "_short"
"""What the measures end in that captures too short for any diagnosis still give: levels that are compared with those of
other such captures, and with nothing else."""

EventKind = Literal["grease", "bearing change", "realignment", "repair", "new drive", "other"]
Verdict = Literal[
    "confirmed", "not-a-fault", "sensor", "operating-condition", "recheck", "out-of-service", "withdrawn", "note",
    "assigned",
]  # fmt: skip
"""``out-of-service``: the drive does not run, ask again on the day given. ``withdrawn`` takes back the decision that
``withdraws`` names; both stay in the record. ``note`` and ``assigned`` decide nothing (``REMARKS``)."""
REMARKS = ("note", "assigned")
"""Words for the record, and who has a case in hand."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class SeriesKey:
    """One series: a measure at a point of a drive. ``point`` is "" where it belongs to the drive as a whole;
    ``subject`` is the tone, line or owner that it concerns, "" for a broad-band level."""

    drive: str
    point: str
    measure: str
    subject: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One number of one capture."""

    point: str
    measure: str
    value: float
    unit: str
    subject: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArchivedSpectrum:
    """A spectrum thinned for keeping: ``top`` (n,) is the greatest r.m.s. value in each cell of equal width.

    ``kind``: acceleration [m/s²] or velocity [mm/s] per line, against frequency; envelope [-], power over its floor,
    against order. ``step`` is the width of a cell in Hz or orders, the first cell begins at 0.
    """

    point: str
    kind: Literal["acceleration", "velocity", "envelope"]
    axis: Literal["Hz", "order"]
    step: float
    top: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """One capture as it is kept. ``content`` is the hash of the file's bytes: a second delivery changes nothing.

    ``health`` is the JSON of the report that was made of this capture, with what earlier ones had left.
    """

    content: str
    drive: str
    file: str
    measured_at: datetime
    duration_s: float
    kept: Kept
    speed_hz: float | None
    speed_uncertainty_hz: float | None
    load_percent: float | None
    values: tuple[Value, ...]
    spectra: tuple[ArchivedSpectrum, ...]
    health: str
    software: str
    past: PastCapture | None = None
    """What later captures of the drive are compared with; None of those that were kept before there was such a thing,
    and where nothing was analysed."""

    def __post_init__(self) -> None:
        if self.measured_at.tzinfo is None:
            raise ValueError(f"{self.file}: a kept capture needs a time with its offset from UTC")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """A series as it is asked for, oldest first; all arrays (n,).

    ``time_s`` counts from 1970 (UTC); ``speed_hz`` and ``load_percent`` are NaN where unknown.
    """

    key: SeriesKey
    unit: str
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    speed_hz: NDArray[np.float64]
    load_percent: NDArray[np.float64]
    accepted: NDArray[np.bool_]
    content: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something was done to a drive. With ``new_baseline`` what was measured before no longer says what is usual."""

    drive: str
    at: datetime
    kind: EventKind
    note: str = ""
    by: str = ""
    new_baseline: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What somebody decided about an alarm, for good.

    ``owner`` has the work in hand, which is ``due`` by then; ``work_order`` is the text of the order. ``recheck_by``:
    ask again on that day. ``number`` is the decision's own, None until it is stored. ``after``: the number of the
    decision that this one follows and whose maker was shown; ``withdraws``: the number of the one that it takes back.
    ``stood`` is JSON: how the alarm stood when it was decided.
    """

    alarm: str
    verdict: Verdict
    because: str
    by: str
    at: datetime
    recheck_by: datetime | None = None
    owner: str = ""
    due: datetime | None = None
    work_order: str = ""
    after: int | None = None
    withdraws: int | None = None
    number: int | None = field(default=None, compare=False)
    stood: str = ""

    @property
    def ask_again(self) -> datetime | None:
        """The earlier of the two dates on which somebody must look again; None where there is neither."""
        return min((day for day in (self.due, self.recheck_by) if day is not None), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredDrive:
    """A drive of the store, counted up. ``state`` is what its last capture alone said; times are None without any."""

    tag: str
    kind: str
    captures: int
    accepted: int
    first: datetime | None
    last: datetime | None
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveVersion:
    """One text of a drive's file, and since when it was used."""

    number: int
    added_at: datetime
    kind: str
    toml: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCapture:
    """A capture of the store without its values. ``waveform``: its samples are there, were thinned away, or lost."""

    content: str
    drive: str
    file: str
    measured_at: datetime
    time_s: float
    duration_s: float
    kept: Kept
    state: str
    speed_hz: float | None
    speed_uncertainty_hz: float | None
    load_percent: float | None
    software: str
    waveform: Literal["kept", "thinned", "lost"]
    added_at: datetime | None = field(default=None, compare=False)

    @property
    def id(self) -> str:
        """What the store knows it by: ``content``."""
        return self.content


@dataclass(frozen=True, slots=True, kw_only=True)
class Latest:
    """The last value of a series. ``time_s`` counts from 1970 (UTC)."""

    key: SeriesKey
    unit: str
    time_s: float
    value: float
    content: str
    kept: Kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """How many values a series has, and between which values and times it runs. Times count from 1970 (UTC)."""

    key: SeriesKey
    unit: str
    count: int
    least: float
    greatest: float
    first_s: float
    last_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFinding:
    """A finding of one capture's own report."""

    drive: str
    content: str
    time_s: float
    tone: str | None
    component: str
    defect: str
    probability: float | None
    severity: str | None
    weak_sign: bool = False
    """Too improbable to set the state of its report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAlarm:
    """An alarm as it was recorded; ``facts`` is JSON of whoever raised it, ``closed_at`` None while it is open."""

    id: str
    drive: str
    cause: str
    opened_at: datetime
    closed_at: datetime | None
    facts: str
