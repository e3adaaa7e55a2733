"""Numbers by which other machines are weighed against a part of this one, met from both sides or worked by hand."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, log, pi, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.stats import norm

from tests.diagnosis.diagnosis_values import MakeCase, comb
from vibe.core.evidence import CombEvidence, CombLine, SpeedEstimate
from vibe.core.health import Finding
from vibe.core.outside_combs import OutsideComb, SimilarMachine
from vibe.diagnosis.alternatives import outside_machines
from vibe.diagnosis.alternatives.outside_sources import hides
from vibe.diagnosis.alternatives.similar_speeds import carried_off, speeds_of_combs, surely_off
from vibe.diagnosis.diagnose import diagnose, diagnosed

if TYPE_CHECKING:
    from vibe.core.tones import ToneTable

PIN, INNER, CAGE = "stage1.ring_pin", "bearing.input bearing.inner_race", "bearing.input bearing.cage"
RACE = "bearing.input bearing.outer_race"
SURE = 1e-9
LOW_HZ = (900.0, 1100.0)
PASSED = 1.2 / (1 + 900 * 1100 / 4000**2)
"""Of what the machine next to it makes at 1 kHz this much arrives."""
SPEED = SpeedEstimate(input_hz=24.37, uncertainty_hz=0.0002, method="signal")


def odds(probability: float) -> float:
    return probability / (1 - probability)


def pin(tones: ToneTable, off: float) -> CombEvidence:
    order = tones.tone(PIN).order
    return replace(comb(PIN, order, SURE, 6.0), place=order * (1 + off), place_error=1e-5, band_hz=LOW_HZ)


@pytest.mark.parametrize("fainter_db", [-8.0, 5.0, 12.0])
def test_how_much_louder_one_mesh_is_shows_which_machine_carries_the_sensor(
    case: MakeCase, tones: ToneTable, fainter_db: float
) -> None:
    """Two normal densities, the machine's own mesh 10 dB louder or 10 dB fainter, 13 dB wide."""
    other = SimilarMachine(speed=1.004, error=0.0, fainter_db=fainter_db, by_damage=True)
    seen = pin(tones, 0.0)
    own = outside_machines._own_share(case(alike=(other,), speed=SPEED), tones.tone(PIN), seen)
    fainter, louder = (norm(middle, 13.0).pdf(fainter_db) for middle in (-10.0, 10.0))
    assert own == pytest.approx(1 / (1 + PASSED * fainter / louder), rel=0.01)


def test_a_machine_that_does_not_show_itself_is_15_db_fainter(case: MakeCase, tones: ToneTable) -> None:
    """Its damage at a speed that is nobody's else: the odds of two densities again, worked by hand."""
    own = outside_machines._own_share(case(speed=SPEED), tones.tone(PIN), pin(tones, -6e-4))
    fainter = norm(-10.0, 13.0).pdf(15.0) / norm(10.0, 13.0).pdf(15.0)
    assert own == pytest.approx(fainter / (fainter + PASSED), rel=0.02)


def finding(case: MakeCase, tones: ToneTable) -> Finding:
    (found,) = diagnose(case(combs={RACE: comb(RACE, 0.995 * tones.tone(RACE).order, SURE, 4.0)}))
    return found


@pytest.mark.parametrize(("order", "sides_db", "doubted"), [(11.0, 3.0, True), (13.0, 3.0, False), (11.0, 12.0, False)])
def test_a_dozen_blades_may_strike_where_side_lines_are_missing(
    case: MakeCase, tones: ToneTable, order: float, sides_db: float, doubted: bool
) -> None:
    lines = tuple(CombLine(order=k * order, over_floor_db=18.0) for k in range(1, 9))
    sides = tuple(CombLine(order=k * order + s, over_floor_db=sides_db) for k in (1, 2, 3, 4) for s in (-1, 1))
    element = "bearing.input bearing.rolling_element"
    seen = replace(comb(element, order, SURE, 5.0), lines=lines, sideband_lines=sides)
    some = finding(case, tones).model_copy(update={"tone": element, "component": element, "seen_in": [element]})
    tone = replace(tones.tone(element), order=order)
    found = outside_machines._doubted_slow(case(combs={element: seen}), some, tone, seen)
    assert (found.probability < 0.9 * some.probability) is doubted


def slow(tones: ToneTable, place: float) -> CombEvidence:
    lines = tuple(CombLine(order=k * place, over_floor_db=18.0) for k in range(1, 9))
    return replace(comb(CAGE, place, SURE, 5.0), lines=lines, place=place, place_error=1e-4)


