"""What combs of others are called, and which tones of the drive they hide."""

from __future__ import annotations

from typing import Any

import pytest

from vibe.core.evidence import CombEvidence
from vibe.core.outside_combs import DeclaredNeighbour, DeclaredSource, OutsideComb, Surroundings
from vibe.core.tones import BodySpeed, Tone, ToneTable
from vibe.diagnosis.alternatives.outside_sources import Outside, hides, outside_sources, whole_per_turn

HZ = 24.2
OUTPUT = 1 / 29
REACH = 0.004
"""Half the width of a line, in orders."""


def tone(name: str, order: float, *, family: Any = "outer race", slip: tuple[float, float] = (-0.02, 0.01)) -> Tone:
    return Tone(
        id=name, component=name, defect="local damage", family=family, order=order, order_exact=None, damage=True,
        made_by="", source="", slip=slip,
    )  # fmt: skip


def table(*tones: Tone) -> ToneTable:
    from fractions import Fraction

    bodies = (
        BodySpeed(body="housing", order=Fraction(0), what=""),
        BodySpeed(body="input", order=Fraction(1), what=""),
        BodySpeed(body="stage1.disc", order=Fraction(-1, 29), what=""),
        BodySpeed(body="stage1.output", order=Fraction(-1, 29), what=""),
    )
    return ToneTable(
        drive="T", bodies=bodies, tones=tones, coincidences=(), phasing=(), ratio=Fraction(-29), output="stage1.output"
    )


def comb(order: float, strength_db: float = 6.0, *, lines: int = 24, **more: Any) -> OutsideComb:
    evidence = CombEvidence(
        tone=f"unmatched {order:.4f}", order=order, score=200.0, false_alarm_probability=1e-9, places_searched=1,
        decoys=300, lines=(), sideband_lines=(), band_hz=(1000.0, 4000.0), channels=("output side radial",),
        hit_m_s2=1.0, hit_over_floor_db=strength_db, limit_m_s2=None,
    )  # fmt: skip
    taken = tuple((k * order - REACH, k * order + REACH) for k in range(1, lines + 1))
    return OutsideComb(order=order, evidence=evidence, spread=2e-4, taken=taken, **more)


def stated(*combs: OutsideComb, around: Surroundings | None = None, tones: tuple[Tone, ...] = ()) -> Outside:
    around = around or Surroundings(slow_turns=(OUTPUT,))
    return outside_sources(combs, table(*tones), around, input_hz=HZ)


def test_an_undeclared_one_is_counted_per_output_turn() -> None:
    (row,) = stated(comb(19 * OUTPUT)).sources
    assert (row.name, row.declared, row.per_turn, row.of) == ("outside source", False, 19, "stage1.output")
    assert row.text.startswith("An outside source at 0.6552 orders, 15.9 Hz: 19 per output turn; ")
    assert row.hz == pytest.approx(19 * OUTPUT * HZ, rel=1e-5)


def test_one_that_fits_no_whole_number_is_reported_without() -> None:
    (row,) = stated(comb(19.4 * OUTPUT)).sources
    assert (row.per_turn, row.of) == (None, None)
    assert "per output turn" not in row.text


def test_many_per_turn_are_no_count() -> None:
    """Near any order lies a large whole number of slow turns."""
    assert whole_per_turn(100 * OUTPUT, (OUTPUT,), 1e-3) is None
    assert whole_per_turn(19.01 * OUTPUT, (OUTPUT,), 1e-4) is None
    assert whole_per_turn(19.01 * OUTPUT, (OUTPUT,), 1e-3) == (19, OUTPUT)


def test_what_was_declared_gives_its_name() -> None:
    chain = DeclaredSource(name="driven.rake chain.sprocket_teeth", order=19 * OUTPUT, turn_order=OUTPUT)
    around = Surroundings(sources=(chain,), slow_turns=(OUTPUT,))
    (row,) = stated(comb(19.002 * OUTPUT), around=around).sources
    assert (row.name, row.declared, row.per_turn) == ("rake chain, sprocket teeth", True, 19)
    assert row.text.startswith("Rake chain, sprocket teeth at 0.6552 orders")
    (other,) = stated(comb(18 * OUTPUT), around=around).sources
    assert not other.declared


