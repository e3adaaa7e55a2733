"""A knock of what turns with a shaft's end, at the order of a part that is met as often."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from typing import Any

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb, place
from vibe.core.health import Finding
from vibe.core.outside_combs import MOST_PER_TURN, OutsideComb
from vibe.diagnosis.alternatives.outside_machines import PASSES_HZ, SURELY_OWN
from vibe.diagnosis.alternatives.shaft_knocks import EVERY_NUMBER, TEETH_RATE
from vibe.diagnosis.diagnose import diagnose

PIN, LOBE, OUTPUT_PIN = "stage1.ring_pin", "stage1.lobe", "stage1.output_pin"
SURE = 1e-9
KNOCK = "a knock, once per turn, of what turns with the input shaft"


def found(
    case: MakeCase, tone: str, order: float, scatter: float | None, *peaks_deg: float, band_hz: float = 2000.0
) -> Finding:
    where = replace(place(SURE, peaks_deg=peaks_deg or (40.0,)), scatter=scatter)
    one = replace(comb(tone, order, SURE, 8.0, where=where), band_hz=(band_hz, 1.3 * band_hz))
    (finding,) = diagnose(case(combs={tone: one}))
    return finding


def test_an_even_row_at_one_place_is_shared(case: MakeCase) -> None:
    finding = found(case, PIN, 1.0, 0.1)
    assert 0.5 < finding.probability < 0.9
    assert KNOCK in finding.cannot_be_told_from
    assert "coupling, key, guard" in finding.why
    assert "uneven" not in finding.why


def test_a_pin_that_every_disc_meets_is_surely_the_pin(case: MakeCase) -> None:
    both = found(case, PIN, 1.0, 0.1, 40.0, 220.0)
    assert both.probability > 0.94
    assert KNOCK not in both.cannot_be_told_from
    # Two places that no two discs make are none.
    assert found(case, PIN, 1.0, 0.1, 40.0, 120.0).probability == found(case, PIN, 1.0, 0.1).probability


def test_a_faint_place_where_the_other_disc_strikes_is_a_pin_s_too(case: MakeCase) -> None:
    def at(second_deg: float) -> float:
        where = replace(place(SURE, peaks_deg=(40.0, second_deg), share=(1.0, 0.05)), scatter=0.1)
        (finding,) = diagnose(case(combs={PIN: comb(PIN, 1.0, SURE, 8.0, where=where)}))
        return finding.probability

    assert at(220.0) == pytest.approx(found(case, PIN, 1.0, 0.1, 40.0, 220.0).probability, abs=0.01)
    assert at(120.0) == pytest.approx(found(case, PIN, 1.0, 0.1).probability, abs=0.01)


def test_a_ragged_row_is_something_loose(case: MakeCase) -> None:
    finding = found(case, PIN, 1.0, 1.3)
    assert finding.probability < 0.1
    assert "so uneven a row of impacts is usual of that" in finding.why
    assert any(one.kind == "scatter" and one.value == 1.3 for one in finding.evidence)


def test_the_more_uneven_the_less_sure(case: MakeCase) -> None:
    shares = [found(case, PIN, 1.0, scatter).probability for scatter in (0.0, 0.2, 0.4, 0.6, 0.8)]
    assert shares == sorted(shares, reverse=True)
    assert len(set(shares)) == len(shares)


def test_high_up_it_is_rather_the_drive_s_own(case: MakeCase) -> None:
    low, high = (found(case, PIN, 1.0, 0.1, band_hz=PASSES_HZ * times).probability for times in (0.1, 4.0))
    # At four times the corner sixteen times less passes: the middle of the band lies sqrt(1.3) above its edge.
    passed = (1 + (4 * sqrt(1.3)) ** 2) / (1 + (0.1 * sqrt(1.3)) ** 2)
    assert high / (1 - high) == pytest.approx(passed * low / (1 - low), rel=0.03)


@pytest.mark.parametrize(
    ("peaks_deg", "row"),
    [
        ((119.0, 209.0, 30.0, 298.0), 4), ((336.0, 66.0, 246.0), 4), ((20.0, 140.0, 260.0), 3),
        ((20.0, 92.0, 164.0, 236.0), 5), ((20.0, 92.0, 164.0), 0), ((20.0, 140.0), 0),
        ((20.0, 200.0), 0), ((20.0, 110.0), 0), ((20.0, 200.0, 110.0), 0), ((20.0, 97.0, 231.0), 0),
    ],
)  # fmt: skip
def test_places_in_an_even_row_are_blades_or_jaws(case: MakeCase, peaks_deg: tuple[float, ...], row: int) -> None:
    """Two discs meet a pin at opposite places; three that lie in a row, two of them elsewhere, are no damaged pins."""
    finding = found(case, PIN, 1.0, 0.1, *peaks_deg)
    named = [one for one in finding.cannot_be_told_from if "evenly spaced" in one]
    assert named == ([f"{row} things evenly spaced on the input shaft (blades, jaws)"] if row else [])
    assert (finding.probability < 0.1) is bool(row)


TEETH = "the teeth, flights or blades of a machine that the output shaft turns, 18 times per turn"


def lobe(case: MakeCase, *, band_hz: float = 2000.0, **measured: Any) -> Finding:
    """Order 18/17 is eighteen per turn of the output."""
    where = replace(place(SURE), **measured)
    one = replace(comb(LOBE, 18 / 17, SURE, 8.0, where=where), band_hz=(band_hz, 1.3 * band_hz))
    (finding,) = diagnose(case(combs={LOBE: one}))
    return finding


def test_a_lobe_would_take_as_many_teeth_as_pins(case: MakeCase) -> None:
    """Just so many teeth are seldom, and those that strike each as hard as the next more so."""
    alike = lobe(case, scatter=0.1, uneven=0.0, band_hz=6000.0)
    assert alike.probability > 0.95
    assert alike.other_machine is None
    unlike = lobe(case, scatter=0.1, uneven=0.7, band_hz=6000.0)
    assert 0.5 < unlike.probability < 0.88
    assert unlike.other_machine == TEETH
    assert TEETH in unlike.cannot_be_told_from
    assert "strikes that differ so from one to the next are usual of that: measure once more while it is" in unlike.why
    assert any(one.kind == "uneven" and one.value == 0.7 for one in unlike.evidence)


def test_a_row_of_unlike_teeth_that_is_there_may_have_any_number(case: MakeCase) -> None:
    """Ten times likelier than a row of which nothing is known; one whose number is known is another one. Not where its
    lines are no more than a part leaves whose eighteen strikes a turn differ by a fifth: a twenty-first of its own."""

    def odds(*turns: tuple[float, int], row_db: float = -3.0) -> float:
        around = [
            OutsideComb(
                order=13 * turn, evidence=comb(f"outside {turn}", 13 * turn, SURE, row_db), spread=1e-4,
                per_turn=(13, turn), every_turn=lines,
            )
            for turn, lines in turns
        ]  # fmt: skip
        where = replace(place(SURE), scatter=0.1, uneven=0.2)
        lobes = comb(LOBE, 18 / 17, SURE, 8.0, where=where)
        share = next(f for f in diagnose(case(combs={LOBE: lobes}, outside_combs=around)) if f.tone == LOBE).probability
        return share / (1 - share)

    assert odds((1 / 17, 40)) == pytest.approx(odds((1 / 17, 0)) / 10, rel=0.02)
    assert odds((1 / 29, 40)) == pytest.approx(odds((1 / 17, 0)), rel=0.02)
    assert odds((1 / 17, 40), row_db=8.0 - 13.0) == pytest.approx(odds((1 / 17, 40)), rel=0.02)
    assert odds((1 / 17, 40), row_db=8.0 - 13.5) == pytest.approx(odds((1 / 17, 0)), rel=0.02)


def test_what_just_so_many_teeth_make_too_is_left_to_whoever_can_uncouple_them(case: MakeCase) -> None:
    """In a low band, however like a part's the row is; only a row that is surely the part's is the drive's alone."""
    for measured in ({"uneven": 0.0}, {}, {"uneven": 0.7}):
        one = lobe(case, scatter=0.4, band_hz=500.0, **measured)
        assert TEETH in one.cannot_be_told_from
        assert one.other_machine == TEETH
        assert one.other_machine_is_driven
        assert not one.may_be_a_twins
    sure = lobe(case, scatter=0.1, uneven=0.0, band_hz=6000.0)
    assert sure.probability > SURELY_OWN
    assert sure.other_machine is None
    # What is fitted on the input and knocks is looked at, not uncoupled.
    assert found(case, PIN, 1.0, 0.1).other_machine is None


