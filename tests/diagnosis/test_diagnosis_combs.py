"""Rules that read combs: bearings, and local damage on pins, lobes and teeth. Each has its healthy twin."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb, place
from vibe.core.evidence import STANDS_DB, CombEvidence, CombLine, Level
from vibe.core.health import Finding
from vibe.core.outside_combs import OutsideComb
from vibe.core.tones import ToneTable
from vibe.diagnosis.case import Case, tones_at
from vibe.diagnosis.diagnose import diagnose

if TYPE_CHECKING:
    from vibe.flow.settings import Settings

BEARING = "bearing.input bearing"
NOTHING = 0.4
SURE = 1e-8
ORDERS = {"outer_race": 3.585, "inner_race": 5.415, "rolling_element": 2.357, "cage": 0.398}


def of_bearing(**parts: CombEvidence) -> dict[str, CombEvidence]:
    """Combs of the input bearing; parts not named show nothing."""
    silent = {part: comb(f"{BEARING}.{part}", order, NOTHING, -9.0) for part, order in ORDERS.items()}
    return {f"{BEARING}.{part}": one for part, one in (silent | parts).items()}


def part_comb(
    part: str, chance: float, impact_db: float, *, score: float = 50.0, level_db: float | None = None
) -> CombEvidence:
    return comb(f"{BEARING}.{part}", ORDERS[part], chance, impact_db, score=score, level_db=level_db)


def lone(findings: list[Finding]) -> Finding:
    assert len(findings) == 1
    return findings[0]


@pytest.mark.parametrize("part", ["outer_race", "inner_race", "rolling_element"])
def test_a_sure_and_strong_comb_is_the_damage_of_its_part(case: MakeCase, part: str) -> None:
    finding = lone(diagnose(case(combs=of_bearing(**{part: part_comb(part, SURE, 4.0)}))))
    assert finding.tone == f"{BEARING}.{part}"
    assert finding.component.startswith(BEARING)
    assert part.replace("_", " ") in finding.defect + finding.component.replace("_", " ")
    assert finding.false_alarm_probability == SURE
    assert finding.probability > 0.9
    assert finding.evidence
    assert finding.why
    assert finding.advice


def test_nothing_in_any_comb_is_no_finding(case: MakeCase) -> None:
    assert diagnose(case(combs=of_bearing())) == []


@pytest.mark.parametrize("part", ["outer_race", "inner_race", "rolling_element"])
def test_the_thresholds_of_bearings_stand_where_the_settings_say(case: MakeCase, part: str) -> None:
    whole: Case = case(combs=of_bearing())
    alarm, settings = whole.tone_alarm, whole.settings.comb
    clear = settings.clear_hit_over_floor_db
    high = settings.hit_line_over_floor_db
    for chance, impact_db, level_db, tones in (
        (0.99 * alarm, clear + 0.1, high - 0.5, [f"{BEARING}.{part}"]),
        # Lines that noise makes as well, all alike low, are no comb of a bearing's.
        (0.99 * alarm, clear + 0.1, high - 5.5, []),
        (1.01 * alarm, clear + 20.0, high + 5.0, []),
        (SURE, settings.faintest_sure_bearing_hit_over_floor_db - 0.1, high + 20.0, []),
    ):
        combs = of_bearing(**{part: part_comb(part, chance, impact_db, level_db=level_db)})
        assert [finding.tone for finding in diagnose(case(combs=combs))] == tones
    # Faint impacts must be surer, unless their comb is long.
    stricter = alarm / settings.inferred_stricter_by
    for chance, found in ((0.9 * stricter, True), (1.1 * stricter, False)):
        faint = part_comb(part, chance, clear - 0.1, level_db=high + 0.1)
        assert bool(diagnose(case(combs=of_bearing(**{part: faint})))) is found


@pytest.mark.parametrize(("stand", "of", "named"), [(4, 8, True), (3, 8, False), (3, 6, False), (7, 16, False)])
def test_lines_that_hardly_stand_are_a_combs_where_its_side_lines_do(
    case: MakeCase, stand: int, of: int, named: bool
) -> None:
    seen = part_comb("inner_race", SURE, -4.0)
    lines = tuple(CombLine(order=k * seen.order, over_floor_db=level) for k, level in enumerate((10, 4.5, 3, 5), 1))
    sides = tuple(CombLine(order=1.0 + k, over_floor_db=6.5 if k < stand else 5.5) for k in range(of))
    combs = of_bearing(inner_race=replace(seen, lines=lines, sideband_lines=sides))
    assert bool(diagnose(case(combs=combs))) is named


@pytest.mark.parametrize(("below_db", "times"), [(0.0, 1.0), (1.0, 10.0), (2.5, 316.0)])
def test_impacts_fainter_than_sound_bearings_make_must_be_ten_times_as_sure_for_each_decibel(
    case: MakeCase, below_db: float, times: float
) -> None:
    rules: Case = case(combs=of_bearing())
    settings = rules.settings.comb
    chance = rules.tone_alarm / settings.inferred_stricter_by / times
    for share, found in ((0.9, True), (1.1, False)):
        depth_db = settings.faintest_bearing_hit_over_floor_db - below_db
        faint = part_comb("outer_race", share * chance, depth_db, level_db=9.5)
        assert bool(diagnose(case(combs=of_bearing(outer_race=faint)))) is found


def test_what_is_so_faint_is_believed_only_where_no_other_bearing_shows(case: MakeCase) -> None:
    faint = part_comb("outer_race", SURE, -7.0)
    deeper = comb("bearing.eccentric bearing.outer_race", 4.1, SURE, -5.0)
    alone = lone(diagnose(case(combs=of_bearing(outer_race=faint))))
    assert alone.component == BEARING
    # And half as surely as what is deeper.
    deep = lone(diagnose(case(combs=of_bearing(outer_race=part_comb("outer_race", SURE, -5.9)))))
    assert 0.45 < alone.damage_probability < 0.5 < 0.95 < deep.damage_probability
    assert "A sound bearing may repeat as faintly" in alone.why
    both = diagnose(case(combs={**of_bearing(outer_race=faint), deeper.tone: deeper}))
    assert lone(both).component == "bearing.eccentric bearing"
    lasting = cage_comb(SURE, -4.0, [8.0, 7.5, 9.0, 7.5, 8.0, 7.0])
    assert lone(diagnose(case(combs=of_bearing(cage=lasting)))).component.startswith(BEARING)
    both = diagnose(case(combs={**of_bearing(cage=lasting), deeper.tone: deeper}))
    assert lone(both).component == "bearing.eccentric bearing"


def test_a_faint_race_hides_neither_a_deeper_one_nor_a_cage_that_strikes(case: MakeCase) -> None:
    faint = part_comb("outer_race", SURE, -7.0, score=90.0)
    finding = lone(diagnose(case(combs=of_bearing(outer_race=faint, inner_race=part_comb("inner_race", SURE, 2.0)))))
    assert finding.tone == f"{BEARING}.inner_race"
    finding = lone(diagnose(case(combs=of_bearing(outer_race=faint, cage=cage_comb(SURE, 3.0, EVEN)))))
    assert finding.tone == f"{BEARING}.cage"


@pytest.mark.parametrize(
    ("levels_db", "named"),
    [
        # Hardly one line stands by itself, all but the highest do together; that one may be anybody's.
        ([12.0, 8.0, 6.0, 7.0, 7.0], True),
        ([8.5, 8.0, 8.0, 6.0, 5.0], True),
        ([13.0, 8.0, 4.0, 3.0, 4.0], False),
        ([13.0, 8.0, 4.0, 4.0, 4.5], True),
        ([12.0, 8.0, 3.0], False),
        ([12.0, 8.0, 3.5], True),
        # One that stands six decibels above the next is a line alone.
        ([22.0, 8.5, 4.0], False),
        ([14.5, 8.0, 7.0, 7.0, 7.0], False),
        ([6.0, 6.0, 5.0, 4.0, 4.0, 5.0, 4.0, 4.0], False),
        ([6.0, 6.0, 5.0, 4.0, 4.0, 5.0, 4.0, 5.5], True),
        ([12.0, 8.0, -90.0, -90.0, -90.0], False),
    ],
)
def test_lines_that_stand_together_need_not_stand_one_by_one(
    case: MakeCase, levels_db: list[float], named: bool
) -> None:
    seen = part_comb("outer_race", SURE, -4.0)
    lines = tuple(CombLine(order=k * seen.order, over_floor_db=level) for k, level in enumerate(levels_db, 1))
    assert bool(diagnose(case(combs=of_bearing(outer_race=replace(seen, lines=lines))))) is named


@pytest.mark.parametrize(
    ("levels_db", "named"),
    [
        ([20.0, 15.0, 12.0, 10.0, 9.5], True),
        ([20.0, 3.0, 14.0, 2.0, 12.0, 3.0], True),
        # Two lines say that only every second one stands where those between are known and far lower: no impact leaves
        # its first line out.
        ([4.0, 18.0, 5.0, 11.0, 0.0, 7.0], False),
        ([6.0, 14.0, 6.0, 13.0, 2.0, 3.0], True),
        ([-90.0, 20.0, 3.0, 18.0, 2.0, 3.0], True),
        ([2.0, 20.0, -90.0, 18.0, 2.0, 3.0], True),
        # Every second line alone: something twice as fast makes them; one alone may be anybody's.
        ([2.0, 20.0, 3.0, 18.0, 2.0, 15.0, 1.0, 14.0], False),
        ([2.0, 3.0, 27.0, 3.0, 3.0, 5.0], False),
        # So do the third and the sixth, whatever stands above them; but not where lines between are there as well.
        ([4.5, -0.5, 17.5, 2.2, 4.0, 17.7, 2.3, 9.1], False),
        ([-90.0, -0.5, 17.5, 2.2, 4.0, 17.7, 2.3, 9.1], True),
        ([9.1, 9.1, 17.5, 9.1, 9.1, 17.7, 2.3, 9.1], True),
        # All stand, every second one far higher: two unequal strikes in each repeat. Elements meet a race all alike.
        ([13.0, 26.0, 13.0, 25.0, 10.0, 22.0, 11.0, 21.0], False),
        ([17.0, 20.0, 15.0, 19.0, 12.0, 17.0, 14.0, 16.0], True),
        ([13.0, 26.0, 13.0, 25.0, 12.0], True),
        ([26.0, 13.0, 25.0, 13.0, 22.0, 10.0], True),
    ],
)
def test_a_race_is_not_named_by_lines_that_something_faster_makes(
    case: MakeCase, levels_db: list[float], named: bool
) -> None:
    seen = part_comb("outer_race", SURE, 3.0)
    lines = tuple(CombLine(order=k * seen.order, over_floor_db=level) for k, level in enumerate(levels_db, 1))
    assert bool(diagnose(case(combs=of_bearing(outer_race=replace(seen, lines=lines))))) is named


def test_an_element_that_strikes_twice_in_a_spin_may_do_so_unequally(case: MakeCase) -> None:
    for part, named in (("rolling_element", True), ("outer_race", False)):
        seen = part_comb(part, SURE, 3.0)
        levels_db = [13.0, 26.0, 13.0, 25.0, 10.0, 22.0, 11.0, 21.0]
        lines = tuple(CombLine(order=k * seen.order, over_floor_db=level) for k, level in enumerate(levels_db, 1))
        assert bool(diagnose(case(combs=of_bearing(**{part: replace(seen, lines=lines)})))) is named


@pytest.mark.parametrize(
    ("levels_db", "part", "named"),
    [
        # Only the fourth is high, and one other stands at all: a single line of somebody's.
        ([3.0, 7.0, 9.5, 18.0, 5.0, 7.0], "outer_race", False),
        ([3.0, 7.0, 9.5, 18.0, 5.0, 7.0], "rolling_element", False),
        # The first line of impacts may be as high, and so may the second of an element's spin.
        ([18.0, 7.0, 9.5, 5.0, 5.0, 7.0], "outer_race", True),
        ([7.0, 18.0, 9.5, 5.0, 5.0, 7.0], "rolling_element", True),
        ([7.0, 18.0, 9.5, 5.0, 5.0, 7.0], "inner_race", False),
        # Where two more stand somebody's line came on top.
        ([9.5, 7.0, 9.5, 18.0, 5.0, 7.0], "outer_race", True),
        ([3.0, 7.0, 9.5, 15.0, 5.0, 7.0], "outer_race", True),
        ([-90.0, -90.0, -90.0, 18.0, 9.5, 7.0], "outer_race", True),
    ],
)
def test_one_line_that_towers_over_all_others_is_no_comb(
    case: MakeCase, levels_db: list[float], part: str, named: bool
) -> None:
    seen = part_comb(part, SURE, 3.0)
    lines = tuple(CombLine(order=k * seen.order, over_floor_db=level) for k, level in enumerate(levels_db, 1))
    assert bool(diagnose(case(combs=of_bearing(**{part: replace(seen, lines=lines)})))) is named


@pytest.mark.parametrize(
    "levels_db", [[4.0, 16.0, 5.0, 9.5, 4.0, 10.0], [13.0, 26.0, 13.0, 25.0, 10.0, 22.0, 11.0, 21.0]]
)
def test_an_elements_strikes_are_all_alike(case: MakeCase, levels_db: list[float]) -> None:
    """Lines that count its spins may be of two unequal strikes; of those that count its strikes none is left out."""
    for times, named in ((1, True), (2, False)):
        seen = part_comb("rolling_element", SURE, 3.0)
        lines = tuple(
            CombLine(order=k * times * seen.order, over_floor_db=level) for k, level in enumerate(levels_db, 1)
        )
        assert bool(diagnose(case(combs=of_bearing(rolling_element=replace(seen, lines=lines))))) is named


def test_what_strikes_as_a_cage_passes_anything_but_its_load_is_the_cage(case: MakeCase, tones: ToneTable) -> None:
    """An element that differs is felt where it bears. This bearing's load rests on the outer ring."""
    named = {}
    for past in ("cage", "cage_past_inner"):
        tone = tones.tone(f"{BEARING}.{past}")
        seen = comb(tone.id, tone.order * (1 + sum(tone.slip) / 2), SURE, 4.0)
        (found,) = diagnose(case(combs={tone.id: seen}))
        named[past] = found.tone
    assert named == {"cage": f"{BEARING}.rolling_element", "cage_past_inner": f"{BEARING}.cage"}


