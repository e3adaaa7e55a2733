"""Which shaft carries a bearing's damage through its load: the comb's own lines tell its speed, whatever the slip.

Impacts of a race that is carried through the load grow and fade once per turn of the shaft, so that their lines have
side lines at the turn. Line and side line slip alike. Their product (one times the conjugate of the other, each cut
out of the envelope) turns as the shaft alone, and its own spectrum has a sharp line at the shaft's order, though those
of the comb are smeared over many bins. Whose shaft it is, that line shows: two machines of one kind differ in speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.core.outside_combs import KIND_REACH
from vibe.spectra.envelope.bands import BandEnvelopes

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

HARMONICS = 4
"""Lines of the comb that are taken: of higher ones slip smears more than lies between line and side line."""
SMEARED = 0.012
"""Relative half width over which slip smears a line (common practice: cages differ from rolling by 1 to 2 %)."""
SPARE_BINS = 4.0
"""Bins more than slip smears a line over."""
WIDEST = 0.42
"""Half width of a line, as a share of the way to its side line, at most: half of it would take both for one."""
NOTCH_BINS = 2
"""Bins to either side of lines that the machine makes without slip, which are taken out: pairs of them have the same
distance as a line and its side line."""
FINER = 8
"""Places that are tried per bin."""
CLEAR = 20.0
"""Mean of the products' spectra over their floors from which on there is a line. A product's spectrum is a sum over
many bins, so that of noise it is exponential about its floor: one product alone is so high at one of a thousand places
once in half a million (1000 exp(-20)). Of 23 combs without modulation it was 5 at most, of 45 with it 27 at least; 12
and 19 of them were tried after it was set."""
SEVERAL, CLEAR_OF_SEVERAL = 4, 10.0
"""Products from which half of that will do: the mean of four is so high at one of a thousand places once in ten billion
(Gamma tail), and what is left of other lines made 5 of it at most."""
WITHIN_BINS = 0.06
"""Standard error in bins. The bound of noise alone (Rife & Boorstyn 1974, from memory: 0.39 bins over the root of
height over floor) would be 0.07 for lines of height ``CLEAR`` and 0.02 for most; but strengths of impacts are random
and few. Of fainter lines it grows as that bound does.
So far it lay off the true turn for 30 simulated bearings of outside code, and for 18 tried after it was set."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModulatingTurn:
    """Order of the turn that modulates a comb, and its standard error, relative."""

    order: float
    error: float


def modulating_turn(
    bands: Sequence[BandEnvelopes], band_hz: tuple[float, float], channels: Sequence[str], order: float, turn: float,
    rigid: Sequence[float],
) -> ModulatingTurn | None:  # fmt: skip
    """The turn near order ``turn`` that modulates impacts at ``order``, read in ``band_hz`` of ``channels``; None where
    no line is clear, or where the comb's own lines lie as far apart as that, those of half its order too: a cage often
    strikes harder every second time. ``rigid``: orders whose multiples the machine makes without slip."""
    between = round(2 * turn / order) * order / 2
    if abs(between / turn - 1) < KIND_REACH + SMEARED:
        return None
    total: Real | None = None
    products, turns = 0, 0.0
    for one in bands:
        inside = (one.centre_hz >= band_hz[0]) & (one.centre_hz <= band_hz[1])
        if (channels and one.channel not in channels) or not inside.any():
            continue
        turns = one.turns
        lines = _without(np.asarray(one.power[inside].sum(axis=0), dtype=np.float64), turns, rigid)
        at = turn * (1 + np.arange(-KIND_REACH, KIND_REACH, 1 / (FINER * turns * turn)))
        for k in range(1, HARMONICS + 1):
            half = SMEARED * k * order + SPARE_BINS / turns
            if half > WIDEST * turn:
                break
            for low in (k * order - turn, k * order):
                read = _product(lines, turns, low, turn, half, at)
                if read is not None:
                    total = read if total is None or total.size != read.size else total + read
                    products += 1
    clear = CLEAR if products < SEVERAL else CLEAR_OF_SEVERAL
    if total is None or total.max() < clear * products:
        return None
    best = int(total.argmax())
    if best in (0, total.size - 1):
        return None  # The flank of a line beyond.
    found = float(at[best])
    fainter = max(1.0, CLEAR * products / float(total[best])) ** 0.5
    return ModulatingTurn(order=found, error=WITHIN_BINS * fainter / (turns * found))


def _without(envelope: Real, turns: float, rigid: Sequence[float]) -> Complex:
    """Lines (n,) of an envelope, one per turn of the whole capture, multiples of ``rigid`` orders taken out."""
    lines = np.asarray(fft.rfft(envelope - envelope.mean()), dtype=np.complex128)
    for order in rigid:
        places = np.rint(np.arange(1, int(lines.size / (turns * order)) + 1) * turns * order).astype(np.int64)
        near = places[:, None] + np.arange(-NOTCH_BINS, NOTCH_BINS + 1)
        lines[near[(near > 0) & (near < lines.size)]] = 0.0
    return lines


def _product(lines: Complex, turns: float, low: float, turn: float, half: float, at: Real) -> Real | None:
    """Power over its floor (m,), at orders ``at``, of the product of what lies ``turn`` above order ``low`` and the
    conjugate of what lies there, each ``half`` wide to either side."""
    first = [int((middle - half) * turns) for middle in (low, low + turn)]
    count = int(2 * half * turns) + 1
    if first[0] < 1 or first[1] + count > lines.size:
        return None
    size = fft.next_fast_len(4 * count)
    below, above = (fft.ifft(lines[one : one + count] * np.hanning(count + 2)[1:-1] ** 0.5, size) for one in first)
    padded = 4 * size
    power = np.abs(fft.fft(above * np.conj(below) * np.hanning(size), padded)) ** 2
    # One bin of the product is a quarter of a bin of the lines, counted from the distance of the two cuts.
    places = fft.fftfreq(padded, 1 / size) * (1 / turns) + (first[1] - first[0]) / turns
    order = np.argsort(places)
    places, power = places[order], power[order]
    floor = float(np.median(power[np.abs(places - turn) < half / 2])) / np.log(2.0)
    return np.asarray(np.interp(at, places, power / max(floor, 1e-300)))
