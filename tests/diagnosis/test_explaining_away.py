"""A second damage next to a strong one, and what the strong one merely leaves behind."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log
from statistics import NormalDist

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb, level, line, place
from vibe.core.capture import ChannelQuality, Reason
from vibe.core.evidence import CombLine, Line
from vibe.core.health import Finding
from vibe.core.outside_combs import OutsideComb
from vibe.diagnosis.alternatives.explaining_away import explained_away
from vibe.diagnosis.alternatives.outshone import without_outshone
from vibe.diagnosis.diagnose import diagnose
from vibe.diagnosis.rules.running_speed_lines import fault_probability

OUTER, INNER = "bearing.input bearing.outer_race", "bearing.input bearing.inner_race"
SURE = 1e-8


@pytest.mark.parametrize(("score", "named"), [(300.0, True), (60.0, False)])
def test_a_second_damage_must_be_more_than_what_the_first_leaves_behind(
    case: MakeCase, score: float, named: bool
) -> None:
    strong = comb("stage1.ring_pin", 1.0, SURE, 9.0, score=600.0, where=place(SURE))
    found = diagnose(case(combs={"stage1.ring_pin": strong, OUTER: comb(OUTER, 3.585, SURE, 3.0, score=score)}))
    assert found[0].tone == "stage1.ring_pin"
    assert (OUTER in {finding.tone for finding in found}) is named


@pytest.mark.parametrize(("depth_db", "by_db", "named"), [(-1.0, 6.0, False), (-1.0, 2.0, False), (1.0, 9.0, True)])
def test_faint_impacts_are_no_second_damage_next_to_clear_deeper_ones(
    case: MakeCase, depth_db: float, by_db: float, named: bool
) -> None:
    other = "bearing.eccentric bearing.outer_race"
    clear = comb(other, 4.27, SURE, depth_db + by_db, score=200.0)
    found = diagnose(case(combs={other: clear, OUTER: comb(OUTER, 3.585, SURE, depth_db, score=190.0)}))
    assert other in {finding.tone for finding in found}
    assert ("bearing.input bearing" in {finding.component.removesuffix(".outer_race") for finding in found}) is named


@pytest.mark.parametrize(("share", "kept"), [(0.95, True), (0.8, False)])
def test_faint_impacts_that_only_guess_their_element_are_outshone_by_anything_deeper(
    case: MakeCase, share: float, kept: bool
) -> None:
    deeper = comb("stage1.ring_pin", 1.0, SURE, 1.0, where=place(SURE))
    made = case(combs={"stage1.ring_pin": deeper, OUTER: comb(OUTER, 3.585, SURE, -1.0)})
    pin, race = (
        Finding(
            tone=tone, component=tone, defect="local damage", probability=0.99 * sure, component_probability=0.99,
            false_alarm_probability=SURE, severity="moderate", why="", advice="",
        )
        for tone, sure in (("stage1.ring_pin", 1.0), (OUTER, share))
    )  # fmt: skip
    assert (race in without_outshone(made, [pin, race])) is kept


def test_leftovers_are_reckoned_from_other_parts_only(case: MakeCase) -> None:
    """Elements of one bearing and tones of one order are one part; next to the strongest comb there is
    nothing stronger."""
    shared = comb("stage1.lobe", 1.0588, 1e-6, score=500.0)
    made = case(
        combs={
            "stage1.lobe": shared,
            "stage1.output_pin": shared,
            OUTER: comb(OUTER, 3.585, 1e-6, score=400.0),
            INNER: comb(INNER, 5.415, 1e-6, score=40.0),
        }
    )
    after = {tone: own.false_alarm_probability for tone, own in explained_away(made).combs.items()}
    assert after["stage1.lobe"] == after["stage1.output_pin"] == 1e-6
    assert after[OUTER] == 1e-6
    assert after[INNER] > 0.01
    alone = explained_away(case(combs={OUTER: made.combs[OUTER], INNER: made.combs[INNER]})).combs
    assert alone == {OUTER: made.combs[OUTER], INNER: made.combs[INNER]}


@pytest.mark.parametrize(("ratio", "count"), [(2.0005, 1), (2.0014, 1), (2.003, 2), (2.01, 2), (3.0, 2)])
def test_a_comb_at_twice_the_order_of_another_is_no_second_damage(case: MakeCase, ratio: float, count: int) -> None:
    outer = comb(OUTER, 3.6, SURE, 3.0, score=100.0)
    pin = comb("stage1.ring_pin", ratio * 3.6, SURE, 9.0, score=200.0, where=place(SURE))
    found = diagnose(case(combs={"stage1.ring_pin": pin, OUTER: outer}))
    assert len(found) == count
    named = next(finding for finding in found if finding.tone == OUTER)
    assert ("stage1.ring_pin" in named.cannot_be_told_from) is (count == 1)


@pytest.mark.parametrize(
    ("off", "error", "depth_db", "kept"),
    [(1e-4, 5e-5, 2.0, False), (4e-4, 5e-5, 2.0, True), (1e-4, 5e-3, 2.0, True), (1e-4, 5e-5, -4.0, True)],
    ids=["of its elements", "elsewhere", "not known closely", "deeper than the race"],
)
def test_what_repeats_as_elements_pass_a_damaged_race_is_no_other_bearing_s_damage(
    case: MakeCase, off: float, error: float, depth_db: float, kept: bool
) -> None:
    """Eleven elements pass an eccentric's race at order 4.27: its turn past them is 0.388, nine of which are 3.494.
    Though it was found between that race's impacts."""
    other = "bearing.eccentric bearing.outer_race"
    place = 9 * 4.27 / 11 * (1 + off)
    faint = replace(comb(OUTER, place, SURE, -3.0), place=place, place_error=error, gated=True)
    deep = replace(comb(other, 4.27, SURE, depth_db), place=4.27, place_error=error)
    made = case(combs={OUTER: faint, other: deep})
    race, damaged = (
        Finding(
            tone=tone, component=tone, defect="local damage", probability=0.98, false_alarm_probability=SURE,
            severity="slight", why="", advice="",
        )
        for tone in (OUTER, other)
    )  # fmt: skip
    assert (race in without_outshone(made, [race, damaged])) is kept