def test_the_fainter_the_impacts_of_a_race_the_less_sure_is_its_element(case: MakeCase) -> None:
    deep_to_faint = [
        lone(diagnose(case(combs=of_bearing(outer_race=part_comb("outer_race", SURE, depth)))))
        for depth in (6.0, 3.0, 1.0, 0.0, -1.0)
    ]
    stated = [finding.probability for finding in deep_to_faint]
    assert stated == sorted(stated, reverse=True)
    assert stated[0] > 0.97 > 0.9 > stated[-1] > 0.5
    # That the bearing is damaged is as sure in all of them; only which element it is, is not.
    (surest,) = {round(finding.damage_probability, 6) for finding in deep_to_faint}
    assert surest > 0.97
    assert deep_to_faint[0].tone == f"{BEARING}.outer_race"


def test_impacts_too_faint_to_tell_name_the_bearing_and_what_in_it_is_possible(case: MakeCase) -> None:
    finding = lone(diagnose(case(combs=of_bearing(outer_race=part_comb("outer_race", SURE, -5.5)))))
    assert (finding.tone, finding.component, finding.defect) == (None, BEARING, "local damage")
    assert finding.probability == finding.component_probability
    assert finding.probability > 0.97
    assert {f"{BEARING}.{part}" for part in ("outer_race", "inner_race", "rolling_element")} <= set(
        finding.cannot_be_told_from
    )
    assert finding.seen_in == [f"{BEARING}.outer_race"]
    assert "most likely its " in finding.why
    assert "outer race (" in finding.why


