"""Which cause is named for a change, and what it says."""

from __future__ import annotations

from dataclasses import replace

import pytest

from vibe.core.records.level_change import Circumstances, Rise, RisePart, Shift
from vibe.health.alarms.explanation import explain, owner_in_words


def part(owner: str, share: float, rise_db: float = 6.2, sure: float = 0.999) -> RisePart:
    db = share * rise_db
    return RisePart(
        owner=owner, before_db=-10.0, now_db=-4.0, db=db, low_db=db - 0.5, high_db=db + 0.5, share=share, sure=sure
    )


def rise(*parts: RisePart, db: float = 6.2, sure: float = 0.999, alike: float = 0.0, common: float = 3.0) -> Rise:
    return Rise(rise_db=db, low_db=db - 1, high_db=db + 1, sure=sure, parts=parts, common_db=common, alike=alike)


BEARING = part("bearing.eccentric bearing", 5.1 / 6.2)
REST = part("1000-5000 Hz", 1.1 / 6.2)


def test_the_part_is_named_with_its_decibels() -> None:
    stated = explain(rise(BEARING, REST))
    assert [cause.kind for cause in stated.causes] == ["part", "broad band"]
    assert stated.causes[0].sentence == "of the rise of 6.2 dB, 5.1 dB come from the eccentric bearing"
    assert stated.causes[0].strength == pytest.approx(0.823, abs=0.001)


def test_what_is_within_scatter_is_not_explained() -> None:
    stated = explain(rise(BEARING, REST, sure=0.9), Circumstances(troubles=("clipped",)))
    assert [cause.kind for cause in stated.causes] == ["scatter"]
    assert "±1.0 dB" in stated.causes[0].sentence


def test_a_part_that_appears_within_scatter_is_mentioned() -> None:
    new = replace(part("bearing.input bearing", 1.0, rise_db=0.4), before_db=None, share=None)
    stated = explain(rise(new, REST, db=0.4, sure=0.6))
    assert [cause.kind for cause in stated.causes] == ["scatter", "part"]
    assert stated.causes[1].sentence == "the input bearing: +0.4 dB of the level, and nothing before"


def test_a_part_that_is_not_sure_is_not_blamed() -> None:
    stated = explain(rise(part("stage1.mesh", 0.8, sure=0.6), part("shaft", 0.2)))
    assert [cause.owner for cause in stated.causes] == ["shaft"]


def test_load_takes_its_share_from_the_parts() -> None:
    moved = Shift(what="load", moved="from 60 to 90 %", db=5.8, sigma_db=0.4)
    stated = explain(rise(part("stage1.mesh", 0.9)), Circumstances(shifts=(moved,)))
    assert [cause.kind for cause in stated.causes] == ["load", "part"]
    assert stated.causes[0].strength == pytest.approx(5.4 / 6.2)
    assert stated.causes[1].strength < 0.15
    assert "from 60 to 90 %, which makes +5.8 ± 0.4 dB" in stated.causes[0].sentence


def test_a_load_that_works_against_the_change_explains_nothing() -> None:
    moved = Shift(what="load", moved="from 90 to 60 %", db=-3.0, sigma_db=0.3)
    stated = explain(rise(BEARING), Circumstances(shifts=(moved,)))
    assert stated.causes[0].kind == "part"
    assert stated.causes[-1].strength == 0.0
    assert "against the change" in stated.causes[-1].sentence


def test_a_dependence_that_is_not_known_is_said_to_be_so() -> None:
    stated = explain(rise(BEARING), Circumstances(shifts=(Shift(what="speed", moved="from 24 to 25 Hz"),)))
    assert stated.causes[0].kind == "part"
    assert "not known yet" in stated.causes[-1].sentence


@pytest.mark.parametrize(
    ("others", "strength", "words"),
    [({"b": 0.2}, 0.9, "are unchanged"), ({}, 0.5, "no other point"), ({"b": 6.0}, 0.4, "at other points too")],
)
def test_one_factor_for_all_is_a_sensitivity(others: dict[str, float], strength: float, words: str) -> None:
    stated = explain(
        rise(part("1000-5000 Hz", 0.7), part("stage1.mesh", 0.3), alike=0.5, common=6.0),
        Circumstances(other_points=others),
    )
    gain = next(cause for cause in stated.causes if cause.kind == "gain")
    assert gain.strength == strength
    assert words in gain.sentence


def test_owners_that_differ_are_no_sensitivity() -> None:
    assert all(cause.kind != "gain" for cause in explain(rise(BEARING, REST, alike=0.001, common=6.0)).causes)


def test_below_ten_hertz_is_the_sensor() -> None:
    stated = explain(rise(part("below 10 Hz", 0.95), part("shaft", 0.05)))
    assert stated.causes[0].kind == "sensor"
    assert "below 10 Hz" in stated.causes[0].sentence


def test_troubles_of_the_chain_come_before_parts() -> None:
    stated = explain(rise(BEARING), Circumstances(troubles=("the signal is clipped",)))
    assert [cause.kind for cause in stated.causes] == ["sensor", "part"]
    assert stated.causes[0].sentence == "the signal is clipped"


