"""Rollers on pins, which slip and have no place on a turn."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb
from vibe.core.drive import Drive
from vibe.core.evidence import CombLine
from vibe.core.tones import Tone, ToneTable
from vibe.diagnosis.alternatives.outside_machines import slip_density
from vibe.diagnosis.diagnose import diagnose
from vibe.kinematics.tone_table import tone_table

ROLLER = "stage1.output_roller"


@pytest.fixture
def rolling(drive: Drive) -> Drive:
    own = drive.model_dump()
    stage = own["stage"][0] | {"eccentricity_mm": 1.5, "output_roller_diameter_mm": 12.0}
    return Drive.model_validate(own | {"stage": [stage]})


@pytest.fixture
def table(rolling: Drive) -> ToneTable:
    return tone_table(rolling)


def tone(table: ToneTable) -> Tone:
    return table.tone(ROLLER)


@pytest.mark.parametrize(
    ("impact_db", "surer", "high", "named"),
    [
        (0.1, 1.0, 5, True),
        (-1.0, 1.0, 5, False),
        (-1.0, 40.0, 5, True),
        (-1.0, 20.0, 5, False),
        (-1.0, 1.0, 8, True),
        (-1.0, 1.0, 7, False),
        (-5.9, 40.0, 8, True),
        (-6.1, 40.0, 8, False),
        (-1.0, 40.0, 1, False),
    ],
)
def test_faint_impacts_of_a_roller_must_be_as_sure_as_a_bearings(
    case: MakeCase, rolling: Drive, table: ToneTable, impact_db: float, surer: float, high: int, named: bool
) -> None:
    """Thirty times surer, or eight lines that stand; one line alone may be anybody's."""
    made = case(combs={}, drive=rolling, tones=table)
    seen = comb(ROLLER, 0.95 * tone(table).order, 0.9 * made.false_alarm_rate / surer, impact_db)
    lines = tuple(CombLine(order=k * seen.order, over_floor_db=20.0 if k <= high else 3.0) for k in range(1, 10))
    made = replace(made, combs={ROLLER: replace(seen, lines=lines)})
    assert [one.tone for one in diagnose(made)] == ([ROLLER] if named else [])


def test_what_does_not_slip_must_double_the_envelopes_power_where_it_has_no_place(case: MakeCase) -> None:
    """Pitch errors repeat at the orders of pins and lobes, however surely."""
    for impact_db, named in ((0.1, True), (-0.1, False)):
        assert bool(diagnose(case(combs={"stage1.ring_pin": comb("stage1.ring_pin", 1.0, 1e-9, impact_db)}))) is named


def test_a_roller_is_as_likely_at_the_ends_of_its_window_as_in_its_middle(table: ToneTable) -> None:
    own = tone(table)
    low, high = own.slip
    middle, inside, end, beyond = (
        slip_density(own, own.order * (1 + slip), 1e-4) for slip in ((low + high) / 2, high - 1e-3, high, high + 1e-3)
    )
    assert middle == pytest.approx(1 / (high - low))
    assert inside == pytest.approx(middle, rel=1e-6)
    # The order's own error leaves half of what lies at the end, and nothing ten errors beyond.
    assert end == pytest.approx(middle / 2)
    assert beyond == pytest.approx(0.0, abs=1e-9)
    assert slip_density(own, own.order * (1 + high + 1e-3), 1e-3) == pytest.approx(middle * 0.1587, rel=0.01)