def test_clear_impacts_just_beyond_a_races_slip_are_that_races(case: MakeCase, tones: ToneTable) -> None:
    whole: Case = case(combs=of_bearing())
    plain = replace(whole, drive=whole.drive.model_copy(update={"stage": []}))
    order, settings = tones.tone(f"{BEARING}.outer_race").order, whole.settings.comb
    for off, impact_db, chance, count in (
        (-0.9 * settings.far_slip, 3.0, SURE, 1),
        (-1.1 * settings.far_slip, 3.0, SURE, 0),
        (-0.9 * settings.far_slip, settings.clear_hit_over_floor_db - 0.1, SURE, 0),
        (-0.9 * settings.far_slip, 3.0, 0.5 * whole.tone_alarm, 0),
    ):
        unmatched = comb("unknown", order * (1 + off), chance, impact_db)
        other = OutsideComb(order=unmatched.order, evidence=unmatched, spread=1e-4)
        findings = diagnose(replace(plain, outside_combs=(other,)))
        assert [finding.tone for finding in findings] == [f"{BEARING}.outer_race"] * count, off
        for finding in findings:
            assert 0.5 < finding.damage_probability < 0.7
            name = f"an outside source at {order * (1 + off):.4f} orders"
            assert name in finding.cannot_be_told_from
            assert finding.outside_causes == [name]
        # What is a whole number per turn of a shaft that turns other machines is theirs.
        assert diagnose(replace(plain, outside_combs=(replace(other, per_turn=(7, unmatched.order / 7)),))) == []
        # What a drive with stages turns comes near some race more often than a race is so far off.
        assert diagnose(replace(whole, outside_combs=(other,))) == []