CAGE, RACE = "bearing.input bearing.cage", "bearing.eccentric bearing.outer_race"


@pytest.mark.parametrize(
    ("depth_db", "side_db", "count"),
    [(2.0, 3.0, 1), (2.0, 15.0, 2), (8.0, 3.0, 2)],
    ids=["multiple", "own side lines", "deeper than the slower one"],
)
def test_a_race_at_a_multiple_of_another_bearings_cage_is_that_cage(
    case: MakeCase, depth_db: float, side_db: float, count: int
) -> None:
    """Every eleventh line of a cage that strikes lies where a race of another bearing may."""
    cage = comb(CAGE, 0.3885, SURE, 5.0, score=200.0)
    race = comb(RACE, 11 * 0.3885, SURE, depth_db, score=200.0)
    sides = tuple(CombLine(order=race.order + 0.39 * k, over_floor_db=side_db) for k in (-2, -1, 1, 2))
    found = diagnose(case(combs={CAGE: cage, RACE: replace(race, sideband_lines=sides)}))
    assert len([one for one in found if one.component.startswith("bearing")]) == count


def test_an_unmatched_comb_leaves_something_behind_too(case: MakeCase) -> None:
    other = OutsideComb(order=4.4, evidence=comb("unknown", 4.4, SURE, score=500.0), spread=1e-4)
    seen = {OUTER: comb(OUTER, 3.585, SURE, score=40.0)}
    assert explained_away(case(combs=seen)).combs[OUTER].false_alarm_probability == SURE
    made = case(combs=seen, outside_combs=(other,))
    assert explained_away(made).combs[OUTER].false_alarm_probability > 0.01


def mesh(*velocities: float, hz: float = 400.0) -> tuple[Line, ...]:
    return tuple(line(f"stage1.mesh {k}", v, hz=k * hz) for k, v in enumerate(velocities, 1))


