"""Two bearings whose slip may bring parts of theirs to one order."""

from __future__ import annotations

from dataclasses import replace
from math import exp

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb, place
from vibe.core.drive import Drive
from vibe.core.evidence import CombEvidence, CombLine
from vibe.core.health import Finding
from vibe.core.tones import ToneTable
from vibe.diagnosis.alternatives.outside_machines import BARE_OWN
from vibe.diagnosis.alternatives.shared_places import SIDES_ANYWAY, at_likeliest
from vibe.diagnosis.case import Case
from vibe.diagnosis.diagnose import diagnose
from vibe.kinematics.tone_table import tone_table

FRONT, REAR = "bearing.input bearing.outer_race", "bearing.rear bearing.outer_race"
SURE = 1e-9


def with_rear(drive: Drive, *, element_mm: float, load: str | None = None) -> Drive:
    """The drive with a second bearing on its input shaft, rollers of another size in it."""
    front = drive.bearing[0].model_dump()
    rear = front | {"name": "rear bearing", "element_diameter_mm": element_mm, "load": load}
    return Drive.model_validate(drive.model_dump() | {"bearing": [*drive.model_dump()["bearing"], rear]})


def at(tone: str, order: float, chance: float = SURE, score: float = 50.0) -> CombEvidence:
    return replace(comb(tone, order, chance, 6.0, score=score), place=order, place_error=1e-5)


def judged(
    case: MakeCase, drive: Drive, table: ToneTable, combs: dict[str, CombEvidence]
) -> tuple[Case, list[Finding]]:
    made = at_likeliest(case(combs=combs, drive=drive, tones=table))
    return made, [one for one in diagnose(made) if one.component.startswith("bearing.")]


def slip_for(table: ToneTable, tone: str, order: float) -> float:
    """Standard deviations that ``order`` lies off the usual slip of ``tone``: windows are four wide."""
    low, high = table.tone(tone).slip
    return float((order / table.tone(tone).order - 1 - (low + high) / 2) / ((high - low) / 4))


def test_what_lies_at_the_usual_slip_of_another_bearing_is_rather_that_ones(case: MakeCase, drive: Drive) -> None:
    both = with_rear(drive, element_mm=7.6)
    table = tone_table(both)
    low, high = table.tone(FRONT).slip
    # One per cent lies between the two: the rear one's usual slip is near the end of the front one's.
    usual = table.tone(REAR).order * (1 + (low + high) / 2)
    assert 1.0 < slip_for(table, FRONT, usual) < 2.0
    seen = {FRONT: at(FRONT, usual), REAR: at(REAR, usual * 1.001, 0.4, 8.0)}
    made, (finding,) = judged(case, both, table, seen)
    assert made.combs[REAR].order == usual
    assert made.combs[REAR].tone == REAR
    assert finding.tone == REAR
    assert FRONT in finding.cannot_be_told_from
    # Worked by hand: normal densities of slip, equally wide.
    off = slip_for(table, FRONT, usual)
    alone = judged(case, drive, tone_table(drive), {FRONT: at(FRONT, usual)})[1][0]
    assert finding.probability / alone.probability == pytest.approx(1 / (1 + exp(-(off**2) / 2)), rel=0.02)
    # That one of the two is damaged stays as sure as it was: instruction and state rest on it.
    assert finding.damage_probability == pytest.approx(alone.damage_probability, rel=0.01)


def test_at_its_own_usual_slip_it_keeps_its_name(case: MakeCase, drive: Drive) -> None:
    both = with_rear(drive, element_mm=7.6)
    table = tone_table(both)
    usual = table.tone(FRONT).order * (1 + sum(table.tone(FRONT).slip) / 2)
    made, (finding,) = judged(case, both, table, {FRONT: at(FRONT, usual), REAR: at(REAR, usual * 1.001, 0.4, 8.0)})
    assert made.combs[FRONT].order == usual
    assert finding.tone == FRONT
    assert finding.probability > 0.5


def test_a_bearing_far_off_changes_nothing(case: MakeCase, drive: Drive) -> None:
    far = with_rear(drive, element_mm=10.0)
    table = tone_table(far)
    usual = table.tone(FRONT).order * 0.995
    alone = judged(case, drive, tone_table(drive), {FRONT: at(FRONT, usual)})[1]
    assert judged(case, far, table, {FRONT: at(FRONT, usual)})[1][0].probability == alone[0].probability