def test_a_comb_of_others_next_to_deeper_ones_of_the_bearing_is_not_its_outer_race(
    case: MakeCase, tones: ToneTable
) -> None:
    order = tones.tone(f"{BEARING}.outer_race").order * 1.04
    for depth_db, named in ((5.0, "inner_race"), (1.0, "outer_race")):
        unmatched = comb("unknown", order, SURE, 3.0)
        whole = case(
            combs=of_bearing(inner_race=part_comb("inner_race", SURE, depth_db)),
            outside_combs=(OutsideComb(order=order, evidence=unmatched, spread=1e-4),),
        )
        plain = replace(whole, drive=whole.drive.model_copy(update={"stage": []}))
        assert diagnose(plain)[0].tone == f"{BEARING}.{named}"


def test_a_weaker_chance_is_a_smaller_probability(case: MakeCase) -> None:
    alarm = case(combs=of_bearing()).tone_alarm
    probabilities = [
        lone(diagnose(case(combs=of_bearing(outer_race=part_comb("outer_race", chance, 4.0))))).probability
        for chance in (0.9 * alarm, alarm / 10, alarm / 1000)
    ]
    assert probabilities == sorted(probabilities)
    assert probabilities[0] < 0.9 < probabilities[-1]


def test_of_two_strong_races_the_surer_speaks_and_only_it(case: MakeCase) -> None:
    both = of_bearing(
        outer_race=part_comb("outer_race", SURE, 9.0, score=90), inner_race=part_comb("inner_race", SURE, 2.5, score=40)
    )
    assert lone(diagnose(case(combs=both))).tone == f"{BEARING}.outer_race"


def test_two_races_alike_and_weak_are_probably_the_rolling_elements(case: MakeCase) -> None:
    alike = of_bearing(outer_race=part_comb("outer_race", SURE, -1.0), inner_race=part_comb("inner_race", 1e-6, -2.0))
    finding = lone(diagnose(case(combs=alike)))
    assert finding.tone == f"{BEARING}.rolling_element"
    assert 0.5 < finding.probability < 0.9 < finding.damage_probability
    # That the bearing shows is as sure as the surer of the two; the races stay possible.
    assert finding.false_alarm_probability == SURE
    assert f"{BEARING}.outer_race" in finding.cannot_be_told_from
    # The twin: the same outer race without the inner one's comb, and with the outer one deep.
    alone = of_bearing(outer_race=part_comb("outer_race", SURE, -1.0))
    assert lone(diagnose(case(combs=alone))).tone == f"{BEARING}.outer_race"
    deep = of_bearing(outer_race=part_comb("outer_race", SURE, 4.0), inner_race=part_comb("inner_race", 1e-6, -2.0))
    assert lone(diagnose(case(combs=deep))).tone == f"{BEARING}.outer_race"


def test_an_element_that_has_no_tone_is_named_in_words_only(case: MakeCase, tones: ToneTable) -> None:
    """A table of orders may leave the rolling elements out."""
    alike = of_bearing(outer_race=part_comb("outer_race", SURE, -0.5), inner_race=part_comb("inner_race", SURE, -1.0))
    del alike[f"{BEARING}.rolling_element"]
    without = replace(tones, tones=tuple(t for t in tones.tones if t.id != f"{BEARING}.rolling_element"))
    finding = lone(diagnose(case(combs=alike, tones=without)))
    assert (finding.tone, finding.component) == (None, BEARING)
    assert "rolling elements" in finding.why
    assert finding.probability > 0.97
    assert f"{BEARING}.rolling_element" not in finding.cannot_be_told_from


