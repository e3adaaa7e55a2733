"""Was this drive detected, running, all the time? Its own families of lines against those of drives of any other count.

Lines of a shaft show that something turns at a speed; a pump does so too. What only this drive makes are its meshes, so
many per turn of the shaft, with side lines at what carries the meshing parts, and its pins passing the load. The same
families with other counts are decoys: blades, vanes and strays, which fit one line here and there, pay through them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import local_floor
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.signal_analysis import ChannelSpectrum
from vibe.spectra.speed.line_likelihood import LOUDEST
from vibe.spectra.speed.phase_refinement import all_laid, low_passed

Real = NDArray[np.float64]

MESH_SEEN, SIDE_SEEN, PASS_SEEN, LOBE_SEEN = 0.6, 0.3, 0.4, 0.3
"""Probability that a harmonic of a mesh, a side line of it, a harmonic of the pins' pass, one of the lobes of a sound
drive can be seen (simulated fleet: 0.7, 0.4, 0.5, 0.4; lower, because real paths differ more)."""
MESH_HARMONICS, SIDE_HARMONICS, PASS_HARMONICS, LOBE_HARMONICS = 3, 2, 3, 4
"""Lines of each family that are looked for: the first ones, which are strongest (common practice)."""
MOST_HARMONICS = 8
"""Of a decoy of few parts, which reaches as high as the drive's own mesh does."""
AUDIBLE = (0.9, 0.5, 0.4, 0.6)
"""Probability that mesh, pins' pass, lobes of a sound drive, and side lines of its mesh, are detected at all (common
practice)."""
IN_ENVELOPE = 0.3
"""And that they modulate what rings above."""
SHAFT_SEEN = 0.9
"""Of the first three multiples of the shaft. They are no proof, since any machine has them; that they are missing shows
of a speed that is another line's."""
SHAFT_MISSING = -5.0
"""Evidence of the shaft's lines below which none of them stands: then the speed may be another line's, and what lies
off the whole multiples may be the whole multiples of another rotor."""
ALIAS = -6.9
"""Log odds, ln 1/999, against a speed at which the shaft's first line is missing and a lobe's would stand."""
CHOSEN = 5.0
"""Log odds, ln 150, that a speed found in the signal costs, which the shaft's own lines must pay first: where they do
not stand, what is counted chose the speed, and found a line in one of some 150 places (6 % of 25 orders, a bin of 0.01
orders each)."""
COVERED = ALIAS - CHOSEN
"""The same where another rotor's line covers the first and none of the others stands."""
SHAFT_LINES = 7.0
"""Orders below which whole multiples are the shaft's own, whatever turns."""
CLEAR_BINS = 5.0
"""Bins from a whole multiple at which a line is no skirt of the shaft's."""
STANDS = 4.6
"""Surprise from which a place counts as a line when strays are counted: noise reaches it once in a hundred."""
AS_HIGH = 3.0
"""A stray this many times fainter in power still counts as one as high: 5 dB, as paths differ from line to line."""
AS_CLEAR = 9.2
"""And from which a line leaves no doubt that it is one, ln 1e4: noise has as many places in a spectrum."""
FEWEST_STRAYS, PLACES_MORE = 0.5, 10.0
"""Added to lines and places counted (Jeffreys' prior and a little more): no spectrum is free of strays."""
HIGHEST_WHOLE = 130
"""Highest multiple of the shaft at which strays are counted: as far as decoys' counts reach."""
SKIRT_BINS, SKIRT = 10, 0.03
"""Bins around a line within which what is this much weaker in power is its skirt: speed varies, windows leak."""
IN_SKIRT = -np.inf
"""Stands there: such a place shows nothing."""
COUNTS = range(4, HIGHEST_WHOLE + 1)
"""Counts of decoys: blade wheels and other ratios."""
ALIKE = 2
"""Counts this near share their first side lines with the drive's own mesh and say nothing against it."""
PRIOR_OWN, PRIOR_OTHER, PRIOR_NONE = 0.90, 0.05, 0.05
"""Chance, before anything is detected, that a capture is of the drive it is filed under, of another one, of none that
runs (common practice)."""
DETECTED_FROM = 2.94
"""Log odds, ln 19, against other drives and none, from which on the drive counts as detected: one in twenty is the
usual doubt (common practice), and the probability is stated with it."""
LEAST_MESH = 3.0
"""Evidence, ln 20, that the mesh itself must give: with the other lines' it makes ``LEAST_OWN`` and more."""
LEAST_OWN = 4.6
"""Evidence that must be there whatever the decoys say: noise makes that once in a hundred."""
ONCE_IN = 100
"""Meshes of which the own one must be the first, where its evidence alone does not show that noise makes it no more
often (the same one in a hundred)."""
FINEST_BINS = 0.5
"""Step of the speeds that are tried, in bins of the highest line."""
MOST_SPEEDS = 600
"""Speeds that are tried at most, for the sake of time."""
SEGMENT_TURNS = 16.0
"""Turns of a segment in which usual lines are followed: a Hann window shows lines an eighth of an order apart."""
MISSING_DB = -12.0
"""A usual line this far below its median is missing: speed variation and beating take half of it."""
ALIAS_BINS = 2.5
"""Bins of a segment from which on a line is not taken for its neighbour: three are read at each place."""
LONGEST_GAP_S = 1.0
"""Time for which usual lines may be missing in a drive that runs: a stop takes longer (common practice)."""
ANTI_ALIAS = 2 / 2.56
"""Share of half the sample rate up to which recorders pass what they measure; their filters fall off above."""
SLOW = 0.5
"""Share of the turns of a contact below which what knocks is slower than anything that makes side lines of a mesh."""
ROW_APART_BINS = 6
"""Bins between the lines of a row from which on each is one of its own: the best of three bins, and as many between."""
OUTSIDE_APART = 8.0
"""Times the bins hidden at its lines by which those of an outside comb must lie apart: a denser one would hide all."""
HUM_HARMONICS = 40
"""Multiples of the mains that power supplies make (the 40 that IEC 61000-3-2 limits, from memory)."""
HUM_BINS = 2.5
"""Bins either side of a multiple of the mains in which nothing is known: its hum is everywhere."""

