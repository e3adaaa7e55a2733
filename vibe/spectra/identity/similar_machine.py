"""Another machine of the same kind on the same frame: the same families of lines at a second speed.

Two machines of one kind differ in speed by their slip, often by less than a line is wide at the order of their shafts.
Lines of the mesh lie the further apart the higher their order, so that the highest that stand tell two machines whose
shafts are one line. A second machine is only what the machine's own lines do not explain: where one of those lies, a
line counts as far as it stands above the others of its kind that the second machine would not make too; next to one of
the machine's own, as far as it stands above what lies opposite and above what lies between. And it must be a family: at
least two multiples of the mesh at one other speed. How often chance does as well is counted on the same capture, with
the lines' surroundings turned against one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, log10

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.special import ndtr

from vibe.core.evidence import STANDS_DB
from vibe.core.outside_combs import KIND_APART, KIND_REACH, SimilarMachine
from vibe.core.tones import OwnLines
from vibe.spectra.envelope.bands import local_floor
from vibe.spectra.identity.presence import ANTI_ALIAS, AS_HIGH, SIDE_SEEN, Family
from vibe.spectra.signal_analysis import ChannelSpectrum

Real = NDArray[np.float64]

LINE_SEEN, HIGH_LINE_SEEN, HARDLY_SEEN = 0.6, 0.4, 0.08
"""Probability that one of its first three lines, or a higher one, can be seen where it is detected at all; and where
that line of the machine at the speed found does not stand either."""
SHAFT_LINES = (1.0, 2.0, 3.0)
"""Orders of the shaft that are looked for."""
SHAFT_AROUND = 0.2
"""Orders about a line of the shaft with which it is compared: its own reach is but a few bins."""
MESHES, SIDE_MESHES = 6, 3
"""Multiples of the mesh that are looked for, the higher the nearer the speeds may lie; and those with side lines."""
FURTHER_MESHES, MESH_APART = 3, 0.01
"""Multiples of another stage's mesh that are looked for, and how far from the first one's, as a share of its order, so
that they are lines of their own."""
OTHER_KIND = 0.05
"""How likely a machine of another kind has a wheel of as many teeth on a shaft of nearly this speed, against one of the
same kind (common practice: one in twenty, as counts of teeth lie between a dozen and some dozens)."""
HIDDEN = 5.0
"""Times the power that a line spreads to a place up to which it hides another there: noise about that mean is as high
once in a hundred and fifty (exp(-5))."""
MOSTLY_SEEN = 0.99
"""Probability, at most, that a line of another stage's mesh is seen at a second machine: one in a hundred is not,
however far it should stand (common practice)."""
FEWEST_MESHES, STANDS = 2, 3.0
"""Multiples of the mesh that stand at one speed, since a single line may be anybody's; and the surprise, ln 20, from
which one does."""
OWN_STANDS = 10 ** (STANDS_DB / 10)
"""Power over that of the floor, from where on a line of the machine's own stands."""
USUAL_COMPANY, DECLARED_COMPANY = 0.1, 0.9
"""Share of drives that have another of their kind on their frame (common practice); and of those whose file declares
one, that run while this one is measured (common practice: of a pair one may be at rest)."""
SPEAKS_FOR = 0.0
"""Log likelihood ratio of its lines from which on they speak for a machine rather than against it; what is said of it
is weighed with its probability."""
TRIALS, BY_CHANCE = 100, 0.05
"""Trials of chance, and the share of them that may do as well. Less than one in twenty (the usual doubt) is not asked:
what stands highest is a second machine's own lines where there is one, and now and then two of them meet."""
AS_LOUD_DB = 15.0
"""Louder by more than this than the machine's own lines it is these, and the speed found is not quite right."""
TOO_FAINT_DB = 30.0
"""A machine that is fainter by more is no matter: its damage would be as faint (common practice)."""
PATHS_DIFFER_DB, EXPECTED_SEEN = 10.0, 0.9
"""How far, in power, two machines' lines of one kind differ from what is usual between the two (common practice: paths
and resonances), and the probability that a line is seen which stands even so."""
SKIRT_BINS = 3.0
"""Bins of a skirt, the highest of which is read. A swing of the speed that was not followed makes skirts about the
machine's own lines, alike on both sides and without a gap; each bin is exponential about their mean, so that what lies
as far on the other side, and the lowest between, tell how often a skirt stands as high. The highest of a window is
taken for that mean, since skirts are fuller of lines than noise is."""
SKIRT_REACHES, SKIRT_SHARE = (2, 4, 8, 16, 32), 0.3
"""Bins to either side of the opposite place that are looked at, as many as this share of the distance."""
WIDTHS = (0.0, 2e-4)
"""Half widths, relative, over which power is averaged: one bin, and what two motors' speeds vary against each other
within a capture (common practice: 1e-4 to 5e-4)."""
APART_BINS, OWN_BINS = 4.0, 2.0
"""Bins within which a line is the flank of the one at the speed found, and within which it is one of the machine's own
(Hann: two bins either side; law and padding widen the first)."""
FOOT_BINS = 4
"""Bins, at least, over which power is averaged where the foot of a line that slips is followed."""
KNOWN_BINS = 3.0
"""The same as the first where the speed is known closely."""
TAIL = 0.5
"""Lines ten times as high, in power, are seldomer by ten to this (Pareto's law; common practice: 20 dB are one line in
ten)."""
FEWEST_PLACES = 30
"""Places that are not the machine's own, with which one is compared; where there are fewer, it is compared with all."""
ONE_MACHINE = 2e-3
"""Speeds nearer than this to that of a machine that was detected are that machine's: its own speed varies, and so do
its lines on the angle of another."""
MOST = 3
"""Machines of the same kind that are named (common practice): more in one capture would not be distinguished."""
MODULATIONS = (1, 2, 3, 4)
"""Multiples of one modulation that every mesh would have as side lines, were it that instead of a second speed."""
AS_WELL = 0.9
"""Share of the evidence for a second speed from which on that for a modulation is as good: noise adds to either."""
LARGEST_SURPRISE = 20.0
"""Of a place among ten thousand or so; surprises of lines are as likely in one factor as in the next up to it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sought:
    """The lines that are looked for: their ``orders`` (lines,), the probability that each is ``seen``, and which are
    of the mesh."""

    orders: Real
    seen: Real
    is_mesh: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Heights:
    """Power over the floor (n,) of one channel, ``step`` orders a bin, and the machine's own lines by kind: their
    ``heights``, sorted, and of every bin ``at`` (kinds, n) the height of the line that it is part of, 0 where it is of
    none; and which bins are of any."""

    over: Real
    step: float
    heights: tuple[Real, ...]
    at: Real
    owned: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """One line in one channel, read at several speeds (m,): at which bins, what is ``there`` and the ``loudest`` next
    to it, the ``shares`` of other places that stand as high, what is but the flank of the line at the speed found, and
    how high that stands (``own``)."""

    spots: NDArray[np.int64]
    there: Real
    loudest: Real
    shares: Real
    flank: NDArray[np.bool_]
    own: float
    skirt: Real


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Read:
    """What stands at places (lines, m): ``surprise`` (-ln of the share of places that stand as high; NaN where nothing
    is known) and height over the floor; ``own`` (lines, 1) are the heights at the speed found."""

    surprise: Real
    height: Real
    own: Real

    def of(self, columns: NDArray[np.intp]) -> _Read:
        """The same at some places: ``columns`` (m,), or (lines, m) of each line its own."""
        lines = np.arange(self.own.size)[:, None]
        return _Read(surprise=self.surprise[lines, columns], height=self.height[lines, columns], own=self.own)


def similar_machines(
    spectra: Sequence[ChannelSpectrum],
    input_hz: float,
    family: Family,
    own: Sequence[OwnLines],
    known: Sequence[float] = (),
    *,
    declared: bool = False,
    further: Sequence[Family] = (),
) -> tuple[SimilarMachine, ...]:
    """Machines that have the shaft and the mesh of ``family`` at a speed of their own, the clearest first.

    ``further``: the other stages' families. Any machine may have a wheel of as many teeth; one of the same kind has the
    other meshes too.
    ``own``: all lines that the machine itself makes. ``known``: relative speeds at which a machine is known to turn, as
    by its damage; of these only how loud their mesh is remains to be seen, and a machine that seems to turn at nearly
    such a speed is that one. Others are named from where their lines speak for them and chance does not as well, with
    the probability that they are there; where one is ``declared`` it is the likelier.
    """
    company = DECLARED_COMPANY if declared else USUAL_COMPANY
    sought, mesh = _sought(family), family.count * family.unit
    orders = _further_orders(further, mesh)
    top = (1 + KIND_REACH) * float(sought.orders.max()) + SHAFT_AROUND
    rows = [_heights(one, input_hz, own, top) for one in spectra]
    found = [_at_known(rows, mesh, speed) for speed in known]
    looks = []
    for width in WIDTHS:
        speeds = _speeds(rows, sought, width)
        looks.append((width, speeds, _read_where_meshes_stand(rows, sought, speeds, width)))
    evidence = [_evidence(look, sought)[0] + _usual(speeds) for _, speeds, look in looks]
    by_chance: float | None = None
    while len(found) < MOST:
        for (_, speeds, _), weight in zip(looks, evidence, strict=True):
            for one in found:
                weight[np.abs(speeds - one.speed) < _same(rows, mesh)] = -np.inf
        number = int(np.argmax([weight.max() for weight in evidence]))
        (width, speeds, look), weight = looks[number], evidence[number]
        best = int(weight.argmax())
        if weight[best] <= SPEAKS_FOR:
            break
        if by_chance is None:
            everywhere = [(half, at, _with_the_rest(rows, sought, one, at, half)) for half, at, one in looks]
            by_chance = _by_chance(everywhere, sought)
        if weight[best] <= by_chance:
            break
        speed = float(speeds[best])
        there = look.of(np.array([best]))
        if _is_modulation(rows, sought, there, mesh, speed, width):
            weight[np.abs(speeds - speed) < _same(rows, mesh)] = -np.inf
            continue
        stand = sought.is_mesh & (np.nan_to_num(there.surprise[:, 0]) > STANDS)
        error = max(min(row.step for row in rows) / float(sought.orders[stand].max()), width)
        fainter_db, likely = float(_evidence(there, sought)[1][0]), _posterior(float(weight[best]), company)
        if orders.size:
            likely /= 1 + OTHER_KIND * np.exp(-_further_evidence(rows, orders, speed, width, fainter_db))
            if likely <= company:
                weight[np.abs(speeds - speed) < _same(rows, mesh)] = -np.inf
                continue
        found.append(SimilarMachine(speed=speed, error=error, fainter_db=fainter_db, probability=float(likely)))
    return tuple(found)


def _posterior(evidence: float, company: float) -> float:
    """Probability that a machine is there, of the log likelihood ratio of its lines and the share of drives in
    ``company``."""
    return float(1 / (1 + np.exp(-evidence) * (1 - company) / company))


def _sought(family: Family) -> _Sought:
    mesh = family.count * family.unit
    rows = [(k * mesh, LINE_SEEN if k <= len(SHAFT_LINES) else HIGH_LINE_SEEN, True) for k in range(1, MESHES + 1)]
    spacings = sorted({1.0, family.unit, _past(family)})
    rows += [
        (k * mesh + sign * side, SIDE_SEEN, False)
        for k in range(1, SIDE_MESHES + 1)
        for side in spacings
        for sign in (-1, 1)
    ]
    rows += [(order, LINE_SEEN, False) for order in SHAFT_LINES]
    orders, seen, is_mesh = zip(*rows, strict=True)
    return _Sought(orders=np.array(orders), seen=np.array(seen), is_mesh=np.array(is_mesh))


def _further_orders(further: Sequence[Family], mesh: float) -> Real:
    """Orders (lines,) of the other stages' meshes, of those that do not fall on the first one's and reach no further
    than the axis, which is that one's."""
    orders = [k * one.count * one.unit for one in further for k in range(1, FURTHER_MESHES + 1)]
    free = MESH_APART * mesh
    return np.array([order for order in orders if order < MESHES * mesh and free < order % mesh < mesh - free])


