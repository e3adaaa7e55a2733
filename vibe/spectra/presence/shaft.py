"""What the first lines of the shaft say against a speed, and whether another rotor makes those of the lobes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vibe.spectra.presence.axes import CLEAR_BINS, SHAFT_LINES, STANDS, Axis
from vibe.spectra.presence.exact_places import as_exact, peaks_at
from vibe.spectra.presence.families import LOBE_SEEN, PASS_HARMONICS, Family, Real, lobe_order
from vibe.spectra.presence.likelihood import line_ratios
from vibe.spectra.presence.strays import Strays

SHAFT_SEEN = 0.9
"""Of the first three multiples of the shaft. They are no proof, since any machine has them; that they are missing shows
of a speed that is another line's."""
HIGHER_SEEN = 0.5
"""Probability that the fourth and further multiples of the shaft can be seen (common practice)."""
ALIAS = -6.9
"""Log odds, ln 1/999, against a speed at which the shaft's first line is missing and a lobe's would stand."""
CHOSEN = 5.0
"""Log odds, ln 150, that a speed found in the signal costs, which the shaft's own lines must pay first: where they do
not stand, what is counted chose the speed, and found a line in one of some 150 places (6 % of 25 orders, a bin of 0.01
orders each)."""
COVERED = ALIAS - CHOSEN
"""The same where another rotor's line covers the first and none of the others stands."""
AS_CLEAR = 9.2
"""And from which a line leaves no doubt that it is one, ln 1e4: noise has as many places in a spectrum."""
OTHER_ROTOR, NEAR_SPEED, BLADE_COUNTS = 0.5, 0.05, 16
"""Probability that lines of another rotor of nearly the shaft's speed stand; how far (relative) it lies, motors of as
many poles slipping no more than that; and how many numbers of blades are usual, 3 to 18 (all common practice)."""
FEWEST_OF_SHAFT = 2
"""Of the first three multiples of the shaft, that stand beyond doubt where it turns at a speed."""
ANOTHER_RATIO = 1.25
"""A drive whose count is this many times the own one's is another drive."""
ANOTHER_FILE = 0.01
"""Chance that a capture is of a drive with a multiple of the pins and lobes (common practice: one file in a hundred is
wrong)."""
WEAKER = 30.0
"""Times in power that the first multiple of a drive's shaft is weaker than the second, beyond which the second is taken
for another rotor's (of 308 drives of outside worlds whose second multiple stood beyond doubt, 3 were beyond it and 10
beyond ten times: discs that face each other cancel a force of once a turn and not one of twice)."""
LOBES_READ = 8
"""Multiples of the lobes whose places are read: beyond them those of high ratios begin to part."""
FIRST = np.array([[1.0], [2.0], [3.0]])
"""The first multiples of the shaft, (3, 1)."""
NEXT = FIRST + 3.0
"""And those after them."""


def turns_twice(axis: Axis, speeds: Real) -> bool:
    """Whether a rotor of twice the speed (a motor of half as many poles) stands where the drive's own shaft does not:
    the second multiple clearly, the first at none of ``speeds``, and not because it is a little weaker than a second
    one that hardly stands itself. Then every second multiple may be that one's."""
    first, second = (axis.at(multiple * speeds, shaft=True).max() for multiple in (1.0, 2.0))
    # Noise is 1: there the first line may be as strong.
    return bool(first < STANDS and second >= WEAKER * max(first, 1.0))