def test_the_more_the_strikes_differ_from_stand_to_stand_the_less_sure(case: MakeCase) -> None:
    shares = [lobe(case, scatter=0.1, uneven=uneven).probability for uneven in (0.0, 0.2, 0.4, 0.6, 1.0, 2.0)]
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 0.7 < 0.9 < shares[0]


def test_teeth_are_pressed_on_as_lobes_are_and_come_when_they_should(case: MakeCase) -> None:
    """Neither raggedness nor instants say as much of a driven machine as of something loose."""
    ragged = lobe(case, scatter=1.3)
    assert 0.3 < ragged.probability < 0.7
    assert lobe(case, scatter=0.1, play_deg=9.0).probability == lobe(case, scatter=0.1, play_deg=0.0).probability


def test_places_of_two_discs_that_are_alike_are_those_of_twice_as_many_teeth(case: MakeCase) -> None:
    """Eighteen per turn of the output at two opposite places: thirty-six teeth, of which every second makes one."""

    def with_second(share: float) -> Finding:
        where = place(SURE, peaks_deg=(40.0, 220.0), share=(1.0, share))
        (finding,) = diagnose(case(combs={OUTPUT_PIN: comb(OUTPUT_PIN, 18 / 17, SURE, 8.0, where=where)}))
        return finding

    chances = [with_second(share).probability for share in (0.3, 0.5, 0.7, 0.9)]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] > 0.85
    assert chances[-1] < 0.6
    assert any("18 or 36 times per turn" in name for name in with_second(0.9).cannot_be_told_from)
    assert "strikes 18 or 36 times a turn" in with_second(0.9).why
    # A second place that no two discs make is no sign of such a row.
    where = place(SURE, peaks_deg=(40.0, 120.0), share=(1.0, 0.9))
    (alone,) = diagnose(case(combs={OUTPUT_PIN: comb(OUTPUT_PIN, 18 / 17, SURE, 8.0, where=where)}))
    assert TEETH in alone.cannot_be_told_from


