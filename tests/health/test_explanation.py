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
    told = explain(rise(BEARING, REST))
    assert [cause.kind for cause in told.causes] == ["part", "broad band"]
    assert told.causes[0].sentence == "of the rise of 6.2 dB, 5.1 dB come from the eccentric bearing"
    assert told.causes[0].strength == pytest.approx(0.823, abs=0.001)


def test_what_is_within_scatter_is_not_explained() -> None:
    told = explain(rise(BEARING, REST, sure=0.9), Circumstances(troubles=("clipped",)))
    assert [cause.kind for cause in told.causes] == ["scatter"]
    assert "±1.0 dB" in told.causes[0].sentence


def test_a_part_that_appears_within_scatter_is_mentioned() -> None:
    new = replace(part("bearing.input bearing", 1.0, rise_db=0.4), before_db=None, share=None)
    told = explain(rise(new, REST, db=0.4, sure=0.6))
    assert [cause.kind for cause in told.causes] == ["scatter", "part"]
    assert told.causes[1].sentence == "the input bearing: +0.4 dB of the level, and nothing before"


def test_a_part_that_is_not_sure_is_not_blamed() -> None:
    told = explain(rise(part("stage1.mesh", 0.8, sure=0.6), part("shaft", 0.2)))
    assert [cause.owner for cause in told.causes] == ["shaft"]


def test_load_takes_its_share_from_the_parts() -> None:
    moved = Shift(what="load", moved="from 60 to 90 %", db=5.8, sigma_db=0.4)
    told = explain(rise(part("stage1.mesh", 0.9)), Circumstances(shifts=(moved,)))
    assert [cause.kind for cause in told.causes] == ["load", "part"]
    assert told.causes[0].strength == pytest.approx(5.4 / 6.2)
    assert told.causes[1].strength < 0.15
    assert "from 60 to 90 %, which makes +5.8 ± 0.4 dB" in told.causes[0].sentence


def test_a_load_that_works_against_the_change_explains_nothing() -> None:
    moved = Shift(what="load", moved="from 90 to 60 %", db=-3.0, sigma_db=0.3)
    told = explain(rise(BEARING), Circumstances(shifts=(moved,)))
    assert told.causes[0].kind == "part"
    assert told.causes[-1].strength == 0.0
    assert "against the change" in told.causes[-1].sentence


def test_a_dependence_that_is_not_known_is_said_to_be_so() -> None:
    told = explain(rise(BEARING), Circumstances(shifts=(Shift(what="speed", moved="from 24 to 25 Hz"),)))
    assert told.causes[0].kind == "part"
    assert "not known yet" in told.causes[-1].sentence


@pytest.mark.parametrize(
    ("others", "strength", "words"),
    [({"b": 0.2}, 0.9, "are unchanged"), ({}, 0.5, "no other point"), ({"b": 6.0}, 0.4, "at other points too")],
)
def test_one_factor_for_all_is_a_sensitivity(others: dict[str, float], strength: float, words: str) -> None:
    told = explain(
        rise(part("1000-5000 Hz", 0.7), part("stage1.mesh", 0.3), alike=0.5, common=6.0),
        Circumstances(other_points=others),
    )
    gain = next(cause for cause in told.causes if cause.kind == "gain")
    assert gain.strength == strength
    assert words in gain.sentence


def test_owners_that_differ_are_no_sensitivity() -> None:
    assert all(cause.kind != "gain" for cause in explain(rise(BEARING, REST, alike=0.001, common=6.0)).causes)


def test_below_ten_hertz_is_the_sensor() -> None:
    told = explain(rise(part("below 10 Hz", 0.95), part("shaft", 0.05)))
    assert told.causes[0].kind == "sensor"
    assert "below 10 Hz" in told.causes[0].sentence


def test_troubles_of_the_chain_come_before_parts() -> None:
    told = explain(rise(BEARING), Circumstances(troubles=("the signal is clipped",)))
    assert [cause.kind for cause in told.causes] == ["sensor", "part"]
    assert told.causes[0].sentence == "the signal is clipped"


def test_sisters_share_a_cause_or_do_not() -> None:
    together = explain(rise(part("electrical", 1.0)), Circumstances(sisters={"D-2": 5.5, "D-3": 6.0, "D-4": 5.8}))
    alone = explain(rise(part("electrical", 1.0)), Circumstances(sisters={"D-2": 0.1, "D-3": -0.2, "D-4": 0.4}))
    assert {cause.kind: round(cause.strength, 2) for cause in together.causes} == {"electrical": 1.0, "sisters": 0.94}
    assert {cause.kind: cause.strength for cause in alone.causes}["sisters"] == 0.0
    assert any("0 of 3 drives of the same kind" in cause.sentence for cause in alone.causes)


def test_a_fall_is_called_one() -> None:
    told = explain(rise(part("shaft", 0.9, rise_db=-4.0), db=-4.0))
    assert told.causes[0].sentence.startswith("of the fall of 4.0 dB, 3.6 dB are missing from")


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
