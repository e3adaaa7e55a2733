"""Which element of a damaged bearing it is: what the combs of its four parts say together.

That a bearing is damaged and which of its elements it is are two questions. The first is answered by the false-alarm
probability of a comb; the second by which families of lines stand, how deep they are, and what modulates them:

* a race makes one comb of its own, deep and alone;
* a rolling element makes lines at its own spin with those of the cage next to them, as the cage carries it through the
  load; or it leaves both races' combs, alike and neither of them deep, as it strikes both and is worn into both; or it
  leaves the cage's turn alone, as it differs from the others when it passes the load (Smith & Randall, MSSP 64-65
  (2015) 100-131, describe all three on measured records);
* a cage seldom strikes by itself; where it does it makes a long comb of even lines.

The constants are fitted to measured records of four rigs (``python -m tests.studies.measured --fit``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp
from statistics import fmean, median, pstdev

from vibe.core.evidence import EVEN_MEAN_DB, EVEN_SPREAD_DB, CombEvidence
from vibe.core.tones import CAGES
from vibe.diagnosis.settings import ElementSettings

RACES = ("outer_race", "inner_race")
PARTS = (*RACES, "rolling_element", "cage")


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """What a bearing shows: depths of its parts' combs [dB over the mean power of their band], ``SILENT_DB`` or less
    where a comb is chance; share of an element's side lines at the cage's spacing that stand (0 to 1); whether the
    cage's lines are many and even."""

    outer_db: float
    inner_db: float
    element_db: float
    cage_db: float
    carried: float = 0.0
    even_cage: bool = False


SILENT_DB, LOUDEST_DB = -9.0, 6.0
"""Depths are distinguished between these: an eighth of a band's power is what chance makes, four times it is clear."""
SIDEBAND_HARMONICS = 4
"""Side lines are read next to so many harmonics."""
SIDE_COUNTS_DB = 6.0
"""A side line counts from here over the floor: noise, exponential, is there once in fifty bins (exp(-4)). Lower than
``STANDS_DB``, since not whether one line is there is asked, but the share of them that are."""
WEAKER_BY_DB = 3.0
"""Side lines are weaker than what they stand next to by at least this, on the average, or they are lines of their own:
a damaged element is never wholly unloaded, while a cage that strikes makes all lines alike, those near an element's
order among them (a modulation by all of the load has side lines of half the amplitude, 6 dB down; noise takes some)."""
EVEN_LINES = 6
"""Fewest lines of a cage that strikes, which are even: a strike lasts a small part of a turn; an element passes its
load in a third of one, so that only the first few stand (common practice)."""
LONG_LINES = 10
"""Lines of a comb so long that half of those beyond the first ``EVEN_LINES`` must stand."""


def signs_of(combs: Mapping[str, CombEvidence], present: float) -> Signs:
    """The signs of one bearing from its combs by part; those with a false-alarm probability above ``present`` are
    chance."""
    there = {part: comb for part, comb in combs.items() if comb.false_alarm_probability <= present}
    depths = {part: comb.hit_over_floor_db for part, comb in there.items()}
    element, cage = there.get("rolling_element"), there.get("cage")
    # A cage that strikes leaves its own row at an element's orders too, but never more of it there than it has itself.
    spins = element is not None and cage is not None and element.score > cage.score
    return Signs(
        outer_db=depths.get("outer_race", SILENT_DB),
        inner_db=depths.get("inner_race", SILENT_DB),
        element_db=depths.get("rolling_element", SILENT_DB),
        cage_db=depths.get("cage", SILENT_DB),
        carried=0.0 if element is None else _carried(element),
        even_cage=cage is not None and not spins and is_even(cage),
    )


def ways(signs: Signs, settings: ElementSettings) -> dict[str, Mapping[str, float]]:
    """Weight of each element, by the way in which it shows itself: by its ``own`` comb, by both ``races`` alike, by the
    ``cage``'s turn, or not at all (``untold``).

    Weights of own combs are exp(slope · depth); the constants of ``settings`` are log odds.
    """
    outer, inner, element, cage = (
        min(max(depth, SILENT_DB), LOUDEST_DB)
        for depth in (signs.outer_db, signs.inner_db, signs.element_db, signs.cage_db)
    )
    b = settings.slope_per_db
    turn = exp(b * cage + settings.cage)
    races = exp(b * min(outer, inner) + settings.both_races - settings.clear_per_db * max(outer, inner, 0.0))
    untold, itself = exp(settings.untold), settings.cage_itself + settings.even_cage * signs.even_cage
    seldom = exp(settings.cage_itself)
    share = untold / (3 + seldom)
    return {
        "outer_race": {"own": exp(b * outer), "untold": share},
        "inner_race": {"own": exp(b * inner), "untold": share},
        "rolling_element": {
            "own": exp(b * element + settings.element + settings.carried * signs.carried),
            "races": races,
            "cage": turn,
            "untold": share,
        },
        "cage": {"own": turn * exp(itself), "untold": share * seldom},
    }


def odds(weights: Mapping[str, Mapping[str, float]]) -> dict[str, float]:
    """Probability of each element, given that the bearing is damaged; they add up to one."""
    total = sum(sum(own.values()) for own in weights.values())
    return {part: sum(own.values()) / total for part, own in weights.items()}


def part_of(tone: str) -> str:
    """The bearing, else the tone itself. The name of a bearing may have points in it, its parts have none."""
    head, _, part = tone.rpartition(".")
    return head if tone.startswith("bearing.") and part in (*PARTS, *CAGES) else tone


def _carried(element: CombEvidence) -> float:
    """Share of an element's side lines that stand; none where they are as strong as what they stand next to."""
    sides = [line.over_floor_db for line in element.sideband_lines]
    lines = [line.over_floor_db for line in element.lines[:SIDEBAND_HARMONICS]]
    if not sides or fmean(sides) > fmean(lines) - WEAKER_BY_DB:
        return 0.0
    return sum(side >= SIDE_COUNTS_DB for side in sides) / len(sides)


def is_even(cage: CombEvidence) -> bool:
    """Whether a cage's lines are many and alike, as strikes make them. All lines of the comb are asked, not only those
    that showed best that it is there: three strong ones may do for that."""
    levels = [line.over_floor_db for line in (*cage.lines, *cage.further)]
    first = levels[: max(EVEN_LINES, len(cage.lines))]
    alike = len(first) >= EVEN_LINES and pstdev(first) <= EVEN_SPREAD_DB and fmean(first) >= EVEN_MEAN_DB
    # Slip wears the higher lines of a strike down, but does not end them; where the first are missing, the higher ones
    # are an element's with its side lines.
    long = len(levels) >= LONG_LINES and min(median(levels[:EVEN_LINES]), median(levels[EVEN_LINES:])) >= EVEN_MEAN_DB
    return alike or long
