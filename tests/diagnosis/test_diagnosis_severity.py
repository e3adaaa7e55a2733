"""How bad a damage is: more never means less, and what is small is not severe for standing out."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.diagnosis.diagnosis_values import POINT, MakeCase, comb, level, line, place
from vibe.core.evidence import ImpactRhythm, SpeedEstimate
from vibe.core.health import Finding
from vibe.core.outside_combs import OutsideComb
from vibe.diagnosis.case import Case
from vibe.diagnosis.diagnose import diagnose
from vibe.diagnosis.rules.running_speed_lines import support
from vibe.diagnosis.rules.unexplained_impacts import explained_impacts, single_shocks
from vibe.diagnosis.severity_scale import SeverityScale
from vibe.flow.diagnose.capture_diagnosis import _scale
from vibe.health.state.weak_signs import is_weak

if TYPE_CHECKING:
    from vibe.flow.settings import Settings

RANK = {"slight": 0, "moderate": 1, "severe": 2}
PIN, ECCENTRIC, INPUT = "stage1.ring_pin", "bearing.eccentric bearing.inner_race", "bearing.input bearing.inner_race"


@pytest.fixture
def scale(settings: Settings) -> SeverityScale:
    return _scale(settings.judgement.severity)


def one(
    make: MakeCase, scale: SeverityScale, tone: str, impact_m_s2: float, impact_db: float = 6.0, **more: Any
) -> Finding:
    """The finding of one clear damage whose impacts are so large and stand out so far."""
    order = next(t.order for t in make().tones.tones if t.id == tone)
    where = place(1e-9) if tone == PIN else None
    shown = replace(comb(tone, order, 1e-9, impact_db, score=200.0, where=where), impact_m_s2=impact_m_s2)
    made: Case = make(combs={tone: shown}, scale=scale, **more)
    (finding,) = diagnose(made)
    assert finding.tone == tone
    return finding


@pytest.mark.parametrize("tone", [PIN, ECCENTRIC, INPUT])
def test_doubling_impacts_never_lowers_severity_and_all_three_are_reached(
    case: MakeCase, scale: SeverityScale, tone: str
) -> None:
    # Contrast saturates as impacts fill their band.
    steps = [one(case, scale, tone, 0.03 * 2**n, min(10.0, 1.0 + 2 * n)) for n in range(12)]
    ranks = [RANK[finding.severity] for finding in steps]
    assert ranks == sorted(ranks)
    assert set(ranks) == {0, 1, 2}
    assert all(finding.severity_reason for finding in steps)


@pytest.mark.parametrize("tone", [PIN, ECCENTRIC, INPUT])
def test_the_same_capture_a_twentieth_as_loud_is_less_severe(case: MakeCase, scale: SeverityScale, tone: str) -> None:
    for impact in (2.5, 8.0, 16.0):
        loud, faint = (one(case, scale, tone, impact * factor, 10.0) for factor in (1.0, 0.05))
        assert RANK[faint.severity] < RANK[loud.severity]
        assert faint.probability == loud.probability


def test_the_bearing_that_governs_life_bears_least_and_pins_most(case: MakeCase, scale: SeverityScale) -> None:
    def needed(tone: str) -> float:
        return next(0.05 * 1.1**n for n in range(90) if one(case, scale, tone, 0.05 * 1.1**n).severity == "severe")

    assert needed(ECCENTRIC) < needed(INPUT) < needed(PIN)


def test_a_deep_contrast_alone_is_not_severe(case: MakeCase, scale: SeverityScale) -> None:
    assert one(case, scale, ECCENTRIC, 0.05, 12.0).severity == "slight"
    assert one(case, scale, ECCENTRIC, 20.0, 12.0).severity == "severe"


def test_strong_vibration_at_the_point_makes_the_same_impacts_graver(case: MakeCase, scale: SeverityScale) -> None:
    quiet = one(case, scale, ECCENTRIC, 1.3, levels=(level("velocity_rms", 0.5),))
    shaking = one(case, scale, ECCENTRIC, 1.3, levels=(level("velocity_rms", 8.0),))
    assert (quiet.severity, shaking.severity) == ("moderate", "severe")
    assert "zone D" in (shaking.severity_reason or "")
    assert "zone" not in (quiet.severity_reason or "")


def test_no_impact_is_larger_than_the_largest_sample(case: MakeCase, scale: SeverityScale) -> None:
    capped = one(case, scale, ECCENTRIC, 50.0, levels=(level("acceleration_peak", 0.2),))
    assert capped.severity == one(case, scale, ECCENTRIC, 0.2).severity == "slight"


def test_growth_that_is_known_raises_severity(scale: SeverityScale) -> None:
    assert scale.grade(-20.0) == "slight"
    assert scale.grade(-20.0, 7.0) == "moderate"
    assert scale.grade(-20.0, 21.0) == "severe"
    assert scale.grade(20.0, 0.0) == "severe"


# --- what the discs make themselves --------------------------------------------------------------------------------


def outside(make: MakeCase, defect: str, lines: tuple[Any, ...], **more: Any) -> Finding:
    points = dict.fromkeys(x.channel for x in lines)
    found = diagnose(make(lines=lines, levels=tuple(level("velocity_rms", 6.6, point=p) for p in points), **more))
    return next(finding for finding in found if finding.defect == defect)


def test_a_strong_line_alone_may_be_the_discs_own(case: MakeCase) -> None:
    made = case()
    shaft = made.drive.model_copy(update={"stage": []})
    lone = (line("1x", 6.5),)
    with_discs, without = outside(case, "unbalance", lone), outside(case, "unbalance", lone, drive=shaft)
    assert with_discs.probability < 0.9 < without.probability
    assert "the eccentric discs of the drive itself" in with_discs.cannot_be_told_from
    assert "the eccentric discs of the drive itself" not in without.cannot_be_told_from


def test_two_discs_add_up_at_twice_running_speed_and_three_cancel(case: MakeCase) -> None:
    made = case()
    three = made.drive.model_copy(update={"stage": [made.drive.stage[0].model_copy(update={"discs": 3})]})
    lines = (line("1x", 4.0), line("2x", 5.0))
    two_discs, three_discs = outside(case, "misalignment", lines), outside(case, "misalignment", lines, drive=three)
    assert two_discs.probability < three_discs.probability


@pytest.mark.parametrize(("axial", "fits_unbalance"), [(0.5, True), (2.4, True), (4.6, False), (5.5, False)])
def test_direction_speaks_for_one_cause_and_against_the_other(
    case: MakeCase, axial: float, fits_unbalance: bool
) -> None:
    radial = (line("1x", 6.0),)
    both = (*radial, line("1x", axial, channel="input side axial"))
    alone, stated = (outside(case, "unbalance", lines).probability for lines in (radial, both))
    assert (stated > alone) == fits_unbalance

    bent = (line("1x", 4.0), line("2x", 5.0))
    tilted = (*bent, line("2x", 5 / 6 * axial, channel="input side axial"))
    alone, stated = (outside(case, "misalignment", lines).probability for lines in (bent, tilted))
    assert (stated > alone) == (not fits_unbalance)


@pytest.mark.parametrize(("output", "nearer"), [(2.0, True), (3.3, True), (4.6, False), (5.9, False)])
def test_a_second_point_tells_on_which_side_it_is(case: MakeCase, output: float, nearer: bool) -> None:
    at_input = (line("1x", 6.0, channel="input side radial"),)
    alone = outside(case, "unbalance", at_input).probability
    both = outside(case, "unbalance", (*at_input, line("1x", output, channel="output side radial"))).probability
    assert (both > alone) if nearer else (both == alone)


def test_the_discs_leave_even_odds_where_they_add_up_and_a_probable_cause_where_they_cancel(case: MakeCase) -> None:
    """What is called probable is 0.7 to 0.85; where the direction fits besides it is nine in ten."""
    made = case(lines=(line("1x", 6.0), line("2x", 6.0)))
    adding, cancelling = support(made, "2x", 2, axial_fits=True), support(made, "1x", 1, axial_fits=False)
    assert adding.chance == 1 - adding.chance
    assert 0.7 < cancelling.chance < 0.85
    sideways = case(lines=tuple(line(n, v, channel=c) for n in ("1x", "2x") for c, v in (("a", 6.0), ("axial", 0.5))))
    assert support(sideways, "1x", 1, axial_fits=False).chance == pytest.approx(0.9, abs=0.02)
    # What speaks against a cause takes as much as speaking for it gives.
    against = support(sideways, "2x", 2, axial_fits=True).chance
    assert 0.15 < against < 0.3
    assert support(sideways, "2x", 2, axial_fits=False).chance == pytest.approx(1 - against)


# --- impacts that nothing explains ---------------------------------------------------------------------------------


def impulsive(lasting: float) -> dict[str, Any]:
    values = {"kurtosis": 69.0, "kurtosis_lasting": lasting, "crest_factor": 22.0, "acceleration_peak": 40.0}
    return {"levels": tuple(level(measure, value) for measure, value in values.items())}


def test_strong_impacts_that_nothing_explains_are_a_finding(case: MakeCase) -> None:
    (finding,) = diagnose(case(**impulsive(30.0)))
    assert (finding.tone, finding.component, finding.defect) == (None, "impacts", "unexplained impacts")
    assert "22 times" in finding.why
    # As likely the process as the drive.
    assert finding.probability == 1 - finding.probability
    assert single_shocks(case(**impulsive(30.0))) == []


def rhythm(**more: Any) -> dict[str, Any]:
    return {"rhythms": {POINT: ImpactRhythm(**({"count": 60, "per_second": 6.0, "would_show": True} | more))}}


def test_impacts_that_keep_step_with_nothing_are_a_weak_sign(case: MakeCase, settings: Settings) -> None:
    """A process knocks on one drive in ten, something is loose on 3 in 100, a third of which strikes at random."""
    (finding,) = diagnose(case(**impulsive(30.0), **rhythm()))
    assert finding.probability == pytest.approx(0.01 / 0.11)
    assert is_weak(finding, settings.judgement)
    assert "in step with nothing" in finding.why
    assert "without load" in finding.advice
    # Fewer than would have shown a rate, or too many to follow one another, leave open what they are.
    for unknown in ({"would_show": False}, {"would_show": False, "too_many": True}):
        (finding,) = diagnose(case(**impulsive(30.0), **rhythm(**unknown)))
        assert finding.probability == 1 - finding.probability


def test_impacts_in_step_with_what_the_output_turns_are_not_the_drives(case: MakeCase) -> None:
    """Nineteen per turn of the output: no part of this drive repeats so; eighteen are its ring pins."""
    turn = 1 / 17
    for count, whose in ((19, "19 times per turn of the output shaft"), (18, "")):
        step = rhythm(order=count * turn, order_error=5e-5, in_step=0.98)
        made = case(slow_turns=(turn,), **impulsive(30.0), **step)
        found = diagnose(made)
        assert [finding.component for finding in found] == ([] if whose else ["impacts"])
        remarks = explained_impacts(made, found)
        assert len(remarks) == bool(whose)
        assert all(whose in remark for remark in remarks)
    assert "stage1.lobe" in found[0].cannot_be_told_from
    # Where any order would fit some whole number, the fit says nothing.
    for error, findings in ((0.0009, 0), (0.0011, 1)):
        step = rhythm(order=19 * turn, order_error=error, in_step=0.98)
        assert len(diagnose(case(slow_turns=(turn,), **impulsive(30.0), **step))) == findings
    # Nor does a speed that is assumed.
    assumed = SpeedEstimate(input_hz=24.37, uncertainty_hz=0.3, method="nominal")
    step = rhythm(order=19 * turn, order_error=5e-5, in_step=0.98)
    assert len(diagnose(case(slow_turns=(turn,), speed=assumed, **impulsive(30.0), **step))) == 1


def test_impacts_in_step_with_a_faint_outside_comb_are_its_own(case: MakeCase) -> None:
    faint = OutsideComb(order=0.7131, evidence=comb("outside 0.7131", 0.7131, 1e-9, -3.0), spread=1e-4)
    for order, findings in ((0.7131, 0), (2 * 0.7131, 0), (0.7131 / 3, 0), (5 * 0.7131, 1), (0.72, 1)):
        step = rhythm(order=order, order_error=5e-5, in_step=0.98)
        made = case(outside_combs=(faint,), **impulsive(30.0), **step)
        assert len(diagnose(made)) == findings
        assert len(explained_impacts(made, [])) == 1 - findings


def test_a_clear_outside_comb_explains_only_impacts_in_step_with_it(case: MakeCase) -> None:
    """Or those whose rate is not known. What keeps another rate is as open as without it, what keeps none as weak."""
    clear = OutsideComb(
        order=19 / 17, evidence=comb("outside 1.118", 19 / 17, 1e-9, 9.0), spread=1e-4, per_turn=(19, 1 / 17),
        ambiguous=True,
    )  # fmt: skip
    # Of nineteen unlike teeth one or two may be the strongest.
    for order, findings in ((19 / 17, 0), (38 / 17, 0), (19 / 34, 0), (1 / 17, 0), (2 / 17, 0), (0.72, 1)):
        step = rhythm(order=order, order_error=5e-5, in_step=0.98)
        assert len(diagnose(case(outside_combs=(clear,), **impulsive(30.0), **step))) == findings
    for unknown in ({"would_show": False}, {"would_show": False, "too_many": True}):
        assert diagnose(case(outside_combs=(clear,), **impulsive(30.0), **rhythm(**unknown))) == []
    (sign,) = diagnose(case(outside_combs=(clear,), **impulsive(30.0), **rhythm()))
    assert sign.probability == pytest.approx(0.01 / 0.11)


def test_a_few_single_shocks_accuse_nobody(case: MakeCase) -> None:
    assert diagnose(case(**impulsive(3.1))) == []
    (remark,) = single_shocks(case(**impulsive(3.1)))
    assert "a few single shocks" in remark
    assert single_shocks(case()) == []


def test_impacts_of_a_part_or_of_another_machine_are_explained(case: MakeCase, scale: SeverityScale) -> None:
    order = next(t.order for t in case().tones.tones if t.id == ECCENTRIC)
    shown = comb(ECCENTRIC, order, 1e-9, 8.0, score=200.0)
    found = diagnose(case(combs={ECCENTRIC: shown}, scale=scale, **impulsive(30.0)))
    assert [finding.tone for finding in found] == [ECCENTRIC]
    unmatched = comb("unknown 3.7", 3.7, 1e-9, 8.0, score=200.0)
    other = OutsideComb(order=3.7, evidence=unmatched, spread=1e-4)
    assert diagnose(case(outside_combs=(other,), **impulsive(30.0))) == []
    # A chain explains them where its impacts are clear, not where they are lost in the band's mean power.
    for depth_db, findings in ((7.0, []), (-3.0, ["impacts"])):
        chain = comb("outside 0.5862", 17 / 29, 1e-9, depth_db)
        other = OutsideComb(order=chain.order, evidence=chain, spread=1e-4, per_turn=(17, 1 / 29))
        found = diagnose(case(outside_combs=(other,), **impulsive(30.0)))
        assert [finding.component for finding in found] == findings
