"""What other machines leave of a finding on a part."""

from __future__ import annotations

from dataclasses import replace
from math import exp, hypot, log
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.stats import norm

from tests.diagnosis.diagnosis_values import MakeCase, comb, line
from vibe.core.drive import Drive
from vibe.core.evidence import CombEvidence, CombLine, SpeedEstimate
from vibe.core.health import Finding
from vibe.core.outside_combs import LEAST_ERROR, OutsideComb, SimilarMachine
from vibe.diagnosis.alternatives.outside_machines import (
    COMPANY,
    DRIVEN_RATE,
    NEIGHBOUR_WEIGHT,
    NOT_DETECTED,
    NOTED_SAYS,
    OUTSIDE_ORDERS,
    OUTSIDE_RATE,
    OUTSIDE_TOO,
    PART_SHARE,
    PASSES_HZ,
    ROW_LINES,
    SURELY_OWN,
    TO_DISTINGUISH_STRIKES,
    UNDETECTED_RATE,
    WITHOUT_THEM,
    _whole_density,
    doubted_undetected,
)
from vibe.diagnosis.cage_places import PAST_LOAD
from vibe.diagnosis.case import MOST_SURE
from vibe.diagnosis.diagnose import diagnose
from vibe.kinematics.tone_table import tone_table

if TYPE_CHECKING:
    from vibe.core.tones import Tone, ToneTable

RACE, CAGE = "bearing.input bearing.outer_race", "bearing.input bearing.cage"
SURE = 1e-9
SUREST = 0.999
"""What a single capture supports at most."""


def odds(probability: float) -> float:
    return probability / (1 - probability)


def lone(findings: list[Finding]) -> Finding:
    (finding,) = findings
    return finding


def outside(order: float, *, ambiguous: bool, impact_db: float = 6.0) -> OutsideComb:
    evidence = comb(f"outside {order:.4g}", order, SURE, impact_db)
    return OutsideComb(order=order, evidence=evidence, spread=1e-3, ambiguous=ambiguous)


def race(tones: ToneTable, slip: float = -0.005) -> CombEvidence:
    return comb(RACE, tones.tone(RACE).order * (1 + slip), SURE, 4.0)


@pytest.mark.parametrize("times", [1, 2, 3])
def test_a_race_that_an_outside_comb_makes_too_is_less_sure_and_names_it(
    case: MakeCase, tones: ToneTable, times: int
) -> None:
    seen = race(tones)
    plain = lone(diagnose(case(combs={RACE: seen})))
    meets = outside(seen.order / times, ambiguous=True)
    doubted = lone(diagnose(case(combs={RACE: seen}, outside_combs=(meets,))))
    # Alone it is no surer than that it is not a hidden machine's of the kind.
    full = MOST_SURE / plain.damage_probability
    assert doubted.probability == pytest.approx(OUTSIDE_TOO * full * plain.probability)
    assert doubted.damage_probability == pytest.approx(OUTSIDE_TOO * MOST_SURE)
    assert any("outside source" in name for name in doubted.cannot_be_told_from)
    # One whose lines were taken may leave some, where it wanders and is the deeper.
    taken = outside(seen.order / times, ambiguous=False)
    assert lone(diagnose(case(combs={RACE: seen}, outside_combs=(taken,)))).probability == doubted.probability
    # The twins: a comb elsewhere, and a fainter one whose lines were taken.
    fainter = outside(seen.order / times, ambiguous=False, impact_db=2.0)
    for other in (outside(seen.order / times * 1.01, ambiguous=True), fainter):
        assert lone(diagnose(case(combs={RACE: seen}, outside_combs=(other,)))).probability == plain.probability


OUTPUT_PIN, PLACE_ERROR = "stage1.output_pin", 2e-5
"""What all discs meet, and the relative error with which its comb is placed."""
ALL_ERRORS = hypot(PLACE_ERROR, LEAST_ERROR, 0.001 / 24.37)
"""With that of the speed."""


def all_meetings_of(pin: Tone, errors_off: float) -> tuple[CombEvidence, OutsideComb]:
    """A pin's comb, so many standard errors off its order, and that of all its meetings."""
    order = float(pin.order) * (1 + errors_off * ALL_ERRORS)
    seen = replace(comb(pin.id, float(pin.order), SURE, 8.0), place=order, place_error=PLACE_ERROR)
    return seen, outside(pin.meetings * order, ambiguous=True, impact_db=2.0)


@pytest.mark.parametrize("errors_off", [0.0, 1.0, -2.0])
def test_a_part_that_all_discs_meet_alike_lies_exactly_where_a_free_machine_would_by_chance(
    case: MakeCase, tones: ToneTable, errors_off: float
) -> None:
    seen, meetings = all_meetings_of(tones.tone(OUTPUT_PIN), errors_off)
    plain = lone(diagnose(case(combs={OUTPUT_PIN: seen})))
    met = lone(diagnose(case(combs={OUTPUT_PIN: seen}, outside_combs=(meetings,))))
    assert met.probability == plain.probability
    assert not any("outside source" in name for name in met.cannot_be_told_from)