def test_a_cage_deeper_than_a_faint_inner_race_makes_the_rolling_elements_likelier(case: MakeCase) -> None:
    present, shares = case(combs=of_bearing()).settings.element.present, []
    for cage_db, cage_chance in ((2.0, 0.9 * present), (-1.0, 0.9 * present), (2.0, 1.1 * present)):
        cage = part_comb("cage", cage_chance, cage_db, level_db=9.0)
        combs = of_bearing(inner_race=part_comb("inner_race", SURE, -2.0), cage=cage)
        (item,) = [e for e in lone(diagnose(case(combs=combs))).evidence if e.kind == "element"]
        shares.append(int(item.text.partition("rolling elements ")[2].partition(" %")[0]))
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > shares[1] > shares[2]


def cage_comb(chance: float, impact_db: float, levels_db: list[float], *, score: float = 50.0) -> CombEvidence:
    lines = tuple(CombLine(order=k * ORDERS["cage"], over_floor_db=level) for k, level in enumerate(levels_db, 1))
    return replace(part_comb("cage", chance, impact_db, score=score), lines=lines)


EVEN = [19.0, 18.0, 20.0, 17.0, 19.0, 18.0, 16.0, 17.0]
"""Lines of strikes, alike to the last."""
FALLING = [21.0, 19.0, 14.0, 6.0, 3.0]
"""Lines of an element that passes the load."""


def test_a_cage_must_be_much_surer_and_alone(case: MakeCase, settings: Settings) -> None:
    alarm = case(combs=of_bearing()).tone_alarm
    stricter = alarm / settings.diagnosis.comb.inferred_stricter_by
    for levels, part in ((FALLING, "rolling_element"), (EVEN, "cage")):
        assert diagnose(case(combs=of_bearing(cage=cage_comb(1.1 * stricter, 5.0, levels)))) == []
        finding = lone(diagnose(case(combs=of_bearing(cage=cage_comb(0.9 * stricter, 5.0, levels)))))
        assert finding.tone == f"{BEARING}.{part}"
    assert f"{BEARING}.rolling_element" in finding.cannot_be_told_from or finding.probability > 0.8
    next_to = of_bearing(cage=cage_comb(SURE, 5.0, FALLING, score=99), inner_race=part_comb("inner_race", SURE, 5.0))
    assert lone(diagnose(case(combs=next_to))).tone == f"{BEARING}.inner_race"


@pytest.mark.parametrize(("frame", "struck"), [("cage_past_inner", "the inner ring"), ("cage", "the outer ring")])
def test_a_cage_is_one_part_whatever_it_strikes(case: MakeCase, tones: ToneTable, frame: str, struck: str) -> None:
    order = tones.tone(f"{BEARING}.{frame}").order
    # Even lines: the cage itself strikes.
    seen = replace(cage_comb(SURE, 5.0, EVEN), tone=f"{BEARING}.{frame}", order=1.004 * order)
    finding = lone(diagnose(case(combs=of_bearing() | {f"{BEARING}.{frame}": seen})))
    assert (finding.tone, finding.component) == (f"{BEARING}.cage", f"{BEARING}.cage")
    assert finding.seen_in == [f"{BEARING}.{frame}"]
    assert f"as the cage passes {struck}" in finding.why
    assert "+0.4 %" in finding.why
    assert finding.tone not in finding.cannot_be_told_from
    assert not any("past" in name for name in finding.cannot_be_told_from)
    # The healthy twin: the same comb, no surer than chance.
    chance = replace(seen, false_alarm_probability=NOTHING)
    assert diagnose(case(combs=of_bearing() | {f"{BEARING}.{frame}": chance})) == []


@pytest.mark.parametrize(("share", "tone"), [(0.5, None), (2.0, f"{BEARING}.cage")])
def test_a_cage_seen_past_two_bodies_may_carry_an_element_that_differs(
    case: MakeCase, tones: ToneTable, settings: Settings, share: float, tone: str | None
) -> None:
    """A cage strikes one place of one body; what it carries passes them all."""
    cage = replace(cage_comb(SURE, 5.0, EVEN), score=99.0)
    name = f"{BEARING}.cage_past_inner"
    past = comb(name, tones.tone(name).order, NOTHING, -1.0, score=30.0)
    combs = of_bearing(cage=cage)
    stricter = case(combs=combs | {name: past}).tone_alarm / settings.diagnosis.comb.inferred_stricter_by
    past = replace(past, false_alarm_probability=share * stricter)
    finding = lone(diagnose(case(combs=combs | {name: past})))
    assert finding.tone == tone
    assert f"{BEARING}.rolling_element" in finding.cannot_be_told_from
    assert (f"{BEARING}.cage" in finding.cannot_be_told_from) == (tone is None)


def test_other_parts_are_distinguished_from_a_cage_once_though_it_has_several_orders(
    case: MakeCase, tones: ToneTable
) -> None:
    near = tones.tone("bearing.eccentric bearing.cage_past_load").order
    found = tones_at(case(), near, leave_out="stage1.lobe")
    assert found.count("bearing.eccentric bearing.cage") == 1
    assert not any("past" in name for name in found)
    assert tones_at(case(), near, leave_out="bearing.eccentric bearing.cage") == [
        name for name in found if name != "bearing.eccentric bearing.cage"
    ]


