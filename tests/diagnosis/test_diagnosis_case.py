from __future__ import annotations

from itertools import pairwise
from math import e, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.diagnosis.diagnosis_values import MakeCase, comb, line
from vibe.core.evidence import LARGEST_SURPRISE, CrossLine
from vibe.core.health import Finding
from vibe.diagnosis.case import probability
from vibe.diagnosis.diagnose import diagnose, gravest_first, merged


@pytest.mark.parametrize(("p", "chance_posterior"), [(0.05, 0.289), (0.01, 0.111), (0.005, 0.067), (0.001, 0.0184)])
def test_probability_at_even_odds_stays_below_what_a_p_value_can_stand_for(p: float, chance_posterior: float) -> None:
    """Sellke, Bayarri & Berger, The American Statistician 55 (2001) 62-71, table of alpha(p) (from memory)."""
    least_odds = chance_posterior / (1 - chance_posterior)
    chance = 1 - probability(p, 0.5)
    assert chance / (1 - chance) == pytest.approx(least_odds * log(LARGEST_SURPRISE) / e, rel=0.02)
    assert log(LARGEST_SURPRISE) > e


def test_the_largest_surprise_is_that_of_a_dozen_lines_twenty_decibels_over_the_floor() -> None:
    """-ln p of a line is its power over the floor: a dozen make 1200; the odds are 2.5 times below the largest."""
    assert pytest.approx(12 * 10 ** (20 / 10), rel=0.25) == LARGEST_SURPRISE
    assert log(LARGEST_SURPRISE) / e == pytest.approx(2.5, abs=0.15)


def test_probability_is_the_share_of_real_ones_in_a_population_as_assumed() -> None:
    """One in ten damaged, -ln p log-uniform between 1 and 1000; the others' p is uniform."""
    rng = np.random.default_rng(5)
    damaged = rng.uniform(size=2_000_000) < 0.1
    p = np.where(damaged, np.exp(-np.exp(rng.uniform(0, np.log(1000), damaged.size))), rng.uniform(size=damaged.size))
    for low, high in ((0.01, 0.012), (0.001, 0.0013)):
        here = (low < p) & (p < high)
        stated = probability((low + high) / 2, 0.1)
        assert stated == pytest.approx(float(damaged[here].mean()), abs=0.04)


@given(p=st.floats(1e-14, 1.0), q=st.floats(1e-14, 1.0), prior=st.floats(0.001, 0.5), other=st.floats(0.001, 0.5))
def test_probability_grows_with_evidence_and_with_what_is_common(
    p: float, q: float, prior: float, other: float
) -> None:
    low, high = sorted((p, q))
    assert probability(high, prior) <= probability(low, prior) + 1e-12
    small, large = sorted((prior, other))
    assert probability(p, small) <= probability(p, large) + 1e-12
    assert 0 <= probability(p, prior) < 1


def test_evidence_of_nothing_does_not_raise_the_prior() -> None:
    for p in (0.37, 0.6, 1.0):
        assert 0.005 < probability(p, 0.02) <= 0.02
    assert probability(0.0, 0.02) < 1


def test_the_alarm_of_a_tone_is_its_share_of_the_drives_alarm(case: MakeCase) -> None:
    shared = comb("stage1.lobe", 18 / 17, 0.5)
    made = case(
        combs={
            "stage1.lobe": shared,
            "stage1.output_pin": shared,
            "stage1.ring_pin": comb("stage1.ring_pin", 1.0, 0.5),
        }
    )
    # Two places were searched, not three: two tones share one.
    assert made.tone_alarm == pytest.approx(made.false_alarm_rate / 2)
    assert case().tone_alarm == case().false_alarm_rate


def test_the_strongest_channel_speaks_for_a_line(case: MakeCase) -> None:
    made = case(lines=(line("1x", 0.4, channel="a"), line("1x", 0.9, channel="b")))
    strongest = made.line("1x")
    assert strongest is not None
    assert strongest.channel == "b"
    assert made.line("7x") is None


def test_severity_steps_where_the_settings_say(case: MakeCase) -> None:
    made = case()
    moderate, severe = made.severity_db
    steps = [made.severity(db) for db in (moderate - 0.1, moderate, severe - 0.1, severe)]
    assert steps == ["slight", "moderate", "moderate", "severe"]


def test_a_case_with_nothing_in_it_has_no_finding(case: MakeCase) -> None:
    assert diagnose(case()) == []
    assert diagnose(case(speed=None, levels=())) == []


def found(severity: str, probability: float, component: str = "a", tone: str | None = None) -> Finding:
    return Finding(
        tone=tone, component=component, defect="local damage", probability=probability, false_alarm_probability=None,
        severity=severity, why="", advice="",
    )  # fmt: skip


def test_gravest_first_and_a_bad_sensor_last() -> None:
    mixed = [
        found("slight", 0.99), found("moderate", 0.95, "sensor"), found("severe", 0.6), found("moderate", 0.7),
        found("severe", 0.9), found("moderate", 0.8),
    ]  # fmt: skip
    ordered = gravest_first(mixed)
    assert [(f.severity, f.probability) for f in ordered] == [
        ("severe", 0.9), ("severe", 0.6), ("moderate", 0.8), ("moderate", 0.7), ("slight", 0.99), ("moderate", 0.95),
    ]  # fmt: skip
    for one, after in pairwise(ordered[:-1]):
        assert ["severe", "moderate", "slight"].index(one.severity) <= ["severe", "moderate", "slight"].index(
            after.severity
        )


def test_one_cause_seen_in_several_captures_is_one_finding_at_its_surest() -> None:
    captures = [
        [found("moderate", 0.7, tone="x"), found("slight", 0.9, "b")],
        [found("slight", 0.95, tone="x")],
        [],
        [found("severe", 0.5, "c")],
    ]
    merged_ones = merged(captures)
    assert [(f.component, f.tone, f.probability) for f in merged_ones] == [
        ("c", None, 0.5), ("a", "x", 0.95), ("b", None, 0.9),
    ]  # fmt: skip
    assert merged([]) == []


def test_phase_between_two_channels_is_asked_for_either_way_round(case: MakeCase) -> None:
    line = CrossLine(name="1x", first="a", second="b", phase_deg=70.0, coherence=0.98, amplitude_ratio=0.5)
    asked = case(cross_lines=(line,))
    assert asked.cross_line("1x", "a", "b") == line
    turned = asked.cross_line("1x", "b", "a")
    assert turned is not None
    assert (turned.first, turned.phase_deg, turned.amplitude_ratio) == ("b", -70.0, 2.0)
    assert asked.cross_line("2x", "a", "b") is None
    assert case().cross_line("1x", "a", "b") is None
