"""Whether what comes at every turn of a shaft is an electrical pulse and no blow: two edges, and nothing after them.

The lines at whole multiples of the turn add up in phase over the capture, all else does not. A rectangular pulse that
leaks from a cable has two edges, of one height and of opposite sign, which are as sharp in every band and after which
nothing rings. A blow has no second edge: the casing rings after it, and differently in every band. Each line counts by
the power round it, so that what the machine itself makes at the same lines weighs little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import hann
from vibe.spectra.basic.lines import KNOT_SAMPLES

Complex = NDArray[np.complex128]

TOP_SHARE = 0.42
"""Of the sample rate: up to there recorders pass what they are given (common practice: they end at 1/2.56 to 1/2.2)."""
LOWEST_SHARE = 0.1
"""Of the highest line: below, shafts and meshes rule."""
FEWEST_LINES = 60
"""Lines of an edge, for that edges stand out of what a hundred places show by chance (our choice)."""
SMOOTHED_HZ = 1_000.0
"""Over which the power round a line is averaged: a few widths of a mode (2 to 5 % damping at 2 to 8 kHz, common
practice)."""
FINER = 32
"""Places of an edge that are tried per period of the highest line, at least: its phase is then right to six degrees."""
EDGES = 6
"""Sharp places that are looked for: the two of a pulse, and what else there may be."""
CLEAR = 25.0
"""Power of a pulse over the noise of one line. Three constants by chance come to more once in 3e8 times (their sum is
Gamma(3) distributed: exp(-25) (1 + 25 + 25²/2)), and 500 places make 125,000 pairs (derived)."""
EVEN = 0.6
"""Lower edge over higher one: amplifiers round both alike; where a pulse is just clear, noise moves each by a third."""
ONE_SHAPE = 0.85
"""Share of what two edges of any shapes explain that two of one shape, one upside down, explain as well (our choice;
noise takes 3 of 25)."""
REST, REST_BY_CHANCE = 0.4, 3.0
"""Any other sharp place near the pulse, over its lower edge or over the noise: of a hundred places one comes to that by
chance in eighty (100 exp(-9)). Ringing has 0.5 to 0.9 of a blow's beginning (200 blows through casings by chance)."""
ROUNDED_S, RINGS_S = 0.15e-3, 5e-3
"""Edges are rounded by amplifiers and filters for so long (7 kHz); a casing rings for a few milliseconds (modes of 1
kHz and up, 2 to 5 % damping; both common practice)."""
SHORTEST_S = 0.55e-3
"""A mark of 1.3 % of a turn at 1500 r/min: sensors' marks last longer, and within less casings answer a blow with a
first swing up and down (both common practice)."""
BENT_S = 0.1e-3
"""To either side, the other edge is tried: noise moves the place that was found alone."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Folding:
    """Cell of the turn, of ``cells``, in which each sample lies (n,), and its weight in the sum over all turns (n,):
    alike for all channels of one length and rate."""

    cell: NDArray[np.intp]
    weight: NDArray[np.float32]
    cells: int


def folding(size: int, rate_hz: float, law: AngleLaw, times_per_turn: int = 1) -> Folding:
    """Of ``size`` samples, as far as ``law`` reaches, on ``times_per_turn`` turns to a turn of it. A Hann window keeps
    lines that lie between two multiples away."""
    size = min(size, round(law.duration_s * rate_hz))
    cells = 4 * int(np.ceil(rate_hz / (law.mean_hz * times_per_turn)))
    # Between instants this close the law is straight lines.
    turns = law.at(np.arange(0, size + KNOT_SAMPLES, KNOT_SAMPLES) / rate_hz) * times_per_turn
    within = np.arange(KNOT_SAMPLES) / KNOT_SAMPLES
    phase = (turns[:-1, None] + np.diff(turns)[:, None] * within).ravel()[:size]
    phase -= np.floor(phase)
    phase *= cells
    cell = phase.astype(np.intp)
    # What is rounded up to a whole turn is the next one's first.
    cell[cell == cells] = 0
    return Folding(cell=cell, weight=hann(size), cells=cells)


def is_pulse(
    samples: NDArray[np.float32],
    rate_hz: float,
    law: AngleLaw,
    times_per_turn: int = 1,
    folded: Folding | None = None,
) -> bool:
    """Whether two edges make what ``samples`` (n,) hold at the multiples of ``times_per_turn`` to a turn of ``law``.

    Samples beyond the law's end are left out. ``folded``: where another channel has had it made.
    """
    folded = folding(samples.size, rate_hz, law, times_per_turn) if folded is None else folded
    x = samples[: folded.cell.size]
    orders, slopes = _slopes(x - float(x.mean(dtype=np.float64)), rate_hz / (law.mean_hz * times_per_turn), folded)
    if orders.size < FEWEST_LINES:
        return False
    own_hz = law.mean_hz * times_per_turn
    weights = 1.0 / _smoothed(np.square(np.abs(slopes)), int(SMOOTHED_HZ / own_hz))
    from_line = int(np.searchsorted(orders, LOWEST_SHARE * orders[-1]))
    orders, slopes, weights = orders[from_line:], slopes[from_line:], weights[from_line:]
    places = int(fft.next_fast_len(FINER * int(orders[-1])))
    root = np.sqrt(weights)
    shapes = np.vander(orders / orders[-1], 3).astype(np.complex128) * root[:, None]
    target = slopes * root
    found: list[int] = []
    waves = np.empty((orders.size, EDGES), dtype=np.complex128)
    rest, heights = target, target[:0]
    for number in range(EDGES):
        found.append(_sharpest(orders, root * rest, places))
        # What is quickly seen is asked first.
        if number == 1 and _apart_s(found[0], found[1], places, own_hz) < SHORTEST_S:
            return False
        waves[:, number] = _waves(orders, found[-1:], places)[:, 0] * root
        explained, heights = _explained(waves[:, : number + 1], target)
        rest = target - explained
    first, second = found[:2]
    sizes = np.abs(heights) * float(np.sqrt(weights.sum()))
    low, high = sorted(sizes[:2].tolist())
    if low < EVEN * high:
        return False
    at_edges = _waves(orders, [first, second], places)
    free = _power(np.hstack([at_edges[:, :1] * shapes, at_edges[:, 1:] * shapes]), target)
    reach = max(1, round(BENT_S * own_hz * places))
    tried = range(second - reach, second + reach + 1, max(1, FINER // 16))
    pulse = max(_power((at_edges[:, :1] - _waves(orders, [place], places)) * shapes, target) for place in tried)
    if pulse < CLEAR or pulse < ONE_SHAPE * free:
        return False
    further = [
        float(size)
        for place, size in zip(found[2:], sizes[2:], strict=True)
        if ROUNDED_S < min(_apart_s(place, edge, places, own_hz) for edge in (first, second)) < RINGS_S
    ]
    return bool(max(further, default=0.0) <= max(REST_BY_CHANCE, REST * low))


def _slopes(x: NDArray[np.float32], per_turn: float, folded: Folding) -> tuple[NDArray[np.intp], Complex]:
    """Multiples and their lines, each times its own number: an edge has then the same height in all of them.
    ``per_turn``: samples."""
    sums = np.bincount(folded.cell, x * folded.weight, folded.cells)
    orders = np.arange(1, int(TOP_SHARE * per_turn) + 1)
    return orders, np.asarray(1j * orders * fft.rfft(sums)[orders], dtype=np.complex128)


def _smoothed(power: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    ones = np.ones(max(5, width) | 1)
    mean = np.convolve(power, ones, "same") / np.convolve(np.ones(power.size), ones, "same")
    return np.asarray(np.maximum(mean, 1e-300), dtype=np.float64)


def _sharpest(orders: NDArray[np.intp], weighted: Complex, places: int) -> int:
    """The place in a turn at which an edge explains most."""
    lines: NDArray[Any] = np.zeros(places, dtype=np.complex128)
    lines[orders] = np.conj(weighted)
    return int(np.abs(fft.fft(lines)).argmax())


def _waves(orders: NDArray[np.intp], at: Sequence[int], places: int) -> Complex:
    """Lines (lines, k) of edges at k places."""
    return np.asarray(np.exp(-2j * np.pi * np.outer(orders, np.array(at) / places)), dtype=np.complex128)


def _explained(waves: Complex, target: Complex) -> tuple[Complex, Complex]:
    """(what ``waves`` (lines, k) explain of ``target`` by least squares, their heights (k,))."""
    heights = np.asarray(np.linalg.lstsq(waves, target, rcond=None)[0], dtype=np.complex128)
    return np.asarray(waves @ heights, dtype=np.complex128), heights


def _power(waves: Complex, target: Complex) -> float:
    return float(np.square(np.abs(_explained(waves, target)[0])).sum())


def _apart_s(one: int, other: int, places: int, own_hz: float) -> float:
    """Time between two places of a turn."""
    cells = (one - other) % places
    return min(cells, places - cells) / places / own_hz