def test_what_lies_off_the_exact_order_of_what_all_discs_meet_is_a_machine_of_its_own(
    case: MakeCase, tones: ToneTable
) -> None:
    seen, meetings = all_meetings_of(tones.tone(OUTPUT_PIN), 4.0)
    near = lone(diagnose(case(combs={OUTPUT_PIN: seen}, outside_combs=(meetings,))))
    assert any("outside source" in name for name in near.cannot_be_told_from)
    # In company of other machines it is the likelier one of them.
    company = (meetings, outside(0.37, ambiguous=False))
    assert lone(diagnose(case(combs={OUTPUT_PIN: seen}, outside_combs=company))).probability < near.probability
    plain = lone(diagnose(case(combs={OUTPUT_PIN: seen})))
    seen, meetings = all_meetings_of(tones.tone(OUTPUT_PIN), 8.0)
    far = lone(diagnose(case(combs={OUTPUT_PIN: seen}, outside_combs=(meetings,))))
    assert far.damage_probability < OUTSIDE_TOO * plain.damage_probability
    # But for one of the same kind at that very speed, which is likelier than both and may be this one.
    there = similar(1 + 8 * ALL_ERRORS)
    alike = lone(diagnose(case(combs={OUTPUT_PIN: seen}, outside_combs=(meetings,), alike=(there,))))
    assert not any("outside source" in name for name in alike.cannot_be_told_from)
    assert any("same kind" in name for name in alike.cannot_be_told_from)


@pytest.mark.parametrize(("off", "ambiguous", "named"), [(0.0, True, True), (0.05, True, False), (0.0, False, False)])
def test_a_part_that_all_discs_meet_alike_may_be_what_strikes_so_often_in_step_with_a_shaft(
    case: MakeCase, tones: ToneTable, off: float, ambiguous: bool, named: bool
) -> None:
    pin = tones.tone(OUTPUT_PIN)
    assert pin.meetings > 1
    seen = comb(pin.id, float(pin.order), SURE, 8.0)
    plain = lone(diagnose(case(combs={pin.id: seen})))
    other = outside(pin.meetings * float(pin.order) + off, ambiguous=ambiguous, impact_db=2.0)
    other = replace(other, per_turn=(7, other.order / 7))
    doubted = lone(diagnose(case(combs={pin.id: seen}, outside_combs=(other,))))
    assert any("outside source" in name for name in doubted.cannot_be_told_from) is named
    assert (doubted.probability < 0.5 * plain.probability) is named


def test_what_is_met_so_often_by_what_turns_with_the_input_lies_as_exactly(case: MakeCase, tones: ToneTable) -> None:
    pin = tones.tone("stage1.ring_pin")
    assert pin.order == 1
    assert pin.meetings > 1
    seen, meetings = all_meetings_of(pin, 0.0)
    plain = lone(diagnose(case(combs={pin.id: seen})))
    assert lone(diagnose(case(combs={pin.id: seen}, outside_combs=(meetings,)))).probability < 0.5 * plain.probability


def similar(speed: float, fainter_db: float = 0.0) -> SimilarMachine:
    return SimilarMachine(speed=speed, error=0.0, fainter_db=fainter_db)


PULSES = SpeedEstimate(input_hz=24.37, uncertainty_hz=0.001, method="tachometer")
LOW_HZ, HIGH_HZ = (900.0, 1100.0), (9000.0, 11000.0)


def test_next_to_a_machine_of_the_same_kind_the_usual_slip_tells_whose_race_it_is(
    case: MakeCase, tones: ToneTable
) -> None:
    """Where pulses tell which of the speeds is this machine's."""
    plain = lone(diagnose(case(combs={RACE: race(tones)}))).probability
    # At a speed two per cent higher the same order would need a slip that hardly a bearing has.
    ours = lone(diagnose(case(combs={RACE: race(tones, 0.0)}, alike=(similar(1.02),), speed=PULSES)))
    assert 0.75 * plain < ours.probability <= plain
    at_low = replace(race(tones), band_hz=LOW_HZ)
    either = lone(diagnose(case(combs={RACE: at_low}, alike=(similar(1.0005),), speed=PULSES)))
    assert either.probability < 0.5
    assert any("same kind" in name for name in either.cannot_be_told_from)
    assert "Repeat the measurement while that one stands" in either.why
    assert either.other_machine is not None
    assert either.may_be_a_twins
    assert "1462.9" in either.other_machine
    assert lone(diagnose(case(combs={RACE: at_low}, speed=PULSES))).other_machine is None
    theirs = lone(diagnose(case(combs={RACE: race(tones, 0.009)}, alike=(similar(1.014),), speed=PULSES)))
    assert theirs.probability < 0.3


@pytest.mark.parametrize(
    ("speed", "pulsed", "shared"),
    [(1.001, False, True), (1.02, False, True), (1.001, True, True), (1.02, True, False)],
)
def test_lines_of_the_shaft_are_either_machines_where_nothing_tells_the_two(
    case: MakeCase, speed: float, pulsed: bool, shared: bool
) -> None:
    """Nothing but pulses tells whose speed was found, and with them a capture that resolves the two."""
    once = (line("1x", 6.0),)
    more: dict[str, Any] = {"speed": PULSES} if pulsed else {}
    alone = lone(diagnose(case(lines=once, **more)))
    assert alone.component == "input.shaft"
    assert alone.other_machine is None
    both = lone(diagnose(case(lines=once, alike=(similar(speed),), resolution=0.005, **more)))
    assert (both.other_machine is not None) is shared
    assert both.probability == pytest.approx(alone.probability * (0.5 if shared else 1.0))
    louder = lone(diagnose(case(lines=once, alike=(similar(speed, -10.0),), resolution=0.005, **more)))
    assert (louder.probability < both.probability) is (shared and not pulsed)


def test_what_stands_high_up_is_this_machines_whichever_speed_is_its_own(case: MakeCase, tones: ToneTable) -> None:
    """Joints and a foundation let little pass above some kHz. Worked by hand: slip tells which of two machines it is,
    and without pulses not which of them this one is."""
    alone = lone(diagnose(case(combs={RACE: race(tones)})))
    plain = alone.probability * MOST_SURE / alone.damage_probability
    for band_hz, middle_hz in ((LOW_HZ, (900 * 1100) ** 0.5), (HIGH_HZ, (9000 * 11000) ** 0.5)):
        seen = replace(race(tones), band_hz=band_hz)
        found = lone(diagnose(case(combs={RACE: seen}, alike=(similar(0.99),))))
        other = NEIGHBOUR_WEIGHT / (1 + (middle_hz / PASSES_HZ) ** 2)
        # A third machine that is hidden takes little more.
        assert found.probability == pytest.approx(plain / (1 + other), rel=0.03)
    assert lone(diagnose(case(combs={RACE: seen}, alike=(similar(0.99),)))).probability > 0.8 * plain


