"""How far the lines of a comb reach tells a bearing's strikes from longer events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb
from vibe.core.drive import Drive
from vibe.core.evidence import CombEvidence, CombLine, SpeedEstimate
from vibe.diagnosis.alternatives.strike_lengths import LONG_RATE, as_short_as_strikes
from vibe.diagnosis.diagnose import diagnose
from vibe.kinematics.tone_table import tone_table

SLOW_HZ, TURNS, CELLS = 4.0, 60, 512
RACE = "bearing.input bearing.outer_race"


def lines_db(share: float, *, sizes: float = 0.0, first_db: float = 18.0, seed: int = 1) -> list[float]:
    """Levels of a dozen lines of events that are as many short cracks at random within a ``share`` of the period, whose
    strengths vary by ``sizes``, over noise: from the samples' own transform."""
    rng = np.random.default_rng(seed)
    samples = np.zeros(TURNS * CELLS)
    for turn in range(TURNS):
        size = np.exp(sizes * rng.standard_normal())
        cracks = turn * CELLS + rng.uniform(0, share * CELLS, 20)
        np.add.at(samples, np.minimum(cracks.astype(int), samples.size - 1), size)
    power = np.abs(np.fft.rfft(samples)) ** 2
    first = power[TURNS]
    noise = rng.exponential(first / 10 ** (first_db / 10), power.size)
    levels = []
    for k in range(1, 13):
        near = slice(k * TURNS - max(1, k // 2), k * TURNS + max(1, k // 2) + 1)
        levels.append(float(10 * np.log10((power[near] + noise[near]).max() / noise.mean())))
    return levels


def with_lines(seen: CombEvidence, levels: list[float]) -> CombEvidence:
    lines = tuple(CombLine(order=k * seen.order, over_floor_db=level) for k, level in enumerate(levels, 1))
    return replace(seen, lines=lines[:5], further=lines[5:])


@pytest.mark.parametrize("seed", range(6))
def test_a_blow_that_is_a_heap_of_cracks_is_seldom_a_bearings_and_a_short_strike_speaks_not_against_it(
    seed: int,
) -> None:
    seen = comb(RACE, 0.28, 1e-7)
    heap = as_short_as_strikes(with_lines(seen, lines_db(0.2, sizes=0.5, seed=seed)), SLOW_HZ)
    assert LONG_RATE <= heap < 2 * LONG_RATE
    for first_db in (12.0, 18.0, 25.0):
        strikes = with_lines(seen, lines_db(0.02, sizes=0.5, first_db=first_db, seed=seed))
        assert as_short_as_strikes(strikes, SLOW_HZ) > 0.9


def test_where_a_strike_rings_for_as_long_as_it_takes_to_the_next_its_lines_say_nothing() -> None:
    seen = with_lines(comb(RACE, 3.5, 1e-7), lines_db(0.2))
    assert as_short_as_strikes(seen, 60.0) == 1.0
    assert as_short_as_strikes(seen, SLOW_HZ) < 0.1


def test_of_few_lines_and_of_those_that_others_took_nothing_is_known() -> None:
    falling = lines_db(0.2)
    seen = comb(RACE, 0.28, 1e-7)
    assert as_short_as_strikes(with_lines(seen, falling[:5]), SLOW_HZ) == 1.0
    assert as_short_as_strikes(with_lines(seen, [*falling[:5], *[-90.0] * 7]), SLOW_HZ) == 1.0
    # Lines that others took are as if they were not asked.
    even = lines_db(0.02)
    assert as_short_as_strikes(with_lines(seen, [*even[:8], *[-90.0] * 4]), SLOW_HZ) > 0.9


def test_a_slow_race_of_long_events_is_doubted_and_not_dismissed(case: MakeCase, drive: Drive) -> None:
    """A bearing of the output, whose outer race repeats four times a second."""
    parts = drive.model_dump(exclude_none=True)
    parts["bearing"][0] |= {"inner": "stage1.output"}
    slow = Drive.model_validate(parts)
    table = tone_table(slow)
    order = table.tone(RACE).order * 0.996
    assert order < 1.0
    speed = SpeedEstimate(input_hz=SLOW_HZ / order, uncertainty_hz=1e-3, method="tachometer")
    found = {}
    for share in (0.02, 0.2):
        seen = with_lines(comb(RACE, order, 1e-9, 4.0), lines_db(share))
        (found[share],) = diagnose(case(combs={RACE: seen}, drive=slow, tones=table, speed=speed))
    assert found[0.02].probability > 0.8
    assert 0.05 < found[0.2].probability < 0.6
    assert all("strikes at 4 Hz" in "".join(one.cannot_be_told_from) for one in found.values())