HIGHEST = 1e6
"""Surprise up to which lines are compared: the loudest are as loud."""
EVERYWHERE = -1
"""Stands for all half octaves."""
FIRST = np.array([[1.0], [2.0], [3.0]])
"""The first multiples of the shaft, (3, 1)."""
MOST_AT_ONCE = 2**15
"""Places that are read together, so that what they need stays in the processor's cache."""
PARTS = 4
"""Families of lines that a meshing makes: mesh, pass of the pins, lobes, and side lines of the mesh: all of these
stand or none, as its load changes in a turn or does not."""
MESH, SIDE_LINES = 0, 3
"""Numbers of the two that show the counts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Lines of several drives alike but for their counts: ``orders`` (drives, m), NaN where one has no such line; which
    of the ``PARTS`` makes each (``part``, (m,)), and the probability that it can be ``seen`` (m,)."""

    orders: Real
    part: NDArray[np.int64]
    seen: Real

    def own(self, *parts: int) -> Real:
        """All orders of ``parts``, sorted."""
        orders = self.orders[:, np.isin(self.part, parts)]
        return np.sort(orders[np.isfinite(orders)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One meshing of a drive: ``count`` parts pass a contact that travels at ``unit`` (order of the input).

    ``difference``: of a cycloidal pair, pins minus lobes; 0 where there are no lobes, and of a ring in which only every
    n-th place has a pin the n-th part, as there are n times as many lobes too. ``passes``: output pins that take
    the load in turn, 0 where there are none. ``sides``: further spacings of side lines, in orders. ``ring_turns``: the
    disc does not turn, so it is the lobes that the contact passes as often whatever their count.
    """

    count: int
    unit: float
    difference: float = 0
    passes: int = 0
    sides: tuple[float, ...] = ()
    ring_turns: bool = False

    @property
    def turn(self) -> float:
        """Order of whose multiples the meshes of drives of all counts are: a turn of the contact past pins or lobes,
        which repeats their pitch errors."""
        return self.unit * self.count / (self.count - self.difference) if self.ring_turns else self.unit

    def own(self) -> Real:
        """All orders (m,) that the drive itself makes, sorted."""
        return self.lines([self.count]).own(*range(PARTS))

    def lines(self, counts: Sequence[int], apart: float = 0.0) -> Lines:
        """What drives of ``counts`` such parts make: mesh with its side lines, pass of the pins, lobes. Side lines no
        more than ``apart`` (orders) from their mesh's are left out, since its line stands there too, and of two no
        farther from each other one."""
        count = np.array(counts, dtype=np.float64)[:, None]
        unit = past = np.full_like(count, self.unit)
        if self.difference:
            past = self.unit * count / (count - self.difference)
        if self.ring_turns:
            past = np.full_like(count, self.unit * self.count / (self.count - self.difference))
            unit = past * (count - self.difference) / count
        mesh, higher = count * unit, np.maximum(1.0, self.count / count)
        k = np.arange(1, MOST_HARMONICS + 1)
        made = np.where(k <= np.rint(higher * MESH_HARMONICS), k * mesh, np.nan)
        # The load goes round with the shaft, whichever of pins and lobes stand still: its spacing comes first.
        first, second = (past, unit) if self.ring_turns else (unit, past)
        second = np.where(second == first, np.nan, second)
        spacings = [first, second, *(np.full_like(count, s) for s in set(self.sides))]
        for further in spacings[2:]:
            further[(further == unit) | (further == past)] = np.nan
        spacings = [np.where(spacing > apart, spacing, np.nan) for spacing in spacings]
        spacings[1][np.abs(spacings[1] - spacings[0]) <= apart] = np.nan
        sides = [made[:, :SIDE_HARMONICS] + sign * spacing for spacing in spacings for sign in (-1, 1)]
        passing = k[:PASS_HARMONICS] * self.passes * past if self.passes else np.empty((count.size, 0))
        # Of few lobes the pins' pass falls on the mesh: one line is no proof of both.
        times = np.rint(passing / mesh)
        passing[(times > 0) & (np.abs(passing - times * mesh) <= max(apart, 1e-6))] = np.nan
        lobes = k[:LOBE_HARMONICS] * past if self.difference else np.empty((count.size, 0))
        parts = (
            (made, 0, MESH_SEEN),
            *((side, SIDE_LINES, SIDE_SEEN) for side in sides),
            (passing, 1, PASS_SEEN),
            (lobes, 2, LOBE_SEEN),
        )
        return Lines(
            orders=np.concatenate([orders for orders, _, _ in parts], axis=1),
            part=np.concatenate([np.full(orders.shape[1], part) for orders, part, _ in parts]),
            seen=np.concatenate([np.full(orders.shape[1], seen) for orders, _, seen in parts]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """``log_odds`` that the drive was detected; ``own`` evidence without the decoys, of all its lines or of its mesh,
    the lesser; ``better``: the count of another mesh that explains more (None where none does)."""

    log_odds: float
    own: float
    better: int | None

    @property
    def probability(self) -> float:
        return float(1 / (1 + np.exp(-np.clip(min(self.log_odds, self.own), -700.0, 700.0))))

    @property
    def detected(self) -> bool:
        return self.log_odds >= DETECTED_FROM and self.own >= LEAST_OWN


def presence(
    axes: Sequence[Axis],
    families: Sequence[Family],
    spread: float,
    *,
    pulsed: bool = False,
    guessed: bool = False,
    outside_combs: Sequence[float] = (),
    rival: Sequence[float] = (),
    counted: bool = False,
    covered: Sequence[int] = (),
) -> Presence | None:
    """Whether ``families`` stand on ``axes``, of the spectra and of the envelope, at one speed within ``spread``
    (relative).

    ``pulsed``: the speed comes from a pulse sensor and is no alias; ``guessed``: it comes from nothing in the signal.
    ``outside_combs``: orders of combs of other machines, whose multiples say nothing. ``rival``: orders of the lines
    that drives which may be there instead or as well would make; they say nothing even where the mesh lies on them.
    ``counted``: all these are of a drive whose counts are known. ``covered``: multiples of the shaft on whose place a
    stronger line next to it has its foot. None where no family has a line in what was measured.
    """
    apart = [order for order in outside_combs if not _meets_mesh(order, families, axes[0].step)]
    axes = [one.without(apart) for one in axes]
    families = [f for f in families if any(axes[0].holds(order) for order in f.own())]
    if not families:
        return None
    made = np.concatenate([family.own() for family in families])
    top = float(made.max())
    count = int(np.clip(np.ceil(2 * spread * top / (FINEST_BINS * axes[0].step)), 1, MOST_SPEEDS))
    speeds = 1.0 + (np.linspace(-spread, spread, count) if count > 1 else np.zeros(1))
    likely = _likely_speeds(speeds, spread, guessed)
    measured = axes
    slow = [order for order in outside_combs if order < SLOW * min(family.unit for family in families)]
    axes = [one.without_lines(rival).without_rows(slow) for one in axes]  # A rival's lines are strays still.
    if not pulsed and _turns_twice(measured[0], speeds):
        axes = [one.without_lines(np.arange(2.0, one.top, 2.0).tolist()) for one in axes]
    input_strays = strays_of(measured[0], made, speeds)
    shaft = np.zeros(speeds.size)
    if not pulsed:
        shaft = _shaft(axes[0], input_strays, families[0], speeds, covered, 0.0 if guessed else CHOSEN)
    by_stage: list[tuple[float, float, int | None]] = []
    together = np.zeros((3, speeds.size))
    for number, family in enumerate(families):
        others = [f for k, f in enumerate(families) if k != number]
        strays = [strays_of(axis, made, speeds, family.turn) for axis in measured]
        rotors = _rotors(measured, made, speeds, shaft, family)
        counts = [c for c in COUNTS if abs(c - family.count) > ALIKE and c > 2 * family.difference]
        # The drive itself, all of it but its mesh, then its decoys.
        lines = family.lines([family.count, family.count, *counts], CLEAR_BINS * axes[0].step)
        lines.orders[1][np.isin(lines.part, (MESH, SIDE_LINES))] = np.nan
        lines.orders[2:][_own_by_another(lines, family, others, CLEAR_BINS * axes[0].step)] = np.nan
        said = _evidence(axes, strays, shaft, lines, speeds, rotors)
        # What the mesh adds is asked at the speeds at which the other lines stand.
        rest = float(_over_speeds(said[1], likely))
        evidence = _over_speeds(shaft + said, likely)
        own = float(evidence[0])
        mesh = own - rest
        # Lobes and pins' pass of an alias fit another rotor's multiples: what shows must be the mesh too, or where it
        # lies outside the band, the others twice as clearly.
        own_mesh = family.count * family.unit
        clear = mesh if axes[0].holds(own_mesh) else own - LEAST_OWN
        clear += max(0.0, min(rest, _no_rotor(axes[0], strays[0], family, speeds)))
        odds, best = _over_decoys(evidence), int(evidence[2:].argmax())
        better = counts[best] if evidence[2 + best] > own else None
        enough = better is None and LEAST_MESH <= own < LEAST_OWN
        if enough and _first_of_all(mesh, evidence[2:], lines.orders[2:, 0], axes[0].top):
            own = LEAST_OWN  # Twenty to one is enough where no other count says as much.
        if better is not None and not guessed:
            # Wheels that the file leaves out may turn next to the drive's own: what those do not explain must show
            # twice as clearly.
            taken = lines.orders[2 + best]
            taken = np.sort(taken[np.isfinite(taken)])
            lines.orders[_is_near(lines.orders, taken, CLEAR_BINS * axes[0].step)] = np.nan
            said = _evidence(axes, strays, shaft, lines, speeds, rotors)
            rest, left = float(_over_speeds(said[1], likely)), _over_speeds(shaft + said, likely)
            odds = max(odds, min(_over_decoys(left), float(left[0]) - rest + LEAST_OWN - LEAST_MESH) - LEAST_OWN)
        by_stage.append((odds, min(own, clear + LEAST_OWN - LEAST_MESH), better))
        if len(families) > 1:
            together += _together(axes, strays, shaft, family, families[:number], counts, speeds, rotors)
    if len(families) > 1:
        # All meshings at once, at one speed, against drives of other counts in each.
        own, rest = float(_over_speeds(shaft + together[0], likely)), float(_over_speeds(together[1], likely))
        other = float(_over_speeds(shaft + together[2], likely))
        by_stage.append((_over_another(own, other), min(own, own - rest + LEAST_OWN - LEAST_MESH), None))
    # One stage that is detected is proof enough; that the best of them was taken is paid for.
    odds, own, better = max(by_stage, key=lambda one: min(one[0], one[1]))
    if rival and not counted:
        own -= LEAST_OWN  # Of a rival nothing but counts is known; what it leaves must show twice as clearly.
    return Presence(log_odds=odds - float(np.log(len(by_stage))), own=own, better=better)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strays:
    """Surprise where the drive itself makes nothing: ``whole`` (multiples, speeds), at the orders ``at`` (multiples,)
    of the shaft, where blades, vanes and pitch errors are; and ``lines`` (k,), sorted, of those that stand among
    ``places`` elsewhere. ``unit``: order of that shaft, the one past which the parts of a meshing are counted."""

    at: Real
    whole: Real
    lines: Real
    places: int
    unit: float = 1.0
    near: Mapping[int, SortedColumns] = field(default_factory=dict)
    """By half octave: ``whole`` within an octave of its middle, and under ``EVERYWHERE`` all of them."""

    def are_whole(self, orders: Real, near: float) -> NDArray[np.bool_]:
        """Which of ``orders`` lie within ``near`` of a multiple of the shaft."""
        return np.asarray(np.abs(orders - np.rint(orders / self.unit) * self.unit) <= near)

    def rate(self, surprise: Real, whole: NDArray[np.bool_], orders: Real) -> Real:
        """How often a line of something else stands as high as ``surprise`` (lines, speeds), less a factor; ``whole``
        (lines, 1) shows which of the ``orders`` (lines, 1) are multiples of the shaft. A loud line among faint ones is
        no stray."""
        least = np.fmax(surprise / AS_HIGH, STANDS)
        above = self.lines.size - np.searchsorted(self.lines, least)
        rate = (above + FEWEST_STRAYS) / (self.places + PLACES_MORE)
        rows = np.flatnonzero(whole[:, 0])
        if rows.size and self.near:
            rate[rows] = np.maximum(rate[rows], self._near(least[rows], orders[rows, 0]))
        return np.asarray(rate)

    def _near(self, least: Real, orders: Real) -> Real:
        """Share of the multiples of the shaft that stand as high as ``least`` (lines, speeds) within an octave of each
        of ``orders`` (lines,): they grow fainter with their order, and what is rare among all is common among the low
        ones. Where few are near, those elsewhere count too."""
        every = self.near[EVERYWHERE]
        usual = (every.above(least) + FEWEST_STRAYS) / (every.count + PLACES_MORE)
        rate, half_octave = usual.copy(), _half_octave(orders)
        for one in np.unique(half_octave).tolist():
            if one in self.near:
                some, near = half_octave == one, self.near[one]
                rate[some] = (near.above(least[some]) + PLACES_MORE * usual[some]) / (near.count + PLACES_MORE)
        # That none is near shows no more than that none is anywhere.
        return np.maximum(rate, FEWEST_STRAYS / (every.count + PLACES_MORE))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SortedColumns:
    """Values (``count``, columns) in which is asked how many reach something; all ``ordered`` in one row, columns one
    after another, ``HIGHEST`` apart."""

    ordered: Real
    count: int

    @classmethod
    def of(cls, values: Real) -> SortedColumns:
        apart = HIGHEST * np.arange(values.shape[1])
        return cls(ordered=(np.sort(np.minimum(values, HIGHEST), axis=0) + apart).T.ravel(), count=values.shape[0])

    def above(self, least: Real) -> Real:
        """How many reach ``least`` (lines, columns); of one column, all of ``least`` are asked in that."""
        columns = np.arange(least.shape[1]) if self.ordered.size > self.count else np.zeros(1)
        below = np.searchsorted(self.ordered, np.minimum(least, HIGHEST) + HIGHEST * columns)
        return np.asarray(self.count * (columns + 1) - below)


def _half_octave(orders: Real) -> NDArray[np.int64]:
    return np.asarray(np.rint(2 * np.log2(np.maximum(orders, 1.0))), dtype=np.int64)


def strays_of(axis: Axis, own: Real, speeds: Real, unit: float = 1.0) -> Strays:
    """Read in the same spectra at the places that the drive itself does not use; ``unit``: order of the shaft whose
    multiples are counted apart."""
    at = unit * np.arange(round(SHAFT_LINES), HIGHEST_WHOLE + 1, dtype=np.float64)
    at = at[np.abs(at[:, None] - own).min(axis=1) > CLEAR_BINS * axis.step]
    whole = axis.at(at[:, None] * speeds)
    known = np.isfinite(whole).all(axis=1)
    at, whole = at[known], whole[known]
    every = np.concatenate([row[int(0.5 / step) : int(HIGHEST_WHOLE / step)] for row, step in axis.rows])
    every = every[np.isfinite(every)] - np.log(len(axis.rows))
    near = {EVERYWHERE: SortedColumns.of(whole)} if at.size else {}
    for one in range(int(_half_octave(at[:1])[0]) - 2, int(_half_octave(at[-1:])[0]) + 3) if at.size else ():
        middle = 2.0 ** (one / 2)
        some = (at >= middle / 2) & (at <= 2 * middle)
        if some.any():
            near[one] = SortedColumns.of(whole[some])
    # Nothing is asked below what stands.
    lines = np.sort(every[every >= STANDS])
    return Strays(at=at, whole=whole, lines=lines, places=every.size, unit=unit, near=near)


def _turns_twice(axis: Axis, speeds: Real) -> bool:
    """Whether a rotor of twice the speed (a motor of half as many poles) stands where the drive's own shaft does not:
    the second multiple clearly, the first at none of ``speeds``. Then every second multiple may be that one's."""
    first, second = (axis.at(multiple * speeds, shaft=True).max() for multiple in (1.0, 2.0))
    return bool(first < STANDS and second >= AS_CLEAR)


def _shaft(
    axis: Axis, strays: Strays, family: Family, speeds: Real, covered: Sequence[int], chosen: float = 0.0
) -> Real:
    """What the shaft's own first lines say against a speed (speeds,), which costs ``chosen``; nothing for it.

    Where the first is missing and a lobe's stands, the lobe's place is the shaft's and the speed is an alias: all lines
    of a machine fit a speed wrong by one lobe, but for what is absent. So it is where none of the three stands and the
    place of the first is covered: what turns turns a little faster or slower, and a gear of it was taken for the mesh.
    """
    surprise = axis.at(FIRST * speeds, shaft=True)
    for multiple in covered:
        surprise[multiple - 1] = 0.0
    if 1 in covered and np.nanmax(surprise) < STANDS:
        return np.full(speeds.size, COVERED)
    # Whether anything turns at this speed is asked: that its multiples stand as well is nothing against it.
    elsewhere = np.zeros((3, 1), dtype=bool)
    first = line_ratios(surprise, SHAFT_SEEN, strays.rate(surprise, elsewhere, FIRST))
    against = np.minimum(first.sum(axis=0), 0.0)
    # A place that is covered shows nothing of how the speed was found.
    seen = [multiple - 1 for multiple in (1, 2, 3) if multiple not in covered]
    against = np.asarray(np.minimum(against, first[seen].sum(axis=0) - chosen))
    past = family.count / (family.count - family.difference)
    for alias in (past, 1 / past) if family.difference else ():
        stands = axis.at(alias * speeds, shaft=True) > STANDS
        against = np.where(stands & (surprise[0] < STANDS), np.minimum(against, ALIAS), against)
    return against


def _together(
    axes: Sequence[Axis],
    strays: Sequence[Strays],
    shaft: Real,
    family: Family,
    before: Sequence[Family],
    counts: Sequence[int],
    speeds: Real,
    rotors: Sequence[Strays] | None,
) -> Real:
    """Log likelihood ratios (3, speeds) of the lines of ``family``, of those but its mesh, and of the mean of its
    decoys of ``counts``, to be added to those of families ``before``: what these make as well is theirs."""
    near = CLEAR_BINS * axes[0].step
    lines = family.lines([family.count, family.count, *counts], near)
    of_mesh = np.isin(lines.part, (MESH, SIDE_LINES))
    lines.orders[1][of_mesh] = np.nan
    lines.orders[2:][:, ~of_mesh] = np.nan
    taken = [one.own() for one in before]
    if taken:
        lines.orders[:2][_is_near(lines.orders[:2], np.sort(np.concatenate(taken)), near)] = np.nan
    own = np.sort(np.concatenate([family.own(), *taken]))
    lines.orders[2:][_is_near(lines.orders[2:], own, near)] = np.nan
    said = _evidence(axes, strays, shaft, lines, speeds, rotors)
    return np.stack([said[0], said[1], _over_speeds(said[2:].T)])


def _no_rotor(axis: Axis, strays: Strays, family: Family, speeds: Real) -> float:
    """Log odds that what turns as fast as the lobes of ``family`` come by are lobes, and no other rotor of nearly the
    shaft's speed, whose blades would pass as the pins do: a rotor shows its own first lines, lobes seldom make theirs.
    The rotor's most likely speed; what lies on the feet of the shaft's lines shows nothing."""
    if not family.difference or family.turn != family.unit:
        return 0.0
    orders = FIRST * family.unit * family.count / (family.count - family.difference)
    whole = strays.are_whole(orders, CLEAR_BINS * axis.step)
    surprise = axis.at(orders * speeds, hidden=np.nan)
    rate = strays.rate(surprise, whole, orders)
    lobes, rotor = (line_ratios(surprise, seen, rate).sum(axis=0) for seen in (LOBE_SEEN, SHAFT_SEEN))
    return float((lobes - rotor).min())


def _first_of_all(mesh: float, decoys: Real, orders: Real, top: float) -> bool:
    """Whether ``mesh``, what the drive's own mesh and its side lines say, is more than any of the ``decoys`` (drives,)
    of other counts says, whose meshes (``orders``, NaN where one is not asked) lie below ``top``: noise and strays,
    which make all alike, put the own one first once in as many as there are."""
    asked = np.isfinite(orders) & (orders < top)
    return bool(np.count_nonzero(asked) + 1 >= ONCE_IN and mesh > decoys[asked].max(initial=-np.inf))


def _own_by_another(lines: Lines, family: Family, others: Sequence[Family], near: float) -> NDArray[np.bool_]:
    """Lines of decoys (drives from the third on, m) that say nothing: those that the drive itself makes by another way
    than the mesh whose place the decoy takes, and all but the decoy's mesh, since multiples of another rotor's speed
    would pass for the lobes or pins of some count or other."""
    # Where the pins' pass falls on the mesh, it is the mesh's place that a decoy takes.
    own = family.lines([family.count], near).own(1, 2)
    # The shafts of the meshings have their own first lines, as the input has.
    shafts = [one.turn * np.arange(1.0, SHAFT_LINES) for one in (family, *others) if one.turn != 1.0]
    elsewhere = np.sort(np.concatenate([own, *(other.own() for other in others), *shafts]))
    return ~np.isin(lines.part, (MESH, SIDE_LINES)) | _is_near(lines.orders[2:], elsewhere, near)


def _over_decoys(evidence: Real) -> float:
    """Log odds of the first drive of ``evidence`` (drives,) over those from the third on, and over none."""
    return _over_another(float(evidence[0]), float(_over_speeds(evidence[2:])))


def _over_another(own: float, other: float) -> float:
    """Log odds of a drive of which the lines say ``own``, over another one, of which they say ``other``, and none."""
    return own + float(np.log(PRIOR_OWN) - np.logaddexp(np.log(PRIOR_NONE), np.log(PRIOR_OTHER) + other))


def _is_near(orders: Real, taken: Real, near: float) -> NDArray[np.bool_]:
    """Whether each of ``orders`` (any shape) lies within ``near`` of one of ``taken`` (k,), sorted."""
    if not taken.size:
        return np.zeros(orders.shape, dtype=bool)
    after = np.searchsorted(taken, orders)
    neighbours = taken[np.maximum(after, 1) - 1], taken[np.minimum(after, taken.size - 1)]
    return np.asarray(np.minimum(*(np.abs(one - orders) for one in neighbours)) <= near)


def _meets_mesh(order: float, families: Sequence[Family], step: float) -> bool:
    """Whether multiples of an outside comb fall on a mesh of the drive: then it can hide nothing, for it would hide the
    drive too."""
    meshes = np.array([k * f.count * f.unit for f in families for k in range(1, MESH_HARMONICS + 1)])
    return bool((np.abs(meshes - np.rint(meshes / order) * order) <= HUM_BINS * step).any())


def _over_speeds(values: Real, weights: Real | None = None) -> Real:
    """Log of the mean likelihood along the last axis, ``weights`` (speeds,) of which are 1 in the mean."""
    most = values.max(axis=-1)
    likely = np.exp(values - most[..., None])
    return np.asarray(most + np.log((likely if weights is None else likely * weights).mean(axis=-1)))


def _likely_speeds(speeds: Real, spread: float, guessed: bool) -> Real:
    """Weights (speeds,), 1 in the mean, of speeds within ``spread``, three standard errors of the one that was found:
    half as a normal density has them, half alike, since a stated error may be too small (common practice). Of a
    ``guessed`` speed none is likelier."""
    if guessed or speeds.size < 2:
        return np.ones(speeds.size)
    normal = np.exp(-0.5 * (3.0 * (speeds - 1.0) / spread) ** 2)
    return np.asarray(0.5 + 0.5 * normal / normal.mean())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Axis:
    """Surprise -ln p of every place of one or more spectra, the best of three bins, paid for; 0 where nothing is."""

    rows: tuple[tuple[Real, float], ...]
    """(surprise (n,), orders per bin)."""
    audible: tuple[float, ...]

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
        return Axis(rows=rows, audible=self.audible)

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
        return Axis(rows=tuple(rows), audible=self.audible) if len(orders) else self

    def without_lines(self, orders: Sequence[float], kept: Sequence[float] = ()) -> Axis:
        """The same, what lies at ``orders`` saying nothing; but for lines ``kept``."""
        rows = []
        for row, step in self.rows:
            left = row.copy()
            left[_near(np.asarray(orders, dtype=np.float64), step, row.size)] = np.nan
            own = _near(np.asarray(kept, dtype=np.float64), step, row.size)
            left[own] = row[own]
            rows.append((left, step))
        return Axis(rows=tuple(rows), audible=self.audible) if len(orders) else self

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
        return Axis(rows=tuple(rows), audible=self.audible) if len(spacings) else self

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
    return Axis(rows=tuple(rows), audible=AUDIBLE)


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


def _rotors(axes: Sequence[Axis], made: Real, speeds: Real, shaft: Real, family: Family) -> Sequence[Strays] | None:
    """Of each axis what stands at multiples of the lobes' order, where the shaft's own lines are missing at some of
    ``speeds``: the mesh is one of them, as often as there are lobes, and a rotor of that speed makes it too."""
    if not family.difference or family.ring_turns or not (shaft < SHAFT_MISSING).any():
        return None
    past = family.unit * family.count / (family.count - family.difference)
    return [strays_of(axis, made, speeds, past) for axis in axes]


def _evidence(
    axes: Sequence[Axis],
    strays: Sequence[Strays],
    shaft: Real,
    lines: Lines,
    speeds: Real,
    rotors: Sequence[Strays] | None = None,
) -> Real:
    """Log likelihood ratio (drives, speeds) of "these families may stand here" against "nothing of them"; ``rotors``
    as from ``_rotors``."""
    total = np.zeros((lines.orders.shape[0], speeds.size))
    drives = max(1, MOST_AT_ONCE // (speeds.size * lines.part.size))
    for first in range(0, total.shape[0], drives):
        some = lines.orders[first : first + drives]
        there = np.isfinite(some)
        orders, seen = some[there][:, None], np.broadcast_to(lines.seen, some.shape)[there][:, None]
        for number, (axis, stray) in enumerate(zip(axes, strays, strict=True)):
            whole = stray.are_whole(orders, CLEAR_BINS * axis.step)
            surprise = axis.at(orders * speeds)
            rate = stray.rate(surprise, whole, orders)
            if rotors is not None:
                of_rotor = rotors[number].are_whole(orders, CLEAR_BINS * axis.step)
                also = rotors[number].rate(surprise, of_rotor, orders)
                rate = np.where(shaft < SHAFT_MISSING, np.maximum(rate, also), rate)
            ratios = np.zeros((*some.shape, speeds.size))
            ratios[there] = line_ratios(surprise, seen, rate)
            for part, audible in zip(range(PARTS), axis.audible, strict=True):
                ratio = ratios[:, lines.part == part].sum(axis=1)
                if part in (1, 2):
                    ratio = np.where(shaft < SHAFT_MISSING, np.minimum(ratio, 0.0), ratio)
                total[first : first + drives] += np.logaddexp(np.log(1 - audible), np.log(audible) + ratio)
    return total


def line_ratios(surprise: Real, seen: Real | float, stray: Real | float) -> Real:
    """Log likelihood ratio (lines, speeds) of "the drive's line may stand here", of each line; what is NaN shows
    nothing. Lines of others are as loud as the drive's own: no line shows more than that one stands where few do."""
    noise, loud = np.exp(-surprise), 1.0 / np.log1p(LOUDEST) / (1.0 + surprise)
    stray = np.minimum(stray, seen)  # A line that may be missing must never count against the drive by standing.
    own = (1 - seen) * noise
    own += seen * loud
    noise *= 1 - stray
    loud *= stray
    noise += loud
    own /= noise
    ratio = np.log(own, out=own)
    ratio[np.isnan(surprise)] = 0.0
    return ratio


def line_ratio(surprise: Real, seen: Real | float, stray: Real | float) -> Real:
    """``line_ratios`` of all lines together (speeds,)."""
    return np.asarray(line_ratios(surprise, seen, stray).sum(axis=0))


def gap_s(
    samples: Sequence[tuple[NDArray[np.float32], float]],
    law: AngleLaw,
    meshes: Sequence[float],
    aliases: Sequence[float] = (),
) -> float:
    """Longest time [s] in which none of the drive's usual lines reaches a quarter of its usual amplitude.

    ``samples``: (samples (n,), sample rate [Hz]) of each channel; ``meshes``: orders of the drive's meshes;
    ``aliases``: how far (relative) lines lie from the shaft's that are followed in their stead where a speed moves.
    """
    orders = sorted({1.0, 2.0, 3.0, 4.0, 5.0, 6.0, *(k * mesh for mesh in meshes for k in (1, 2) if k * mesh <= 64)})
    top_hz = 1.1 * orders[-1] * law.mean_hz
    laid = all_laid([low_passed(row, rate, top_hz) for row, rate in samples], law)
    # A speed that moves as far may have gone over to such a line and back; low multiples stand next to it all the same.
    near = min((alias for alias in aliases if law.drift > alias / 2), default=None)
    ratios, distinct = [], []
    for item in laid:
        n = int(SEGMENT_TURNS * item.samples.size / law.total_turns)
        starts = np.arange(0, item.samples.size - n + 1, max(1, n // 2))
        if n < 16 or starts.size < 4:
            return 0.0
        pieces = item.samples[starts[:, None] + np.arange(n)] * np.hanning(n).astype(np.float32)
        power = np.abs(np.fft.rfft(pieces, axis=1)) ** 2
        middles = np.rint(np.array(orders) * SEGMENT_TURNS).astype(int)
        middles = middles[middles + 9 <= power.shape[1], None]
        # (segments, lines)
        lines = power[:, middles + np.arange(-1, 2)].max(axis=2)
        around = power[:, middles + np.concatenate([np.arange(-8, -2), np.arange(3, 9)])]
        floors = np.median(around, axis=2) / np.log(2.0)
        usual = np.median(lines, axis=0)
        stands = usual > 16 * np.median(floors, axis=0)
        lines, floors, usual = lines[:, stands], floors[:, stands], usual[stands]
        ratios += list(np.where(lines > 6 * floors, lines / usual, 0.0).T)
        distinct += [near is not None and one * near >= ALIAS_BINS for one in middles[stands, 0]]
    if not ratios:
        return 0.0
    known = np.array(ratios)[distinct] if any(distinct) else np.array(ratios)
    missing = known.max(axis=0) < 10 ** (MISSING_DB / 10)
    longest = run = 0
    for one in missing:
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest * SEGMENT_TURNS / 2 / law.mean_hz
