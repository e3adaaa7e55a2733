"""What is kept of a judged capture so that a later one of the same drive can be compared with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import Level, Line

LEAST_DB, STEP_DB, NOTHING = -20.0, 0.4, 255
"""Levels of lines are kept in one byte each, -20 to 81 dB over the floor; rounding moves a line by 0.1 dB r.m.s., noise
by 5.6 dB."""
HARMONICS = 32
"""Places for harmonics in a trace; those for side lines follow."""
SIDE_LINES_OF = 4
"""Harmonics whose predicted side lines have places."""
SPACINGS = 2
"""Spacings of side lines, each on both sides of a harmonic."""
PLACES = HARMONICS + SIDE_LINES_OF * SPACINGS * 2
"""Levels that are kept of one comb: its harmonics, and side lines on both sides of some."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceBand:
    """A group of bands in which combs are traced: its channels and its edges."""

    channels: tuple[str, ...]
    low_hz: float
    high_hz: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """How high the lines of every comb that was asked for stand, in every group of bands, whether they mean anything
    or not.

    ``levels`` (tones, bands, ``PLACES``) in steps of ``STEP_DB`` from ``LEAST_DB``: power of the envelope's lines over
    their floor; ``NOTHING`` where no line was free to tell. ``surest`` (tones,) is the band in which each comb was
    weighed, -1 where it is none of these; ``scores`` (tones,) its score, in units of -ln p. ``quiet_scores`` (looks,
    tones): its scores where the quiet places of the noise weigh most, None where a look does not pass the tone; no look
    in captures that were kept before there were any. ``turns`` of the input in the capture: longer captures have lower
    floors.
    """

    tones: tuple[str, ...]
    bands: tuple[TraceBand, ...]
    levels: NDArray[np.uint8]
    surest: tuple[int, ...]
    scores: tuple[float, ...]
    turns: float
    quiet_scores: tuple[tuple[float | None, ...], ...] = ()


def coded(power: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Powers over the floor, of any shape, as levels of a trace; ``NOTHING`` where they are NaN."""
    known = np.isfinite(power)
    level_db = 10.0 * np.log10(np.maximum(np.where(known, power, 1.0), 1e-9))
    steps = np.clip(np.rint((level_db - LEAST_DB) / STEP_DB), 0, NOTHING - 1)
    return np.asarray(np.where(known, steps, NOTHING), dtype=np.uint8)


def power_of(levels: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Powers over the floor from levels of a trace; NaN where nothing is known."""
    power = 10.0 ** ((LEAST_DB + STEP_DB * levels.astype(np.float64)) / 10.0)
    return np.asarray(np.where(levels == NOTHING, np.nan, power))


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
    the earlier ones. ``chance``: that a capture which belongs to the earlier ones shows such growth in any band;
    ``there``: that it does in the one band in which this capture's comb was weighed, 1 where that is not traced;
    ``surprise``: that its comb scores as high, wherever in its window and in whatever bands; ``quiet``: that it does
    where the quiet places of the noise weigh most, all such looks paid for, 1 where too few captures have them.
    """

    tone: str
    growth_db: float
    scatter_db: float
    common_db: float
    captures: int
    chance: float
    there: float
    surprise: float
    band: TraceBand
    quiet: float = 1.0