def test_a_machine_that_may_be_there_counts_with_its_probability(case: MakeCase, tones: ToneTable) -> None:
    at_low = replace(race(tones), band_hz=LOW_HZ)

    def of(probability: float) -> float:
        one = replace(similar(1.0005), probability=probability)
        return lone(diagnose(case(combs={RACE: at_low}, alike=(one,), speed=PULSES))).probability

    alone = lone(diagnose(case(combs={RACE: at_low}, speed=PULSES))).probability
    assert of(1.0) < of(0.7) < of(0.5) < alone


PIN = "stage1.ring_pin"
DETECTED_SPEED = SpeedEstimate(input_hz=24.37, uncertainty_hz=0.0002, method="signal")


def pin(tones: ToneTable, off: float, error: float = 1e-5) -> CombEvidence:
    order = tones.tone(PIN).order
    return replace(comb(PIN, order, SURE, 6.0), place=order * (1 + off), place_error=error, band_hz=LOW_HZ)


def of_pin(found: list[Finding]) -> Finding:
    return next(finding for finding in found if finding.tone == PIN)


def test_what_cannot_slip_and_lies_off_its_order_is_another_machines(case: MakeCase, tones: ToneTable) -> None:
    """Six hundredths of a per cent are sixty standard errors, and the other drive is named with its speed; one error
    off, or known no closer than the difference, it is the drive's own."""
    plain = of_pin(diagnose(case(combs={PIN: pin(tones, 0.0)}, speed=DETECTED_SPEED)))
    assert plain.other_machine is None
    theirs = of_pin(diagnose(case(combs={PIN: pin(tones, -6e-4)}, speed=DETECTED_SPEED)))
    assert theirs.probability < 0.35 * plain.probability
    assert theirs.other_machine is not None
    assert "1461.3" in theirs.other_machine
    for off, error in ((1e-5, 1e-5), (-6e-4, 3e-4)):
        own = of_pin(diagnose(case(combs={PIN: pin(tones, off, error)}, speed=DETECTED_SPEED)))
        assert own.probability == plain.probability
        assert own.other_machine is None
    # With pulses of this drive it is the other's for sure.
    pulses = replace(PULSES, uncertainty_hz=0.0002)
    assert of_pin(diagnose(case(combs={PIN: pin(tones, -6e-4)}, speed=pulses))).probability < 0.01


INNER = "bearing.input bearing.inner_race"


def carried(tones: ToneTable, apart: float, error: float = 2e-4) -> CombEvidence:
    """An inner race whose impacts grow and fade with a shaft that turns so far off this one."""
    order = tones.tone(INNER).order * 0.996
    return replace(comb(INNER, order, SURE, 4.0), carried_at=1 + apart, carried_error=error, band_hz=LOW_HZ)


def inner(found: list[Finding]) -> Finding:
    return next(finding for finding in found if finding.component.startswith("bearing.input bearing"))


def test_whose_race_it_is_shows_the_shaft_that_carries_it(case: MakeCase, tones: ToneTable) -> None:
    """Slip says nothing of half a per cent, the turn of the shaft all: ten of its errors off it is another machine's;
    at this one's it stays this one's even next to a machine that the capture shows."""
    unknown = replace(carried(tones, 0.0), carried_at=None, carried_error=None)
    plain = inner(diagnose(case(combs={INNER: unknown}, speed=PULSES)))
    theirs = inner(diagnose(case(combs={INNER: carried(tones, -2e-3)}, speed=PULSES)))
    assert theirs.probability < 0.05 * plain.probability
    assert theirs.other_machine is not None
    assert "1459.3" in theirs.other_machine
    assert "grow and fade with a shaft that turns 0.2 % slower" in theirs.why
    for off in (0.0, 2e-4, -2e-4):
        ours = inner(diagnose(case(combs={INNER: carried(tones, off)}, speed=PULSES)))
        assert ours.probability > plain.probability, "the shaft shows it more surely than slip"
        assert ours.other_machine is None
    either = inner(diagnose(case(combs={INNER: unknown}, alike=(similar(1.002),), speed=PULSES)))
    assert either.other_machine is not None
    ours = inner(diagnose(case(combs={INNER: carried(tones, 1e-4)}, alike=(similar(1.002),), speed=PULSES)))
    assert ours.probability > plain.probability
    assert ours.other_machine is None


def test_what_slips_is_no_surer_this_machines_than_no_hidden_machine_of_the_kind_has_it(
    case: MakeCase, tones: ToneTable, drive: Drive
) -> None:
    """Worked by hand for a low band: one in fifty has such a neighbour that shows its damage, and a little more. What
    cannot slip is known by its order; bearings of a machine without a reducing stage stand in no group of its kind."""
    low = replace(race(tones), band_hz=LOW_HZ)
    found = lone(diagnose(case(combs={RACE: low}, speed=PULSES)))
    passed = NEIGHBOUR_WEIGHT / (1 + 900 * 1100 / PASSES_HZ**2)
    assert found.damage_probability == pytest.approx(1 / (1 + passed * UNDETECTED_RATE), abs=2e-3)
    assert found.other_machine is None
    assert lone(diagnose(case(combs={PIN: pin(tones, 0.0)}, speed=PULSES))).other_machine is None
    bare = drive.model_copy(update={"stage": []})
    assert lone(diagnose(case(combs={RACE: low}, speed=PULSES, drive=bare))).damage_probability == MOST_SURE