def test_few_teeth_are_likelier_than_many() -> None:
    """All numbers together are as likely as is said of them."""
    rates = [TEETH_RATE / (number * EVERY_NUMBER) for number in range(1, MOST_PER_TURN + 1)]
    assert sum(rates) == pytest.approx(TEETH_RATE)
    assert sum(rates[2:6]) == pytest.approx(sum(rates[9:20]), rel=0.3)


def test_what_comes_early_and_late_is_something_loose(case: MakeCase) -> None:
    def with_play(play_deg: float | None) -> Finding:
        where = replace(place(SURE, peaks_deg=(40.0, 220.0)), scatter=0.1, play_deg=play_deg)
        (finding,) = diagnose(case(combs={PIN: comb(PIN, 1.0, SURE, 8.0, where=where)}))
        return finding

    shares = [with_play(play).probability for play in (0.0, 1.0, 2.0, 3.0, 5.0, 9.0)]
    assert shares == sorted(shares, reverse=True)
    # Even two places at the discs' spacing, surely a pin's by themselves, are none of a pin's then.
    assert with_play(None).probability > 0.9
    late = with_play(9.0)
    assert late.probability < 0.5
    assert KNOCK in late.cannot_be_told_from
    assert "impacts that come so early and late are usual of that" in late.why
    assert any(one.kind == "play" and one.value == 9.0 for one in late.evidence)
    # What comes when it should is the pin's the more surely.
    assert found(case, PIN, 1.0, 0.1).probability < with_play(0.0).probability


def test_nothing_measured_leaves_it_open(case: MakeCase) -> None:
    finding = found(case, PIN, 1.0, None)
    assert 0.2 < finding.probability < 0.6
    assert KNOCK in finding.cannot_be_told_from
