"""Whether what repeats at an order passes as the blades, vanes or teeth of a rotor that turns a whole number of times
more slowly.

A rotor is never in perfect balance, and no row of blades is all alike: what carries them shakes at its own turn and at
multiples of it, below the pass of its blades. Damage of a bearing strikes, and shakes nothing at a whole fraction of
its order: what turns there is a machine of its own. A line says as much as it is high among all places below the pass,
since other machines have lines there too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from vibe.core.evidence import against_chance
from vibe.spectra.envelope.bands import local_floor
from vibe.spectra.signal_analysis import ChannelSpectrum

Real = NDArray[np.float64]

COUNTS = range(2, 13)
"""Blades, vanes or teeth of a rotor that turns about as fast as a motor (common practice: up to a dozen)."""
LEAST_ROOM_BINS = 8.0
"""Bins between the rotor's lines: nearer ones are skirts of one another."""
FEWEST_FREE = 3
"""Lines below the pass that are nobody else's, fewest: by one or two any two machines meet."""
AROUND_BINS = 32
"""Bins, at least, over which the floor is taken; as many as a turn of the input lies apart where these are more."""
HIGHEST = log(1000.0)
"""Surprise, at most, that one line counts: a single high one may be anybody's, a row is meant."""
OWN_BINS = 2
"""Bins about a line of the machine's own that are its own (Hann)."""
FEWEST_PLACES = 100
"""Places with which a line is compared, fewest."""
DOUBTED = 0.05
"""Chance, over all counts, from which on there is no rotor (the usual doubt)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BladeRotor:
    """The ``count`` of blades whose rotor's lines stand below their pass, and how many times likelier lines are found
    so where such a rotor turns than where none does (``odds``)."""

    count: int
    odds: float


def blade_rotor(
    spectra: Sequence[ChannelSpectrum],
    input_hz: float,
    order: float,
    own: Sequence[float],
    *,
    none_of: int | None = None,
) -> BladeRotor | None:
    """The rotor whose blades may pass at ``order``; None where no lines of one stand.

    ``own``: orders of all lines that the machine itself makes or that are known to be another's: of them a rotor's turn
    is none, and they say nothing. ``none_of``: a count that is not asked, such as the elements of a bearing, whose cage
    turns so many times more slowly than they meet a race.
    """
    rows = [_Row.of(one, input_hz, own, order) for one in spectra]
    step = max((row.step for row in rows), default=float("inf"))
    counts = [
        n for n in COUNTS
        if n != none_of and order / n >= LEAST_ROOM_BINS * step and all(abs(order / n - one) > step for one in own)
    ]  # fmt: skip
    chances = {n: chance for n in counts if (chance := _chance(rows, order, n)) is not None}
    if not chances:
        return None
    best = min(chances, key=lambda n: chances[n])
    if chances[best] * len(chances) > DOUBTED:
        return None
    return BladeRotor(count=best, odds=sum(map(against_chance, chances.values())) / len(chances))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Row:
    """Of one channel up to the pass: -ln of the share of free places (n,) that stand as high, and which are free."""

    surprise: Real
    free: NDArray[np.bool_]
    step: float

    @classmethod
    def of(cls, one: ChannelSpectrum, input_hz: float, own: Sequence[float], order: float) -> _Row:
        step = one.bin_hz / input_hz
        around = max(AROUND_BINS, round(1 / step))
        power = one.power[: int(order / step) + 2 * around]
        over = power / local_floor(power, around)
        top = np.zeros(over.size)
        top[1:-1] = np.maximum(np.maximum(over[:-2], over[1:-1]), over[2:])
        free = np.ones(over.size, dtype=bool)
        for middle in (round(one / step) for one in own):
            free[max(0, middle - OWN_BINS) : middle + OWN_BINS + 1] = False
        free[:2] = free[-2:] = False
        heights = np.sort(top[free])
        share = 1.0 - (np.searchsorted(heights, top) - 0.5) / max(1, heights.size)
        free &= heights.size >= FEWEST_PLACES
        return cls(surprise=np.clip(-np.log(np.maximum(share, 1e-12)), 0.0, HIGHEST), free=free, step=step)

    def chance(self, order: float, count: int) -> float | None:
        """How often so much stands at multiples of ``order`` / ``count`` below ``order`` by chance: the surprises of
        places are exponential (Fisher's method); None where too few are free."""
        orders = np.arange(1, count) * order / count
        middles = np.rint(orders / self.step).astype(np.int64)
        middles = middles[self.free[middles]]
        return None if middles.size < FEWEST_FREE else float(gammaincc(middles.size, self.surprise[middles].sum()))


def _chance(rows: Sequence[_Row], order: float, count: int) -> float | None:
    """The chance in the channel that shows most, which was picked."""
    found = [one for row in rows if (one := row.chance(order, count)) is not None]
    return min(1.0, len(found) * min(found)) if found else None
