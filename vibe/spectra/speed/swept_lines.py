"""Lines of a machine whose speed moves: how rare they are at their places, and how speeds follow one another.

A place counts by the share of places nearby that are as strong, as a likelihood ratio whose mean over these is 1, so
that the capture is its own measure of chance: among dense lines nothing is surprising, and where nothing else stands a
faint line is. One line cannot decide, and one that is missing counts against a speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.core.tones import FollowedLines
from vibe.spectra.speed.line_likelihood import local_floors

Real = NDArray[np.float64]
Single = NDArray[np.float32]
Rows = Sequence[tuple[NDArray[Any], float]]
"""Rows of samples that began together, each with its rate: per second, or per turn."""

SHAPE = 0.3
"""Of the density a p^(a - 1) of chances p where a line stands (T. Sellke, M. J. Bayarri and J. O. Berger, 2001, from
memory: mean 1 where none does); 0.3 puts half of all lines among the strongest tenth of places (our choice)."""
FLOOR_BINS = 80
"""Half bins in blocks whose median is the floor: wide against a line and its side lines."""
FIXED_SHARE = 0.2
"""A line that stands at one place all but this share of the time does not follow a speed that moves."""
RESOLVED = 1.5
"""Bins of a Hann window within which two lines are one: its main lobe, less a little."""
PASSED = 0.8
"""Of half the sample rate, up to which recorders pass what they are given (common practice)."""
LEAST_BIN = 4
"""Half bins below which a window's own edge and the mean stand."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RareLines:
    """``ratio`` (bins, instants) of likelihoods that a line stands there, ``bin`` apart (Hz, or orders) from zero;
    ``length`` of the windows, in seconds or turns."""

    ratio: Single
    bin: float
    length: float

    def read(self, kind: FollowedLines, order: float, speeds: Real, others: Real) -> Single:
        """Log likelihood ratio (speeds, instants) of one line at each of ``speeds`` (Hz, or relative). Lines of
        ``others`` (orders, all of the machine's) that are not resolved from it share what stands there."""
        place = order * speeds / self.bin
        inside = (place < self.ratio.shape[0] - 1) & (place > LEAST_BIN)
        found = np.zeros((speeds.size, self.ratio.shape[1]), dtype=np.float32)
        if inside.any():
            alike = (np.abs(others - order)[:, None] * speeds[inside] < RESOLVED / self.length).sum(axis=0)
            value = self.ratio[np.rint(place[inside]).astype(np.intp)]
            said = np.log((1 - kind.stands_out) + kind.stands_out * value)
            found[inside] = said / np.maximum(alike, 1)[:, None]
        return found


def every_order(kinds: Sequence[FollowedLines]) -> Real:
    """Of all lines, each once."""
    return np.array(sorted({round(order, 6) for kind in kinds for order in kind.orders}))


def rare_lines(rows: Rows, length: float, at: Real, *, near: int, follows: bool, top: float = np.inf) -> RareLines:
    """Around instants ``at`` (n,), in windows of ``length``, against ``near`` half bins around a place. ``follows``:
    the speed moves, and what stays where it is can be none of its lines. ``top``: nothing above it is read."""
    step, total = 0.0, np.empty((0, 0), dtype=np.float32)
    for samples, rate in rows:
        over, own = _over_floor(samples, rate, length, at, follows=follows, top=top)
        if not step:
            step, total = own, np.log1p(over)
        else:
            # Rows of another rate have bins a little apart.
            count = min(total.shape[1], int((over.shape[1] - 1) * own / step) + 1)
            total = total[:, :count] + np.log1p(over[:, np.rint(np.arange(count) * step / own).astype(np.intp)])
    times, half = total.shape[0], near // 2
    count = total.shape[1] // near * near
    if count < 2 * near:
        return RareLines(ratio=np.ones((total.shape[1], times), dtype=np.float32), bin=step, length=length)
    worth = ((np.arange(near) + 0.5) / near) ** (SHAPE - 1)
    worth = (worth / worth.mean()).astype(np.float32)
    found = np.zeros((times, count), dtype=np.float32)
    # Blocks in two places, so that none lies at the edge of both.
    for first, last in ((0, count), (half, count - half)):
        blocks = total[:, first:last].reshape(times, -1, near)
        rank = np.argsort(np.argsort(-blocks, axis=2), axis=2)
        found[:, first:last] += worth[rank].reshape(times, -1)
    found[:, half : count - half] /= 2
    return RareLines(ratio=np.ascontiguousarray(found.T), bin=step, length=length)


def _over_floor(
    samples: NDArray[Any], rate: float, length: float, at: Real, *, follows: bool, top: float
) -> tuple[Single, float]:
    """Power over the local floor (instants, half bins), and the half bin."""
    size = 2 * round(length * rate / 2)
    padded = np.pad(np.asarray(samples, dtype=np.float32), size // 2)
    first = np.minimum(np.rint(at * rate).astype(np.intp), padded.size - size)
    # Twice the blocks above what is read, so that it has a floor.
    count = int(min(PASSED * size, 2 * size * top / rate + 4 * FLOOR_BINS))
    power = np.empty((at.size, count), dtype=np.float32)
    window = np.hanning(size).astype(np.float32)
    for place, begin in enumerate(first):
        line = fft.rfft(padded[begin : begin + size] * window, 2 * size)[: power.shape[1]]
        power[place] = np.square(line.real) + np.square(line.imag)
    over = (power / local_floors(power, FLOOR_BINS)).astype(np.float32)
    if follows:
        still = np.quantile(over, FIXED_SHARE, axis=0, keepdims=True) / -np.log(1 - FIXED_SHARE)
        over /= np.maximum(still, 1.0).astype(np.float32)
    return over, rate / (2 * size)


def likely_states(score: Real, moves: Real, begins: Real, ends: Real) -> Real:
    """How likely each state is at each instant (n, states), from log likelihoods ``score`` (n, states), the chances
    ``moves`` (from, to) and of the states at both ends: the forward-backward algorithm (L. R. Rabiner, 1989)."""
    like = np.exp(score - score.max(axis=1, keepdims=True))
    forward = np.empty_like(like)
    forward[0] = begins * like[0]
    forward[0] /= forward[0].sum()
    for row in range(1, like.shape[0]):
        forward[row] = (forward[row - 1] @ moves) * like[row] + TINY
        forward[row] /= forward[row].sum()
    back = ends / ends.sum()
    found = np.empty_like(like)
    found[-1] = forward[-1] * back
    for row in range(like.shape[0] - 2, -1, -1):
        back = moves @ (back * like[row + 1]) + TINY
        back /= back.sum()
        found[row] = forward[row] * back
    return np.asarray(found / found.sum(axis=1, keepdims=True))


TINY = 1e-200
"""So that no state is ruled out by rounding."""