def test_sisters_share_a_cause_or_do_not() -> None:
    together = explain(rise(part("electrical", 1.0)), Circumstances(sisters={"D-2": 5.5, "D-3": 6.0, "D-4": 5.8}))
    alone = explain(rise(part("electrical", 1.0)), Circumstances(sisters={"D-2": 0.1, "D-3": -0.2, "D-4": 0.4}))
    assert {cause.kind: round(cause.strength, 2) for cause in together.causes} == {"electrical": 1.0, "sisters": 0.94}
    assert {cause.kind: cause.strength for cause in alone.causes}["sisters"] == 0.0
    assert any("0 of 3 drives of the same kind" in cause.sentence for cause in alone.causes)


@pytest.mark.parametrize(("share", "named"), [(0.08, False), (0.12, True)])
def test_a_part_is_worth_a_sentence_from_a_tenth_of_a_change_on(share: float, named: bool) -> None:
    stated = explain(rise(part("stage1.mesh", 0.7), part("shaft", share)))
    assert any(cause.owner == "shaft" for cause in stated.causes) is named
    low = explain(rise(part("stage1.mesh", 0.7), part("below 10 Hz", share)))
    assert any(cause.kind == "sensor" for cause in low.causes) is named


@pytest.mark.parametrize(("sure", "named"), [(0.93, False), (0.97, True)])
def test_what_scatter_makes_once_in_twenty_is_no_change(sure: float, named: bool) -> None:
    stated = explain(rise(BEARING, REST, sure=sure))
    assert (stated.causes[0].kind == "part") is named


@pytest.mark.parametrize(("db", "said"), [(0.07, False), (0.15, True)])
def test_a_part_that_appears_is_news_from_two_per_cent_of_the_level_on(db: float, said: bool) -> None:
    """0.1 dB are 2.3 % of power."""
    new = replace(part("bearing.input bearing", 1.0, rise_db=db), before_db=None, share=None)
    assert (len(explain(rise(new, REST, db=0.4, sure=0.6)).causes) == 2) is said


def test_a_trouble_of_the_chain_most_often_explains_the_change_and_leaves_a_part_the_rest() -> None:
    sensor, bearing = explain(rise(part("stage1.mesh", 1.0)), Circumstances(troubles=("clipped",))).causes
    assert 0.5 < sensor.strength < 0.9
    assert bearing.strength == pytest.approx(1 - sensor.strength)


@pytest.mark.parametrize(("common_db", "stated"), [(0.8, False), (1.2, True)])
def test_a_common_factor_within_the_calibration_of_two_instruments_is_none(common_db: float, stated: bool) -> None:
    """Two of 5 % each: 7 %, 0.6 dB, and their difference up to 10 %, 0.9 dB."""
    changed = rise(part("1000-5000 Hz", 0.7), part("stage1.mesh", 0.3), db=2.0, alike=0.5, common=common_db)
    assert any(cause.kind == "gain" for cause in explain(changed).causes) is stated


@pytest.mark.parametrize(("alike", "stated"), [(0.04, False), (0.06, True)])
def test_owners_changed_by_one_factor_unless_chance_makes_their_differences_less_than_once_in_twenty(
    alike: float, stated: bool
) -> None:
    changed = rise(part("1000-5000 Hz", 0.7), part("stage1.mesh", 0.3), alike=alike, common=6.0)
    assert any(cause.kind == "gain" for cause in explain(changed).causes) is stated


@pytest.mark.parametrize(("share", "still"), [(0.2, True), (0.3, False), (-0.2, True), (-0.3, False)])
def test_other_points_stand_still_within_a_quarter_of_the_change(share: float, still: bool) -> None:
    changed = rise(part("1000-5000 Hz", 0.7), part("stage1.mesh", 0.3), alike=0.5, common=6.0)
    stated = explain(changed, Circumstances(other_points={"b": share * 6.2}))
    assert any("other points are unchanged" in cause.sentence for cause in stated.causes) is still


@pytest.mark.parametrize(("sisters", "shared"), [(1, False), (2, True), (3, True)])
def test_one_drive_more_may_have_changed_by_chance(sisters: int, shared: bool) -> None:
    known = Circumstances(sisters={f"D-{k}": 5.8 for k in range(2, 2 + sisters)})
    (cause,) = (one for one in explain(rise(part("electrical", 1.0)), known).causes if one.kind == "sisters")
    assert (cause.strength > 0) is shared


def test_a_fall_is_called_one() -> None:
    stated = explain(rise(part("shaft", 0.9, rise_db=-4.0), db=-4.0))
    assert stated.causes[0].sentence.startswith("of the fall of 4.0 dB, 3.6 dB are missing from")


@pytest.mark.parametrize(
    ("owner", "words"),
    [
        ("stage2.ring_pin", "the ring pins of stage 2"),
        ("stage1.lobe or stage1.output_pin", "the lobes of stage 1 or the output pins of stage 1"),
        ("bearing.input", "the input bearing"),
        ("stage1.mesh", "the mesh of lobes and ring pins of stage 1"),
    ],
)
def test_owners_in_words(owner: str, words: str) -> None:
    assert owner_in_words(owner) == words
