"""Another machine of the same kind on the same frame: the same families of lines at a second speed.

Two machines of one kind differ in speed by their slip, often by less than a line is wide at the order of their shafts.
Lines of the mesh lie so many times further apart as their order is higher, so that the highest that stand tell two
machines whose shafts are one line. What one machine makes next to its own mesh is no second machine: its side lines lie
as far off every multiple of the mesh, those of a second speed the further the higher the multiple is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.core.outside_combs import SimilarMachine
from vibe.spectra.identity.presence import (
    ANTI_ALIAS,
    AS_HIGH,
    SIDE_SEEN,
    SKIRT_BINS,
    STANDS,
    Axis,
    Family,
    line_ratios,
    strays_of,
)
from vibe.spectra.signal_analysis import ChannelSpectrum

Real = NDArray[np.float64]

REACH = 0.03
"""Relative difference of speed up to which the same machine is sought: motors of one kind differ by their slip, by load
and voltage (common practice: two or three per cent)."""
LINE_SEEN, HIGH_LINE_SEEN, HARDLY_SEEN = 0.6, 0.4, 0.05
"""Probability that one of its first three lines, or a higher one, can be seen where it is detected at all; and where
that line of the machine at the speed found does not stand either."""
DETECTED = 6.9
"""Log odds, ln 990, from which on it counts as detected, all speeds tried paid for: 99 to 1 where one drive in ten has
another of its kind on its frame (common practice)."""
SHAFT_LINES = (1.0, 2.0, 3.0)
"""Orders of the shaft that are looked for."""
MESHES, SIDE_MESHES = 6, 3
"""Multiples of the mesh that are looked for, the higher the nearer the speeds may lie; and those with side lines."""
FEWEST_MESHES = 2
"""Multiples of the mesh that stand at one speed: a single line may be anybody's."""
MOST_OF_LINE = 4.6
"""Evidence that one line gives at most, ln 99: a loud one alone may be anybody's, two at one speed are a machine's."""
AS_LOUD_DB = 15.0
"""Fainter than the machine's own by more than this a line may be a side line of it (common practice), and counts as a
stray of any height; louder by more than this it is the machine's own."""
TOO_FAINT_DB = 30.0
"""A machine that is fainter by more is no matter: its damage would be as faint (common practice)."""
NO_SIDE_LINE_DB = 12.0
"""Side lines of a mesh are fainter than it by at least this: a modulation by half makes lines of a quarter."""
PATHS_DIFFER_DB, EXPECTED_SEEN = 10.0, 0.9
"""How far, in power, two machines' lines of one kind differ from what is usual between the two (common practice: paths
and resonances), and the probability that a line is seen which stands even so."""
STEPS_PER_BIN = 4
"""Speeds that are tried per bin of the first mesh line: the highest multiple moves by 1.5 bins from one to the next."""
APART_BINS, SIDE_BINS = 4.0, 2.0
"""Bins within which a line is the flank of one of the machine's own, and of a side line of it (Hann: two bins either
side; law and padding widen it)."""
KNOWN_BINS = 3.0
"""The same of a line whose place is known closely."""
MIRRORED = 0.5
"""Share of a speed's evidence from which on that of its mirror image shows side lines instead."""
MIRROR_STEPS = 9
"""Speeds about the mirror image that are tried too."""
WANDER = 2.5e-4
"""Half of how far two motors' speeds wander against each other within a capture, relative (common practice: 5e-4)."""
ONE_MACHINE = 2e-3
"""Speeds nearer than this to that of a machine that was detected are that machine's: its own speed wanders, and so do
its lines on the angle of another (four times ``WANDER``, either way)."""
SMEARED_REACH = 0.012
"""Relative difference of speed within which smeared lines are compared: the floor changes over more."""
SMEARED_MESHES = 4
"""Multiples of the mesh that must all show it: ranks among a hundred places say little of each alone."""
LEAST_SMEARED = 15.0
"""Sum of -ln of the shares of places with as much power: 16.4 where each of the four is the first. By chance a capture
reaches it once in a thousand (gamma density, a hundred places); of 105 captures of drives alone none did."""
STEPS_OF_ONE, FEWEST_PLACES = 3, 100
"""Places that one hump covers, and how many must be free: the first of fewer says too little."""
MOST = 3
"""Machines of the same kind that are named (common practice): more in one capture would not be distinguished."""


