"""Would a drive of other counts, at a speed of its own, make these lines? The second opinion on whose drive was
detected.

A speed that is read with the wrong drive's lines is a speed at which some of them fit: shaft lines of the one pass for
lobes of the other. So speed and counts are searched together. First two combs at low orders, the shaft's and the
lobes', of which the second shows the counts; then the meshes that go with the best pairs. The drive of the file is
weighed by the same lines, so that the two may be compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from vibe.spectra.presence.axes import AS_HIGH, AUDIBLE, CLEAR_BINS, SHAFT_LINES, STANDS, Axis
from vibe.spectra.presence.decoys import COUNTS
from vibe.spectra.presence.families import (
    LOBE_SEEN,
    MESH,
    MESH_HARMONICS,
    PASS_HARMONICS,
    PASS_SEEN,
    SIDE_LINES,
    Family,
    Real,
    lobe_order,
)
from vibe.spectra.presence.likelihood import line_ratios, or_plainly
from vibe.spectra.presence.presence import FINEST_BINS, LEAST_OWN, MOST_SPEEDS
from vibe.spectra.presence.shaft import HIGHER_SEEN, SHAFT_SEEN
from vibe.spectra.presence.strays import PLACES_MORE, Strays, strays_of  # fmt: skip

Ints = NDArray[np.int64]

SLIP = 0.06
"""Speeds that are searched either side of the stated one: motors of the same poles on the same mains differ by no more,
the slip of small ones at full load (common practice)."""
SHAFT_ORDERS = LOBE_ORDERS = 8
"""Multiples of shaft and lobes that are looked at: beyond the fourth those of high ratios begin to part."""
PITCH_ORDERS = 16
"""Multiples of the shaft that pitch errors of the pins fill: at a speed at which lobes and mesh fit by chance these are
missing, and stand at the true one."""
LOW_ORDERS = 18.0
"""Above the highest multiple of shaft or lobes of any drive at any speed that is searched."""
FEWEST_LOBES = 6
"""Drives of fewer are not made (common practice)."""
RESOLVED_BINS = 2.0
"""Bins between lines that a Hann window parts."""
NEIGHBOURS = 3
"""Pins more or less up to which a drive is asked for whose lobes are not resolved from those of the file's: its mesh
and the own one are side lines of one another."""
DIFFERENCES = (1, 2)
"""Pins minus lobes of drives that are made (common practice)."""
BEST_PAIRS, BEST_SPEEDS = 24, 2
"""Pairs of speed and counts whose mesh is looked at, and speeds of which every count's is."""
MORE = 9.2
"""Log odds, ln 1e4, by which a drive of other counts must explain more to be named: as many speeds and counts are
tried, and one of them explains that much more by luck."""
LOOKED_AT, MOST_RIVALS = 24, 3
"""Drives whose output pins are looked for too, and those that are named."""
PASSES = range(5, 17)
"""Output pins that drives are made with (common practice)."""
CERTAIN = 13.8
"""Log odds, ln 1e6, from which on another drive is as good as detected: the best of about 1e4 speeds and counts, where
one file in a hundred is the wrong one (common practice)."""
SIDES = 2
"""Side lines of a rival's mesh, either side, that are counted as its own (common practice)."""
FINE = 8
"""Speeds either side of one, between it and the next, at which meshes are looked for: less than a bin apart for 120
pins."""
OWN_SPEEDS = 8
"""Speeds of the drive of the file whose mesh is looked at, where its speed is hardly known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """A drive of ``count`` pins and ``count - difference`` lobes whose shaft turns ``speed`` times the stated speed.

    ``log_odds``: of its lines over those of the drive of the file; ``sister``: of which speed a second drive of the
    counts of the file explains more; None where none does.
    """

    count: int
    difference: int
    speed: float
    log_odds: float
    sister: float | None = None

    def apart(self, other: Rival) -> float:
        """The most by which the combs of the two differ at the first multiple."""
        return max(abs(mine - its) for mine, its in zip(self.combs, other.combs, strict=True))

    @property
    def combs(self) -> tuple[float, float]:
        """Orders of the stated speed of whose multiples its lines are made: shaft and lobe."""
        return self.speed, self.speed * lobe_order(self.count, self.difference)

    def lines(self, top: float) -> Real:
        """Orders (k,) up to ``top`` of the lines that it would make: its shaft's first ones, its lobes' and so those of
        any number of output pins, its mesh with side lines at both.

        Not all multiples of its shaft, of which any that is no mesh of its own would show another drive; but for a
        rival that is as good as detected: whatever stands there may be its own."""
        shaft, lobe = self.combs
        most = int(top / shaft) if self.log_odds >= CERTAIN else SHAFT_ORDERS
        meshes = np.arange(1, int(top / (self.count * shaft)) + 1) * (self.count * shaft)
        sides = [number * spacing for number in range(-SIDES, SIDES + 1) for spacing in (shaft, lobe)]
        made = [
            np.arange(1, most + 1) * shaft,
            np.arange(1, int(top / lobe) + 1) * lobe,
            *(meshes + side for side in sides),
        ]
        return np.asarray(np.concatenate(made))

    def sisters_lines(self, family: Family, top: float) -> list[float]:
        """Orders up to ``top`` of the lines of the second drive of ``family``'s counts; none where there is none."""
        if self.sister is None:
            return []
        own = Rival(count=family.count, difference=round(family.difference), speed=self.sister, log_odds=CERTAIN)
        return [float(order) for order in own.lines(top)]