def _further_evidence(rows: Sequence[_Heights], orders: Real, speed: float, width: float, fainter_db: float) -> float:
    """Log likelihood ratio of the lines at ``orders`` (lines,) of a machine of the kind at ``speed``, fainter by
    ``fainter_db``, against one that has but a wheel of as many teeth.

    A line that stands speaks for the kind. What is there of one that does not is as low the less likely the further it
    lies below what is usual, where neither the floor nor what the machine's own line spreads there would hide it.
    """
    none, total = np.zeros(orders.size, dtype=bool), 0.0
    sought = _Sought(orders=orders, seen=np.full(orders.size, LINE_SEEN), is_mesh=none)
    surprises = _read(rows, sought, orders[:, None] * speed, width).surprise[:, 0]
    for order, surprise in zip(orders.tolist(), surprises.tolist(), strict=True):
        if surprise > STANDS:
            total += float(_line_evidence(np.array(surprise), np.array(LINE_SEEN)))
            continue
        found = (_look(row, order, np.array([order * speed]), width) for row in rows)
        looks = [look for look in found if look is not None and not look.flank[0]]
        if not looks:
            continue
        hidden = [max(OWN_STANDS, HIDDEN * float(look.skirt[0])) for look in looks]
        low = [
            10 * log10(max(look.own, 1e-9) / max(one, float(look.there[0])))
            for look, one in zip(looks, hidden, strict=True)
        ]
        seen = [db for db, look, one in zip(low, looks, hidden, strict=True) if look.there[0] > one]
        # Where it is seen, the channel that speaks most for it; else the one that would show it best.
        lower_db = min(seen) if seen else max(low)
        total += log(max(1 - MOSTLY_SEEN, min(1.0, 2 * float(ndtr((fainter_db - lower_db) / PATHS_DIFFER_DB)))))
    return total


