"""Rules that read single lines: faults outside the reducer, the mesh, and the sensor. Each has its healthy twin."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.diagnosis.diagnosis_values import POINT, SPEED_HZ, ZONES, MakeCase, level, line
from vibe.core.capture import ChannelQuality, Reason
from vibe.core.drive import Drive
from vibe.core.evidence import Line, SpeedEstimate
from vibe.core.health import Finding
from vibe.diagnosis.diagnose import diagnose

if TYPE_CHECKING:
    from vibe.flow.settings import Settings


def stated(findings: list[Finding]) -> list[tuple[str, str]]:
    return [(finding.component, finding.defect) for finding in findings]


def with_level(lines: tuple[Line, ...], total_mm_s: float) -> dict[str, Any]:
    return {"lines": lines, "levels": (level("velocity_rms", total_mm_s),)}


@pytest.fixture
def least(settings: Settings) -> float:
    """Velocity from which faults outside the reducer are named."""
    return ZONES[settings.diagnosis.lines.level_from_zone]


# --- unbalance -----------------------------------------------------------------------------------------------------


def test_one_strong_line_at_running_speed_is_unbalance(case: MakeCase, least: float) -> None:
    findings = diagnose(case(**with_level((line("1x", 1.5 * least), line("2x", 0.1 * least)), 1.55 * least)))
    assert stated(findings) == [("input.shaft", "unbalance")]
    assert findings[0].tone is None
    assert findings[0].severity == "moderate"
    assert findings[0].cannot_be_told_from


@pytest.mark.parametrize(("off_bins", "named"), [(0.3, True), (1.8, False)])
def test_a_rotor_next_to_running_speed_is_no_unbalance_of_this_shaft(
    case: MakeCase, least: float, off_bins: float, named: bool
) -> None:
    """Its line covers the place of the shaft's, but its peak lies elsewhere than the speed, which is known better."""
    strong = replace(line("1x", 5 * least), off_bins=off_bins)
    findings = diagnose(case(**with_level((strong, line("2x", 0.1 * least)), 5.1 * least)))
    assert stated(findings) == ([("input.shaft", "unbalance")] if named else [])


def test_its_thresholds_stand_where_the_settings_say(case: MakeCase, least: float, settings: Settings) -> None:
    lines = settings.diagnosis.lines
    floor, share = lines.over_floor_from_db, lines.unbalance_share_from
    for velocity, total, over, second, count in (
        (1.01, 1.02, floor + 1, 0.1, 1),
        (0.99, 1.0, floor + 1, 0.1, 0),
        (1.5, 1.5 / (1.01 * share) ** 0.5, floor + 1, 0.1, 1),
        (1.5, 1.5 / (0.99 * share) ** 0.5, floor + 1, 0.1, 0),
        (1.5, 1.6, floor - 1, 0.1, 0),
    ):
        made = (line("1x", velocity * least, over_floor_db=over), line("2x", second * least))
        findings = diagnose(case(**with_level(made, total * least)))
        assert len(findings) == count, (velocity, total, over)


def test_a_surer_share_is_a_higher_probability_and_never_certainty(case: MakeCase, least: float) -> None:
    probabilities = [
        diagnose(case(**with_level((line("1x", 2 * least),), total * least)))[0].probability
        for total in (2.5, 2.2, 2.0)
    ]
    assert probabilities == sorted(probabilities)
    assert probabilities[0] >= 0.5
    assert probabilities[-1] < 0.99


# --- misalignment --------------------------------------------------------------------------------------------------


def test_twice_running_speed_that_rivals_running_speed_is_misalignment(
    case: MakeCase, least: float, settings: Settings
) -> None:
    rivals, once = settings.diagnosis.lines.twice_over_once_from, 1.5 * least
    for ratio, called in ((1.02 * rivals, True), (0.98 * rivals, False)):
        total = 1.05 * once * (1 + ratio**2) ** 0.5
        lines = (line("1x", once), line("2x", ratio * once))
        assert (("input.shaft", "misalignment") in stated(diagnose(case(**with_level(lines, total))))) == called


def test_misalignment_makes_three_tenths_of_the_velocity_in_two_lines(
    case: MakeCase, least: float, settings: Settings
) -> None:
    """Whatever share an electrical line must have."""
    share = settings.diagnosis.lines.misalignment_share_from
    assert share == pytest.approx(0.3)
    lines, both = (line("1x", 1.5 * least), line("2x", 2 * least)), 2.5 * least
    for total, called in ((both / (1.02 * share) ** 0.5, True), (both / (0.98 * share) ** 0.5, False)):
        assert (("input.shaft", "misalignment") in stated(diagnose(case(**with_level(lines, total))))) == called


