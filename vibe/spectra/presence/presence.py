"""Was this drive detected, running, all the time? Its own families of lines against those of drives of any other count.

Lines of a shaft show that something turns at a speed; a pump does so too. What only this drive makes are its meshes, so
many per turn of the shaft, with side lines at what carries the meshing parts, and its pins passing the load. The same
families with other counts are decoys: blades, vanes and strays, which fit one line here and there, pay through them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vibe.spectra.presence.axes import CLEAR_BINS, HUM_BINS, Axis
from vibe.spectra.presence.decoys import (
    ALIKE,
    COUNTS,
    first_of_all,
    is_near,
    over_another,
    over_decoys,
    own_by_another,
    together_with,
)
from vibe.spectra.presence.families import LOBES, MESH, PASS, SIDE_LINES, Family, Lines, Real
from vibe.spectra.presence.likelihood import lines_evidence, of_rotor, or_plainly, over_speeds
from vibe.spectra.presence.shaft import CHOSEN, no_rotor, shaft_against, turns_twice
from vibe.spectra.presence.strays import Strays, strays_of

DETECTED_FROM = 2.94
"""Log odds, ln 19, against other drives and none, from which on the drive counts as detected: one in twenty is the
usual doubt (common practice), and the probability is stated with it."""
LEAST_MESH = 3.0
"""Evidence, ln 20, that the mesh itself must give: with the other lines' it makes ``LEAST_OWN`` and more."""
LEAST_OWN = 4.6
"""Evidence that must be there whatever the decoys say: noise makes that once in a hundred."""
FINEST_BINS = 0.5
"""Step of the speeds that are tried, in bins of the highest line."""
MOST_SPEEDS = 600
"""Speeds that are tried at most, for the sake of time."""
SLOW = 0.5
"""Share of the turns of a contact below which what knocks is slower than anything that makes side lines of a mesh."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """``log_odds`` that the drive was detected; ``own`` evidence without the decoys, of all its lines or of its mesh,
    the lesser; ``better``: the count of another mesh that explains more (None where none does); ``by_part``: evidence
    of mesh, pass of the pins and lobes each by itself, where the drive was not detected."""

    log_odds: float
    own: float
    better: int | None
    by_part: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def probability(self) -> float:
        return sure(min(self.log_odds, self.own))

    @property
    def detected(self) -> bool:
        return self.log_odds >= DETECTED_FROM and self.own >= LEAST_OWN


def sure(log_odds: float) -> float:
    """The probability of what has these odds."""
    return float(1 / (1 + np.exp(-np.clip(log_odds, -700.0, 700.0))))


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
    # Stepped discs have no mesh of their own: then there are none.
    meshes = np.concatenate([np.zeros(0), *(family.lines([family.count]).own(MESH) for family in families)])
    apart = [order for order in outside_combs if not _meets_mesh(order, meshes, axes[0].step)]
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
    if not pulsed and turns_twice(measured[0], speeds):
        axes = [one.without_lines(np.arange(2.0, one.top, 2.0).tolist()) for one in axes]
    input_strays = strays_of(measured[0], made, speeds)
    shaft = np.zeros(speeds.size)
    if not pulsed:
        shaft = shaft_against(axes[0], input_strays, families[0], speeds, covered, 0.0 if guessed else CHOSEN)
    asked = _Asked(axes=axes, families=families, shaft=shaft, speeds=speeds, likely=likely, guessed=guessed)
    by_stage: list[tuple[float, float, int | None]] = []
    together = np.zeros((3, speeds.size))
    read: list[tuple[list[Strays], Sequence[Strays] | None]] = []
    for number, family in enumerate(families):
        strays = [strays_of(axis, made, speeds, family.turn) for axis in measured]
        counts = [c for c in COUNTS if abs(c - family.count) > ALIKE and c > 2 * family.difference]
        rotors = of_rotor(measured, made, speeds, shaft, family)
        read.append((strays, rotors))
        by_stage.append(asked.of_stage(number, strays, rotors, counts))
        if len(families) > 1:
            together += together_with(axes, strays, shaft, family, families[:number], counts, speeds, rotors)
    if len(families) > 1:
        # All meshings at once, at one speed, against drives of other counts in each.
        own, rest = float(over_speeds(shaft + together[0], likely)), float(over_speeds(together[1], likely))
        other = float(over_speeds(shaft + together[2], likely))
        by_stage.append((over_another(own, other), min(own, own - rest + LEAST_OWN - LEAST_MESH), None))
    # One stage that is detected is proof enough; that the best of them was taken is paid for.
    odds, own, better = max(by_stage, key=lambda one: min(one[0], one[1]))
    if rival and not counted:
        own -= LEAST_OWN  # Of a rival nothing but counts is known; what it leaves must show twice as clearly.
    found = Presence(log_odds=odds - float(np.log(len(by_stage))), own=own, better=better)
    if found.detected:
        return found
    mesh, passing, lobes = np.max([asked.by_part(k, *one) for k, one in enumerate(read)], axis=0).tolist()
    return replace(found, by_part=(mesh, passing, lobes))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Asked:
    """What is asked of every stage alike: the ``axes`` that are read, the ``families`` of the drive, what its ``shaft``
    says against each of the ``speeds`` (speeds,), and how ``likely`` each of these is."""

    axes: Sequence[Axis]
    families: Sequence[Family]
    shaft: Real
    speeds: Real
    likely: Real
    guessed: bool

    def of_stage(
        self, number: int, strays: Sequence[Strays], rotors: Sequence[Strays] | None, counts: Sequence[int]
    ) -> tuple[float, float, int | None]:
        """Log odds of one stage over its decoys of ``counts``, the evidence that its own lines give, as far as the mesh
        is among them, and the count that explains more (None where none does)."""
        family, others = self.families[number], [f for k, f in enumerate(self.families) if k != number]
        near = CLEAR_BINS * self.axes[0].step
        # The drive itself, all of it but its mesh, then its decoys.
        lines = family.lines([family.count, family.count, *counts], near)
        lines.orders[1][np.isin(lines.part, (MESH, SIDE_LINES))] = np.nan
        lines.orders[2:][own_by_another(lines, family, others, near)] = np.nan
        plain = family.plain_lines(near)
        evidence, rest = self._weighed(strays, rotors, lines, plain)
        own = float(evidence[0])
        # What lobes and pins' pass show is no neighbour's, whose lobes come by at another order.
        mesh = min(own - rest, own - self._neighbours(strays, rotors, family))
        # Lobes and pins' pass of an alias fit another rotor's multiples: what shows must be the mesh too, or where it
        # lies outside the band, the others twice as clearly.
        clear = mesh if self.axes[0].holds(family.count * family.unit) else own - LEAST_OWN
        multiples = np.array([count % family.count == 0 for count in counts])
        times = float(np.logaddexp.reduce(evidence[2:][multiples], initial=-np.inf))
        clear += max(0.0, min(rest, no_rotor(self.axes[0], strays[0], family, self.speeds, times)))
        odds, best = over_decoys(evidence), int(evidence[2:].argmax())
        better = counts[best] if evidence[2 + best] > own else None
        enough = better is None and LEAST_MESH <= own < LEAST_OWN
        if enough and first_of_all(mesh, evidence[2:], lines.orders[2:, 0], self.axes[0].top):
            own = LEAST_OWN  # Twenty to one is enough where no other count says as much.
        if better is not None and not self.guessed:
            # Wheels that the file leaves out may turn next to the drive's own: what those do not explain must show
            # twice as clearly.
            taken = lines.orders[2 + best]
            for one in (lines,) if plain is None else (lines, plain):
                one.orders[is_near(one.orders, np.sort(taken[np.isfinite(taken)]), near)] = np.nan
            left, rest = self._weighed(strays, rotors, lines, plain)
            odds = max(odds, min(over_decoys(left), float(left[0]) - rest + LEAST_OWN - LEAST_MESH) - LEAST_OWN)
        return odds, min(own, clear + LEAST_OWN - LEAST_MESH), better

    def _neighbours(self, strays: Sequence[Strays], rotors: Sequence[Strays] | None, family: Family) -> float:
        """What lines say of this drive with the mesh of another in place of its own, where the first line of that is
        the one at which its own is seen: of those two the multiples tell, which lie two and three times as far apart.
        Less what such a drive is rarer: one file in a hundred is the wrong one, and one count as likely as another."""
        if not (counts := family.moved_to):
            return -np.inf
        near = CLEAR_BINS * self.axes[0].step
        lines, own = family.lines(counts, near), family.lines([family.count], near)
        rest = ~np.isin(lines.part, (MESH, SIDE_LINES))
        lines.orders[:, rest] = own.orders[:, rest]
        said = lines_evidence(self.axes, strays, self.shaft, lines, self.speeds, rotors)
        other = np.logaddexp.reduce(over_speeds(self.shaft + said, self.likely))
        return float(other - np.log(len(COUNTS))) - LEAST_OWN

    def by_part(self, number: int, strays: Sequence[Strays], rotors: Sequence[Strays] | None) -> list[float]:
        """Evidence of the mesh of one stage with its side lines, of its pins' pass and of its lobes, each by itself, at
        the speeds at which all of them stand best."""
        family = self.families[number]
        groups = ((MESH, SIDE_LINES), (PASS,), (LOBES,))
        lines = family.lines([family.count] * (1 + len(groups)), CLEAR_BINS * self.axes[0].step)
        for row, group in enumerate(groups, 1):
            lines.orders[row][~np.isin(lines.part, group)] = np.nan
        said = lines_evidence(self.axes, strays, self.shaft, lines, self.speeds, rotors)
        whole = self.shaft + said[0]
        likely = self.likely * np.exp(whole - whole.max())
        return [float(over_speeds(one, likely / likely.mean())) for one in said[1:]]

    def _weighed(
        self, strays: Sequence[Strays], rotors: Sequence[Strays] | None, lines: Lines, plain: Lines | None
    ) -> tuple[Real, float]:
        """Evidence (drives,) of ``lines`` over all speeds, of the drive itself or of its ``plain`` ones; and what those
        of the drive say but for its mesh, by itself: what the mesh adds is asked at the speeds at which the other lines
        stand."""
        said = lines_evidence(self.axes, strays, self.shaft, lines, self.speeds, rotors)
        if plain is not None:
            said[0] = or_plainly(said[0], lines_evidence(self.axes, strays, self.shaft, plain, self.speeds, rotors)[0])
        return over_speeds(self.shaft + said, self.likely), float(over_speeds(said[1], self.likely))


def _meets_mesh(order: float, meshes: Real, step: float) -> bool:
    """Whether multiples of an outside comb fall on one of the ``meshes`` (n,) of the drive: then it can hide nothing,
    for it would hide the drive too."""
    return bool((np.abs(meshes - np.rint(meshes / order) * order) <= HUM_BINS * step).any())


def _likely_speeds(speeds: Real, spread: float, guessed: bool) -> Real:
    """Weights (speeds,), 1 in the mean, of speeds within ``spread``, three standard errors of the one that was found:
    half as a normal density has them, half alike, since a stated error may be too small (common practice). Of a
    ``guessed`` speed none is likelier."""
    if guessed or speeds.size < 2:
        return np.ones(speeds.size)
    normal = np.exp(-0.5 * (3.0 * (speeds - 1.0) / spread) ** 2)
    return np.asarray(0.5 + 0.5 * normal / normal.mean())
