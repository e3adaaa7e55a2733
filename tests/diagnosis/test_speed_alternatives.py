"""What a speed that is not surely known leaves of a finding on one part."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.diagnosis.diagnosis_values import SPEED_HZ, MakeCase, comb
from tests.diagnosis.test_shared_places import FRONT, REAR, with_rear
from vibe.core.drive import Drive
from vibe.core.evidence import SpeedEstimate
from vibe.core.health import Finding
from vibe.diagnosis.alternatives.speed_alternatives import SHAFT, density
from vibe.diagnosis.diagnose import diagnose
from vibe.kinematics.tone_table import tone_table

INNER, CAGE = "bearing.input bearing.inner_race", "bearing.input bearing.cage"


def speed(method: str, relative: float, others: Sequence[tuple[float, float]] = ()) -> SpeedEstimate:
    left = 1.0 - sum(chance for _, chance in others)
    return SpeedEstimate(
        input_hz=SPEED_HZ, uncertainty_hz=relative * SPEED_HZ, method=method,  # type: ignore[arg-type]
        alternatives=((SPEED_HZ, left), *((factor * SPEED_HZ, chance) for factor, chance in others)),
    )  # fmt: skip


def found(case: MakeCase, said: SpeedEstimate, tone: str = INNER, factor: float = 1.0) -> Finding:
    order = case().tones.tone(tone).order * factor
    made = case(combs={tone: comb(tone, order, 1e-9, 8.0)}, speed=said)
    (finding,) = (f for f in diagnose(made) if f.component.startswith("bearing"))
    return finding


def test_a_speed_that_is_sure_changes_nothing(case: MakeCase) -> None:
    pulses, signal = (found(case, speed(method, 1e-5)) for method in ("tachometer", "signal"))
    assert pulses.probability == pytest.approx(signal.probability, abs=0.01)
    assert pulses.probability > 0.97
    assert SHAFT not in pulses.cannot_be_told_from
    assert found(case, speed("signal", 1e-5, [(1.05, 0.01)])) == signal


def test_the_plate_never_makes_one_element_sure(case: MakeCase) -> None:
    """±1.3 % at order 5.4 holds no other tone, but another machine's would lie there as well."""
    said = found(case, speed("nominal", 0.013))
    assert said.tone == INNER
    assert said.probability <= 0.9
    assert "No speed could be measured" in said.why


def test_a_fan_that_the_plate_turns_into_a_race_is_among_what_is_meant(case: MakeCase) -> None:
    """Seven blades at a speed 2.9 % over the plate stand at 7.2 times the plate's, where a race belongs."""
    tone = "bearing.eccentric bearing.inner_race"
    factor = 7.2 / case().tones.tone(tone).order
    finding = found(case, speed("nominal", 0.02), tone, factor)
    assert SHAFT in finding.cannot_be_told_from
    assert SHAFT in finding.why
    assert finding.probability < 0.6
    # At half that uncertainty no speed brings seven blades there.
    nearer = found(case, speed("nominal", 0.01), tone, factor)
    assert SHAFT not in nearer.cannot_be_told_from
    assert nearer.probability == pytest.approx(0.9)


def test_another_speed_that_the_lines_allow_takes_its_share(case: MakeCase) -> None:
    """At a speed by 17/18 lower all orders are higher by 18/17: what is then the shaft's fifth is no race."""
    order = case().tones.tone(INNER).order
    factor = order / 5.0
    finding = found(case, speed("signal", 1e-5, [(factor, 0.3)]))
    assert SHAFT in finding.cannot_be_told_from
    sure = found(case, speed("signal", 1e-5)).probability
    # Shared by the likelihood of each: 0.7 and 0.3, each over the width of its own window.
    slip = case().tones.tone(INNER).slip
    own = 0.7 / (SPEED_HZ * order * (slip[1] - slip[0] + 0.004))
    other = 0.3 / (factor * SPEED_HZ * 5 * 0.004)
    assert finding.probability == pytest.approx(sure * own / (own + other), rel=0.02)
    assert "allow another speed" in finding.why