def rivals(axis: Axis, families: Sequence[Family], spread: float, slip: float = SLIP) -> list[Rival]:
    """Drives of other counts that explain clearly more (``MORE``) on ``axis`` than ``families`` do at a speed within
    ``spread`` (relative), best first. Their speeds are within ``slip`` (relative). None where the first stage has no
    lobes, or its mesh was not measured: lobes and output pins of neighbouring counts are too alike.

    They are the best of many that were tried, so they are no proof of another drive; but lines that one of them would
    make as well prove nothing of this one.
    """
    first = families[0] if families else None
    if first is None or first.unit != 1.0 or not first.difference or not axis.holds(first.count):
        return []
    made = np.concatenate([family.own() for family in families])
    worth = _worth(axis, strays_of(axis, made, np.ones(1)))
    best_own = _best_own(worth, families, spread)
    claimed = lobe_order(first.count, first.difference)
    found: list[Rival] = []
    for difference, pins, speeds in _tried(worth, slip):
        # A drive whose lobes fall on those of the file's is distinguished from it by its mesh alone: not here.
        past = lobe_order(pins, difference)
        kept = _lobes_apart(axis, past, claimed)
        pins, past, speeds = pins[kept], past[kept], speeds[kept]
        if not pins.size:
            continue
        other = Family(count=FEWEST_LOBES, unit=1.0, difference=difference)
        total = _totals(worth, other, pins, speeds, claimed)
        place = total.argmax(axis=1)
        most = np.take_along_axis(total, place[:, None], axis=1)[:, 0]
        close = np.argsort(most)[::-1][:LOOKED_AT]
        at = np.take_along_axis(speeds, place[:, None], axis=1)[close]
        odds = _totals(worth, other, pins[close], at, claimed, pitch=True)[:, 0] - best_own
        odds += _passes(worth, PASSES, past[close], at)[:, 0]
        found += [
            Rival(count=count, difference=difference, speed=speed, log_odds=lead)
            for count, speed, lead in zip(pins[close].tolist(), at[:, 0].tolist(), odds.tolist(), strict=True)
            if lead >= MORE
        ]
    found += _neighbours(worth, first, spread, best_own)
    kept_apart: list[Rival] = []
    for one in sorted(found, key=lambda one: -one.log_odds):
        if all(one.apart(other) > RESOLVED_BINS * axis.step for other in kept_apart) and len(kept_apart) < MOST_RIVALS:
            kept_apart.append(one)
    return [replace(one, sister=_sister(worth, first, one, spread)) for one in kept_apart]


def _lobes_apart(axis: Axis, past: Real, claimed: float) -> NDArray[np.bool_]:
    """Whether lobes that come by at the orders ``past`` (drives,) are resolved from those at ``claimed``."""
    return np.asarray(LOBE_ORDERS * np.abs(past - claimed) > RESOLVED_BINS * axis.step)


