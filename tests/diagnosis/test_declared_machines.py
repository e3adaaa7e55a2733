"""A machine that was declared at a part's own order leaves doubt; one at another order leaves none."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb, place
from vibe.core.drive import Drive
from vibe.core.evidence import CombLine, SpeedEstimate
from vibe.core.health import Finding
from vibe.core.outside_combs import DeclaredNeighbour, OutsideComb
from vibe.diagnosis.alternatives.declared_machines import doubted_by_declared
from vibe.diagnosis.alternatives.outside_machines import WITHOUT_THEM
from vibe.diagnosis.diagnose import diagnose
from vibe.kinematics.tone_table import tone_table

LOBE = 18 / 17
"""Eighteen per output turn make the order of a lobe."""


def found(case: MakeCase, drive: Drive, teeth: int | None, order: float = LOBE) -> Finding:
    declared = [] if teeth is None else [{"name": "rake chain", "sprocket_teeth": teeth}]
    next_to = Drive.model_validate(drive.model_dump() | {"driven": declared})
    combs = {
        name: comb("stage1.lobe", order, 1e-6, 8.0, where=place(1e-6)) for name in ("stage1.lobe", "stage1.output_pin")
    }
    (finding,) = diagnose(case(combs=combs, drive=next_to, tones=tone_table(next_to)))
    return finding


def test_a_chain_at_the_order_of_a_lobe_leaves_doubt(case: MakeCase, drive: Drive) -> None:
    bare, doubted = found(case, drive, None), found(case, drive, 18)
    assert bare.probability > 0.8
    assert doubted.probability == pytest.approx(0.3 * bare.probability)
    assert "driven.rake chain" in doubted.cannot_be_told_from
    assert doubted.advice == f"{WITHOUT_THEM}{bare.advice}"
    # Of a finding that was judged as part of a whole, the whole is as much less sure.
    part = bare.model_copy(update={"component_probability": 0.9})
    with_chain = Drive.model_validate(drive.model_dump() | {"driven": [{"name": "rake chain", "sprocket_teeth": 18}]})
    around = case(
        combs={"stage1.lobe": comb("stage1.lobe", LOBE, 1e-6)}, drive=with_chain, tones=tone_table(with_chain)
    )
    (less,) = doubted_by_declared(around, [part])
    assert less.component_probability == pytest.approx(0.3 * 0.9)
    assert "Rake chain, which the drive file declares, makes the same" in doubted.why


@pytest.mark.parametrize("teeth", [9, 6])
def test_so_does_one_whose_second_or_third_line_lies_there(case: MakeCase, drive: Drive, teeth: int) -> None:
    assert found(case, drive, teeth).probability < 0.5


@pytest.mark.parametrize("teeth", [17, 19, 36, 3])
def test_one_at_another_order_leaves_none(case: MakeCase, drive: Drive, teeth: int) -> None:
    assert found(case, drive, teeth).probability == found(case, drive, None).probability


def test_a_high_line_of_a_slow_machine_leaves_doubt_only_where_its_lines_below_are_detected(
    case: MakeCase, drive: Drive
) -> None:
    next_to = Drive.model_validate(drive.model_dump() | {"driven": [{"name": "mixer", "blades": 3}]})
    tones = tone_table(next_to)
    (sure,) = diagnose(case(combs={"stage1.lobe": comb("stage1.lobe", LOBE, 1e-6)}, drive=next_to, tones=tones))
    detected = OutsideComb(order=3 / 17, evidence=comb("outside 0.1765", 3 / 17, 1e-9, 2.0), spread=1e-4)
    around = case(
        combs={"stage1.lobe": comb("stage1.lobe", LOBE, 1e-6)}, drive=next_to, tones=tones, outside_combs=(detected,)
    )
    (doubted,) = doubted_by_declared(around, [sure])
    assert doubted.probability == pytest.approx(0.3 * sure.probability)
    assert doubted.outside_causes == [*sure.outside_causes, "driven.mixer"]
    elsewhere = OutsideComb(order=0.41, evidence=comb("outside 0.41", 0.41, 1e-9, 2.0), spread=1e-4)
    around = case(
        combs={"stage1.lobe": comb("stage1.lobe", LOBE, 1e-6)}, drive=next_to, tones=tones, outside_combs=(elsewhere,)
    )
    assert doubted_by_declared(around, [sure]) == [sure]


@pytest.mark.parametrize(("lines", "doubted"), [((2, 4, 6, 8, 10), True), ((1, 2, 3, 4, 5), False)])
def test_a_machine_that_passes_as_often_as_an_element_meets_its_races_leaves_doubt(
    case: MakeCase, drive: Drive, lines: tuple[int, ...], doubted: bool
) -> None:
    """Both make every second line of the element's turn; where those between stand as well, it is the element's."""
    next_to = Drive.model_validate(drive.model_dump() | {"driven": [{"name": "rake chain", "sprocket_teeth": 18}]})
    element = "bearing.output bearing.rolling_element"
    seen = comb(element, LOBE / 2, 1e-8)
    seen = replace(seen, lines=tuple(CombLine(order=k * LOBE / 2, over_floor_db=20.0) for k in lines))
    sure = Finding(
        component="bearing.output bearing.rolling_element", tone=element, defect="damaged rolling element",
        probability=0.97, false_alarm_probability=1e-8, severity="moderate", why="It repeats.", advice="Inspect it.",
    )  # fmt: skip
    around = case(combs={element: seen}, drive=next_to, tones=tone_table(next_to))
    (found,) = doubted_by_declared(around, [sure])
    assert ("driven.rake chain" in found.cannot_be_told_from) is doubted
    assert found.probability == pytest.approx(0.97 * (0.3 if doubted else 1.0))


@pytest.mark.parametrize(("range_hz", "per_turn", "sides", "share"), [
    ((8.0, 8.1), (1, 62), 0.0, 0.3),
    ((7.6, 8.4), (1, 62), 0.0, None),  # The wider the range is against what the element slips, the less.
    ((8.0, 8.1), (2, 62), 0.0, 1.0),
    ((8.2, 8.3), (1, 62), 0.0, 1.0),
    ((8.0, 8.1), (1, 62), 20.0, 1.0),  # Side lines of its own,
    ((8.0, 8.1), (1, 62), 9.0, 0.3),  # and a line's skirt, 21 dB lower.
])  # fmt: skip
def test_a_neighbour_that_may_strike_as_often_as_an_element_leaves_doubt(
    case: MakeCase,
    drive: Drive,
    range_hz: tuple[float, float],
    per_turn: tuple[float, ...],
    sides: float,
    share: float | None,
) -> None:
    table = tone_table(drive)
    name = "bearing.input bearing.rolling_element"
    order, slip = table.tone(name).order, table.tone(name).slip
    speed_hz = 8.05 / (2 * order)
    lines = tuple(CombLine(order=2 * k * order, over_floor_db=30.0) for k in range(1, 6))
    beside = tuple(CombLine(order=line.order + side, over_floor_db=sides) for line in lines for side in (-0.38, 0.38))
    seen = replace(comb(name, order, 1e-8), lines=lines, sideband_lines=beside)
    near = DeclaredNeighbour(name="gear unit", range_hz=range_hz, per_turn=per_turn, strikes=True)
    around = case(
        combs={name: seen},
        tones=table,
        speed=SpeedEstimate(input_hz=speed_hz, uncertainty_hz=0.001, method="tachometer"),
        neighbours=(near,),
    )
    sure = Finding(
        component=name, tone=name, defect="damaged rolling element", probability=0.97, false_alarm_probability=1e-8,
        severity="moderate", why="Impacts repeat.", advice="Inspect it.",
    )  # fmt: skip
    (found,) = doubted_by_declared(around, [sure])
    if share is None:
        odds = (1 / 0.3 - 1) * (slip[1] - slip[0]) / 0.1
        share = 1 / (1 + odds)
        assert share > 0.3
    assert found.probability == pytest.approx(0.97 * share)
    assert ("gear unit" in found.outside_causes) is (share < 1)
    # A drive's lines are known from its file, and do not strike.
    assert doubted_by_declared(replace(around, neighbours=(replace(near, strikes=False),)), [sure]) == [sure]
