"""When a deeper, slower comb leaves a faster one nothing of its own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb
from vibe.core.evidence import CombLine
from vibe.core.health import Finding
from vibe.core.tones import ToneTable
from vibe.diagnosis.alternatives.doubled_combs import _is_multiple
from vibe.diagnosis.diagnose import diagnose

FAST, SLOW = "bearing.input bearing.outer_race", "bearing.input bearing.cage"


@pytest.mark.parametrize(("sides_db", "alone"), [(5.5, True), (8.5, True), (9.5, False)])
def test_side_lines_of_its_own_stand_where_noise_makes_one_in_three_thousand(
    case: MakeCase, tones: ToneTable, sides_db: float, alone: bool
) -> None:
    """exp(-8) is 9 dB over the mean."""
    fast = replace(
        comb(FAST, 3.6, 1e-9, 3.0),
        sideband_lines=tuple(CombLine(order=3.6 * k + s, over_floor_db=sides_db) for k in (1, 2) for s in (-1, 1)),
    )
    some = case(combs={FAST: fast, SLOW: comb(SLOW, 0.9, 1e-9, 6.0)})
    (found,) = diagnose(case(combs={FAST: comb(FAST, 0.995 * tones.tone(FAST).order, 1e-9, 4.0)}))

    def of(name: str) -> Finding:
        return found.model_copy(update={"tone": name, "component": name, "seen_in": [name]})

    assert _is_multiple(some, of(FAST), of(SLOW)) is alone
