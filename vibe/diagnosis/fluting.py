"""Electrical erosion: a washboard of ridges round a raceway (ISO 15243, fluting) distinguished from a spall.

Both repeat at the race's order. Rolling over a spall strikes, and what rings afterwards dies away exponentially, so
that the envelope has many harmonics and the samples many large values. Rolling over a washboard hums at the rate of its
ridges while an element is on it: the envelope swells and falls evenly, with few harmonics, and nothing strikes.
"""

from __future__ import annotations

from statistics import fmean

from vibe.core.evidence import CombEvidence
from vibe.diagnosis.case import Case

HIGHER = slice(2, 5)
"""The third to fifth harmonic."""


def is_fluting(case: Case, comb: CombEvidence) -> bool:
    """Whether the comb of a race is smooth, and made without impacts.

    False where that cannot be determined: a first line that hardly stands, a band too narrow for the harmonics of
    impacts, a speed or a kurtosis that is not known.
    """
    rules, speed = case.settings.fluting, case.speed
    higher = [line.over_floor_db for line in comb.lines[HIGHER]]
    kurtosis = [case.level(channel, "kurtosis_typical") for channel in comb.channels]
    if speed is None or not higher or not kurtosis or min(kurtosis) <= 0.0:
        return False
    first_db, repeats_hz = comb.lines[0].over_floor_db, comb.order * speed.input_hz
    return (
        first_db >= rules.first_from_db
        and first_db - comb.lines[1].over_floor_db >= rules.second_below_first_db
        and first_db - fmean(max(level, 0.0) for level in higher) >= rules.higher_below_first_db
        and comb.band_hz[1] - comb.band_hz[0] >= rules.band_from_repeats * repeats_hz
        and max(kurtosis) < rules.kurtosis_below
    )