@pytest.mark.parametrize(
    ("velocities", "codes", "worn"),
    [((9.0, 4.0, 2.0), (), True), ((9.0, 0.1, 0.1), (), False), ((9.0, 4.0, 2.0), ("loose_mount",), False)],
    ids=["a mesh", "one line alone", "a sensor that rings"],
)
def test_one_line_or_a_loose_sensor_is_no_worn_mesh(
    case: MakeCase, velocities: tuple[float, ...], codes: tuple[str, ...], worn: bool
) -> None:
    lines = mesh(*velocities)
    reasons = tuple(Reason(code=code, text="", remedy="", verdict="limited") for code in codes)
    channel = ChannelQuality(channel=lines[0].channel, verdict="limited" if codes else "usable", reasons=reasons)
    made = case(lines=lines, levels=(level("acceleration_rms", 1e3),), quality=(channel,))
    assert ("stage1.mesh" in {finding.tone for finding in diagnose(made)}) is worn


def test_stronger_lines_are_surer_faults(case: MakeCase) -> None:
    made = case()
    least = made.zone_mm_s[made.settings.lines.level_from_zone]
    chances = [fault_probability(made, "unbalance", factor * least, 0.5) for factor in (0.2, 0.5, 1.0, 2.0, 5.0)]
    assert chances == sorted(chances)
    assert chances[0] < 0.1
    assert 0.5 < chances[2] < 0.8
    assert chances[-1] == pytest.approx(0.91, abs=0.01)
    assert fault_probability(made, "unbalance", 5 * least, 1.0) < 0.98


def test_the_probability_of_a_fault_outside_is_what_its_population_says(case: MakeCase) -> None:
    """Sound machines' lines are log-normal; faulty ones', as likely in one decibel as in the next, reach thirty times
    as high. Counted over a fine grid of both instead of worked out."""
    made = case()
    settings = made.settings.lines
    middle, spread = settings.sound_share_of_zone * made.zone_mm_s[settings.level_from_zone], settings.sound_log_spread
    sound, step = NormalDist(0.0, spread), 1e-3
    for log_over, clearness, clear in ((1.5 * spread, 0.0, 0.85), (2.5 * spread, 1.0, 0.97)):
        fewer = made.priors["unbalance"] * step / log(30.0)
        others = (1 - made.priors["unbalance"]) * (sound.cdf(log_over + step / 2) - sound.cdf(log_over - step / 2))
        stated = fault_probability(made, "unbalance", middle * exp(log_over), clearness)
        assert stated == pytest.approx(clear * fewer / (fewer + others), rel=1e-3)


def test_a_fault_that_nobody_has_a_figure_for_is_as_rare_as_the_rarest_outside_the_drive(case: MakeCase) -> None:
    made = case()
    known = {what: made.priors[what] for what in ("unbalance", "misalignment", "looseness", "electrical")}
    rarest = min(known, key=lambda what: known[what])
    assert fault_probability(made, "soft foot", 2.0, 0.5) == fault_probability(made, rarest, 2.0, 0.5)


@pytest.mark.parametrize(("chance", "named"), [(1e-7, True), (0.1, False)])
def test_what_repeats_between_the_impacts_of_another_part_is_a_second_damage(
    case: MakeCase, chance: float, named: bool
) -> None:
    """Faint next to clear deeper impacts, and no more than they may leave: but between them it is still there."""
    pin = comb("stage1.ring_pin", 1.0, SURE, 9.0, score=600.0, where=place(SURE))
    between = replace(comb(OUTER, 3.585, chance, -1.0, score=60.0), gated=True)
    outer = replace(comb(OUTER, 3.585, SURE, -4.0, score=60.0), after_gating=between)
    made = case(combs={"stage1.ring_pin": pin, OUTER: outer})
    found = diagnose(made)
    assert any(finding.component.startswith("bearing.input") for finding in found) is named
    after = explained_away(made).combs
    assert after["stage1.ring_pin"] == pin
    if named:
        assert after[OUTER].false_alarm_probability == 2 * chance
        assert after[OUTER].hit_over_floor_db == -1.0