def test_of_a_declared_machine_of_the_type_that_is_not_seen_a_race_may_be(case: MakeCase, tones: ToneTable) -> None:
    """Half as likely as one that the capture shows; what cannot slip, and what this drive's own shaft carries, stays
    this one's."""
    plain = lone(diagnose(case(combs={RACE: race(tones)}, speed=PULSES)))
    low = replace(race(tones), band_hz=LOW_HZ)
    either = lone(diagnose(case(combs={RACE: low}, declared_alike=("P-2",), speed=PULSES)))
    assert 0.5 < either.probability < 0.8 * plain.probability
    assert either.other_machine is not None
    assert "P-2" in either.other_machine
    assert "The capture does not show whether this is P-2's" in either.why
    for name, seen in ((PIN, pin(tones, 0.0)), (INNER, carried(tones, 0.0))):
        some = diagnose(case(combs={name: seen}, declared_alike=("P-2",), speed=PULSES))
        assert next(one for one in some if (one.tone or one.component).startswith(name[:20])).other_machine is None


def test_where_no_machine_of_the_type_is_known_the_words_name_none(case: MakeCase, tones: ToneTable) -> None:
    """A race at the end of its window fits another machine's speed better, and none is known."""
    off = replace(race(tones, -0.05), band_hz=LOW_HZ)
    found = lone(diagnose(case(combs={RACE: off}, speed=PULSES)))
    assert found.other_machine == "the same part of a machine of the same kind, if one runs next to it"
    assert " If a machine of the same kind runs next to it, this may be that one's. Repeat" in found.why
    assert "declare" not in found.why


def test_damage_at_the_speed_found_is_this_drives_as_far_as_that_speed_is(case: MakeCase, tones: ToneTable) -> None:
    """The louder of two meshes is more likely this drive's own: it carries the sensor. Of a machine that was searched
    for only that it is the louder counts."""
    alone = of_pin(diagnose(case(combs={PIN: pin(tones, 0.0)}, speed=DETECTED_SPEED))).probability
    for by_damage in (True, False):
        shares = []
        for fainter_db in (-10.0, 0.0, 10.0):
            other = replace(similar(1.004, fainter_db), by_damage=by_damage)
            some = case(combs={PIN: pin(tones, 0.0)}, alike=(other,), speed=DETECTED_SPEED)
            shares.append(of_pin(diagnose(some)).probability / alone)
        assert shares[0] < 0.25 < shares[1] < 0.5
        assert (shares[2] > 0.6) is by_damage
        assert (shares[2] == shares[1]) is not by_damage


def test_a_noted_speed_speaks_for_the_machine_that_it_fits(case: MakeCase, tones: ToneTable) -> None:
    """Twice as likely, where it fits one of the two alone; else nothing."""
    shares = {}
    for noted in (None, 1.0, 1.004, 1.002, 1.02):
        hz = None if noted is None else noted * DETECTED_SPEED.input_hz
        some = case(combs={PIN: pin(tones, 0.0)}, alike=(similar(1.004),), speed=DETECTED_SPEED, noted_speed_hz=hz)
        alone = of_pin(diagnose(case(combs={PIN: pin(tones, 0.0)}, speed=DETECTED_SPEED))).probability
        shares[noted] = of_pin(diagnose(some)).probability / alone
    assert shares[1.002] == shares[1.02] == shares[None]
    assert odds(shares[1.0]) == pytest.approx(NOTED_SAYS * odds(shares[None]), rel=0.02)
    assert odds(shares[1.004]) == pytest.approx(odds(shares[None]) / NOTED_SAYS, rel=0.02)


def test_lines_of_the_other_machines_mesh_are_no_race_of_this_one(case: MakeCase, tones: ToneTable) -> None:
    """A sound mesh modulates all that rings, at an order that never slips."""
    order = race(tones).order
    mesh = next(tone for tone in tones.tones if tone.id == "stage1.lobe").order
    seen = replace(race(tones), band_hz=HIGH_HZ)
    for off, share in ((0.0, OUTSIDE_TOO), (0.02, 1.0)):
        alike = order / mesh * (1 + off)
        plain = lone(diagnose(case(combs={RACE: seen}, speed=PULSES))).probability
        found = lone(diagnose(case(combs={RACE: seen}, alike=(similar(alike),), speed=PULSES)))
        assert found.probability == pytest.approx(share * plain, rel=0.05)


@pytest.mark.parametrize(("alike", "named"), [(1.0165, True), (1.022, False)])
def test_a_like_machine_is_named_where_one_such_comb_in_ten_would_be_its_own_and_not_where_one_in_fifty(
    case: MakeCase, tones: ToneTable, alike: float, named: bool
) -> None:
    seen = replace(race(tones), band_hz=(100.0, 100.0))
    plain = lone(diagnose(case(combs={RACE: seen}))).probability
    finding = lone(diagnose(case(combs={RACE: seen}, alike=(similar(alike),), speed=PULSES)))
    assert any("same kind" in name for name in finding.cannot_be_told_from) is named
    assert (finding.damage_probability < SURELY_OWN * MOST_SURE) is named
    assert finding.probability > 0.85 * plain


def test_what_another_machine_makes_too_is_less_than_even_and_not_dismissed(case: MakeCase, tones: ToneTable) -> None:
    """A machine that is known to strike there says more against a part than one that may be there."""
    plain = lone(diagnose(case(combs={RACE: race(tones)})))
    meets = outside(race(tones).order, ambiguous=True)
    (not_detected,) = doubted_undetected([plain])
    struck = lone(diagnose(case(combs={RACE: race(tones)}, outside_combs=(meets,))))
    assert 0.2 < struck.probability / plain.probability < not_detected.probability / plain.probability < 0.5
    assert not_detected.probability / plain.probability > 0.25