def uneven(case: MakeCase, place: float) -> float:
    """Teeth that strike 2 % of their distance early or late: the slope through the instants of a capture."""
    return 0.02 * sqrt(12 / (place / case().resolution) ** 3)


def test_strikes_that_come_early_and_late_leave_their_number_per_turn_open_in_few_turns(case: MakeCase) -> None:
    """Least squares over instants that scatter, on drawn ones."""
    rng = np.random.default_rng(8)
    for strikes in (12, 40):
        count = np.arange(strikes)
        instants = count + rng.normal(0, 0.02, (4000, strikes))
        spread = float(np.std(np.polyfit(count, instants.T, 1)[0]))
        stated = outside_machines._strikes_error(case(), strikes * case().resolution)
        assert stated == pytest.approx(spread, rel=0.05)


def test_what_the_drive_itself_turns_strikes_in_one_plant_of_twenty(case: MakeCase, tones: ToneTable) -> None:
    """At the exact 20th part of a slow turn: one in twenty drives has such a machine, any number up to 64 alike, and
    its order is known to four ten-thousandths; of one that is free each factor is alike, from 0.02 to 2.2."""
    low, high = tones.tone(CAGE).slip
    place = (1 + (low + high) / 2) * tones.tone(CAGE).order
    seen = replace(slow(tones, place), place_error=4e-4)
    exact = replace(SPEED, uncertainty_hz=1e-6)
    alone, struck = (
        diagnose(case(combs={CAGE: seen}, slow_turns=turns, speed=exact))[0].damage_probability
        for turns in ((), (place / 20,))
    )
    known = hypot(4e-4, uneven(case, place))
    free, turned = 0.05 / log(2.2 / 0.02), 0.05 / 64 / (known * sqrt(2 * pi))
    assert odds(alone / 0.999) / odds(struck / 0.999) == pytest.approx((free + turned) / free, rel=0.05)


@pytest.mark.parametrize(("share", "left"), [(0.047, False), (0.053, True)])
def test_what_an_outside_machine_makes_in_nineteen_of_twenty_is_that_ones(
    case: MakeCase, tones: ToneTable, share: float, left: bool
) -> None:
    """The better an exact whole number is known, the less is left to the part: the odds of the test before, solved for
    how well."""
    tone = tones.tone(CAGE)
    place = (1 + sum(tone.slip) / 2) * tone.order
    exact = replace(SPEED, uncertainty_hz=1e-6)
    alone = diagnose(case(combs={CAGE: slow(tones, place)}, speed=exact))[0].damage_probability
    free = 0.05 / log(2.2 / 0.02)
    own = odds(alone / 0.999) * free
    error = 0.05 / 64 / (sqrt(2 * pi) * (own * (1 - share) / share - free))
    seen = replace(slow(tones, place), place_error=error)
    found = diagnosed(case(combs={CAGE: seen}, slow_turns=(place / 20,), speed=exact, resolution=1e-6))
    assert bool(found.findings) is left
    assert [comb.per_turn for comb in found.outside_combs] == ([] if left else [(20, place / 20)])
    # What is reported instead hides the part: damage of it there would be taken for the other's.
    assert all(hides(comb, tone) for comb in found.outside_combs)


@pytest.mark.parametrize(("error", "share"), [(1e-3, 0.3), (1e-4, 0.12)])
def test_a_driven_machine_that_was_met_where_a_race_lies_is_the_likelier_the_closer_its_whole_number_fits(
    case: MakeCase, tones: ToneTable, error: float, share: float
) -> None:
    """Three in ten at most; by hand: 2 % of bearings, 35 % of them by the outer race, slip within 0.75 %."""
    order = tones.tone(RACE).order * (1 + sum(tones.tone(RACE).slip) / 2)
    turn = order / 40
    seen = replace(comb(RACE, order, SURE, 4.0), place=order, place_error=error)
    exact = replace(SPEED, uncertainty_hz=1e-6)
    met = OutsideComb(
        order=order, evidence=comb("outside", order, SURE, 6.0), spread=1e-3, per_turn=(40, turn), ambiguous=True
    )
    sides = tuple(CombLine(order=order + side, over_floor_db=15.0) for side in (-0.3, 0.3))
    found, sided = (
        diagnose(case(combs={RACE: one}, outside_combs=(met,), slow_turns=(turn,), speed=exact))[0]
        for one in (seen, replace(seen, sideband_lines=sides))
    )
    own = 0.02 * 0.35 / (0.0075 * sqrt(2 * pi))
    turned = 0.05 / 64 / (error * sqrt(2 * pi))
    assert found.damage_probability / 0.999 == pytest.approx(min(0.3, own / (own + turned)), rel=0.01)
    assert found.damage_probability / 0.999 == pytest.approx(share, abs=0.02)
    assert sided.damage_probability / 0.999 == pytest.approx(0.3)