@pytest.mark.parametrize(("levels_db", "part"), [(EVEN, "cage"), (FALLING, "rolling_element")])
def test_the_turn_of_a_cage_is_its_own_where_its_lines_are_even_and_an_elements_where_they_fall_off(
    case: MakeCase, levels_db: list[float], part: str
) -> None:
    finding = lone(diagnose(case(combs=of_bearing(cage=cage_comb(SURE, 3.0, levels_db)))))
    assert finding.tone == f"{BEARING}.{part}"
    (share,) = [item.value for item in finding.evidence if item.kind == "element"]
    assert share is not None
    assert 0.6 < share < 0.95
    # The shift is that of the cage's turn, whichever of the two it is.
    assert re.search(r"0\.398, [+-]0\.\d % from where the geometry", finding.why)


@pytest.mark.parametrize(("further_db", "part"), [([18.0, 19.0, 17.0], "cage"), ([9.0, 4.0, 3.0], "rolling_element")])
def test_whose_a_cages_turn_is_says_the_whole_family_of_its_lines_not_the_few_that_show_it_best(
    case: MakeCase, further_db: list[float], part: str
) -> None:
    """Three strong lines are there for strikes and for an element that passes its load; the further ones differ."""
    few = cage_comb(SURE, 3.0, [20.0, 18.0, 19.0])
    numbers = enumerate(further_db, 4)
    seen = replace(few, further=tuple(CombLine(order=k * ORDERS["cage"], over_floor_db=db) for k, db in numbers))
    assert lone(diagnose(case(combs=of_bearing(cage=seen)))).tone == f"{BEARING}.{part}"


@pytest.mark.parametrize(
    ("levels_db", "found"),
    [
        ([12.0] * 6, True), ([14.0, 13.0, 12.0, 8.0, 4.0, 3.0], False),
        # Lower ones, where most of either half stand; a line that others hide changes nothing.
        ([8.0, 7.5, 9.0, 7.5, 8.0, 7.0], True), ([2.0, 8.0, 9.0, 8.0, 1.0, 8.0], True),
        ([9.0, 9.0, 9.0, 9.0, 6.5, 6.0], False), ([6.5, 6.5, 5.0, 8.0, 8.0, 8.0], True),
        ([5.5, 6.5, 5.0, 8.0, 8.0, 8.0], False), ([9.0, 8.0, 9.0, 8.0], False),
    ],
)  # fmt: skip
def test_faint_strikes_of_a_cage_are_believed_where_their_lines_are_even(
    case: MakeCase, levels_db: list[float], found: bool
) -> None:
    """Fainter than the mean of their band, and too few to be a long comb."""
    assert bool(diagnose(case(combs=of_bearing(cage=cage_comb(SURE, -1.0, levels_db))))) is found


@pytest.mark.parametrize(("between", "tone"), [(0.3, f"{BEARING}.cage"), (1e-6, None)])
def test_what_a_cages_strikes_leave_past_another_body_is_no_second_sight_of_it(
    case: MakeCase, tones: ToneTable, between: float, tone: str | None
) -> None:
    name = f"{BEARING}.cage_past_inner"
    past = comb(name, tones.tone(name).order, SURE, -1.0, score=30.0)
    past = replace(past, after_gating=replace(past, false_alarm_probability=between, gated=True))
    cage = replace(cage_comb(SURE, 5.0, EVEN), score=99.0)
    assert lone(diagnose(case(combs=of_bearing(cage=cage) | {name: past}))).tone == tone


@pytest.mark.parametrize(("side_db", "likelier"), [(14.0, True), (20.0, False), (3.0, False)])
def test_side_lines_at_the_cages_spacing_speak_for_an_element_unless_they_are_as_strong_as_its_own(
    case: MakeCase, side_db: float, likelier: bool
) -> None:
    bare = part_comb("rolling_element", SURE, 0.5, level_db=20.0)
    carried = replace(bare, sideband_lines=tuple(CombLine(order=2.0 + k, over_floor_db=side_db) for k in range(8)))
    without, next_to = (
        lone(diagnose(case(combs=of_bearing(rolling_element=comb)))).probability for comb in (bare, carried)
    )
    assert (next_to > without + 0.05) is likelier
    # Predicted side lines of a strong comb of which none stands speak for blades of another machine.
    assert (next_to < 0.8 * without) is (side_db < STANDS_DB)


@pytest.mark.parametrize(("between", "part"), [(0.3, "cage"), (1e-6, "rolling_element")])
def test_a_cage_that_strikes_leaves_combs_at_its_elements_order_that_are_gone_between_its_impacts(
    case: MakeCase, between: float, part: str
) -> None:
    element = part_comb("rolling_element", SURE, 1.0, score=50.0)
    element = replace(element, after_gating=replace(element, false_alarm_probability=between, gated=True))
    # Lines that fall off from twenty decibels where the element's own stand between the cage's impacts, else even ones.
    lines = EVEN if part == "cage" else FALLING
    combs = of_bearing(cage=cage_comb(SURE, 5.0, lines, score=200.0), rolling_element=element)
    assert lone(diagnose(case(combs=combs))).tone == f"{BEARING}.{part}"