def test_the_parts_by_which_damaged_bearings_speak_first_are_all_that_there_are() -> None:
    assert sum(PART_SHARE.values()) == pytest.approx(1.0)
    assert set(PART_SHARE) == {"outer race", "inner race", "rolling element", "cage"}


def test_the_odds_of_a_slow_part_against_an_outside_machine_follow_from_what_is_common(
    case: MakeCase, tones: ToneTable
) -> None:
    """Worked by hand. One bearing in fifty is damaged, of these one in five speaks by its cage, most of these as it
    passes the load, which rests on the outer ring. Its slip is normal, the ends of its window two deviations off, read
    to the resolution. One in twenty drives has a machine next to it that strikes at any order from 0.02 to 2.2, each
    factor of e alike."""
    order, (low, high) = tones.tone(CAGE).order, tones.tone(CAGE).slip
    usual = norm(loc=(low + high) / 2, scale=hypot((high - low) / 4, 0.005 / 2 / order))
    own = 0.02 * 0.2 * PAST_LOAD * usual.pdf(0.0)
    outside_machine = 0.05 / log(2.2 / 0.02)
    lines = tuple(CombLine(order=k * order, over_floor_db=18.0) for k in range(1, 9))
    finding = lone(diagnose(case(combs={CAGE: replace(comb(CAGE, order, SURE, 5.0), lines=lines)}, resolution=0.005)))
    assert finding.damage_probability == pytest.approx(SUREST * own / (own + outside_machine), rel=1e-6)


def test_a_slow_comb_that_stands_alone_leaves_room_for_an_outside_machine(case: MakeCase, tones: ToneTable) -> None:
    order = 0.995 * tones.tone(CAGE).order
    lines = tuple(CombLine(order=k * order, over_floor_db=18.0) for k in range(1, 9))
    cage = replace(comb(CAGE, order, SURE, 5.0), lines=lines)
    alone = lone(diagnose(case(combs={CAGE: cage})))
    assert any("strikes at" in name for name in alone.cannot_be_told_from)
    assert alone.outside_causes == [name for name in alone.cannot_be_told_from if "strikes at" in name]
    assert 0.5 < alone.damage_probability < 0.97
    # The coarser the capture resolves so slow an order, the more of others' orders fit.
    coarse = lone(diagnose(case(combs={CAGE: cage}, resolution=0.05)))
    assert coarse.damage_probability < alone.damage_probability
    # Nor is it the cage's as surely at an end of its slip, where few lie, as in the middle.
    rare = replace(cage, order=1.009 * tones.tone(CAGE).order)
    assert lone(diagnose(case(combs={CAGE: rare}))).damage_probability < 0.9 * alone.damage_probability
    # A race next to it is the bearing's own word, unless it is gone between the cage's impacts.
    both = diagnose(case(combs={CAGE: cage, RACE: race(tones)}))
    assert not any("strikes at" in name for finding in both for name in finding.cannot_be_told_from)
    faint = replace(race(tones), score=cage.score - 1, hit_over_floor_db=cage.hit_over_floor_db - 1)
    for chance, other in ((SURE, False), (0.5, True)):
        left = replace(faint, after_gating=replace(faint, false_alarm_probability=chance))
        found = diagnose(case(combs={CAGE: cage, RACE: left}))
        assert any("strikes at" in name for finding in found for name in finding.cannot_be_told_from) is other


@pytest.mark.parametrize(("times_likelier", "named"), [(0.5, False), (60.0, True)])
def test_a_race_that_repeats_as_the_blades_of_a_rotor_pass_is_as_sure_as_the_rotor_leaves(
    case: MakeCase, tones: ToneTable, times_likelier: float, named: bool
) -> None:
    """As for a cage, worked by hand: the race of one damaged bearing in three speaks first, and where the rotor's lines
    stand the machine is as many times likelier. What is left with less than one in twenty is not named."""
    (low, high), seen = tones.tone(RACE).slip, race(tones)
    usual = norm(loc=(low + high) / 2, scale=hypot((high - low) / 4, 0.005 / 2 / seen.order))
    own = 0.02 * 0.35 * usual.pdf(-0.005)
    outside_machine = 0.05 / log(2.2 / 0.02) * times_likelier
    plain = lone(diagnose(case(combs={RACE: seen}, resolution=0.005)))
    found = lone(diagnose(case(combs={RACE: replace(seen, blades=(6, times_likelier))}, resolution=0.005)))
    stated = min(plain.damage_probability, SUREST * own / (own + outside_machine))
    assert found.damage_probability == pytest.approx(stated, rel=0.01)
    assert bool(found.outside_causes) is named
    if named:
        assert stated < 0.5 < 0.95 < plain.damage_probability
        (name,) = found.outside_causes
        assert name in found.cannot_be_told_from
        assert "6 times per turn of a rotor that turns at " in name
        assert found.advice == f"{WITHOUT_THEM}{plain.advice}"
        assert found.why.endswith(f"makes the same: {TO_DISTINGUISH_STRIKES}")
        # Side lines of its own are no free rotor's.
        sides = tuple(CombLine(order=seen.order * k + 0.4, over_floor_db=14.0) for k in (1, 2))
        sided = replace(seen, blades=(6, times_likelier), sideband_lines=sides)
        assert lone(diagnose(case(combs={RACE: sided}))).outside_causes == []
    else:
        assert found.cannot_be_told_from == plain.cannot_be_told_from