def test_a_neighbour_is_tried_at_every_speed_of_its_own() -> None:
    pump = DeclaredNeighbour(name="feed pump", range_hz=(48.0, 49.3), per_turn=(1.0, 6.0))
    around = Surroundings(neighbours=(pump,), slow_turns=())
    (row,) = stated(comb(6 * 48.7 / HZ), around=around).sources
    assert (row.name, row.of, row.per_turn, row.declared) == ("feed pump", "feed pump", 6, True)
    assert "turn at 2922 r/min" in row.text
    (other,) = stated(comb(5 * 48.7 / HZ), around=around).sources
    assert not other.declared


def test_damage_of_a_neighbour_that_is_described_is_its_own() -> None:
    twin = DeclaredNeighbour(
        name="press 2", range_hz=(23.5, 25.0), per_turn=(1.0,), damage=(("bearing.b.outer_race", 5.37),)
    )
    (row,) = stated(comb(5.37 * 24.0 / HZ), around=Surroundings(neighbours=(twin,))).sources
    assert row.name == "press 2"
    assert "damage at bearing.b.outer_race of press 2" in row.text


def test_every_third_line_in_the_slip_of_a_bearing_hides_it() -> None:
    """Three times 19/29 is 1.9655; a rolling element that spins 0.985 times strikes 1.97 times."""
    chain = comb(19 * OUTPUT)
    race, clear = tone("bearing.b.outer_race", 1.97), tone("bearing.c.outer_race", 2.15)
    element = tone("bearing.b.rolling_element", 0.985, family="rolling element")
    outside = stated(chain, tones=(race, clear, element))
    assert outside.sources[0].hides == ["bearing.b.outer_race", "bearing.b.rolling_element"]
    assert [entry.tone for entry in outside.hidden] == outside.sources[0].hides
    assert all(entry.why and entry.needs for entry in outside.hidden)


def test_a_part_that_cannot_slip_is_hidden_only_where_it_must_be() -> None:
    lobe = tone("stage1.lobe", 30 / 29, family="lobe", slip=(0.0, 0.0))
    assert hides(comb(15 * OUTPUT), lobe)  # 30/29 is its second line
    assert not hides(comb(60 * OUTPUT), lobe)  # takes every second of the lobe's: half are left
    assert not hides(comb(19 * OUTPUT), lobe)


@pytest.mark.parametrize(("taken", "hidden"), [(2, False), (3, True)])
def test_a_part_is_hidden_where_three_of_its_first_four_lines_are(taken: int, hidden: bool) -> None:
    """Half of them left it is found by."""
    gear = tone("stage1.tooth", 3.0, family="gear tooth", slip=(0.0, 0.0))
    assert hides(comb(3.0, lines=taken), gear) is hidden


@pytest.mark.parametrize(("count", "stated"), [(60, True), (70, False)])
def test_as_many_per_turn_as_a_sprocket_has_teeth_are_a_count(count: int, stated: bool) -> None:
    assert (whole_per_turn(count * OUTPUT, (OUTPUT,), 1e-6) is not None) is stated


def test_lines_that_fit_at_different_slips_hide_nothing() -> None:
    """Of 4.78 with slip the second and fourth lines may meet 5 and 10 times 1.922, the first and third no line."""
    pump = comb(1.922)
    assert not hides(pump, tone("bearing.b.outer_race", 4.78))
    assert hides(pump, tone("bearing.b.outer_race", 5.79))  # three times 1.922, 0.4 % off


def test_the_strongest_is_first_and_is_the_one_that_is_named_as_hiding() -> None:
    race = tone("bearing.b.outer_race", 1.97)
    weak, strong = comb(38 * OUTPUT, 2.0), comb(19 * OUTPUT, 9.0)
    outside = stated(weak, strong, tones=(race,))
    assert [row.strength_db for row in outside.sources] == [9.0, 2.0]
    (entry,) = outside.hidden
    assert "0.6552 orders" in entry.why


def test_nothing_detected_nothing_said() -> None:
    assert stated(tones=(tone("bearing.b.outer_race", 1.97),)) == Outside()
