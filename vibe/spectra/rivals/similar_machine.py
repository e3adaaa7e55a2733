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

import numpy as np
from scipy.ndimage import maximum_filter1d

from vibe.core.outside_combs import KIND_APART, KIND_REACH, SimilarMachine
from vibe.core.tones import OwnLines
from vibe.spectra.presence.families import Family
from vibe.spectra.rivals.line_heights import APART_BINS, OWN_STANDS, LineHeights, Real, heights_of
from vibe.spectra.rivals.similar_evidence import (
    AS_LOUD_DB,
    family_evidence,
    further_evidence,
    further_orders,
    line_evidence,
)
from vibe.spectra.rivals.similar_lines import (
    FEWEST_MESHES,
    MESHES,
    SHAFT_AROUND,
    STANDS,
    ReadLines,
    SoughtLines,
    read_at,
    read_where_meshes_stand,
    sought_lines,
    with_the_rest,
)
from vibe.spectra.signal_analysis import ChannelSpectrum

OTHER_KIND = 0.05
"""How likely a machine of another kind has a wheel of as many teeth on a shaft of nearly this speed, against one of the
same kind (common practice: one in twenty, as counts of teeth lie between a dozen and some dozens)."""
USUAL_COMPANY, DECLARED_COMPANY = 0.1, 0.9
"""Share of drives that have another of their kind on their frame (common practice); and of those whose file declares
one, that run while this one is measured (common practice: of a pair one may be at rest)."""
SPEAKS_FOR = 0.0
"""Log likelihood ratio of its lines from which on they speak for a machine rather than against it; what is said of it
is weighed with its probability."""
TRIALS, BY_CHANCE = 100, 0.05
"""Trials of chance, and the share of them that may do as well. Less than one in twenty (the usual doubt) is not asked:
what stands highest is a second machine's own lines where there is one, and now and then two of them meet."""
WIDTHS = (0.0, 2e-4)
"""Half widths, relative, over which power is averaged: one bin, and what two motors' speeds vary against each other
within a capture (common practice: 1e-4 to 5e-4)."""
KNOWN_BINS = 3.0
"""The same as the first where the speed is known closely."""
ONE_MACHINE = 2e-3
"""Speeds nearer than this to that of a machine that was detected are that machine's: its own speed varies, and so do
its lines on the angle of another."""
MOST = 3
"""Machines of the same kind that are named (common practice): more in one capture would not be distinguished."""
MODULATIONS = (1, 2, 3, 4)
"""Multiples of one modulation that every mesh would have as side lines, were it that instead of a second speed."""
AS_WELL = 0.9
"""Share of the evidence for a second speed from which on that for a modulation is as good: noise adds to either."""


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
    sought, mesh = sought_lines(family), family.count * family.unit
    orders = further_orders(further, mesh)
    top = (1 + KIND_REACH) * float(sought.orders.max()) + SHAFT_AROUND
    rows = [heights_of(one, input_hz, own, top) for one in spectra]
    found = [_at_known(rows, mesh, speed) for speed in known]
    looks = []
    for width in WIDTHS:
        speeds = _speeds(rows, sought, width)
        looks.append((width, speeds, read_where_meshes_stand(rows, sought, speeds, width)))
    evidence = [family_evidence(look, sought)[0] + _usual(speeds) for _, speeds, look in looks]
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
            everywhere = [(half, at, with_the_rest(rows, sought, one, at, half)) for half, at, one in looks]
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
        fainter_db, likely = float(family_evidence(there, sought)[1][0]), _posterior(float(weight[best]), company)
        if orders.size:
            likely /= 1 + OTHER_KIND * np.exp(-further_evidence(rows, orders, speed, width, fainter_db))
            if likely <= company:
                weight[np.abs(speeds - speed) < _same(rows, mesh)] = -np.inf
                continue
        found.append(SimilarMachine(speed=speed, error=error, fainter_db=fainter_db, probability=float(likely)))
    return tuple(found)


def _posterior(evidence: float, company: float) -> float:
    """Probability that a machine is there, of the log likelihood ratio of its lines and the share of drives in
    ``company``."""
    return float(1 / (1 + np.exp(-evidence) * (1 - company) / company))


def _speeds(rows: Sequence[LineHeights], sought: SoughtLines, width: float) -> Real:
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


def _same(rows: Sequence[LineHeights], mesh: float) -> float:
    """Relative difference below which two speeds are one machine's."""
    return max(2 * APART_BINS * min(row.step for row in rows) / mesh, ONE_MACHINE)


def _by_chance(looks: Sequence[tuple[float, Real, ReadLines]], sought: SoughtLines) -> float:
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
                best = float((family_evidence(look.of(columns), sought)[0] + usual[some]).max())
                most[number] = max(most[number], best)
    return float(np.sort(most)[-1 - round(BY_CHANCE * TRIALS)])


def _is_modulation(
    rows: Sequence[LineHeights], sought: SoughtLines, found: ReadLines, mesh: float, speed: float, width: float
) -> bool:
    """Whether lines about the meshes fit one spacing, as far off every multiple, as well as a second speed, which lies
    the further off the higher the multiple is."""
    off, number = mesh * (speed - 1), np.rint(sought.orders / mesh)
    steps = np.array([sign * k for k in MODULATIONS for sign in (-1, 1)])
    read = read_at(rows, sought, sought.orders[:, None] + off * steps, width)
    other = sought.is_mesh[:, None] & (number[:, None] != steps)
    seen = sought.seen[:, None]
    modulated = np.where(other, line_evidence(read.surprise, seen), 0.0).sum(axis=0)
    enough = (other & (np.nan_to_num(read.surprise) > STANDS)).sum(axis=0) >= FEWEST_MESHES
    # What both explain shows nothing.
    at_speed = np.where(other, line_evidence(found.surprise, seen), 0.0).sum(axis=0)
    return bool((enough & (modulated >= AS_WELL * at_speed)).any())


def _at_known(rows: Sequence[LineHeights], mesh: float, speed: float) -> SimilarMachine:
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