def driven_cage(tones: ToneTable, off: float, error: float = 1e-4) -> tuple[CombEvidence, float]:
    """A cage's comb in the middle of its slip, ``off`` (relative) from a whole number per turn of a slow shaft, and the
    order of that shaft."""
    low, high = tones.tone(CAGE).slip
    place = (1 + (low + high) / 2) * tones.tone(CAGE).order
    lines = tuple(CombLine(order=k * place, over_floor_db=18.0) for k in range(1, 9))
    return replace(
        comb(CAGE, place, SURE, 5.0), lines=lines, place=place, place_error=error
    ), place * (1 + off) / 20  # fmt: skip


def test_what_strikes_a_whole_number_of_times_per_output_turn_is_a_driven_machines_first(
    case: MakeCase, tones: ToneTable
) -> None:
    """A chain of 20 links strikes on the cage's order. All lines together tell the order to half a thousandth, so that
    few orders fit; those a half per cent off are the cage's as much as ever."""
    seen, turn = driven_cage(tones, 0.0, error=5e-4)
    alone = lone(diagnose(case(combs={CAGE: seen}))).damage_probability
    struck = lone(diagnose(case(combs={CAGE: seen}, slow_turns=(turn,))))
    assert struck.damage_probability < 0.5 < 0.85 < alone
    assert any("20 times per turn of a shaft that this drive turns" in name for name in struck.cannot_be_told_from)
    # Whoever can uncouple it is asked to do so before this drive is opened.
    assert "20 times per turn" in (struck.other_machine or "")
    assert struck.other_machine_is_driven
    assert "strikes 20 times a turn: measure once more while it is uncoupled" in struck.why
    assert lone(diagnose(case(combs={CAGE: seen}))).other_machine is None
    apart, turn = driven_cage(tones, 0.005, error=5e-4)
    off = lone(diagnose(case(combs={CAGE: apart}, slow_turns=(turn,)))).damage_probability
    assert off == pytest.approx(alone, abs=0.01)
    # Where so many orders would fit by chance, the fit says nothing.
    vague, turn = driven_cage(tones, 0.0, error=0.02)
    assert lone(diagnose(case(combs={CAGE: vague}, slow_turns=(turn,)))).damage_probability == pytest.approx(
        lone(diagnose(case(combs={CAGE: vague}))).damage_probability
    )


def test_side_lines_at_a_turn_that_drives_another_machine_may_be_its_teeth_that_differ(
    case: MakeCase, drive: Drive
) -> None:
    """A ring that turns with the output has side lines at its turn; so has a chain there. Only what lies at a whole
    number per turn can be that chain's."""
    more = {"name": "output bearing", "inner": "stage1.output", "outer": "housing", "elements": 16,
            "element_diameter_mm": 11.11, "pitch_diameter_mm": 92.5}  # fmt: skip
    drawn = drive.model_dump() | {"bearing": [*(one.model_dump() for one in drive.bearing), more]}
    turning = Drive.model_validate(drawn)
    tones, turn = tone_table(turning), 1 / 17
    tone = tones.tone("bearing.output bearing.inner_race")
    chain = replace(outside(24 * turn, ambiguous=True, impact_db=-3.0), per_turn=(24, turn))

    def stated(place: float, *around: OutsideComb) -> float:
        lines = tuple(CombLine(order=k * place, over_floor_db=18.0) for k in range(1, 6))
        sides = tuple(CombLine(order=k * place + s * turn, over_floor_db=14.0) for k in (1, 2, 3, 4) for s in (-1, 1))
        seen = replace(
            comb(tone.id, place, SURE, 4.0), lines=lines, sideband_lines=sides, place=place, place_error=1e-4
        )
        found = diagnose(
            case(combs={tone.id: seen}, drive=turning, tones=tones, slow_turns=(turn,), outside_combs=around)
        )
        return max((one.damage_probability for one in found), default=0.0)

    assert stated(9 * turn) > 0.9
    assert stated(9 * turn, chain) < 0.3
    assert stated(tone.order, chain) == pytest.approx(stated(tone.order), abs=0.01)