def _neighbours(worth: _Worth, family: Family, spread: float, best_own: float) -> list[Rival]:
    """Drives of a few pins more or less whose lobes are not resolved from those of ``family``, at the speeds from the
    stated one to that at which they fall on these, where they explain clearly more than the drive of the file does
    (``best_own``). Shaft, lobes and output pins are then alike, and each mesh is a side line of the other's: which is
    the mesh is shown by its harmonics, which lie twice and three times as far apart."""
    difference = round(family.difference)
    if difference != family.difference:
        return []
    claimed = lobe_order(family.count, difference)
    near = range(max(family.count - NEIGHBOURS, FEWEST_LOBES + difference), family.count + NEIGHBOURS + 1)
    pins = np.array([count for count in near if count != family.count])
    pins = pins[~_lobes_apart(worth.axis, lobe_order(pins, difference), claimed)]
    if not pins.size:
        return []
    past = lobe_order(pins, difference)
    slowest, fastest = np.minimum(claimed / past, 1.0) - spread, np.maximum(claimed / past, 1.0) + spread
    fine = float((fastest - slowest).max()) * MESH_HARMONICS * family.count / (FINEST_BINS * worth.axis.step)
    speeds = np.linspace(slowest, fastest, int(np.clip(np.ceil(fine), 2, MOST_SPEEDS)), axis=1)
    other = Family(count=FEWEST_LOBES, unit=1.0, difference=difference)
    total = _totals(worth, other, pins, speeds) + _passes(worth, (family.passes,), past, speeds)
    place = total.argmax(axis=1)
    return [
        Rival(count=int(count), difference=difference, speed=float(row[best]), log_odds=float(some[best] - best_own))
        for count, row, some, best in zip(pins, speeds, total, place, strict=True)
        if some[best] - best_own >= MORE
    ]


def _sister(worth: _Worth, family: Family, rival: Rival, spread: float) -> float | None:
    """Speed of a second drive of the counts of the file whose shaft turns where the shaft or the lobes of ``rival``
    would, if there is one: mesh, pass of the pins and lobes of it all stand there, and say more than the rival does. A
    drive of other counts has its shaft or its lobes there, but at most one of those families."""
    pins, past = np.array([family.count]), np.array([lobe_order(family.count, family.difference)])
    for order in rival.combs:
        if abs(order - 1.0) <= spread + RESOLVED_BINS * worth.axis.step:
            continue
        fine = order * (1.0 + np.linspace(-1, 1, 2 * FINE + 1) * _coarse(worth.axis, 0.0)[1])[None]
        shaft = worth.shaft(fine.ravel())
        lobes = worth.lobes(past, fine)[0]
        mesh = _totals(worth, family, pins, fine, pitch=True)[0] - shaft - lobes
        families = [mesh, lobes, *([_passes(worth, (family.passes,), past, fine)[0]] if family.passes else ())]
        best = int(np.sum(families, axis=0).argmax())
        said = [float(one[best]) for one in families]
        if min(said) >= LEAST_OWN and sum(said) >= rival.log_odds:
            return float(fine[0, best])
    return None


def _best_own(worth: _Worth, families: Sequence[Family], spread: float) -> float:
    """Log odds of the lines of the drive of the file, all stages, at the best speed within ``spread``."""
    family = families[0]
    speeds, half = _coarse(worth.axis, spread)
    past = np.array([lobe_order(family.count, family.difference)])
    low = worth.shaft(speeds) + worth.lobes(past, speeds)[0]
    about = speeds[np.argsort(low)[::-1][:OWN_SPEEDS]]
    fine = about[:, None] * (1.0 + np.linspace(-min(half, spread), min(half, spread), 2 * FINE + 1))
    pins = np.full(about.size, family.count)
    total = _totals(worth, family, pins, fine)
    if (plain := family.plain) is not None:
        total = or_plainly(total, _totals(worth, plain, pins, fine))
    total = total + _passes(worth, (family.passes,), np.repeat(past, about.size), fine)
    for slower in families[1:]:
        lines = slower.lines([slower.count])
        resolved = np.isfinite(lines.orders[0])
        ratio = worth.at(lines.orders[0][resolved, None] * fine.ravel(), lines.seen[0][resolved, None])
        kind = np.where(lines.part == SIDE_LINES, MESH, lines.part)[resolved]
        for part in np.unique(kind).tolist():
            total = total + _detectable(ratio[kind == part].sum(axis=0), part).reshape(fine.shape)
    return float(total.max())


