"""A machine that was declared at a part's own order leaves doubt; one at another order leaves none."""

from __future__ import annotations

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb, place
from vibe.core.drive import Drive
from vibe.core.health import Finding
from vibe.core.outside_combs import OutsideComb
from vibe.diagnosis.alternatives.declared_machines import doubted_by_declared
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