def test_a_speed_at_which_nothing_else_lies_there_takes_nothing_away(case: MakeCase) -> None:
    order = case().tones.tone(INNER).order
    finding = found(case, speed("signal", 1e-5, [(order / 4.6, 0.3)]))
    assert finding.probability == pytest.approx(found(case, speed("signal", 1e-5)).probability)


def test_impacts_that_no_part_makes_at_any_speed_are_as_likely_as_not_the_part_that_was_named(case: MakeCase) -> None:
    factor = 5.65 / case().tones.tone(INNER).order
    finding = found(case, speed("signal", 1e-5, [(1.1, 0.3)]), factor=factor)
    assert not set(finding.cannot_be_told_from) & {SHAFT, *(tone.id for tone in case().tones.tones)}
    sure = found(case, speed("signal", 1e-5), factor=factor).probability
    assert finding.probability == pytest.approx(sure - finding.probability)


@pytest.mark.parametrize(("multiple", "named"), [(7, True), (11, True), (13, False)])
def test_multiples_of_the_shaft_up_to_the_twelfth_are_among_what_is_meant(
    case: MakeCase, multiple: int, named: bool
) -> None:
    factor = case().tones.tone(INNER).order / multiple
    assert (SHAFT in found(case, speed("signal", 1e-5, [(factor, 0.3)])).cannot_be_told_from) is named


def test_without_a_speed_one_part_is_named_very_probably_at_most(case: MakeCase) -> None:
    """0.9 is where "very probably" begins and where the gravest instructions are given."""
    finding = found(case, speed("nominal", 1e-4))
    assert finding.probability == pytest.approx(0.9)


def test_the_likelihood_of_a_wide_speed_is_one_over_all_frequencies() -> None:
    """Whatever the widths: a tone in its window at a speed in its range lies somewhere."""
    hz = np.linspace(60.0, 180.0, 240_001)
    for low, high, width in ((4.9, 5.1, 0.0), (4.9, 5.1, 0.4), (4.99, 5.01, 3.0)):
        total = sum(density(float(f), low, high, 24.0, width) for f in hz[::40]) * (hz[40] - hz[0])
        assert total == pytest.approx(1.0, rel=0.01)


def test_a_part_that_lies_there_at_the_speed_found_too_is_no_matter_of_the_speed(case: MakeCase, drive: Drive) -> None:
    """Two bearings on one shaft, alike but for a per cent: a speed 0.01 % off leaves which it is as it was."""
    both = with_rear(drive, element_mm=7.6)
    table = tone_table(both)
    order = table.tone(FRONT).order * (1 + sum(table.tone(FRONT).slip) / 2)

    def named(said: SpeedEstimate) -> Finding:
        made = case(combs={FRONT: comb(FRONT, order, 1e-9, 8.0)}, speed=said, drive=both, tones=table)
        (finding,) = (one for one in diagnose(made) if one.component.startswith("bearing"))
        return finding

    sure, hair = named(speed("signal", 1e-5)), named(speed("signal", 1e-5, [(1.0001, 0.45)]))
    assert REAR in sure.cannot_be_told_from
    assert REAR in hair.cannot_be_told_from
    assert hair.probability == pytest.approx(sure.probability, rel=0.01)
    # Where the other speed alone brings the rear one there, it takes its share.
    _, high = table.tone(REAR).slip
    factor = order / (table.tone(REAR).order * (1 + high))
    assert named(speed("signal", 1e-5, [(factor, 0.45)])).probability < 0.9 * sure.probability


def test_a_cage_is_one_part_whatever_it_is_seen_to_pass(case: MakeCase) -> None:
    """Its finding bears the cage's name, its comb that of what it strikes: at a second speed it lost everything."""
    tone = f"{CAGE}_past_inner"
    assert case().tones.tone(tone).component == CAGE
    sure = found(case, speed("signal", 1e-5), tone)
    doubted = found(case, speed("signal", 1e-5, [(1.0001, 0.49)]), tone)
    assert sure.tone == doubted.tone == CAGE
    assert sure.damage_probability > 0.5
    assert doubted.damage_probability == pytest.approx(sure.damage_probability, rel=1e-6)
    assert tone not in doubted.cannot_be_told_from
