"""Did all bands of a point move alike since an earlier visit? A machine never does that; a unit or a scale does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.identity.point_likeness import FEWEST_SHARED, LATEST, PER_OCTAVE, Signature, band_edges_hz

Real = NDArray[np.float64]

LEAST_DB = 8.0
"""A factor of 2.5: load and speed as they are met from visit to visit move a floor by up to 6 dB (common practice)."""
ALIKE_DB = 1.5
"""R.m.s. of the bands about the shift: the scatter of one place from visit to visit is as large (common practice)."""
AT_REST_DB = 12.0
"""To a quarter of the usual amplitude: a machine that stands falls by more, load and speed move a floor by half as much
(common practice, as in ``speed/standstill.py``)."""
PER_DECADE_DB = 20.0
"""What integration takes off, and differentiation adds, per decade of frequency."""
OFF_SLOPE_DB = 2.0
"""A slope this near to 20 dB a decade is one."""
FEWEST_FOR_SLOPE = 20
"""Bands: 1.7 octaves, over which 20 dB a decade are 10 dB."""
RINGS_HZ = (1200.0, 5000.0)
"""A probe held by hand rings near 2 kHz, a magnet on paint or a loose stud up to 5 kHz (ISO 5348:1998 and common
practice); a firm magnet above 7 kHz."""
MOUNT_ALIKE_DB = 2.0
"""Scatter of the bands about the law of a soft mount: that of one place and a little more (common practice)."""
MOUNT_LEAST_DB = 6.0
"""What that law must explain: an octave above its resonance a mount passes 10 dB less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelShift:
    """How a point moved. ``factor`` is of amplitude, now over then; for a change of quantity, at the lowest band;
    of a mount, below its resonance."""

    kind: Literal["scale", "integrated", "differentiated", "mount"]
    factor: float
    rings_hz: float | None = None
    """Where a mount rings that is softer than before."""


def shift(now: Signature, earlier: Sequence[Signature]) -> LevelShift | None:
    """The common movement of all bands against the median of the latest earlier visits.

    None where there is none, where bands moved unlike each other, or too few are shared.
    """
    moved_db, known = _moved_db(now, earlier)
    if moved_db.size < FEWEST_SHARED:
        return None
    common_db = float(np.median(moved_db))
    if abs(common_db) >= LEAST_DB and _spread_db(moved_db - common_db) <= ALIKE_DB:
        return LevelShift(kind="scale", factor=10 ** (common_db / 20))
    if moved_db.size < FEWEST_FOR_SLOPE:
        return None
    softer = _softer_mount(moved_db, band_centres_hz()[known])
    if softer is not None:
        return softer
    decades = np.flatnonzero(known) / PER_OCTAVE * np.log10(2.0)
    slope_db, first_db = np.polyfit(decades, moved_db, 1)
    if abs(abs(slope_db) - PER_DECADE_DB) > OFF_SLOPE_DB:
        return None
    if _spread_db(moved_db - np.polyval((slope_db, first_db), decades)) > ALIKE_DB:
        return None
    return LevelShift(kind="integrated" if slope_db < 0 else "differentiated", factor=10 ** (float(first_db) / 20))


def fallen_db(now: Signature, earlier: Sequence[Signature]) -> float | None:
    """By how much the floor of a point lies lower than usual [dB], in the middle of its bands, where that is as much as
    a drive loses that stands; None where it is less, or too few bands are shared."""
    moved_db, _ = _moved_db(now, earlier)
    if moved_db.size < FEWEST_SHARED:
        return None
    fell_db = -float(np.median(moved_db))
    return fell_db if fell_db >= AT_REST_DB else None


def unchanged(now: Signature, earlier: Sequence[Signature]) -> bool:
    """Whether a point rings as it used to, band by band, whatever its level: no mount that has come loose does."""
    moved_db, _ = _moved_db(now, earlier)
    if moved_db.size < FEWEST_FOR_SLOPE:
        return False
    return _spread_db(moved_db - float(np.median(moved_db))) <= ALIKE_DB


def _moved_db(now: Signature, earlier: Sequence[Signature]) -> tuple[Real, NDArray[np.bool_]]:
    """Movement of each band that all share, against the median of the latest earlier visits, (shared,), and which
    bands those are, (bands,)."""
    if not earlier:
        return np.empty(0), np.zeros(now.level_db.shape, dtype=bool)
    levels = np.stack([visit.level_db for visit in earlier[-LATEST:]]).astype(np.float64)
    known = np.isfinite(levels).all(axis=0) & np.isfinite(now.level_db)
    return now.level_db[known] - np.median(levels[:, known], axis=0), known


def band_centres_hz() -> Real:
    """Middles of the bands of a signature, (bands,)."""
    edges = band_edges_hz()
    return np.asarray(np.sqrt(edges[:-1] * edges[1:]))


def _softer_mount(moved_db: Real, centre_hz: Real) -> LevelShift | None:
    """A sensor on a spring and a damper passes |H|² = (1 + (2 z r)²) / ((1 - r²)² + (2 z r)²) of the motion's power,
    r = f / f0, z the damping (transmissibility, e.g. Rao, Mechanical Vibrations, 2011, section 9.10, from memory)."""
    best: tuple[float, float, float] = (np.inf, 0.0, 0.0)
    for tried_hz in np.geomspace(*RINGS_HZ, 33):
        for damping in (0.02, 0.04, 0.08, 0.15):
            r = centre_hz / tried_hz
            passed = (1 + (2 * damping * r) ** 2) / ((1 - r**2) ** 2 + (2 * damping * r) ** 2)
            rest_db = moved_db - 10 * np.log10(passed)
            offset_db = float(np.median(rest_db))
            best = min(best, (_spread_db(rest_db - offset_db), offset_db, float(tried_hz)))
    spread_db, offset_db, rings_hz = best
    without_db = float(np.std(moved_db))
    if spread_db > MOUNT_ALIKE_DB or without_db < MOUNT_LEAST_DB or abs(offset_db) > LEAST_DB:
        return None
    return LevelShift(kind="mount", factor=10 ** (offset_db / 20), rings_hz=rings_hz)


def _spread_db(rest_db: np.ndarray) -> float:
    """As a standard deviation, from the median: a resonance or two may have moved."""
    return 1.4826 * float(np.median(np.abs(rest_db)))