def test_twice_running_speed_as_strong_as_the_first_is_not_called_unbalance(case: MakeCase, least: float) -> None:
    findings = diagnose(case(**with_level((line("1x", 2 * least), line("2x", 2 * least)), 2.9 * least)))
    assert stated(findings) == [("input.shaft", "misalignment")]


def test_two_faint_lines_are_nothing(case: MakeCase, least: float) -> None:
    assert diagnose(case(**with_level((line("1x", 0.3 * least), line("2x", 0.4 * least)), 0.5 * least))) == []


# --- looseness -----------------------------------------------------------------------------------------------------


def loose(first: float, each: float, *, halves: bool = True, count: int = 8) -> tuple[Line, ...]:
    series = tuple(line(f"{k}x", each) for k in range(3, 3 + count))
    half = tuple(line(name, each) for name in ("0.5x", "1.5x", "2.5x")) if halves else ()
    return (line("1x", first), line("2x", 0.5 * first), *series, *half)


def test_a_long_series_with_half_orders_is_looseness_and_nothing_else(case: MakeCase, least: float) -> None:
    findings = diagnose(case(lines=loose(1.5 * least, 0.5 * least)))
    assert stated(findings) == [("foundation", "looseness")]
    assert findings[0].evidence


@pytest.mark.parametrize(("first", "last", "called"), [(3, 7, True), (3, 5, False), (6, 10, True), (11, 18, False)])
def test_five_multiples_from_the_third_to_the_tenth_make_a_loose_series(
    case: MakeCase, least: float, first: int, last: int, called: bool
) -> None:
    """The first two come of unbalance and misalignment, those beyond the tenth of anything."""
    series = tuple(line(f"{k}x", least) for k in range(first, last + 1))
    lines = (line("1x", 1.5 * least), line("2x", 0.7 * least), *series)
    assert (("foundation", "looseness") in stated(diagnose(case(lines=lines)))) is called


def test_half_orders_make_looseness_surer(case: MakeCase, least: float) -> None:
    with_halves = diagnose(case(lines=loose(1.5 * least, 0.4 * least)))
    without = diagnose(case(lines=loose(1.5 * least, 0.4 * least, halves=False)))
    assert stated(with_halves) == stated(without) == [("foundation", "looseness")]
    assert with_halves[0].probability > without[0].probability


@pytest.mark.parametrize(
    "lines",
    [
        loose(1.5, 0.05),
        loose(1.5, 0.5, halves=False, count=2),
        tuple(line(x.name, x.velocity_mm_s, over_floor_db=3.0) for x in loose(1.5, 0.5)),
        loose(0.2, 0.05),
    ],
    ids=["faint", "few", "in the floor", "weak"],
)
def test_its_healthy_twins(case: MakeCase, lines: tuple[Line, ...]) -> None:
    assert ("foundation", "looseness") not in stated(diagnose(case(lines=lines)))


# --- electrical ----------------------------------------------------------------------------------------------------


def test_twice_line_frequency_is_electrical(case: MakeCase, least: float) -> None:
    made = (line("twice line", 2 * least, hz=100.0), line("twice line + pole pass", 0.3 * least, hz=102.6))
    findings = diagnose(case(**with_level(made, 2.4 * least)))
    assert stated(findings) == [("motor", "electrical")]
    assert any("pole pass" in item.text for item in findings[0].evidence)


def test_a_line_that_running_speed_may_own_is_not_called_electrical(case: MakeCase, least: float) -> None:
    made = with_level((line("twice line", 2 * least, hz=100.0),), 2.4 * least)
    # Four times 24.98 Hz lies 0.08 Hz from it: nobody can tell whose line it is.
    near = SpeedEstimate(input_hz=24.98, uncertainty_hz=1e-3, method="signal")
    assert diagnose(case(**made, speed=near)) == []
    assert len(diagnose(case(**made, speed=SpeedEstimate(input_hz=24.37, uncertainty_hz=1e-3, method="signal")))) == 1