def _coarse(axis: Axis, slip: float) -> tuple[Real, float]:
    """Speeds within ``slip`` at which no line of low order is missed, and half their step."""
    step = FINEST_BINS * axis.step / SHAFT_ORDERS
    return 1.0 + np.arange(-np.floor(slip / step), np.floor(slip / step) + 1) * step, step / 2


def _passes(worth: _Worth, passes: Sequence[int], past: Real, speeds: Real) -> Real:
    """Log odds (drives, k) of the pass of any one of so many output pins."""
    if not any(passes):
        return np.zeros(speeds.shape)
    k = np.arange(1.0, PASS_HARMONICS + 1.0)
    # (counts, drives, harmonics, k)
    orders = np.asarray(passes)[:, None, None, None] * k[:, None] * (past[:, None] * speeds)[:, None, :]
    ratio = worth.at(orders.reshape(-1, orders.shape[-1]), PASS_SEEN).reshape(orders.shape).sum(axis=2)
    return np.asarray(logsumexp(_detectable(ratio, 1), axis=0) - np.log(len(passes)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Worth:
    """Log odds of a line at any place of ``axis``; those of low orders, which are asked most, from tables by how often
    such a line can be seen, at every ``grain`` orders."""

    axis: Axis
    strays: Strays
    grain: float
    tables: Mapping[float, Real]

    def at(self, orders: Real, seen: Real | float) -> Real:
        """Of ``orders`` (any shape)."""
        surprise = self.axis.at(orders, shaft=True)
        return line_ratios(surprise, seen, self.rate(surprise))

    def rate(self, surprise: Real) -> Real:
        """How often a line of something else stands as high, wherever it lies."""
        nowhere = np.zeros((surprise.shape[0], 1), dtype=bool)
        return self.strays.rate(surprise, nowhere, nowhere.astype(np.float64))

    def low(self, orders: Real, seen: float) -> Real:
        """Of ``orders`` (any shape) up to ``LOW_ORDERS``."""
        places = orders * (1.0 / self.grain)
        # Beyond the table its last value stands.
        return np.take(self.tables[seen], np.rint(places, out=places).astype(np.intp), mode="clip")

    def shaft(self, speeds: Real) -> Real:
        """Of the shaft's lines together (speeds,); those that only pitch errors make are seen as those of lobes are."""
        k = np.arange(1.0, PITCH_ORDERS + 1.0)[:, None] * speeds
        first, higher, pitch = k[:3], k[3:SHAFT_ORDERS], k[SHAFT_ORDERS:]
        total = self.low(first, SHAFT_SEEN).sum(axis=0) + self.low(higher, HIGHER_SEEN).sum(axis=0)
        return np.asarray(total + self.low(pitch, LOBE_SEEN).sum(axis=0))

    def lobes(self, past: Real, speeds: Real) -> Real:
        """Of the lobes' (drives, k), of drives whose lobes come by at ``past`` (drives,) orders of their ``speeds``
        (drives, k) or (k,); what lies on the feet of the shaft's says nothing."""
        total = np.zeros((past.size, speeds.shape[-1]))
        for k in range(1, LOBE_ORDERS + 1):
            places = k * past
            clear = np.abs(places - np.rint(places)) > CLEAR_BINS * self.axis.step
            total[clear] += self.low(places[clear, None] * (speeds[clear] if speeds.ndim == 2 else speeds), LOBE_SEEN)
        return _detectable(total, 2)


def _worth(axis: Axis, strays: Strays) -> _Worth:
    grain = axis.step / 2
    plain = _Worth(axis=axis, strays=strays, grain=grain, tables={})
    orders = np.arange(0.0, LOW_ORDERS, grain)[None]
    tables = {seen: plain.at(orders, seen)[0] for seen in (SHAFT_SEEN, HIGHER_SEEN, LOBE_SEEN)}
    return _Worth(axis=axis, strays=strays, grain=grain, tables=tables)


def _tried(worth: _Worth, slip: float) -> Iterator[tuple[int, Ints, Real]]:
    """Difference, pins (drives,), speeds (drives, k): those that explain most of the lines of low order, each with its
    lobes; and all pins at the speeds that the shaft's lines alone allow."""
    axis = worth.axis
    speeds, half = _coarse(axis, slip)
    shaft = worth.shaft(speeds)
    apart: list[float] = []
    for place in np.argsort(shaft)[::-1].tolist():
        if all(abs(speeds[place] - other) > 2 * axis.step for other in apart):
            apart.append(float(speeds[place]))
            if len(apart) == BEST_SPEEDS:
                break
    for difference in DIFFERENCES:
        # Twice the difference with twice the pins makes the same lobes.
        pins = np.array([c for c in COUNTS if c >= FEWEST_LOBES + difference])
        both = shaft + worth.lobes(lobe_order(pins, difference), speeds)
        best = np.argpartition(both, -BEST_PAIRS, axis=None)[-BEST_PAIRS:]
        tried = np.concatenate([pins[best // speeds.size], np.tile(pins, len(apart))])
        about = np.concatenate([speeds[best % speeds.size], np.repeat(apart, pins.size)])
        yield difference, tried, about[:, None] * (1.0 + np.linspace(-half, half, 2 * FINE + 1))


def _detectable(ratio: Real, part: int) -> Real:
    return np.asarray(np.logaddexp(np.log(1 - AUDIBLE[part]), np.log(AUDIBLE[part]) + ratio))


def _totals(
    worth: _Worth, family: Family, pins: Ints, speeds: Real, claimed: float = 0.0, *, pitch: bool = False
) -> Real:
    """Log odds of the lines of drives of ``pins`` (drives,), each at its ``speeds`` (drives, k): shaft, mesh, lobes.
    A mesh line that is a multiple of the order ``claimed`` does not support any. ``pitch``: whether a mesh must stand
    out of what pitch errors may make."""
    axis, lines = worth.axis, family.lines(pins.tolist())
    shafts_own = (np.abs(lines.orders - np.rint(lines.orders)) <= CLEAR_BINS * axis.step) & (
        lines.orders < SHAFT_LINES - 0.5
    )
    resolved = np.isfinite(lines.orders) & ~shafts_own & np.isin(lines.part, (MESH, SIDE_LINES))
    drive = np.nonzero(resolved)[0]
    orders = lines.orders[resolved][:, None] * speeds[drive]
    surprise = axis.at(orders, shaft=True)
    rate = worth.rate(surprise)
    if pitch:
        rate = np.maximum(rate, _pitch_rate(worth, surprise[:, 0], orders[:, 0], drive)[:, None])
    ratio = line_ratios(surprise, lines.seen[resolved][:, None], rate)
    if claimed:
        shared = np.abs(orders - np.rint(orders / claimed) * claimed) <= CLEAR_BINS * axis.step
        ratio = np.where(shared, np.minimum(ratio, 0.0), ratio)
    mesh = np.zeros((*resolved.shape, speeds.shape[1]))
    mesh[resolved] = ratio
    past = lobe_order(pins, family.difference)
    shaft = worth.shaft(speeds.ravel()).reshape(speeds.shape)
    return np.asarray(shaft + _detectable(mesh.sum(axis=1), MESH) + worth.lobes(past, speeds))


def _pitch_rate(worth: _Worth, surprise: Real, orders: Real, drive: Ints) -> Real:
    """Share of the multiples of the shaft at the stated speed that stand as high as ``surprise`` (lines,), near in
    order, where ``orders`` (lines,) are such multiples themselves, else 0: pitch errors make them all, and any of them
    would be a mesh of some count. Those that the ``drive`` (lines,) of a line makes itself are not counted."""
    strays = worth.strays
    found = np.zeros(orders.size)
    reach = CLEAR_BINS * worth.axis.step
    rows = np.flatnonzero(strays.are_whole(orders, reach) & (orders > SHAFT_LINES - 0.5))
    if not rows.size or not strays.at.size:
        return found
    place, least = np.rint(orders[rows]), np.maximum(np.nan_to_num(surprise[rows]) / AS_HIGH, STANDS)[:, None]

    def near(places: Real) -> NDArray[np.bool_]:
        """Which lie within an octave of each line's place (lines, places)."""
        return np.asarray((places >= place[:, None] / 2) & (places <= 2 * place[:, None]))

    all_near = near(strays.at)
    own = near(place) & (drive[rows][:, None] == drive[rows]) & np.isin(place, strays.at)
    stand = (all_near & (strays.whole[:, 0] >= least)).sum(axis=1) - (own & (surprise[rows] >= least)).sum(axis=1)
    count = np.maximum(0, all_near.sum(axis=1) - own.sum(axis=1))
    found[rows] = np.maximum(stand, 0) / (count + PLACES_MORE)
    return found