def test_whole_numbers_per_turn_add_up_to_all_that_a_driven_machine_may_strike() -> None:
    """The density, over all orders, of any number from 1 to 64 as likely as the next."""
    turn, error = 0.05, 2e-3
    place = np.linspace(0.5 * turn, 64.5 * turn, 2_000_001)
    # Of the higher numbers so many orders fit that nothing is said of them.
    some = np.array([_whole_density(float(one), error, turn) / one for one in place[: 2_000_001 // 16 : 20]])
    step = float(place[20] - place[0])
    assert float(some.sum()) * step == pytest.approx(4 / 64, rel=0.01)


def test_near_a_machine_that_is_detected_another_is_likelier(case: MakeCase, tones: ToneTable) -> None:
    seen, _ = driven_cage(tones, 0.0)
    other = outside(1.7, ambiguous=False)
    alone, among = (
        lone(diagnose(case(combs={CAGE: seen}, outside_combs=combs))).damage_probability / SUREST
        for combs in ((), (other,))
    )
    assert odds(among) / odds(alone) == pytest.approx(1 / COMPANY, rel=1e-6)
    assert COMPANY * max(OUTSIDE_RATE, DRIVEN_RATE) <= 0.2


def test_what_a_driven_machine_leaves_of_its_teeth_is_no_race(case: MakeCase, tones: ToneTable) -> None:
    """Lines at a whole number per turn of the shaft that is known to drive: few races lie there so exactly."""
    (low, high), order = tones.tone(RACE).slip, tones.tone(RACE).order
    place = order * (1 + (low + high) / 2)
    seen = replace(race(tones), order=place, place=place, place_error=1e-5)
    plain = lone(diagnose(case(combs={RACE: seen}))).probability

    def near(turn: float) -> float:
        chain = replace(outside(32 * turn, ambiguous=False), per_turn=(32, turn))
        return lone(diagnose(case(combs={RACE: seen}, outside_combs=(chain,), slow_turns=(turn,)))).probability

    assert near(place / 61) < 0.5 * plain
    assert near(place / 61.3) == pytest.approx(plain, rel=1e-3)


@pytest.mark.parametrize(("number", "more"), [(19, 0.0), (32, 0.0), (33, 0.0), (19, 5e-4)])
def test_a_high_line_of_a_driven_row_is_no_race(case: MakeCase, tones: ToneTable, number: int, more: float) -> None:
    """Four cams a turn strike shortly, so that the nineteenth line of their row stands in the window of a race. As many
    lines of one are read; a race that lies off them all is a race."""
    (low, high), order = tones.tone(RACE).slip, tones.tone(RACE).order
    place = order * (1 + (low + high) / 2)
    seen = replace(race(tones), order=place, place=place, place_error=1e-5)
    plain = lone(diagnose(case(combs={RACE: seen}))).probability
    turn = place / (4 * number) * (1 + more)
    cams = replace(outside(4 * turn, ambiguous=False, impact_db=8.0), per_turn=(4, turn))
    found = diagnose(case(combs={RACE: seen}, outside_combs=(cams,), slow_turns=(turn,)))
    stated = max((one.probability for one in found), default=0.0)
    if number <= ROW_LINES and not more:
        assert stated < 0.3 * plain
    else:
        assert stated == pytest.approx(plain, rel=1e-3)


def test_a_driven_striker_that_was_met_is_asked_to_be_uncoupled(case: MakeCase, tones: ToneTable) -> None:
    """However it is known, what this drive turns can be uncoupled, which costs less than to open the drive."""
    turn = race(tones).order / 24
    met = outside(24 * turn, ambiguous=True)
    free = lone(diagnose(case(combs={RACE: race(tones)}, outside_combs=(met,))))
    assert free.other_machine is None
    driven = replace(met, per_turn=(24, turn))
    struck = lone(diagnose(case(combs={RACE: race(tones)}, outside_combs=(driven,), slow_turns=(turn,))))
    assert struck.other_machine is not None
    assert struck.other_machine_is_driven
    assert "strikes 24 times a turn: measure once more while it is uncoupled" in struck.why


ELEMENT = "bearing.input bearing.rolling_element"


def test_a_strong_comb_of_a_carried_part_without_side_lines_is_doubted(case: MakeCase, drive: Drive) -> None:
    large = drive.bearing[0].model_copy(update={"element_diameter_mm": 10.5})
    thick = drive.model_copy(update={"bearing": [large, *drive.bearing[1:]]})
    tones = tone_table(thick)
    order, cage = 0.995 * tones.tone(ELEMENT).order, tones.tone(CAGE).order
    assert order < OUTSIDE_ORDERS[1]
    lines = tuple(CombLine(order=k * order, over_floor_db=18.0) for k in range(1, 9))

    def sided(db: float, main_db: float = 18.0, sides: int = 8) -> Finding:
        next_to = tuple(CombLine(order=k * order + s * cage, over_floor_db=db) for k in (1, 2, 3, 4) for s in (-1, 1))
        strong = tuple(replace(one, over_floor_db=main_db) for one in lines)
        seen = replace(comb(ELEMENT, order, SURE, 5.0), lines=strong, sideband_lines=next_to[:sides])
        return lone(diagnose(case(combs={ELEMENT: seen}, drive=thick, tones=tones)))

    assert sided(13.0).damage_probability > 0.95
    assert sided(3.0).damage_probability < 0.7
    # Of faint lines side lines are not expected to stand.
    assert sided(3.0, 11.0).damage_probability > 0.8
    # A side line stands where noise makes one in 3,000 bins (exp(-8)), not where it makes one in 150 (exp(-5)).
    assert sided(7.0).damage_probability == sided(3.0).damage_probability
    # The absence of a few says nothing.
    assert sided(3.0, sides=6).damage_probability == sided(3.0).damage_probability
    assert sided(3.0, sides=3).damage_probability > 0.8
    # One in ten, as the rule of succession gives where none of eight damaged drives was bare.
    bare, plain = (sided(3.0, main_db).damage_probability / SUREST for main_db in (18.0, 11.0))
    assert odds(bare) / odds(plain) == pytest.approx((0 + 1) / (8 + 2), rel=1e-6)


def test_side_lines_that_are_higher_than_what_they_belong_to_are_others(case: MakeCase, drive: Drive) -> None:
    """Of a grid of other lines some always fall where side lines would."""
    large = drive.bearing[0].model_copy(update={"element_diameter_mm": 10.5})
    thick = drive.model_copy(update={"bearing": [large, *drive.bearing[1:]]})
    own = tone_table(thick)
    order, cage = 0.995 * own.tone(ELEMENT).order, own.tone(CAGE).order

    def sided(db: float) -> float:
        sides = tuple(CombLine(order=k * order + s * cage, over_floor_db=db) for k in (1, 2, 3, 4) for s in (-1, 1))
        lines = tuple(CombLine(order=k * order, over_floor_db=11.0) for k in range(1, 9))
        seen = replace(comb(ELEMENT, order, SURE, 5.0), lines=lines, sideband_lines=sides)
        return lone(diagnose(case(combs={ELEMENT: seen}, drive=thick, tones=own))).damage_probability

    assert sided(13.0) > 0.97
    assert sided(15.0) < sided(13.0) - 0.01


def test_parts_of_a_drive_that_was_not_detected_are_less_sure_and_others_are_not(
    case: MakeCase, tones: ToneTable
) -> None:
    own = lone(diagnose(case(combs={RACE: race(tones)})))
    shaft = own.model_copy(update={"component": "input.shaft", "tone": None, "defect": "unbalance"})
    less, same = doubted_undetected([own, shaft])
    assert less.probability == pytest.approx(NOT_DETECTED * own.probability)
    assert same == shaft


@pytest.mark.parametrize(("off", "share"), [(0.0, 0.3), (1.0, 0.4140), (2.0, 0.7600), (3.5, None), (-3.5, None)])
def test_a_race_whose_lines_lie_off_every_whole_number_per_turn_is_none_that_is_driven_in_step(
    case: MakeCase, tones: ToneTable, off: float, share: float | None
) -> None:
    """In standard errors of its order: odds of 3 to 7 over the density of a normal law, worked by hand; the part's own
    comb where one in twenty is left."""
    known = replace(PULSES, uncertainty_hz=1e-6)
    seen, error = race(tones), 1e-4
    turn = seen.order / 32
    at = replace(seen, place=seen.order * (1 + off * error), place_error=error)
    plain = lone(diagnose(case(speed=known, combs={RACE: at}))).damage_probability
    step = replace(outside(seen.order, ambiguous=True), per_turn=(32, turn))
    found = lone(diagnose(case(speed=known, combs={RACE: at}, outside_combs=(step,))))
    assert any("outside source" in name for name in found.cannot_be_told_from) is (share is not None)
    if share is None:
        assert found.damage_probability == pytest.approx(plain, abs=0.02)
    else:
        assert found.damage_probability == pytest.approx(share * MOST_SURE, rel=0.01)
    # A comb that is counted per no turn is as doubtful wherever it lies.
    free = lone(diagnose(case(speed=known, combs={RACE: at}, outside_combs=(outside(seen.order, ambiguous=True),))))
    assert free.damage_probability == pytest.approx(0.3 * MOST_SURE)


@pytest.mark.parametrize(("at", "doubted"), [("past", True), ("cage", False)])
def test_only_the_combs_that_show_a_finding_are_asked_for_an_outside_machines_order(
    case: MakeCase, tones: ToneTable, at: str, doubted: bool
) -> None:
    """A cage that is seen past the inner ring, and what stands by chance where it would pass the outer one."""
    past = f"{CAGE}_past_inner"
    combs = {past: comb(past, tones.tone(past).order, SURE, 8.0), CAGE: comb(CAGE, tones.tone(CAGE).order, 1.0, -6.0)}
    other = outside(combs[past if at == "past" else CAGE].order, ambiguous=False, impact_db=9.0)
    finding = lone(diagnose(case(combs=combs, outside_combs=(other,))))
    assert finding.seen_in == [past]
    assert any("outside source" in name for name in finding.cannot_be_told_from) is doubted


RAMP = SpeedEstimate(input_hz=24.37, uncertainty_hz=0.0002, method="signal", drift=0.04)


def kept(tones: ToneTable, evenly: float | None) -> CombEvidence:
    return replace(race(tones), band_hz=LOW_HZ, evenly=evenly)


def test_impacts_that_do_not_follow_the_speed_may_be_those_of_a_machine_that_turns_evenly(
    case: MakeCase, tones: ToneTable
) -> None:
    """Odds of e^3 against one in twenty: even; beyond them a tenth is left, since the speed may be the other's."""
    plain = lone(diagnose(case(combs={RACE: kept(tones, None)}, speed=RAMP)))
    for evenly, share in ((3.0, 1 / (1 + 0.05 * exp(3.0))), (20.0, 0.1), (900.0, 0.1)):
        found = lone(diagnose(case(combs={RACE: kept(tones, evenly)}, speed=RAMP)))
        assert found.damage_probability == pytest.approx(share, rel=0.02)
        assert found.damage_probability < plain.damage_probability
        assert found.other_machine is not None
        assert "turns evenly" in found.other_machine
        assert "changes by 4 %" in found.why
        assert found.advice.startswith("Measure without the machines around")
    for evenly in (0.0, -20.0):
        assert lone(diagnose(case(combs={RACE: kept(tones, evenly)}, speed=RAMP))) == plain


def test_a_comb_that_stands_sharp_is_not_a_machines_whose_speed_takes_another_course(
    case: MakeCase, tones: ToneTable
) -> None:
    """Where it would smear these lines the other machine is no less likely the one that carries the sensor."""
    seen = pin(tones, 0.0)
    sharp = replace(seen, lines=tuple(replace(line, over_floor_db=20.0) for line in seen.lines))
    top = max(line.order for line in sharp.lines)

    def of(apart_turns: float | None) -> float:
        other = replace(similar(1.0), apart_turns=apart_turns)
        return of_pin(diagnose(case(combs={PIN: sharp}, alike=(other,), speed=DETECTED_SPEED))).damage_probability

    assert of(0.9 / top) == of(None)
    assert of(1.1 / top) != of(None)
    found = of_pin(diagnose(case(combs={PIN: sharp}, alike=(replace(similar(1.0), apart_turns=5.0),), speed=RAMP)))
    assert found.other_machine is not None
    assert 0.1 < found.damage_probability < 0.9


def test_a_comb_that_turns_evenly_is_not_surer_this_drives_than_it_was(case: MakeCase, tones: ToneTable) -> None:
    """Pulses and the shaft that carries a race leave it less than the tenth that is left without them."""
    theirs = carried(tones, -2e-3)
    plain = inner(diagnose(case(combs={INNER: theirs}, speed=PULSES)))
    assert plain.damage_probability < 0.1
    evenly = replace(theirs, evenly=20.0)
    assert inner(diagnose(case(combs={INNER: evenly}, speed=PULSES))) == plain
