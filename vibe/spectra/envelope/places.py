"""Where on a turn the envelope rises: the places that stand out of what a sound turn scatters."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import Localisation
from vibe.spectra.envelope.impact_rows import Differences, differences
from vibe.spectra.envelope.impact_start import starts_deg
from vibe.spectra.envelope.sound_turn import SoundCells, any_of
from vibe.spectra.envelope.synchronous_average import Turn
from vibe.spectra.envelope.turn_shapes import away_from, beyond_ringing, hump_of, narrow_of, spots_of

MOST_PLACES = 6
"""Places named on one turn; a body with more damaged parts is worn all round."""
UNPLACED = 0.5
"""Chance of a sound turn looking so from which on no place stands out: then none is sought closely."""
SECOND_LOOK = 4.0
"""By how much a place must be surer that is read without what an impact's ringing covers: it is looked for twice, and
what is left of a sound turn is read as one by chance twice as often."""
THIRD_LOOK = 8.0
"""The same of one read without what rises and falls evenly over many parts: looked for a third time."""
WITHOUT_SWELL = 0.4
"""A place read without the load's swell counts by this times the root of its chance: of 64,000 simulated sound turns of
7 to 60 irregular parts, under a load that swells or none, no more come to that. Where few parts make all of a turn, a
swell fitted to what is away from the highest place leaves that one higher than it is."""
TWICE_PARTS = 15
"""Parts from which what swells twice round is taken off as well, three for each constant that is fitted. Such a place
counts by the root of its chance: of 4,400 simulated sound turns of 15 to 24 parts, under loads that swell once, twice
or not at all, 22 come to a hundredth so and five to a thousandth."""
NARROW = 0.4
"""A place read without what is as broad as a part counts by this times its chance: of 24,000 simulated sound turns of 7
to 14 parts, broad or sharp, no more come to that."""
LEAST_CHANCE = 1e-9
"""No turn supports a smaller probability, however far the law is drawn out."""
COMPARED_FROM = 1e-2
"""Chance of a place down to which nobody asks whether its impacts are alike (common practice)."""
PLACE_CHANCE = 0.01
"""Chance, over all the cells where it was sought, at which a further place stands out next to the highest."""


def localise(turn: Turn, *, meetings: int = 1, stands: int = 0) -> Localisation:
    """Whether one place (or ``meetings`` equally spaced ones) stands out of its own turn, and where.

    Pins and lobes of a healthy drive differ, so the envelope repeats turn by turn without damage. Such irregularity
    is spread round the turn: squared sums of many small errors, whose excesses fall off no faster than exponentially.
    Over it lies the noise of the average, whose standard error is known and which is Gaussian. The highest place is
    read against the sum of the two, the exponential part being what the rest of the turn scatters beyond its noise.
    A load that goes round raises half of the turn and lowers the other, and those of several discs add up to a swell
    twice round; it is read without these as well. And where parts are few, so that a turn holds hardly more of them
    than tell one scatter from another, without all that is as broad as a part.

    Further places are those that stand out by the same law: where another meeting must lie, or anywhere else.
    ``stands``: turns after which a slower shaft, that turns another machine, stands as it did; 0 where none does.
    """
    best, even = _look(turn, meetings), _look(_without_swell(turn, meetings), meetings)
    chance = best.chance
    # The second look is paid for.
    if (paid := WITHOUT_SWELL * float(np.sqrt(even.chance))) < chance:
        best, chance = even, paid
    if turn.parts >= TWICE_PARTS:
        twice = _look(_without_swell(turn, meetings, 2), meetings)
        if (paid := float(np.sqrt(twice.chance))) < chance:
            best, chance = twice, paid
    narrow = _narrow_look(turn, meetings)
    if narrow is not None and NARROW * narrow.chance < chance:
        best, chance = narrow, NARROW * narrow.chance
    return _placed(best, meetings, max(LEAST_CHANCE, chance), stands)


def _without_swell(turn: Turn, meetings: int, times: int = 1) -> Turn:
    """The turn less what swells up to so many ``times`` round it, fitted to what lies away from its highest place.

    Parts bear the load on half of a turn. Half a wave swells once round and, by 2 / (3 pi) of its height, twice
    (Fourier series); of two discs that lie opposite each other the first cancel and the second add up.
    """
    level, n = turn.level, turn.level.size
    top, spread = int(level.argmax()), max(1, n // 18)
    away = away_from(n, spots_of(n, top, meetings), spread) & beyond_ringing(turn, top, spread)
    if away.sum() < n // 2:
        return turn
    angle = 2 * np.pi * np.arange(n) / n
    waves = [wave(k * angle) for k in range(1, times + 1) for wave in (np.cos, np.sin)]
    swell = np.stack([*waves, np.ones(n)], axis=1)
    fit, *_ = np.linalg.lstsq(swell[away], level[away], rcond=None)
    return replace(turn, level=level - swell[:, :-1] @ fit[:-1], fitted=len(waves))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """A turn as it was read, the law of its sound cells, the ``chance`` of its highest place by that law, and the cells
    (n,) in which no place is sought since something broad rises there."""

    turn: Turn
    law: SoundCells
    chance: float
    broad: NDArray[np.bool_]


def _look(turn: Turn, meetings: int) -> _Look:
    """With what an impact rings on over, or without it where that shows its place better."""
    n, top = turn.level.size, int(turn.level.argmax())
    spread = max(1, n // 18)
    spots = spots_of(n, top, meetings)
    law, probability = _highest(turn, meetings, spread, away_from(n, spots, spread), np.ones(n, dtype=bool))
    beyond = beyond_ringing(turn, top, spread)
    if not beyond.all():
        # The second look is paid for.
        ringing, chance = _highest(turn, meetings, spread, away_from(n, spots, spread), beyond)
        if SECOND_LOOK * chance < probability:
            law, probability = ringing, SECOND_LOOK * chance
    broad = np.zeros(n, dtype=bool)
    hump = hump_of(turn, top, spread)
    if hump.any():
        without, chance = _highest(turn, meetings, spread, away_from(n, spots, spread), beyond & ~hump)
        if THIRD_LOOK * chance < probability:
            law, probability, broad = without, THIRD_LOOK * chance, hump
    return _Look(turn=turn, law=law, chance=probability, broad=broad)


def _narrow_look(turn: Turn, meetings: int) -> _Look | None:
    """Without what is as broad as a part; None where no part is broader than an impact.

    Each part is one sample there, however many cells it has.
    """
    narrow = narrow_of(turn)
    if narrow is None:
        return None
    level, n = narrow.level, narrow.level.size
    top, spread = int(level.argmax()), max(1, n // 18)
    away = away_from(n, spots_of(n, top, meetings), spread)
    beyond = away & beyond_ringing(turn, top, spread)
    law = SoundCells.of(narrow, beyond if beyond.sum() > n // 3 else away)
    chance = any_of(n, law.exceedance(float(level[top])))
    return _Look(turn=narrow, law=law, chance=chance, broad=np.zeros(n, dtype=bool))


def _placed(look: _Look, meetings: int, false_alarm_probability: float, stands: int = 0) -> Localisation:
    """The highest place of a turn and those that stand out with it."""
    turn, law, level = look.turn, look.law, look.turn.level
    n, top = level.size, int(level.argmax())
    spread = max(1, n // 18)
    spots = spots_of(n, top, meetings)
    cells = [top]
    free = away_from(n, [top], spread) & ~look.broad
    if look.chance <= UNPLACED:
        for spot in spots[1:]:
            best = max(((spot + k) % n for k in range(-spread, spread + 1)), key=lambda i: level[i])
            if (
                not look.broad[best]
                and any_of((meetings - 1) * (2 * spread + 1), law.exceedance(float(level[best]))) <= PLACE_CHANCE
            ):
                cells.append(best)
            # Nothing else is sought there: it would be the same part.
            free &= away_from(n, [spot], spread)
        while len(cells) < MOST_PLACES and free.any():
            best = int(np.where(free, level, -np.inf).argmax())
            if any_of(n, law.exceedance(float(level[best]))) > PLACE_CHANCE:
                break
            if level[best] >= max(level[best - 1], level[(best + 1) % n]):
                cells.append(best)
            free &= away_from(n, [best], spread)
    cells = [top, *sorted(cells[1:], key=lambda i: -level[i])]
    height = float(level[top]) - law.middle
    width = int((level[[(top + k) % n for k in range(-spread * 2, spread * 2 + 1)]] > law.middle + height / 2).sum())
    rows = Differences()
    if false_alarm_probability <= COMPARED_FROM:
        way = -1 if turn.backwards else 1
        rows = differences(turn.passes, top, spread, way=way, meetings=meetings, stands=stands)
    return Localisation(
        false_alarm_probability=false_alarm_probability,
        peaks_deg=starts_deg(turn, cells, spread, closely=look.chance <= UNPLACED),
        peak_share=tuple(float(level[i] - law.middle) / max(height, 1e-12) for i in cells),
        width_deg=width * 360.0 / n,
        scatter=rows.scatter,
        play_deg=rows.play_deg,
        uneven=rows.uneven,
    )


def _highest(
    turn: Turn, meetings: int, spread: int, away: NDArray[np.bool_], beyond: NDArray[np.bool_]
) -> tuple[SoundCells, float]:
    """The law of what lies ``away`` from the highest place and ``beyond`` its ringing, and the chance of that place.

    A second damaged part among the rest would hide the first. That two sound ones both stand out is rarer than that one
    does, by more than the rest looks better than it is.
    """
    level, n = turn.level, turn.level.size
    rest = away & beyond
    law = SoundCells.of(turn, rest)
    probability = any_of(n, law.exceedance(float(level.max())))
    if away.sum() > n // 2 and rest.any():
        second = int(np.where(rest, level, -np.inf).argmax())
        others = rest & away_from(n, spots_of(n, second, meetings), spread)
        if not beyond.all():
            others &= beyond_ringing(turn, second, spread)
        without = SoundCells.of(turn, others)
        both = any_of(n, without.exceedance(float(level[second])))
        if both < probability:
            law, probability = without, both
    return law, probability