def test_its_healthy_twins_electrical(case: MakeCase, least: float, drive: Drive, settings: Settings) -> None:
    share = settings.diagnosis.lines.electrical_share_from
    strong = line("twice line", 2 * least, hz=100.0)
    assert diagnose(case(**with_level((strong,), 2 * least / (0.98 * share) ** 0.5))) == []
    assert len(diagnose(case(**with_level((strong,), 2 * least / (1.02 * share) ** 0.5)))) == 1
    assert diagnose(case(**with_level((line("twice line", 0.99 * least, hz=100.0),), least))) == []
    assert diagnose(case(**with_level((line("twice line", 2 * least, hz=100.0, over_floor_db=5),), 2.1 * least))) == []
    assert diagnose(case(**with_level((strong,), 2.1 * least), drive=drive.model_copy(update={"motor": None}))) == []
    assert diagnose(case(**with_level((strong,), 2.1 * least), speed=None)) == []


# --- mesh ----------------------------------------------------------------------------------------------------------


def mesh(velocity: float) -> tuple[Line, ...]:
    return tuple(line(f"stage1.mesh {k}", velocity / k, hz=18 * k * SPEED_HZ) for k in (1, 2, 3))


def quiet_levels(total: float) -> tuple[object, ...]:
    return level("velocity_rms", total), level("acceleration_rms", 1e3)


def test_a_mesh_at_its_zone_boundary_is_wear(case: MakeCase, settings: Settings) -> None:
    limit = ZONES[settings.diagnosis.lines.mesh_from_zone]
    root = (1 + 1 / 4 + 1 / 9) ** 0.5
    for factor, expected in ((1.02, [("stage1.mesh", "wear")]), (0.98, [])):
        made = case(lines=mesh(factor * limit / root), levels=quiet_levels(4.0))
        findings = diagnose(made)
        assert stated(findings) == expected
    loud = diagnose(case(lines=mesh(1.02 * limit / root), levels=quiet_levels(4.0)))[0]
    assert loud.tone == "stage1.mesh"
    assert loud.cannot_be_told_from


def test_a_loud_mesh_is_wear_with_less_than_even_odds_and_with_little_more_where_it_is_all_there_is(
    case: MakeCase,
) -> None:
    """Without a baseline it is as often a trait of its type; what is called more likely than not ends at 0.7."""
    made = mesh(9.0)
    whole = sum(one.acceleration_m_s2**2 for one in made) ** 0.5
    loud, alone = (
        diagnose(case(lines=made, levels=(level("velocity_rms", 12.0), level("acceleration_rms", rms))))[0].probability
        for rms in (100 * whole, whole)
    )
    assert 0.2 < loud < 0.5 < alone < 0.7
    assert (loud + alone) / 2 == pytest.approx(0.5, abs=0.1)


def test_a_mesh_in_the_floor_is_nothing(case: MakeCase) -> None:
    buried = tuple(line(x.name, x.velocity_mm_s, hz=x.frequency_hz, over_floor_db=5.0) for x in mesh(5.0))
    assert diagnose(case(lines=buried, levels=quiet_levels(6.0))) == []


# --- sensor --------------------------------------------------------------------------------------------------------


def quality(verdict: str, *codes: str) -> ChannelQuality:
    return ChannelQuality(
        channel=POINT,
        verdict=verdict,  # type: ignore[arg-type]
        reasons=tuple(Reason(code=code, text=f"it is {code}", remedy="mend it", verdict=verdict) for code in codes),  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("code", ["clipped", "dropouts", "settling", "ski_slope", "implausible", "flat"])
@pytest.mark.parametrize("verdict", ["rejected", "limited"])
def test_a_bad_measuring_chain_is_named(case: MakeCase, code: str, verdict: str) -> None:
    findings = diagnose(case(quality=(quality(verdict, code),)))
    assert len(findings) == 1
    assert findings[0].component == "sensor"
    assert findings[0].tone is None
    assert POINT in findings[0].why
    assert findings[0].advice == "mend it"


@pytest.mark.parametrize(
    "sound",
    [
        quality("usable"),
        quality("usable", "clipped"),
        quality("rejected", "not_running"),
        quality("limited", "too_short"),
    ],
)
def test_a_stopped_machine_or_a_short_capture_is_no_fault_of_the_sensor(case: MakeCase, sound: ChannelQuality) -> None:
    assert diagnose(case(quality=(sound,))) == []


def test_a_bad_sensor_comes_after_what_was_found_in_spite_of_it(case: MakeCase, least: float) -> None:
    made = case(**with_level((line("1x", 1.2 * least),), 1.25 * least), quality=(quality("rejected", "clipped"),))
    assert [f.component for f in diagnose(made)] == ["input.shaft", "sensor"]