def similar_machines(
    axis: Axis, family: Family, known: Sequence[float] = (), repeats: Sequence[tuple[float, float]] = ()
) -> tuple[SimilarMachine, ...]:
    """Machines that have the shaft and the mesh of ``family`` at a speed of their own, in what lies on ``axis``, the
    clearest first.

    ``known``: relative speeds at which a machine is known to turn, as by its damage; of these only how loud their mesh
    is remains to be seen, and a machine that seems to turn at nearly such a speed is that one. ``repeats``: orders at
    which strong impacts repeat, and how far, relative, each is spread; their multiples stand all along the axis and are
    no mesh.
    """
    mesh = family.count * family.unit
    step = axis.step / (STEPS_PER_BIN * mesh)
    reach = int(REACH / step)
    speeds = 1.0 + np.arange(-reach, reach + 1, dtype=np.float64) * step
    number, orders, seen = _lines(family)
    asked = orders * speeds
    there, own = axis.at(asked, shaft=True), np.nan_to_num(axis.at(orders, shaft=True))
    is_mesh = np.isin(orders[:, 0], mesh * np.arange(1, MESHES + 1))
    # By how much each line stands below the main one that it would be a side line of.
    main = np.array(
        [own[np.abs(orders[:, 0] - n * mesh).argmin(), 0] if n else own[k, 0] for k, n in enumerate(number)]
    )
    below_db = 10 * np.log10(np.maximum(main, 1.0)[:, None] / np.maximum(np.nan_to_num(there), 1.0))
    flank = _distance(asked, np.array([*SHAFT_LINES, *mesh * np.arange(1, MESHES + 3)])) <= APART_BINS * axis.step
    side = _distance(asked, _side_lines(family)) <= SIDE_BINS * axis.step
    turns = np.minimum(*(np.abs(asked - np.rint(asked / turn) * turn) for turn in (1.0, _past(family))))
    own_turns = (turns <= SIDE_BINS * axis.step) & (asked > len(SHAFT_LINES) + 0.5)
    of_impacts = _of_impacts(asked, repeats, SIDE_BINS * axis.step)
    there[flank | own_turns | of_impacts | (side & ~(is_mesh[:, None] & (below_db < NO_SIDE_LINE_DB)))] = np.nan
    fainter_db = _fainter_db(own, there, is_mesh)
    # What stands far above the floor with the one mesh does not fail with the other, nor does the other way round.
    usual = own / 10 ** (np.maximum(fainter_db, 0.0) / 10)
    expected = usual > STANDS * 10 ** (PATHS_DIFFER_DB / 10)
    seen = np.where(is_mesh[:, None] & expected, EXPECTED_SEEN, np.where(own > STANDS, seen, HARDLY_SEEN))
    strays, nowhere = strays_of(axis, family.own(), np.ones(1)), np.zeros((orders.size, 1), dtype=bool)
    loud = (fainter_db < AS_LOUD_DB) | (is_mesh[:, None] & (below_db < AS_LOUD_DB))
    stray = strays.rate(np.where(loud, there, STANDS), nowhere)
    # Side lines stand more densely next to a mesh than elsewhere.
    stray[is_mesh] = np.maximum(stray[is_mesh], _as_high(there[is_mesh]))
    evidence = np.minimum(line_ratios(there, seen, stray), MOST_OF_LINE)
    enough = (is_mesh[:, None] & (np.nan_to_num(there) > STANDS)).sum(axis=0) >= FEWEST_MESHES
    # A mesh whose shaft is missing, where it would stand clear of the other's skirts, is some other wheel's.
    shaft = ~is_mesh & np.isin(orders[:, 0], SHAFT_LINES)
    apart = _distance(asked[shaft], np.array(SHAFT_LINES)) > SKIRT_BINS * axis.step
    surely = usual[shaft] > STANDS * 10 ** (2 * PATHS_DIFFER_DB / 10)
    enough &= ~(apart & surely & (there[shaft] < STANDS)).any(axis=0)
    # Where its lines are so much louder, they are the machine's own, and the speed found is not quite right.
    enough &= (fainter_db > -AS_LOUD_DB) & (fainter_db < TOO_FAINT_DB)
    weight = evidence.sum(axis=0) - np.log(2 * REACH * mesh / axis.step)
    # At such speeds every multiple of the other's mesh lies on a side line of the machine's own.
    own_speeds = np.array([sign * k * turn / mesh for turn in (1.0, _past(family)) for k in (1, 2) for sign in (-1, 1)])
    enough &= _distance(speeds - 1.0, own_speeds) > 2 * APART_BINS * axis.step / mesh
    if family.difference:
        out = abs(_past(family) - family.unit)
        of_output = np.array([k * out / mesh for k in (-2, -1, 1, 2)])
        enough &= _distance(speeds - 1.0, of_output) > SIDE_BINS / 2 * axis.step / mesh
    # Two speeds as far above as below are the side lines of one machine whose strength comes and goes.
    mirrored = np.pad(weight[::-1], MIRROR_STEPS // 2, constant_values=-np.inf)
    image = np.lib.stride_tricks.sliding_window_view(mirrored, MIRROR_STEPS).max(axis=1)
    weight[~enough | (image >= np.maximum(DETECTED, MIRRORED * weight))] = -np.inf
    found = [_at_known(axis, family, speed) for speed in known]
    for one in found:
        weight[np.abs(speeds - one.speed) < max(2 * APART_BINS * axis.step / mesh, ONE_MACHINE)] = -np.inf
    while len(found) < MOST and float(weight.max()) >= DETECTED:
        best = int(weight.argmax())
        heights = np.flatnonzero(is_mesh & (np.nan_to_num(there[:, best]) > STANDS))
        error = axis.step / float(orders[heights, 0].max())
        found.append(SimilarMachine(speed=float(speeds[best]), error=error, fainter_db=float(fainter_db[best])))
        weight[np.abs(speeds - speeds[best]) < max(2 * APART_BINS * axis.step / mesh, ONE_MACHINE)] = -np.inf
    return tuple(found)


def smeared_machine(
    spectra: Sequence[ChannelSpectrum], input_hz: float, family: Family, repeats: Sequence[tuple[float, float]] = ()
) -> SimilarMachine | None:
    """A machine whose mesh lines are smeared, as its speed wanders otherwise than the one that was followed: at one and
    the same relative speed the power about each of the first multiples of the mesh is all but the largest around.

    What is large at one multiple only is some line; side lines lie as far off every multiple. None where fewer than
    ``SMEARED_MESHES`` multiples were measured, or none is clear; nor at a mesh that impacts repeating at one of the
    orders ``repeats`` would make, whose multiples stand next to every multiple of the mesh alike.
    """
    mesh = family.count * family.unit
    count = round(SMEARED_REACH / (WANDER / 2))
    speeds = 1.0 + np.arange(-count, count + 1) * WANDER / 2
    own_speeds = np.array([k * turn / mesh for turn in (1.0, _past(family)) for k in (-2, -1, 1, 2)])
    clear = _distance(speeds - 1.0, own_speeds) > 2 * WANDER
    clear &= ~_of_impacts(speeds * mesh, repeats, 2 * WANDER * mesh)
    best: SimilarMachine | None = None
    highest = LEAST_SMEARED + float(np.log(len(spectra)))
    for one in spectra:
        step = one.bin_hz / input_hz
        levels = [_about(one.power, step, k * mesh * speeds) for k in range(1, SMEARED_MESHES + 1)]
        # The slowest mesh leaves the fewest places free of the flank of its own line.
        far = np.count_nonzero(np.abs(speeds - 1.0) > WANDER + APART_BINS * step / mesh) >= FEWEST_PLACES
        if not (far and all(np.isfinite(level).all() for level in levels)):
            continue
        total = np.zeros(speeds.size)
        for k, level in enumerate(levels, 1):
            free = np.abs(speeds - 1.0) > WANDER + APART_BINS * step / (k * mesh)
            sorted_levels = np.sort(level[free])
            above = sorted_levels.size - np.searchsorted(sorted_levels, level)
            total += np.where(free, -np.log(np.maximum(above, STEPS_OF_ONE) / sorted_levels.size), 0.0)
        at = int(np.where(clear, total, 0.0).argmax())
        if total[at] >= highest and clear[at]:
            highest = float(total[at])
            apart_db = float(np.median([10 * np.log10(level[count] / level[at]) for level in levels]))
            best = SimilarMachine(speed=float(speeds[at]), error=WANDER, fainter_db=apart_db)
    return best


def _of_impacts(orders: Real, repeats: Sequence[tuple[float, float]], within: float) -> NDArray[np.bool_]:
    """Which of ``orders`` lie ``within`` (and the spread) of a multiple of repeating impacts. Where the spread of such
    multiples leaves less than half of the axis between them, nothing is said of them."""
    found = np.zeros(orders.shape, dtype=bool)
    for order, spread in repeats:
        reach = within + spread * orders
        found |= (np.abs(orders - np.rint(orders / order) * order) <= reach) & (reach < order / 4)
    return found


def _about(power: Real, step: float, orders: Real) -> Real:
    """Mean of ``power`` (n,) within ``WANDER`` of each of ``orders`` (k,), at least ``KNOWN_BINS`` bins; NaN beyond
    what recorders pass."""
    half = np.maximum(orders * WANDER / step, KNOWN_BINS / 2)
    first, last = (np.rint(orders / step + sign * half).astype(np.int64) for sign in (-1, 1))
    summed = np.concatenate([[0.0], np.cumsum(power[: int(ANTI_ALIAS * power.size)])])
    inside = last + 1 < summed.size
    first, last = np.clip(first, 0, summed.size - 2), np.clip(last, 0, summed.size - 2)
    return np.asarray(np.where(inside, (summed[last + 1] - summed[first]) / (last + 1 - first), np.nan))


def _at_known(axis: Axis, family: Family, speed: float) -> SimilarMachine:
    """A machine at a speed that is known closely: how much fainter its mesh is, where its lines lie clear of others.

    What the axis leaves out as the flank of a stronger line, or does not hold, is fainter than that by ``AS_LOUD_DB``.
    """
    orders = family.count * family.unit * np.arange(1, MESHES + 1)
    orders = orders[np.abs(speed - 1) * orders > KNOWN_BINS * axis.step]
    own, other = (np.maximum(np.nan_to_num(axis.at(orders * turn, shaft=True)), 1.0) for turn in (1.0, speed))
    stand = np.maximum(own, other) > STANDS
    apart_db = np.clip(10 * np.log10(own[stand] / other[stand]), -AS_LOUD_DB, AS_LOUD_DB)
    fainter_db = float(np.median(apart_db)) if apart_db.size else 0.0
    return SimilarMachine(speed=speed, error=0.0, fainter_db=fainter_db, by_damage=True)


def _lines(family: Family) -> tuple[list[int], Real, Real]:
    """What is looked for: the multiple of the mesh to which each line belongs (0: the shaft), orders (lines, 1), and
    the probability (lines, 1) that each can be seen."""
    mesh, past = family.count * family.unit, _past(family)
    rows = [(0, order, LINE_SEEN) for order in SHAFT_LINES]
    rows += [(k, k * mesh, LINE_SEEN if k <= len(SHAFT_LINES) else HIGH_LINE_SEEN) for k in range(1, MESHES + 1)]
    spacings = sorted({1.0, family.unit, past})
    rows += [
        (k, k * mesh + sign * side, SIDE_SEEN)
        for k in range(1, SIDE_MESHES + 1)
        for side in spacings
        for sign in (-1, 1)
    ]
    return (
        [row[0] for row in rows],
        np.array([row[1] for row in rows])[:, None],
        np.array([row[2] for row in rows])[:, None],
    )


def _past(family: Family) -> float:
    """Order at which the contact passes a lobe."""
    return family.unit * family.count / (family.count - family.difference)


def _side_lines(family: Family) -> Real:
    """Orders (m,) of what the machine itself makes about its shaft and its meshes: turns of contact and lobe, their
    sums and differences, turns of the output; lobes and pins; whole multiples of the shaft."""
    mesh, unit, past = family.count * family.unit, family.unit, _past(family)
    out = abs(past - unit) if family.difference else 0.0
    turns = [k * one for one in (1.0, unit, past) for k in (1, 2, 3)] + [k * out for k in (1, 2, 3) if out]
    turns += [1 + k * out for k in (-2, -1, 1, 2)] + [a * unit + b * past for a in (1, 2) for b in (-2, -1, 1, 2)]
    steps = np.array([0.0, *turns, *(-one for one in turns)])
    about = (mesh * np.arange(MESHES + 3)[:, None] + steps).ravel()
    passes = [k * family.passes * past + side for k in (1, 2, 3) for side in (-1, 0, 1)] if family.passes else []
    orders = np.unique([*about, *(k * past for k in range(1, 5)), *passes, *range(1, 8)])
    return np.asarray(orders[orders > 0], dtype=np.float64)


def _as_high(surprise: Real) -> Real:
    """Share of the places of each line (lines, speeds) that stand as high, less a factor."""
    shares = np.zeros(surprise.shape)
    for row, share in zip(surprise, shares, strict=True):
        known = np.sort(row[np.isfinite(row)])
        if known.size:
            least = np.maximum(np.nan_to_num(row) / AS_HIGH, STANDS)
            share[:] = (known.size - np.searchsorted(known, least)) / known.size
    return shares


def _distance(orders: Real, places: Real) -> Real:
    """From each of ``orders`` (any shape) to the nearest of ``places`` (k,)."""
    places = np.sort(places)
    after = np.searchsorted(places, orders)
    nearest = places[np.maximum(after, 1) - 1], places[np.minimum(after, places.size - 1)]
    return np.asarray(np.minimum(*(np.abs(one - orders) for one in nearest)))


def _fainter_db(own: Real, other: Real, is_mesh: NDArray[np.bool_]) -> Real:
    """By how much the mesh lines ``own`` (lines, 1) stand above those of the ``other`` (lines, speeds), the median of
    those that stand in either (speeds,); both are surprises, which of lines that stand are their power over the
    floor."""
    stand = is_mesh[:, None] & np.isfinite(other) & (np.maximum(own, np.nan_to_num(other)) > STANDS)
    apart = np.where(stand, 10 * np.log10(np.maximum(own, 1.0) / np.maximum(np.nan_to_num(other), 1.0)), np.nan)
    result = np.zeros(other.shape[1])
    some = stand.any(axis=0)
    result[some] = np.nanmedian(apart[:, some], axis=0)
    return result