def test_side_lines_speak_for_the_part_that_is_carried(case: MakeCase, drive: Drive) -> None:
    """The rear bearing's load turns with the shaft, so that its outer race comes and goes; the front one's rests."""
    both = with_rear(drive, element_mm=7.9, load="input")
    table = tone_table(both)
    order = table.tone(REAR).order * 0.995
    plain = at(REAR, order)
    sides = tuple(CombLine(order=order + side, over_floor_db=15.0) for side in (-1.0, 1.0))
    odds = []
    for one in (plain, replace(plain, sideband_lines=sides)):
        share = diagnose(case(combs={REAR: one}, drive=both, tones=table))[0].probability
        odds.append(share / (1 - share))
    assert odds[1] / odds[0] == pytest.approx((1 - SIDES_ANYWAY) / SIDES_ANYWAY, rel=0.25)


@pytest.mark.parametrize("stands", [False, True])
def test_no_side_lines_at_the_turn_of_its_load_speak_against_a_race_that_the_load_passes(
    case: MakeCase, drive: Drive, stands: bool
) -> None:
    """Those at a slower turn, of the way to the sensor, stand here; at the load's own the strong lines have none."""
    both = with_rear(drive, element_mm=7.9, load="input")
    table = tone_table(both)
    order = table.tone(REAR).order * 0.995
    plain = at(REAR, order)
    odds = []
    for level_db in (15.0 if stands else 7.0, 15.0):
        load = [(k * order + side, level_db) for k in (1, 2) for side in (-1.0, 1.0)]
        slow = [(k * order + side, 15.0) for k in (1, 2) for side in (-0.1, 0.1)]
        sides = tuple(CombLine(order=at_order, over_floor_db=db) for at_order, db in (*load, *slow))
        one = replace(plain, sideband_lines=sides)
        share = diagnose(case(combs={REAR: one}, drive=both, tones=table))[0].probability
        odds.append(share / (1 - share))
    assert odds[0] / odds[1] == pytest.approx(1.0 if stands else BARE_OWN, rel=0.25)


def test_where_other_parts_of_the_bearing_show_too_it_is_that_bearing(case: MakeCase, drive: Drive) -> None:
    both = with_rear(drive, element_mm=7.6)
    table = tone_table(both)
    usual = table.tone(REAR).order * 0.995
    inner = "bearing.input bearing.inner_race"
    seen = {FRONT: at(FRONT, usual), inner: at(inner, table.tone(inner).order * 0.995, score=49.0)}
    made, findings = judged(case, both, table, seen | {REAR: at(REAR, usual * 1.001, 0.4, 8.0)})
    assert made.combs[FRONT].order == usual
    assert not [one for one in findings if one.component.startswith("bearing.rear")]


PIN = "stage1.ring_pin"


@pytest.mark.parametrize(("every", "between_db", "race"), [(4, 1.0, True), (4, 12.0, False), (2, 1.0, False)])
def test_a_pins_comb_of_which_every_fourth_line_stands_is_that_of_a_race_that_strikes_so_often(
    case: MakeCase, drive: Drive, every: int, between_db: float, race: bool
) -> None:
    """Two discs meet a pin twice in a turn and make every second line at least: four in a turn are no one pin."""
    plain = tone_table(drive)
    assert plain.tone(PIN).meetings == 2
    # Elements of a size that brings the race's usual slip to four times the pin's order.
    inner, target = drive.bearing[0], 4 * plain.tone(PIN).order / 0.995
    assert inner.elements is not None
    assert inner.pitch_diameter_mm is not None
    size = inner.pitch_diameter_mm * (1 - 2 * target / inner.elements)
    fitting = drive.model_copy(
        update={"bearing": [inner.model_copy(update={"element_diameter_mm": size}), *drive.bearing[1:]]}
    )
    table = tone_table(fitting)
    assert abs(table.tone(FRONT).order / target - 1) < 2e-3
    order = float(table.tone(PIN).order)
    lines = tuple(CombLine(order=k * order, over_floor_db=25.0 if k % every == 0 else between_db) for k in range(1, 13))
    seen = replace(
        comb(PIN, order, SURE, 5.0, where=place(1e-6)), lines=lines, place=order, place_error=1e-5
    )  # fmt: skip
    other = at(FRONT, table.tone(FRONT).order * 1.004, 0.9, 8.0)
    made = at_likeliest(case(combs={PIN: seen, FRONT: other}, drive=fitting, tones=table))
    first = next(one for one in diagnose(made) if one.component.startswith(("bearing", "stage")))
    assert first.tone == (FRONT if race else PIN)
    if race:
        assert made.combs[FRONT].order == pytest.approx(4 * order)
        assert [line.over_floor_db for line in made.combs[FRONT].lines] == [25.0] * 3