def shaft_against(
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
    further = _further(axis, strays, family, speeds, surprise)
    against = np.minimum(first.sum(axis=0) + further, 0.0)
    # A place that is covered shows nothing of how the speed was found.
    seen = [multiple - 1 for multiple in (1, 2, 3) if multiple not in covered]
    against = np.asarray(np.minimum(against, first[seen].sum(axis=0) + further - chosen))
    for alias in _aliases(family):
        stands = axis.at(alias * speeds, shaft=True) > STANDS
        against = np.where(stands & (surprise[0] < STANDS), np.minimum(against, ALIAS), against)
    return against


def _aliases(family: Family) -> tuple[float, ...]:
    """Speeds at which lines of the shaft would be those of the lobes, and of the lobes those of the shaft."""
    past = lobe_order(family.count, family.difference)
    return (past, 1 / past) if family.difference else ()


def _further(axis: Axis, strays: Strays, family: Family, speeds: Real, first: Real) -> Real:
    """What the fourth to sixth multiples of the shaft say for a speed (speeds,) at which none of the first three
    (``first``, surprise (3, speeds)) stands: nothing, unless two neighbours stand beyond doubt. These are one turn
    apart, so what makes them repeats once a turn, as a hurt tooth does whose first multiples no structure carries; a
    rotor of another speed makes one of them by chance. Nothing where the first three of an alias stand."""
    surprise = axis.at(NEXT * speeds, shaft=True)
    stands = surprise >= AS_CLEAR
    neighbours = (stands[:-1] & stands[1:]).any(axis=0) & ~(first >= STANDS).any(axis=0)
    for alias in _aliases(family):
        neighbours &= ~(axis.at(alias * FIRST * speeds, shaft=True) >= STANDS).any(axis=0)
    ratios = line_ratios(surprise, HIGHER_SEEN, strays.rate(surprise, np.zeros((3, 1), dtype=bool), NEXT))
    return np.asarray(np.where(neighbours, ratios.sum(axis=0), 0.0))


def no_rotor(axis: Axis, strays: Strays, family: Family, speeds: Real, multiples: float = -np.inf) -> float:
    """Log odds that what turns as fast as the lobes of ``family`` come by are lobes, and no other rotor of nearly the
    shaft's speed, whose blades would pass as the pins do: a rotor shows its own first lines, lobes seldom make theirs;
    but seldom does one turn just as fast and have as many blades. The rotor's most likely speed; what lies on the feet
    of the shaft's lines shows nothing.

    ``multiples``: log likelihood ratio of meshes of two, three or more times the count: lobes by themselves show no
    more than the ratio of pins and lobes, which drives of as many times both have too."""
    if not family.difference or family.turn != family.unit:
        return 0.0
    orders = FIRST * family.past
    whole = strays.are_whole(orders, CLEAR_BINS * axis.step)
    surprise = axis.at(orders * speeds, hidden=np.nan)
    rate = strays.rate(surprise, whole, orders)
    lobes, rotor = (line_ratios(surprise, seen, rate).sum(axis=0) for seen in (LOBE_SEEN, SHAFT_SEEN))
    odds = float((lobes - rotor).min())
    seldom, by_pins = _seldom(axis, strays, family, speeds)
    if by_pins or not seldom:
        return odds + seldom
    return -float(np.logaddexp(-odds - seldom, np.log(ANOTHER_FILE) + multiples))


def _seldom(axis: Axis, strays: Strays, family: Family, speeds: Real) -> tuple[float, bool]:
    """How seldom such a rotor turns just as fast as lobes come by, and has as many blades as there are pins where their
    pass stands: -ln of the chance, and whether it does; 0 where neither lobes nor pass stand, or where the rotor would
    fit a drive of another ratio as well.

    How exactly its lines lie is read against the shaft's own, and says so much only where these give the speed: else
    the pass might have chosen it."""
    surprise = axis.at(FIRST * speeds, shaft=True)
    turns = (surprise >= AS_CLEAR).sum(axis=0) >= FEWEST_OF_SHAFT
    if not turns.any():
        return 0.0, False
    near = CLEAR_BINS * axis.step
    lobes_at = family.past * np.arange(1.0, LOBES_READ + 1)
    first = lobes_at[: FIRST.size]
    passing = family.passes * family.past * np.arange(1.0, PASS_HARMONICS + 1)
    # The shaft's lines are as wide as many speeds; where the drive's stand too, all are read.
    made = axis.at(np.concatenate([FIRST[:, 0], first, passing])[:, None] * speeds, shaft=True)
    speed = float(speeds[np.where(turns, np.log1p(np.nan_to_num(made)).sum(axis=0), -np.inf).argmax()])
    lobes, pins = (
        peaks_at(axis, orders[~strays.are_whole(orders, near)] * speed, AS_CLEAR)
        for orders in (lobes_at if _repeats(axis, lobes_at * speed) else lobes_at[:0], passing)
    )
    shaft = peaks_at(axis, np.arange(1.0, SHAFT_LINES) * speed, AS_CLEAR)
    within = as_exact(shaft, lobes.with_those_of(pins)) / 2
    if within > (family.past / family.unit - 1.0) * (1.0 - 1.0 / ANOTHER_RATIO):
        return 0.0, False
    blades = BLADE_COUNTS if pins.off.size else 1
    return -float(np.log(OTHER_ROTOR * within / NEAR_SPEED / blades)), bool(pins.off.size)


def _repeats(axis: Axis, orders: Real) -> bool:
    """Whether lines beyond doubt, which are none of the shaft's, stand at the first of the multiples ``orders`` (k,) or
    at two neighbours of them: else what stands may be the first line of a faster rotor. The first one lies on the foot
    of the shaft's where the drive has many lobes."""
    stands = np.nan_to_num(axis.at(orders)) >= AS_CLEAR
    return bool(stands[0] or (stands[:-1] & stands[1:]).any())
