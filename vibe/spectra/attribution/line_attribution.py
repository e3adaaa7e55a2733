"""Which lines of a spectrum belong to whom, as plain orders and frequencies; and which bins each line claims.

Where two owners claim one bin it goes to the one for whom it is the lowest harmonic (a sideband counts two harmonics
higher), and at equal harmonics to the one named first: low harmonics carry most of what a part causes,
and a family with many lines must not take those of one with few.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LINE_HALF_BINS = 3
"""The main lobe of a Hann window and a little speed variation, as for single lines."""
MOST_OF_SPACING = 1 / 3
"""A family whose lines are wider than this share of their distance cannot be distinguished from the rest."""
SIDEBAND_COUNTS = 2
"""Harmonics that a sideband counts for."""
NOBODY = -1
"""Number of a bin that no owner claims; owners are numbered from 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnedLines:
    """Lines at ``harmonics`` times (``order`` · input speed + ``hz``); None: all that fit on the axis.

    ``sidebands`` are distances in orders at which each harmonic has neighbours, once on either side. ``width`` is the
    relative half width that a harmonic may have beyond that of a steady line.
    """

    order: float = 0.0
    hz: float = 0.0
    harmonics: tuple[int, ...] | None = (1,)
    sidebands: tuple[float, ...] = ()
    width: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """Somebody whom part of a level is attributed to: its lines, and the names of the combs that its impacts make."""

    name: str
    lines: tuple[OwnedLines, ...] = ()
    impacts: tuple[str, ...] = ()


def claimed(
    owners: Sequence[Owner], *, size: int, bin_hz: float, input_hz: float, spread: float, drift: float
) -> NDArray[np.int64]:
    """Number of the owner of each bin (size,), ``NOBODY`` where no line lies.

    ``spread`` is the relative uncertainty of the input's speed; ``drift`` how far, relative, the speed moves, which
    smears lines that do not follow it on an axis that does.
    """
    best = np.full(size, np.iinfo(np.int64).max)
    count = max(1, len(owners))
    for number, owner in enumerate(owners):
        for family in owner.lines:
            for middle, half, rank in _places(family, size, bin_hz, input_hz, spread, drift):
                reach = int(half.max())
                for off in range(-reach, reach + 1):
                    here = np.abs(off) <= half
                    place = np.floor(middle[here] + 0.5).astype(np.int64) + off
                    np.minimum.at(best, place, rank[here] * count + number)
    return np.where(best == np.iinfo(np.int64).max, NOBODY, best % count)


def _places(
    family: OwnedLines, size: int, bin_hz: float, input_hz: float, spread: float, drift: float
) -> list[tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]]:
    """(middle [bins], half width [bins], rank) of a family's harmonics and of each row of its sidebands."""
    base = float(family.order * input_hz + family.hz) / bin_hz
    if base <= 0:
        return []
    count = int(size / base)
    harmonics = np.array(range(1, count + 1) if family.harmonics is None else family.harmonics, dtype=np.int64)
    centres = np.asarray(harmonics * base, dtype=np.float64)
    relative = spread + family.width + (drift if family.hz else 0.0)
    rows = [(centres, harmonics)]
    for distance in family.sidebands:
        off = distance * input_hz / bin_hz
        rows += [(centres + sign * off, harmonics + SIDEBAND_COUNTS) for sign in (-1, 1)]
    found = []
    for middle, rank in rows:
        half = np.floor(LINE_HALF_BINS + relative * np.abs(middle)).astype(np.int64)
        fits = (middle > half + 1) & (middle < size - half - 1)
        if family.harmonics is None or len(family.harmonics) > 1:
            fits &= 2 * half + 1 <= MOST_OF_SPACING * base
        if fits.any():
            found.append((middle[fits], half[fits], rank[fits]))
    return found
