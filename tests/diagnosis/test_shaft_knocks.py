"""A knock of what turns with a shaft's end, at the order of a part that is met as often."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb, place
from vibe.core.health import Finding
from vibe.diagnosis.alternatives.outside_machines import PASSES_HZ
from vibe.diagnosis.diagnose import diagnose

PIN, LOBE = "stage1.ring_pin", "stage1.lobe"
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


def test_a_lobe_would_take_as_many_teeth_as_pins(case: MakeCase) -> None:
    """Order 18/17 is eighteen per turn of the output: just so many teeth are seldom."""
    finding = found(case, LOBE, 18 / 17, 0.1)
    assert finding.probability > 0.95
    assert not [one for one in finding.cannot_be_told_from if "knock" in one]
    ragged = found(case, LOBE, 18 / 17, 1.3)
    assert ragged.probability < 0.7
    assert "a knock, 18 times per turn, of what turns with the output shaft" in ragged.cannot_be_told_from


def test_nothing_measured_leaves_it_open(case: MakeCase) -> None:
    finding = found(case, PIN, 1.0, None)
    assert 0.2 < finding.probability < 0.6
    assert KNOCK in finding.cannot_be_told_from