@pytest.mark.parametrize(("share", "says"), [(0.08, True), (0.12, False)])
def test_an_order_of_which_one_in_ten_would_fit_by_chance_says_nothing(share: float, says: bool) -> None:
    """Four standard errors of every slow turn's step fit."""
    turn, number = 0.05, 20
    density = outside_machines._whole_density(number * turn, share * turn / 4 / (number * turn), turn)
    assert (density > 0) is says


def beside_a_chain(tones: ToneTable, per_turn: int, depth_db: float, chain_db: float) -> dict[str, Any]:
    """A race ``per_turn`` times per turn of a slow shaft that turns a chain of 32 teeth, at a speed that is known."""
    (low, high), order = tones.tone(RACE).slip, tones.tone(RACE).order
    place = order * (1 + (low + high) / 2)
    seen = replace(comb(RACE, place, SURE, depth_db), place=place, place_error=1e-6)
    turn = place / per_turn
    evidence = comb("outside", 32 * turn, SURE, chain_db)
    chain = OutsideComb(order=32 * turn, evidence=evidence, spread=1e-6, ambiguous=False, per_turn=(32, turn))
    exact = replace(SPEED, uncertainty_hz=1e-6)
    return {"combs": {RACE: seen}, "speed": exact, "outside_combs": (chain,), "slow_turns": (turn,)}


@pytest.mark.parametrize(("per_turn", "left"), [(340, True), (430, False)])
def test_a_driven_machine_leaves_lines_up_to_a_dozen_multiples_of_its_teeth(
    case: MakeCase, tones: ToneTable, per_turn: int, left: bool
) -> None:
    """32 teeth: 384 lines per turn."""
    made = beside_a_chain(tones, per_turn, 4.0, 6.0)
    plain = diagnose(case(combs=made["combs"], speed=made["speed"]))[0].probability
    found = diagnosed(case(**made))
    assert bool(found.outside_combs) is left
    assert left or found.findings[0].probability > 0.5 * plain


@pytest.mark.parametrize(("name", "share"), [("outer", 0.35), ("inner", 0.25)])
def test_of_damaged_bearings_a_third_speak_by_the_outer_race_and_a_quarter_by_the_inner_one(
    case: MakeCase, tones: ToneTable, name: str, share: float
) -> None:
    """Against a free machine: one bearing in fifty is damaged; the ends of its slip are two deviations off."""
    tone = f"bearing.input bearing.{name}_race"
    (low, high), plain = tones.tone(tone).slip, finding(case, tones)
    place = 1.1 * (1 + (low + high) / 2)
    slower = replace(tones.tone(tone), order=1.1)
    seen = replace(comb(tone, place, SURE, 4.0), place=place, place_error=1e-4)
    some = plain.model_copy(update={"tone": tone, "component": tone, "seen_in": [tone]})
    exact = replace(SPEED, uncertainty_hz=1e-6)
    found = outside_machines._doubted_slow(case(combs={tone: seen}, speed=exact), some, slower, seen)
    own = 0.02 * share * norm(scale=(high - low) / 4).pdf(0.0)
    left = found.damage_probability / some.damage_probability
    assert odds(left) == pytest.approx(own / (0.05 / log(110)), rel=0.02)


@pytest.mark.parametrize(("high", "stand"), [(4, True), (3, False)])
def test_side_lines_are_as_high_as_the_first_four_lines_to_which_they_belong(
    case: MakeCase, tones: ToneTable, high: int, stand: bool
) -> None:
    """Side lines of 17 dB are those of four lines of 15 dB, whatever stands further up; they are not where one of the
    four is so faint that the mean falls below 14."""
    levels = [15.0] * high + [3.0] * (8 - high)
    lines = tuple(CombLine(order=2.0 * k, over_floor_db=db) for k, db in enumerate(levels, 1))
    sides = tuple(CombLine(order=2.0 * k + 0.4 * s, over_floor_db=17.0) for k in (1, 2, 3, 4) for s in (-1, 1))
    seen = replace(comb(RACE, 2.0, SURE, 5.0), lines=lines, sideband_lines=sides)
    assert outside_machines._finding_has_sides(case(combs={RACE: seen}), finding(case, tones)) is stand


def test_the_first_two_of_the_lines_do_not_decide_alone(case: MakeCase, tones: ToneTable) -> None:
    lines = tuple(CombLine(order=2.0 * k, over_floor_db=db) for k, db in enumerate((16.0, 16.0, 8.0, 8.0), 1))
    sides = tuple(CombLine(order=2.0 * k + 0.4 * s, over_floor_db=17.0) for k in (1, 2, 3, 4) for s in (-1, 1))
    seen = replace(comb(RACE, 2.0, SURE, 5.0), lines=lines, sideband_lines=sides)
    assert not outside_machines._finding_has_sides(case(combs={RACE: seen}), finding(case, tones))