def _past(family: Family) -> float:
    """Order at which the contact passes a lobe."""
    return family.unit * family.count / (family.count - family.difference)


def _heights(one: ChannelSpectrum, input_hz: float, own: Sequence[OwnLines], top: float) -> _Heights:
    """Of one channel up to order ``top``, as far as recorders pass what they measure."""
    step = one.bin_hz / input_hz
    power = one.power[: min(int(ANTI_ALIAS * one.power.size), int(top / step) + 2)]
    over = power / local_floor(power, max(32, round(1 / step)))
    kinds: list[Real] = []
    at = np.zeros((len(own), over.size))
    highest = _highest(over, int(OWN_BINS))
    for kind in own:
        orders, spread = np.array(kind.orders), np.array(kind.spread)
        inside = orders < (over.size - 1) * step
        if not inside.any():
            continue
        orders, reach = orders[inside], spread[inside] + OWN_BINS * step
        heights = highest[np.rint(orders / step).astype(np.int64)]
        first = np.maximum(np.floor((orders - reach) / step).astype(np.int64), 0)
        last = np.minimum(np.ceil((orders + reach) / step).astype(np.int64) + 1, over.size)
        for line in range(orders.size) if kind.struck else ():
            first[line], last[line] = _with_foot(over, int(first[line]), int(last[line]))
        widths = last - first
        # Where two overlap the higher one counts.
        rising = np.argsort(heights)
        first, widths, heights = first[rising], widths[rising], heights[rising]
        within = np.arange(widths.sum()) - np.repeat(np.cumsum(widths) - widths, widths)
        at[len(kinds), np.repeat(first, widths) + within] = np.repeat(heights, widths)
        kinds.append(heights)
    return _Heights(over=over, step=step, heights=tuple(kinds), at=at, owned=np.asarray((at > 0).any(axis=0)))