def test_two_bearings_have_a_finding_each(case: MakeCase, tones: ToneTable) -> None:
    tone = "bearing.eccentric bearing.outer_race"
    combs = of_bearing(outer_race=part_comb("outer_race", SURE, 4.0))
    combs[tone] = comb(tone, tones.tone(tone).order * 0.995, SURE, 8.0)
    findings = diagnose(case(combs=combs))
    assert [f.tone for f in findings] == [tone, f"{BEARING}.outer_race"]
    assert [f.severity for f in findings] == ["severe", "moderate"]


# --- fluting -------------------------------------------------------------------------------------------------------

SMOOTH = (30.0, 21.0, 8.0, 4.0, 3.0)
RINGING = (30.0, 28.0, 25.0, 22.0, 20.0)


@pytest.mark.parametrize("part", ["outer_race", "inner_race"])
@pytest.mark.parametrize(
    ("levels_db", "kurtosis", "impact_db", "band_hz", "fluted"),
    [
        (SMOOTH, 3.1, 3.0, (2000.0, 2700.0), True),
        (RINGING, 3.1, 3.0, (2000.0, 2700.0), False),
        # A short comb of impacts that slip smears: its second harmonic still stands.
        ((30.0, 25.0, 9.0, 6.0, 4.0), 3.1, 3.0, (2000.0, 2700.0), False),
        (SMOOTH, 6.0, 3.0, (2000.0, 2700.0), False),
        # The third to fifth harmonic tell, by their mean: not the second, which is judged by itself, nor any beyond.
        ((30.0, 21.0, 25.0, 25.0, 0.0), 3.1, 3.0, (2000.0, 2700.0), False),
        ((30.0, 22.0, 15.0, 15.0, 15.0), 3.1, 3.0, (2000.0, 2700.0), True),
        ((30.0, 21.0, 15.0, 15.0, 15.0, 22.0, 22.0, 22.0), 3.1, 3.0, (2000.0, 2700.0), True),
        # A first line that hardly stands does not tell, nor does a band that passes no third harmonic.
        ((19.0, 9.0, 2.0, 3.0, 2.0), 3.1, 3.0, (2000.0, 2700.0), False),
        (SMOOTH, 3.1, 3.0, (2000.0, 2200.0), False),
    ],
)
def test_an_even_swell_without_impacts_is_fluting_and_all_else_local_damage(
    case: MakeCase, part: str, levels_db: tuple[float, ...], kurtosis: float, impact_db: float,
    band_hz: tuple[float, float], fluted: bool,
) -> None:  # fmt: skip
    lines = tuple(CombLine(order=k * ORDERS[part], over_floor_db=level) for k, level in enumerate(levels_db, 1))
    one = replace(part_comb(part, SURE, impact_db), lines=lines, band_hz=band_hz)
    typical = Level(point=one.channels[0], measure="kurtosis_typical", value=kurtosis, unit="")
    finding = lone(diagnose(case(combs=of_bearing(**{part: one}), levels=(typical,))))
    assert finding.tone == f"{BEARING}.{part}"
    assert finding.defect == ("electrical erosion (fluting)" if fluted else "local damage")
    assert ("ridges" in finding.advice) is fluted


# --- pins and lobes ------------------------------------------------------------------------------------------------


def lobe_and_pin(chance: float, impact_db: float, where: object) -> dict[str, CombEvidence]:
    """Lobe and output pin share an order and therefore one comb."""
    one = comb("stage1.lobe", 18 / 17, chance, impact_db, where=where)  # type: ignore[arg-type]
    return {"stage1.lobe": one, "stage1.output_pin": one}


def test_a_comb_with_one_place_on_its_body_is_a_lobe_that_might_be_an_output_pin(case: MakeCase) -> None:
    finding = lone(diagnose(case(combs=lobe_and_pin(SURE, 2.0, place(1e-6, peaks_deg=(118.0,))))))
    assert (finding.tone, finding.component, finding.defect) == ("stage1.lobe", "stage1.lobe", "local damage")
    assert "stage1.output_pin" in finding.cannot_be_told_from
    assert "118°" in finding.why
    # The chance that both tests err is no smaller than that of the weaker.
    assert finding.false_alarm_probability == 1e-6


def test_two_places_at_the_discs_spacing_speak_for_the_output_pin(case: MakeCase) -> None:
    twice = place(1e-6, peaks_deg=(118.0, 298.0), share=(1.0, 0.8))
    finding = lone(diagnose(case(combs=lobe_and_pin(SURE, 2.0, twice))))
    assert finding.tone == "stage1.output_pin"
    assert "stage1.lobe" not in finding.cannot_be_told_from
    faint = place(1e-6, peaks_deg=(118.0, 298.0), share=(1.0, 0.05))
    assert lone(diagnose(case(combs=lobe_and_pin(SURE, 2.0, faint)))).tone == "stage1.lobe"


@pytest.mark.parametrize(
    ("share", "off_deg", "pin"),
    [(0.2, 0.0, True), (0.1, 0.0, False), (0.8, 13.0, True), (0.8, -13.0, True), (0.8, 17.0, False)],
)
def test_the_second_place_must_stand_at_the_spacing_and_be_no_echo(
    case: MakeCase, share: float, off_deg: float, pin: bool
) -> None:
    twice = place(1e-6, peaks_deg=(118.0, 298.0 + off_deg), share=(1.0, share))
    finding = lone(diagnose(case(combs=lobe_and_pin(SURE, 2.0, twice))))
    assert finding.tone == ("stage1.output_pin" if pin else "stage1.lobe")


