"""How surprisingly high every place of a spectrum stands, over orders of the input; what says nothing is left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.envelope.bands import local_floor
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.presence.families import Real
from vibe.spectra.signal_analysis import ChannelSpectrum

AUDIBLE = (0.9, 0.5, 0.4, 0.6)
"""Probability that mesh, pins' pass, lobes of a sound drive, and side lines of its mesh, are detected at all (common
practice)."""
IN_ENVELOPE = 0.3
"""And that they modulate what rings above."""
SHAFT_LINES = 7.0
"""Orders below which whole multiples are the shaft's own, whatever turns."""
CLEAR_BINS = 5.0
"""Bins from a whole multiple at which a line is no skirt of the shaft's."""
STANDS = 4.6
"""Surprise from which a place counts as a line when strays are counted: noise reaches it once in a hundred."""
AS_HIGH = 3.0
"""A stray this many times fainter in power still counts as one as high: 5 dB, as paths differ from line to line."""
SKIRT_BINS, SKIRT = 10, 0.03
"""Bins around a line within which what is this much weaker in power is its skirt: speed varies, windows leak."""
IN_SKIRT = -np.inf
"""Stands there: such a place shows nothing."""
ANTI_ALIAS = 2 / 2.56
"""Share of half the sample rate up to which recorders pass what they measure; their filters fall off above."""
ROW_APART_BINS = 6
"""Bins between the lines of a row from which on each is one of its own: the best of three bins, and as many between."""
OUTSIDE_APART = 8.0
"""Times the bins hidden at its lines by which those of an outside comb must lie apart: a denser one would hide all."""
HUM_HARMONICS = 40
"""Multiples of the mains that power supplies make (the 40 that IEC 61000-3-2 limits, from memory)."""
HUM_BINS = 2.5
"""Bins either side of a multiple of the mains in which nothing is known: its hum is everywhere."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Axis:
    """Surprise -ln p of every place of one or more spectra, the best of three bins, paid for; 0 where nothing is."""

    rows: tuple[tuple[Real, float], ...]
    """(surprise (n,), orders per bin)."""
    audible: tuple[float, ...]
    powers: tuple[Real, ...] = ()
    """Mean squares (n,) of which each row was made, under a Hann window; none of an envelope."""

    def holds(self, order: float) -> bool:
        return any(1 < order / step < row.size - 2 for row, step in self.rows)

    @property
    def step(self) -> float:
        return min(step for _, step in self.rows)

    @property
    def top(self) -> float:
        """Highest order that was measured."""
        return max(row.size * step for row, step in self.rows)

    def passed(self) -> Axis:
        """The same, as far as recorders pass what they measure."""
        rows = tuple((row[: round(ANTI_ALIAS * row.size)], step) for row, step in self.rows)
        return replace(self, rows=rows)

    def without(self, orders: Sequence[float], kept: Sequence[float] = ()) -> Axis:
        """The same, multiples of ``orders`` saying nothing, where the bins between them are more than those hidden; but
        for those that are lines ``kept`` as well."""
        rows = []
        for row, step in self.rows:
            left = row.copy()
            for order in (order for order in orders if order >= OUTSIDE_APART * HUM_BINS * step):
                left[_near(np.arange(1.0, int(row.size * step / order) + 1) * order, step, row.size)] = np.nan
            own = _near(np.asarray(kept), step, row.size)
            left[own] = row[own]
            rows.append((left, step))
        return replace(self, rows=tuple(rows)) if len(orders) else self

    def without_lines(self, orders: Sequence[float], kept: Sequence[float] = ()) -> Axis:
        """The same, what lies at ``orders`` saying nothing; but for lines ``kept``."""
        rows = []
        for row, step in self.rows:
            left = row.copy()
            left[_near(np.asarray(orders, dtype=np.float64), step, row.size)] = np.nan
            own = _near(np.asarray(kept, dtype=np.float64), step, row.size)
            left[own] = row[own]
            rows.append((left, step))
        return replace(self, rows=tuple(rows)) if len(orders) else self

    def without_rows(self, spacings: Sequence[float]) -> Axis:
        """The same, lines saying nothing that stand no higher than those ``spacings`` (orders) before and after them:
        what knocks slowly has a row of side lines about everything that it makes ring or moves, and any place may lie
        on one."""
        rows = []
        for row, step in self.rows:
            left = row.copy()
            for apart in (round(spacing / step) for spacing in spacings):
                if apart >= ROW_APART_BINS and 2 * apart < row.size:
                    around = np.minimum(row[: -2 * apart], row[2 * apart :])
                    inside = left[apart:-apart]
                    inside[around >= np.maximum(STANDS, inside / AS_HIGH)] = np.nan
            rows.append((left, step))
        return replace(self, rows=tuple(rows)) if len(spacings) else self

    def highest(self, order: float) -> int:
        """Which row stands highest at ``order``, where any shows something."""
        shown = [row[spot] if 1 < (spot := round(order / step)) < row.size - 2 else -np.inf for row, step in self.rows]
        return int(np.argmax(np.nan_to_num(shown, nan=-np.inf, neginf=-np.inf)))

    def at(self, orders: Real, *, shaft: bool = False, hidden: float = 0.0) -> Real:
        """Surprise of the best row at ``orders`` (any shape), rows paid for; NaN beyond what was measured and, unless
        asked for, at the shaft's own lines; ``hidden`` where every row has the skirt of a stronger line."""
        best: Real | None = None
        for row, step in self.rows:
            spot = np.rint(orders / step).astype(np.int64)
            shown = (spot > 1) & (spot < row.size - 2)
            if not shaft:
                shown &= (orders > SHAFT_LINES - 0.5) | (np.abs(orders - np.rint(orders)) > CLEAR_BINS * step)
            found = np.where(shown, np.take(row, spot, mode="clip"), np.nan)
            best = found if best is None else np.fmax(best, found)
        assert best is not None
        over = np.maximum(best - np.log(len(self.rows)), 0.0)
        return np.asarray(np.where(best == IN_SKIRT, hidden, over) if hidden else over)


