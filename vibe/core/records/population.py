"""A type's drives, each measured when it was new: how alike they are, which are not, and whether production drifts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

POPULATION_SCHEMA = "vibe.population/1"
Course = Literal["cannot be told yet", "steady", "growing", "falling", "stepped up", "stepped down"]


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class FigureKey:
    """What was measured of every drive. ``measure`` says how, ``point`` where ("" for the drive as a whole),
    ``subject`` of what: a tone, a line, a requirement; "" for a broad-band level."""

    measure: str
    point: str
    subject: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """A figure of one drive that chance hardly makes.

    ``spreads``: how many standard deviations of the other drives it lies off its expected value, with its sign;
    ``chance``: of one so far off in a whole population of sound ones, all its drives and figures counted in.
    """

    serial: str
    file: str
    figure: FigureKey
    value: float
    expected: float
    spreads: float
    chance: float
    points_to: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What production did over time. ``per_month`` is in dB or the figure's unit, as ``scale`` says; else None."""

    state: Course
    note: str
    per_month: float | None
    low: float | None
    high: float | None
    changes: tuple[tuple[float, str, float], ...]
    """(time of the first drive after it, s since 1970; ``step`` or ``bend``; its size)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureSpread:
    """One figure over all drives. ``tolerance`` is the interval that holds the content with the confidence stated.

    ``quantiles``: least, 5 %, 25 %, 50 %, 75 %, 95 %, greatest, in the unit of the figure, outliers left out.
    ``strip``: (time, value) of at most a few hundred drives for a picture, evenly picked, oldest first; outliers are
    in ``outliers``.
    """

    figure: FigureKey
    scale: Literal["dB", "linear"]
    n: int
    tolerance: tuple[float, float] | None
    method: Literal["normal", "distribution-free", "cannot be told"]
    note: str
    quantiles: tuple[float, ...]
    spread: float | None
    drift: Drift
    outliers: int
    strip: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """All figures of a type, those with outliers or drift first, and the outliers, the farthest first."""

    title: str
    drives: int
    records: int
    figures: tuple[FigureSpread, ...]
    outliers: tuple[Outlier, ...]
    false_alarm_rate: float
    """Chance that a population of sound drives whose figures are normal has any outlier."""
    content: float
    confidence: float
    left_out: tuple[tuple[str, str], ...]
    """(file, why)."""
    remarks: tuple[str, ...]
    first_s: float | None
    last_s: float | None
    software: str