def test_a_damaged_ring_pin_is_reported_although_it_speaks_at_running_speed(case: MakeCase) -> None:
    one = comb("stage1.ring_pin", 1.0, SURE, 1.0, where=place(1e-7, peaks_deg=(80.0,)))
    finding = lone(diagnose(case(combs={"stage1.ring_pin": one})))
    assert (finding.tone, finding.component) == ("stage1.ring_pin", "stage1.ring_pin")


def test_pitch_errors_repeat_too_but_have_no_place(case: MakeCase) -> None:
    """The healthy twin: a comb as sure and as strong, spread round the turn."""
    assert diagnose(case(combs=lobe_and_pin(SURE, 5.0, place(0.3, peaks_deg=())))) == []


def test_a_place_without_a_comb_is_chance(case: MakeCase) -> None:
    assert diagnose(case(combs=lobe_and_pin(0.2, 5.0, place(1e-6)))) == []


def test_the_thresholds_of_local_damage_stand_where_the_settings_say(case: MakeCase, settings: Settings) -> None:
    alarm = case(combs=lobe_and_pin(SURE, 0.0, None)).tone_alarm
    least = settings.diagnosis.comb.faintest_hit_over_floor_db
    for chance, where, impact_db, count in (
        (0.99 * alarm, 0.99 * alarm, least + 0.1, 1),
        (1.01 * alarm, SURE, least + 20, 0),
        (SURE, 1.01 * alarm, least + 20, 0),
        (SURE, SURE, least - 0.1, 0),
    ):
        assert len(diagnose(case(combs=lobe_and_pin(chance, impact_db, place(where))))) == count
    # Where no turn could be laid, a plain strong comb must do.
    strong = settings.diagnosis.comb.clear_hit_over_floor_db
    assert len(diagnose(case(combs=lobe_and_pin(SURE, strong + 0.1, None)))) == 1
    assert diagnose(case(combs=lobe_and_pin(SURE, strong - 0.1, None))) == []


@pytest.mark.parametrize(("impact_db", "severity"), [(-5.0, "slight"), (2.0, "moderate"), (9.0, "severe")])
def test_stronger_impacts_are_graver(case: MakeCase, impact_db: float, severity: str) -> None:
    assert lone(diagnose(case(combs=lobe_and_pin(SURE, impact_db, place(SURE))))).severity == severity


def test_tones_that_this_drive_cannot_part_are_named_once_each(case: MakeCase) -> None:
    finding = lone(diagnose(case(combs=lobe_and_pin(SURE, 2.0, place(SURE)))))
    assert len(finding.cannot_be_told_from) == len(set(finding.cannot_be_told_from))
    assert finding.tone not in finding.cannot_be_told_from


@pytest.mark.parametrize(("width_deg", "said"), [(20.0, ""), (45.0, ", give or take 1;"), (110.0, ", give or take 2;")])
def test_a_broad_place_leaves_open_which_pin_it_is(case: MakeCase, width_deg: float, said: str) -> None:
    """Its middle is trusted to two fifths of its width either side: of 18 pins, 20 degrees apart."""
    broad = replace(place(SURE), width_deg=width_deg)
    finding = lone(diagnose(case(combs={"stage1.ring_pin": comb("stage1.ring_pin", 1.0, SURE, 6.0, where=broad)})))
    assert "of 18" in finding.why
    assert ("give or take" in finding.why) is bool(said)
    assert said.rstrip(";") in finding.why


@pytest.mark.parametrize(
    ("off", "ambiguous", "part"), [(0.012, True, "inner_race"), (0.0, True, "cage"), (0.012, False, "cage")]
)
def test_what_strikes_at_a_turn_that_the_cage_cannot_have_is_not_this_bearings(
    case: MakeCase, tones: ToneTable, off: float, ambiguous: bool, part: str
) -> None:
    """Nine elements pass a spot of the inner race in one turn of the cage past it, so that this race gives the turn of
    the cage past the outer ring, whatever slips: one of the input's less a ninth of the race."""
    race = 1.003 * tones.tone(f"{BEARING}.inner_race").order
    turn = (1 - race / 9) * (1 - off)
    inner = replace(part_comb("inner_race", SURE, 1.0), order=race, place=race, place_error=1e-5)
    cage = replace(cage_comb(SURE, 4.0, EVEN, score=99.0), order=turn, place=turn, place_error=5e-5)
    other = OutsideComb(
        order=turn,
        evidence=replace(cage, tone="outside 0.39"),
        spread=1e-3,
        per_turn=(11, turn / 11),
        ambiguous=ambiguous,
    )
    finding = lone(diagnose(case(combs=of_bearing(inner_race=inner, cage=cage), outside_combs=(other,))))
    assert finding.seen_in[0] == f"{BEARING}.{part}"
    assert (finding.tone == f"{BEARING}.inner_race") == (part == "inner_race")
    if part == "inner_race":
        # The race is this bearing's own word, and none of the other source's.
        assert finding.probability > 0.9
        assert not any("outside source" in one for one in finding.cannot_be_told_from)
