"""What makes a growth of a comb against the drive's own past sure, or none."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from tests.diagnosis.diagnosis_values import POINT, MakeCase, comb
from vibe.core.comb_history import Growth, TraceBand
from vibe.core.health import Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.diagnose import diagnose
from vibe.diagnosis.growth import grown_chance

RACE, LOBE = "bearing.input bearing.outer_race", "stage1.lobe"
ORDERS = {RACE: 3.585, LOBE: 18 / 17}
ALARM = 0.01
"""False-alarm probability that the only tone of these cases is allowed."""
SURE = 1e-9


def growth(tone: str, **more: Any) -> Growth:
    """A growth that all looks agree upon, but for what is given."""
    known: dict[str, Any] = {
        "tone": tone, "growth_db": 9.0, "scatter_db": 1.0, "common_db": 0.0, "captures": 8, "chance": SURE,
        "there": SURE, "surprise": SURE, "band": TraceBand(channels=(POINT,), low_hz=2000.0, high_hz=2700.0),
    }  # fmt: skip
    return Growth(**(known | more))


def chance(case: MakeCase, tone: str, *, own: float = SURE, resolution: float = 0.005, **more: Any) -> float | None:
    """False-alarm probability of the growth of the only comb of a capture; None where it did not surely grow."""
    seen = comb(tone, ORDERS[tone], own)
    made = case(combs={tone: seen}, growths={tone: growth(tone, **more)}, false_alarm_rate=ALARM, resolution=resolution)
    return grown_chance(made, seen)


def test_three_looks_cost_three_times_the_chance_of_the_smallest_and_the_capture_itself_as_much(case: MakeCase) -> None:
    """Bonferroni: the chance that the smallest of three is p or less is 3 p at most; half of the drive's false alarms
    are left to what its capture shows by itself."""
    assert chance(case, LOBE, surprise=0.001, chance=0.004) == pytest.approx(6 * 0.001)
    assert chance(case, LOBE, surprise=0.02, chance=0.0015) == pytest.approx(6 * 0.0015)
    assert chance(case, LOBE, surprise=0.02, chance=0.0018) is None


def test_a_growth_of_a_part_that_seldom_repeats_when_sound_is_the_surer(case: MakeCase) -> None:
    """Of ten sound bearings at most one shows a comb that may grow by chance; pitch errors of a lobe always do."""
    few = {RACE: ORDERS[RACE] / 20.0, LOBE: ORDERS[LOBE] / 20.0}
    for raised, bearing in ((0.015, True), (0.018, False)):
        assert (chance(case, RACE, chance=raised, resolution=few[RACE]) is not None) is bearing
        assert chance(case, LOBE, chance=raised, resolution=few[LOBE]) is None


def test_lines_that_rose_are_noise_or_one_part_in_ten_that_repeats(case: MakeCase) -> None:
    """A sound race shows by chance of noise (its comb's), or, one in ten, because it repeats and is at its highest."""
    assert chance(case, RACE, own=1e-4, surprise=0.04, chance=0.01) == pytest.approx(6 * (1e-4 + 0.1 * 0.01))
    assert chance(case, LOBE, own=1e-4, surprise=0.04, chance=0.01) is None


def test_scores_that_sound_parts_reach_are_no_surer_because_the_comb_is(case: MakeCase) -> None:
    """A comb that scores high is no chance among decoys either: that says nothing besides."""
    for own in (1e-2, 1e-9):
        assert chance(case, RACE, own=own, surprise=0.001, chance=0.4) == pytest.approx(6 * 0.001)
        assert chance(case, RACE, own=own, surprise=0.002, chance=0.4) is None


def test_a_comb_that_scores_as_in_the_past_has_not_grown_however_its_lines_stand(case: MakeCase) -> None:
    assert chance(case, RACE, surprise=0.04) is not None
    assert chance(case, RACE, surprise=0.06) is None


@pytest.mark.parametrize(("repeats", "by_lines_alone"), [(20.0, True), (30.0, False)])
def test_scores_of_few_repeats_are_not_compared(case: MakeCase, repeats: float, by_lines_alone: bool) -> None:
    found = chance(case, RACE, surprise=0.9, resolution=ORDERS[RACE] / repeats)
    assert (found is not None) is by_lines_alone


def test_lines_that_stand_as_in_half_of_all_sound_captures_speak_against_a_growth(case: MakeCase) -> None:
    for stands, grown in ((0.4, True), (0.6, False)):
        assert (chance(case, RACE, surprise=1e-4, chance=stands, there=stands) is not None) is grown
    # It is enough that they rose in one of the two: in the band of the comb, or in any.
    assert chance(case, RACE, surprise=1e-4, chance=0.6, there=0.4) is not None


def test_a_comb_that_is_no_more_than_chance_in_this_capture_has_not_grown(case: MakeCase) -> None:
    plausible = case().settings.past.plausible
    assert chance(case, RACE, own=0.9 * plausible) is not None
    assert chance(case, RACE, own=1.1 * plausible) is None


@pytest.mark.parametrize(("common_db", "said"), [(0.0, False), (2.5, False), (-2.5, False), (3.5, True), (-3.5, True)])
def test_a_change_of_all_combs_by_half_as_much_again_is_said(case: MakeCase, common_db: float, said: bool) -> None:
    seen = comb(RACE, ORDERS[RACE], SURE, 6.0)
    (finding,) = diagnose(case(combs={RACE: seen}, growths={RACE: growth(RACE, common_db=common_db)}))
    assert ("All combs changed" in finding.why) is said
    assert finding.growth_db == 9.0


def test_what_was_always_there_is_said_to_be_so(case: MakeCase) -> None:
    seen = comb(RACE, ORDERS[RACE], SURE, 6.0)
    for raised, words in ((0.04, "it may have grown"), (0.06, "has not grown")):
        past = growth(RACE, chance=raised, there=raised, surprise=0.3)
        (finding,) = diagnose(case(combs={RACE: seen}, growths={RACE: past}))
        assert words in finding.why
        assert finding.growth_db is None


def test_of_two_parts_only_the_one_that_grew_most_surely_is_reported_by_growth_alone(case: MakeCase) -> None:
    """Damage raises lines at other tones' places too."""
    faint, fainter = comb(RACE, ORDERS[RACE], 0.05, -9.0), comb(LOBE, ORDERS[LOBE], 0.05, -9.0)
    growths = {RACE: growth(RACE), LOBE: growth(LOBE, surprise=1e-4)}
    made = case(combs={RACE: faint, LOBE: fainter}, growths=growths, false_alarm_rate=ALARM)
    assert grown_chance(made, faint) is not None
    assert grown_chance(made, fainter) is None
    sure = replace(fainter, false_alarm_probability=SURE)
    assert grown_chance(replace(made, combs={RACE: faint, LOBE: sure}), sure) is not None


def seen_in_quiet(case: MakeCase, quiet: float, chance_there: float, **more: Any) -> list[Finding]:
    """What is found of a race that the plain look shows no more than chance of."""
    faint = comb(RACE, ORDERS[RACE], 0.9, -9.0)
    there = replace(faint, false_alarm_probability=chance_there, order=ORDERS[RACE] * 0.995)
    past = growth(RACE, surprise=0.9, chance=1.0, there=1.0, quiet=quiet)
    made = case(
        combs={RACE: faint}, quiet_combs={RACE: there}, growths={RACE: past}, false_alarm_rate=ALARM, **more
    )  # fmt: skip
    return diagnose(made)


def test_what_grew_where_the_noise_is_quiet_is_found_though_the_plain_look_shows_nothing(case: MakeCase) -> None:
    (finding,) = seen_in_quiet(case, 0.0015, 0.05)
    assert finding.component == "bearing.input bearing"
    assert finding.false_alarm_probability == pytest.approx(6 * 0.0015)
    assert finding.growth_db is None, "by how much is not known"
    assert "Where the noise is quiet" in finding.why
    assert "3.5671" in finding.why, "the order at which the quiet places show it"


@pytest.mark.parametrize(("quiet", "there"), [(0.0018, 0.05), (0.9, 0.05), (1e-5, 0.11)])
def test_what_is_no_growth_or_no_comb_there_is_not_found(case: MakeCase, quiet: float, there: float) -> None:
    assert seen_in_quiet(case, quiet, there) == []


def test_scores_of_few_repeats_are_not_compared_there_either(case: MakeCase) -> None:
    assert seen_in_quiet(case, 1e-6, 0.01, resolution=ORDERS[RACE] / 30.0)
    assert seen_in_quiet(case, 1e-6, 0.01, resolution=ORDERS[RACE] / 20.0) == []


def test_two_looks_at_the_scores_need_no_lines_of_one_band(case: MakeCase) -> None:
    as_before = {"surprise": 0.001, "chance": 0.6, "there": 0.6}
    assert chance(case, LOBE, quiet=0.04, **as_before) == pytest.approx(6 * 0.001)
    assert chance(case, LOBE, quiet=0.06, **as_before) is None


def test_what_a_stronger_comb_leaves_in_the_quiet_places_has_not_grown(case: MakeCase) -> None:
    """A score below the thirtieth part of another part's is what is left of its lines."""
    faint, loud = comb(RACE, ORDERS[RACE], 0.9, -9.0), comb(LOBE, ORDERS[LOBE], 0.9, -9.0)
    past = growth(RACE, surprise=0.9, chance=1.0, there=1.0, quiet=1e-6)
    for score, grown in ((20.0, True), (2_000.0, False)):
        made = case(
            combs={RACE: faint, LOBE: replace(loud, score=score)},
            quiet_combs={RACE: replace(faint, false_alarm_probability=1e-4, score=20.0)},
            growths={RACE: past}, false_alarm_rate=ALARM,
        )  # fmt: skip
        assert bool(diagnose(made)) is grown


@pytest.mark.parametrize(("machine", "count"), [(0.06, 1), (0.04, 0)])
def test_what_another_machine_explains_nearly_for_sure_is_no_growth_of_this_drive(
    case: MakeCase, monkeypatch: pytest.MonkeyPatch, machine: float, count: int
) -> None:
    """What is new around a drive is new to its past as well; ``machine``: what is left to the drive."""
    module = importlib.import_module("vibe.diagnosis.diagnose")

    def doubted(_: Case, findings: Sequence[Finding]) -> list[Finding]:
        return [f.model_copy(update={"probability": machine, "component_probability": None}) for f in findings]

    monkeypatch.setattr(module, "doubted_by_outside", doubted)
    faint = comb(RACE, ORDERS[RACE], 0.05, -9.0)
    assert len(diagnose(case(combs={RACE: faint}, growths={RACE: growth(RACE)}))) == count
    # What its own capture shows stays, however it is doubted.
    clear = comb(RACE, ORDERS[RACE], SURE, 6.0)
    assert len(diagnose(case(combs={RACE: clear}, growths={RACE: growth(RACE)}))) == 1


def test_pitch_errors_are_not_sought_in_the_quiet_places(case: MakeCase) -> None:
    """They show there in one sound capture more than in the next."""
    faint = comb(LOBE, ORDERS[LOBE], 0.9, -9.0)
    past = growth(LOBE, surprise=0.9, chance=1.0, there=1.0, quiet=1e-6)
    there = {LOBE: replace(faint, false_alarm_probability=1e-4)}
    assert diagnose(case(combs={LOBE: faint}, quiet_combs=there, growths={LOBE: past}, false_alarm_rate=ALARM)) == []