def _with_foot(over: Real, first: int, last: int) -> tuple[int, int]:
    """The bins ``first`` to ``last`` (not counted) of a line that slips, with its foot on either side: for as long as
    power falls, and stands, it is that line's own, which reaches the farther the stronger it is. Another line on the
    foot makes it rise. No further than as much again: beyond that a row's lines would meet."""
    room = last - first
    block = max(FOOT_BINS, room // 4)
    ends = []
    for edge, way in ((first, -1), (last, 1)):
        end, level = edge, float(over[max(0, min(edge, edge - way * block)) : max(edge, edge - way * block)].mean())
        while abs(end - edge) < room // 2:
            low, high = min(end, end + way * block), max(end, end + way * block)
            if low < 0 or high > over.size:
                break
            beyond = float(over[low:high].mean())
            if beyond < OWN_STANDS or beyond > level * (1 + block**-0.5):
                break
            end, level = end + way * block, beyond
        ends.append(end)
    return ends[0], ends[1]


def _speeds(rows: Sequence[_Heights], sought: _Sought, width: float) -> Real:
    """Relative speeds (m,) that are tried: the highest line that was measured moves by 1.5 bins from one to the next,
    or by a third of what is averaged over."""
    step = min(row.step for row in rows)
    held = sought.orders[sought.orders < max(row.over.size * row.step for row in rows)]
    each = max(1.5 * step / float(held.max(initial=1.0)), width / 3)
    reach = int(KIND_REACH / each)
    return 1.0 + np.arange(-reach, reach + 1, dtype=np.float64) * each


def _usual(speeds: Real) -> Real:
    """Log density (m,) of speeds of machines of one kind, against an even one."""
    density = 1 / (1 + ((speeds - 1) / KIND_APART) ** 2)
    return np.asarray(np.log(density / density.mean()))


def _same(rows: Sequence[_Heights], mesh: float) -> float:
    """Relative difference below which two speeds are one machine's."""
    return max(2 * APART_BINS * min(row.step for row in rows) / mesh, ONE_MACHINE)


def _read(
    rows: Sequence[_Heights], sought: _Sought, places: Real, width: float, asked: NDArray[np.bool_] | None = None
) -> _Read:
    """What stands at ``places`` (lines, m), of each line or of those ``asked`` (lines,), power averaged over ``width``
    to either side."""
    surprise, height = np.full(places.shape, np.nan), np.full(places.shape, np.nan)
    own = np.zeros((places.shape[0], 1))
    for row in rows:
        # What a machine at one speed would make is held against all others of the kind, not against itself.
        bins = np.minimum(np.rint(places / row.step).astype(np.int64), row.over.size - 1)
        wanted = range(sought.orders.size) if asked is None else np.flatnonzero(asked).tolist()
        looks = {k: look for k in wanted if (look := _look(row, float(sought.orders[k]), places[k], width)) is not None}
        if not looks:
            continue
        numbers = np.array(list(looks))
        there, shares = (np.array([getattr(look, of) for look in looks.values()]) for of in ("there", "shares"))
        spots = np.array([look.spots for look in looks.values()])
        _among_own(row, sought.is_mesh, numbers, bins, spots, there, shares)
        found = -np.log(np.minimum(shares * len(rows), 1.0))
        for (number, look), one in zip(looks.items(), found, strict=True):
            one[look.flank] = np.nan
            better = np.isfinite(one) & ~(surprise[number] >= one)
            surprise[number, better], height[number, better] = one[better], look.loudest[better]
            own[number] = max(own[number, 0], look.own)
    return _Read(surprise=surprise, height=height, own=own)


def _look(row: _Heights, order: float, at: Real, width: float) -> _Look | None:
    """One line at orders ``at`` (m,) among the places around it; None where not all of these were measured."""
    reach = max(KIND_REACH * order, SHAFT_AROUND if order in SHAFT_LINES else 0.0)
    first = int((order - reach) / row.step) - int(10 * APART_BINS)
    last = int((order + reach) / row.step) + int(10 * APART_BINS)
    first = max(2, first) if order in SHAFT_LINES else first
    if first < 2 or last >= row.over.size - 2:
        return None
    some, middle, half = slice(first, last), round(order / row.step) - first, round(order * width / row.step)
    spots = np.minimum(np.maximum(np.rint(at / row.step).astype(np.int64) - first, 0), last - first - 1)
    over, owned = row.over[some], row.owned[some]
    smooth = _smooth(over, half)
    # What is averaged next to the machine's own lines has no part of them.
    clear = np.where(owned, smooth, _smooth(np.where(owned, 0.0, over), half))
    there = clear[spots]
    skirt = _own_skirt(over, smooth, owned, half, middle, spots)
    shares = SKIRT_BINS * np.exp(-there / skirt)
    return _Look(
        spots=spots + first,
        there=there,
        loudest=_highest(clear, int(APART_BINS))[spots],
        shares=np.maximum(shares, _shares_around(owned, clear, spots, half)),
        flank=np.abs(at - order) < (APART_BINS + half) * row.step,
        own=float(smooth[middle - 1 : middle + 2].max()),
        skirt=skirt,
    )


def _read_where_meshes_stand(rows: Sequence[_Heights], sought: _Sought, speeds: Real, width: float) -> _Read:
    """The same at all ``speeds`` (m,), but for lines other than the mesh only at those where enough of the mesh stand:
    elsewhere there is no machine, whatever these say, and nothing is known of them."""
    read = _read(rows, sought, sought.orders[:, None] * speeds, width, sought.is_mesh)
    some = np.flatnonzero(_enough_stand(read.surprise[sought.is_mesh]))
    return _with_the_rest(rows, sought, read, speeds, width, some) if some.size else read


def _with_the_rest(
    rows: Sequence[_Heights],
    sought: _Sought,
    read: _Read,
    speeds: Real,
    width: float,
    some: NDArray[np.intp] | slice = slice(None),
) -> _Read:
    """``read`` with the lines other than the mesh, at ``some`` of the ``speeds``."""
    surprise, height, rest = read.surprise.copy(), read.height.copy(), ~sought.is_mesh
    then = _read(rows, sought, sought.orders[:, None] * speeds[some], width, rest)
    for whole, part in ((surprise, then.surprise), (height, then.height)):
        lines = whole[rest]
        lines[:, some] = part[rest]
        whole[rest] = lines
    return _Read(surprise=surprise, height=height, own=np.where(rest[:, None], then.own, read.own))


def _enough_stand(mesh_surprise: Real) -> NDArray[np.bool_]:
    """At which places (m,) as many of the mesh's lines (lines, m) stand as make a family."""
    return np.asarray((np.nan_to_num(mesh_surprise) > STANDS).sum(axis=0) >= FEWEST_MESHES)


def _smooth(over: Real, half: int) -> Real:
    """The largest of three bins, or the mean of ``half`` to either side."""
    return _highest(over, 1) if half < 1 else uniform_filter1d(over, 2 * half + 1)


def _highest(values: Real, half: int) -> Real:
    """The highest (n,) of ``half`` bins to either side: runs twice as long are made of two, and two make a window."""
    padded = np.full(values.size + 2 * half, -np.inf)
    padded[half : half + values.size] = values
    run, width = 1, 2 * half + 1
    while 2 * run <= width:
        padded = np.maximum(padded[:-run], padded[run:])
        run *= 2
    return np.asarray(np.maximum(padded[: values.size], padded[width - run : width - run + values.size]))


def _shares_around(owned: NDArray[np.bool_], smooth: Real, spots: NDArray[np.int64], half: int) -> Real:
    """Share (m,) of the places around that are not the machine's own, but for those next to it, that stand as high as
    that at each of ``spots``."""
    there = smooth[spots]
    if smooth.size - np.count_nonzero(owned) < FEWEST_PLACES:
        owned = np.zeros_like(owned)
    free = np.sort(smooth[~owned])
    above = free.size - np.searchsorted(free, there)
    counted = np.where(owned, 0.0, smooth)
    near = int(APART_BINS) + half
    next_to = np.arange(-near, near + 1)[:, None] + spots
    np.minimum(np.maximum(next_to, 0, out=next_to), counted.size - 1, out=next_to)
    above -= (counted[next_to] >= there).sum(axis=0)
    before, after = (np.maximum.accumulate(np.append(0.0, one)) for one in (counted, counted[::-1]))
    highest = np.maximum(before[np.maximum(spots - near, 0)], after[np.maximum(smooth.size - spots - near - 1, 0)])
    return _share_above(above, free.size, highest, there)


def _among_own(
    row: _Heights,
    is_mesh: NDArray[np.bool_],
    numbers: NDArray[np.intp],
    bins: NDArray[np.int64],
    spots: NDArray[np.int64],
    there: Real,
    shares: Real,
) -> None:
    """Raise ``shares`` (k, m), where a line of the machine's own lies, to that of those of its kind that stand as high
    less a factor, as what is ``there`` (k, m) at the bins ``spots`` (k, m) of the lines ``numbers`` (k,).

    What another machine would make at the same speed, the mesh and the line itself, is no line to compare with:
    ``bins`` (lines, m) of all lines.
    """
    line, column = np.nonzero(row.owned[spots])
    kind, own = np.nonzero(row.at[:, spots[line, column]] > 0)
    if not kind.size:
        return
    line, column = line[own], column[own]
    least = there[line, column] / AS_HIGH
    out = np.vstack([row.at[kind, bins[is_mesh][:, column]], row.at[kind, bins[numbers[line], column]]])
    out[-1, is_mesh[numbers[line]]] = 0.0
    above, count, highest = -(out >= least).sum(axis=0), -(out > 0).sum(axis=0), np.empty(kind.size)
    ends = np.searchsorted(kind, np.arange(len(row.heights) + 1)).tolist()
    for heights, first, last in zip(row.heights, ends, ends[1:], strict=False):
        some = slice(first, last)
        above[some] += heights.size - np.searchsorted(heights, least[some])
        count[some] += heights.size
        highest[some] = heights[-1]
    # The highest of a kind that is not left out: mostly the highest of all, and one of the next at the latest.
    if (lower := np.flatnonzero((out == highest).any(axis=0))).size:
        next_ones = np.zeros((out.shape[0] + 1, len(row.heights)))
        for number, heights in enumerate(row.heights):
            highest_ones = heights[: -next_ones.shape[0] - 1 : -1]
            next_ones[: highest_ones.size, number] = highest_ones
        tops = next_ones[:, kind[lower]]
        kept = ~(tops[:, None] == out[:, lower]).any(axis=1)
        highest[lower] = np.where(kept.any(axis=0), tops[kept.argmax(axis=0), np.arange(lower.size)], 0.0)
    alike = np.zeros((len(row.heights), spots.size))
    alike[kind, line * spots.shape[1] + column] = _share_above(above, count, highest, least)
    np.maximum(shares, alike.max(axis=0).reshape(spots.shape), out=shares)


def _share_above(above: NDArray[np.int64], count: NDArray[np.int64] | int, highest: Real, there: Real) -> Real:
    """Share (m,) of places as high as ``there``, of which ``above`` of ``count`` are: half a place more (Jeffreys'
    prior), and less of it the higher a place stands above the ``highest`` of them."""
    beyond = np.where(highest > 0, (there / np.maximum(highest, 1.0)).clip(1.0) ** -TAIL, 1.0)
    return np.asarray((np.maximum(above, 0) + 0.5 * beyond) / (np.maximum(count, 0) + 1))


def _own_skirt(
    over: Real, smooth: Real, owned: NDArray[np.bool_], half: int, middle: int, spots: NDArray[np.int64]
) -> Real:
    """What the line in the ``middle`` itself spreads to ``spots`` (m,), at most: what lies as far on its other side,
    or the lowest between."""
    off = spots - middle
    across, opposite = np.minimum(np.maximum(middle - off, 0), smooth.size - 1), np.zeros(spots.size)
    # The skirt is ragged: the farther off, the more of it is compared, but for other lines that stand out of it.
    plainly, shared = np.where(owned, 0.0, smooth), np.abs(off) * SKIRT_SHARE
    for reach in SKIRT_REACHES:
        near = (shared >= reach) | (reach == SKIRT_REACHES[0])
        compared = smooth if reach == SKIRT_REACHES[0] else plainly
        highest = _highest(compared, max(reach, half))[across]
        np.maximum(opposite, highest, out=opposite, where=near)
    plain = uniform_filter1d(over, 5)
    below, above = np.minimum.accumulate(plain[middle::-1]), np.minimum.accumulate(plain[middle:])
    between = np.concatenate([below[:0:-1], above])[spots]
    return np.asarray(np.maximum(opposite, between))


def _evidence(read: _Read, sought: _Sought) -> tuple[Real, Real]:
    """Log likelihood ratio (m,) of a machine's lines at the places read against nothing there, -inf where it is no
    family of lines; and by how much [dB] its mesh is fainter than that at the speed found."""
    is_mesh = sought.is_mesh
    result = np.full(read.surprise.shape[1], -np.inf)
    fainter = np.zeros(read.surprise.shape[1])
    some = np.flatnonzero(_enough_stand(read.surprise[is_mesh]))
    if not some.size:
        return result, fainter
    part = read.of(some)
    fainter[some] = fainter_db = _fainter_db(part, is_mesh)
    # What stands far above the floor with the one mesh does not fail with the other, nor does the other way round.
    usual = read.own / 10 ** (np.maximum(fainter_db, 0.0) / 10)
    expected = is_mesh[:, None] & (usual > OWN_STANDS * 10 ** (PATHS_DIFFER_DB / 10))
    seen = np.where(expected, EXPECTED_SEEN, np.where(read.own > OWN_STANDS, sought.seen[:, None], HARDLY_SEEN))
    loud_enough = (fainter_db > -AS_LOUD_DB) & (fainter_db < TOO_FAINT_DB)
    result[some] = np.where(loud_enough, _line_evidence(part.surprise, seen).sum(axis=0), -np.inf)
    return result, fainter


def _line_evidence(surprise: Real, seen: Real) -> Real:
    """Log likelihood ratio of each line; 0 where nothing is known. By chance a surprise is exponential; of a line that
    is seen it is as likely in one factor as in the next up to the largest."""
    known = np.nan_to_num(surprise)
    ratio = np.log(1 - seen + seen * np.exp(known) / (1 + known) / np.log1p(LARGEST_SURPRISE))
    return np.asarray(np.where(np.isnan(surprise), 0.0, ratio))


def _fainter_db(read: _Read, is_mesh: NDArray[np.bool_]) -> Real:
    """By how much the mesh lines at the speed found stand above those read, the median of those that stand in either
    (m,)."""
    height, own = np.nan_to_num(read.height[is_mesh]), read.own[is_mesh]
    stand = np.isfinite(read.surprise[is_mesh]) & (
        (np.nan_to_num(read.surprise[is_mesh]) > STANDS) | (own > OWN_STANDS)
    )
    apart = np.where(stand, 10 * np.log10(np.maximum(own, 1.0) / np.maximum(height, 1.0)), np.inf)
    apart.sort(axis=0)
    count = np.maximum(stand.sum(axis=0), 1)
    columns = np.arange(apart.shape[1])
    return np.asarray((apart[(count - 1) // 2, columns] + apart[count // 2, columns]) / 2)


def _by_chance(looks: Sequence[tuple[float, Real, _Read]], sought: _Sought) -> float:
    """The evidence that a share ``BY_CHANCE`` of trials exceeds in which each line's surroundings are turned round by
    an amount of its own, so that what still comes together at one speed does so by chance."""
    rng = np.random.default_rng(0)
    most = np.full(TRIALS, -np.inf)
    for _, speeds, look in looks:
        usual, size = _usual(speeds), speeds.size
        stands = np.nan_to_num(look.surprise) > STANDS
        for number in range(TRIALS):
            turned = rng.integers(size // 8, size - size // 8, sought.orders.size)
            together = sum(np.roll(stands[k], -turned[k]).astype(np.int8) for k in np.flatnonzero(sought.is_mesh))
            some = np.flatnonzero(together >= FEWEST_MESHES)
            if some.size:
                columns = (some + turned[:, None]) % size
                best = float((_evidence(look.of(columns), sought)[0] + usual[some]).max())
                most[number] = max(most[number], best)
    return float(np.sort(most)[-1 - round(BY_CHANCE * TRIALS)])


def _is_modulation(
    rows: Sequence[_Heights], sought: _Sought, found: _Read, mesh: float, speed: float, width: float
) -> bool:
    """Whether lines about the meshes fit one spacing, as far off every multiple, as well as a second speed, which lies
    the further off the higher the multiple is."""
    off, number = mesh * (speed - 1), np.rint(sought.orders / mesh)
    steps = np.array([sign * k for k in MODULATIONS for sign in (-1, 1)])
    read = _read(rows, sought, sought.orders[:, None] + off * steps, width)
    other = sought.is_mesh[:, None] & (number[:, None] != steps)
    seen = sought.seen[:, None]
    modulated = np.where(other, _line_evidence(read.surprise, seen), 0.0).sum(axis=0)
    enough = (other & (np.nan_to_num(read.surprise) > STANDS)).sum(axis=0) >= FEWEST_MESHES
    # What both explain shows nothing.
    at_speed = np.where(other, _line_evidence(found.surprise, seen), 0.0).sum(axis=0)
    return bool((enough & (modulated >= AS_WELL * at_speed)).any())


def _at_known(rows: Sequence[_Heights], mesh: float, speed: float) -> SimilarMachine:
    """A machine at a speed that is known closely: how much fainter its mesh is, where its lines lie clear of others.

    What the other line's flank hides is fainter than that by ``AS_LOUD_DB`` at least.
    """
    apart = []
    for row in rows:
        largest = maximum_filter1d(row.over, 3)
        for order in mesh * np.arange(1, MESHES + 1):
            places = np.rint(np.array([order, order * speed]) / row.step).astype(np.int64)
            if abs(speed - 1) * order > KNOWN_BINS * row.step and places.max() < row.over.size:
                own, other = np.maximum(largest[places], 1.0)
                if max(own, other) > OWN_STANDS:
                    apart.append(np.clip(10 * np.log10(own / other), -AS_LOUD_DB, AS_LOUD_DB))
    fainter_db = float(np.median(apart)) if apart else 0.0
    return SimilarMachine(speed=speed, error=0.0, fainter_db=fainter_db, by_damage=True)