@pytest.mark.parametrize(("off", "sure"), [(4.0, False), (5.2, True)])
def test_what_lies_four_and_a_half_errors_off_does_so_once_in_a_hundred_thousand(
    tones: ToneTable, off: float, sure: bool
) -> None:
    tone = tones.tone(PIN)
    assert bool(2 * norm.sf(off) < 7e-6) is sure
    assert surely_off(tone, tone.order * (1 + off * 1e-4), 1e-4) is sure
    seen = replace(comb(INNER, 4.0, SURE), carried_at=1 + off * 1e-4, carried_error=1e-4)
    assert (carried_off(seen, None) is not None) is sure


@pytest.mark.parametrize(("off", "sure"), [(4.0, False), (5.2, True)])
def test_no_combs_order_is_known_closer_than_to_one_in_a_hundred_thousand(
    tones: ToneTable, off: float, sure: bool
) -> None:
    tone = tones.tone(PIN)
    assert surely_off(tone, tone.order * (1 + off * 1e-5), 1e-7) is sure


@pytest.mark.parametrize(("chance", "clear"), [(8e-4, True), (1.3e-3, False)])
def test_only_a_clear_comb_shows_another_machines_speed(tones: ToneTable, chance: float, clear: bool) -> None:
    seen = replace(pin(tones, -6e-4), false_alarm_probability=chance)
    speeds = speeds_of_combs(tones, {PIN: seen}, SPEED, [PIN])
    assert speeds == (pytest.approx((1 - 6e-4,)) if clear else ())


def test_half_of_the_pairs_of_one_kind_differ_by_less_than_three_tenths_of_a_per_cent() -> None:
    steps = [k * 1e-5 for k in range(-100_000, 100_001)]
    near = sum(outside_machines._usual_density(one) for one in steps if abs(one) <= 3e-3) * 1e-5
    assert near == pytest.approx(0.5, abs=0.01)


def test_in_company_a_free_machine_is_four_times_as_likely(case: MakeCase, tones: ToneTable) -> None:
    low, high = tones.tone(CAGE).slip
    seen = slow(tones, (1 + (low + high) / 2) * tones.tone(CAGE).order)
    other = OutsideComb(order=1.7, evidence=comb("outside 1.7", 1.7, SURE, 6.0), spread=1e-3, ambiguous=False)
    alone, among = (
        diagnose(case(combs={CAGE: seen}, outside_combs=combs))[0].damage_probability / 0.999
        for combs in ((), (other,))
    )
    assert odds(alone) / odds(among) == pytest.approx(4.0, rel=1e-3)


def test_one_capture_in_fifty_shows_the_damage_of_a_machine_of_the_kind_that_does_not_show_itself(
    case: MakeCase, tones: ToneTable
) -> None:
    low = replace(comb(RACE, tones.tone(RACE).order * 0.995, SURE, 4.0), band_hz=LOW_HZ)
    pulses = SpeedEstimate(input_hz=24.37, uncertainty_hz=0.001, method="tachometer")
    found = diagnose(case(combs={RACE: low}, speed=pulses))[0]
    assert 1 / found.damage_probability - 1 == pytest.approx(PASSED * 0.02, rel=0.15)


@pytest.mark.parametrize(("off", "sure"), [(0.0, False), (-9e-4, False), (1.1e-3, True)])
def test_what_lies_at_the_inputs_turn_is_no_machine_of_another_speed(tones: ToneTable, off: float, sure: bool) -> None:
    """A sun's tooth meets its planets at 152/153 of it. What repeats at the input's turn itself is known by less."""
    sun = replace(tones.tone(PIN), order=152 / 153)
    assert surely_off(sun, 1 + off, 5e-5) is sure
    assert surely_off(sun, sun.order * (1 - 1e-3), 5e-5)
    assert surely_off(tones.tone(PIN), 1 - 9e-4, 5e-5)


@pytest.mark.parametrize(("deeper_db", "listed"), [(5.0, True), (7.0, False)])
def test_what_a_chain_whose_teeth_differ_leaves_at_other_turns_is_no_further_machine(
    case: MakeCase, tones: ToneTable, deeper_db: float, listed: bool
) -> None:
    found = diagnosed(case(**beside_a_chain(tones, 40, 0.0, deeper_db)))
    assert found.findings == []
    assert bool(found.outside_combs) is listed