def _near(orders: Real, step: float, size: int) -> NDArray[np.int64]:
    """Places (k,) of a row of ``size`` that lie within ``HUM_BINS`` of ``orders`` (n,)."""
    places = np.rint(orders / step).astype(np.int64)[:, None] + np.arange(-int(HUM_BINS), int(HUM_BINS) + 1)
    return np.asarray(places[(places > 0) & (places < size)])


def spectrum_axis(spectra: Sequence[ChannelSpectrum], input_hz: float, mains_hz: Sequence[float]) -> Axis:
    """Surprise over orders of the input, multiples of the mains left out."""
    rows = []
    for one in spectra:
        step = one.bin_hz / input_hz
        row = _best_of_three(one.power / local_floor(one.power, max(32, round(1 / step))))
        _hide_hum(row, one.bin_hz, mains_hz)
        rows.append((row, step))
    return Axis(rows=tuple(rows), audible=AUDIBLE, powers=tuple(one.power for one in spectra))


def envelope_axis(envelope: EnvelopeSpectra, input_hz: float, mains_hz: Sequence[float]) -> Axis:
    """The same of the envelope: the strongest of all bands, paid for."""
    strongest = envelope.power.max(axis=0).astype(np.float64) - np.log(envelope.power.shape[0])
    row = _best_of_three(strongest)
    _hide_hum(row, envelope.step * input_hz, mains_hz)
    return Axis(rows=((row, envelope.step),), audible=(IN_ENVELOPE,) * len(AUDIBLE))


def _hide_hum(row: Real, bin_hz: float, mains_hz: Sequence[float]) -> None:
    """Marks multiples of the mains in ``row`` (n,) as saying nothing."""
    for line_hz in mains_hz:
        if HUM_BINS * bin_hz < 0.1 * line_hz:
            hum = np.rint(np.arange(1, HUM_HARMONICS + 1) * line_hz / bin_hz).astype(np.int64)
            near = hum[:, None] + np.arange(-int(HUM_BINS), int(HUM_BINS) + 1)
            row[near[(near > 0) & (near < row.size)]] = np.nan


def _best_of_three(over: Real) -> Real:
    """The largest of three neighbouring bins (n,), of which a Hann window makes two independent ones; ``IN_SKIRT`` in
    the skirt of a stronger line."""
    near, strongest = _largest_near(over, 1), _largest_near(over, SKIRT_BINS)
    return np.asarray(np.where(near < SKIRT * strongest, IN_SKIRT, near - np.log(2.0)), dtype=np.float64)


def _largest_near(values: Real, reach: int) -> Real:
    """The largest (n,) of ``values`` (n,) within ``reach`` places, from windows of twice the width again and again."""
    n, width = values.size, 1
    largest = np.pad(values, reach, mode="edge")
    while 2 * width <= 2 * reach + 1:
        largest = np.maximum(largest[:-width], largest[width:])
        width *= 2
    rest = 2 * reach + 1 - width
    return np.asarray(np.maximum(largest[:n], largest[rest : rest + n]))
