"""Captures of drives that stand, start or reverse, from file to report."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.worlds.speeds import Motion, speed_case
from tests.worlds.trial import health_from
from vibe.core.health import Health


def said(health: Health) -> str:
    """Reasons, remedies and remarks of the capture."""
    (capture,) = health.captures
    return " ".join([*capture.remarks, *(t for c in capture.channels for t in (*c.reasons, *c.remedies))])


def test_a_pulse_sensor_without_pulses_is_a_drive_at_rest() -> None:
    """Whatever shakes next to it: the vibration is that of a drive that runs."""
    case = speed_case(1, "steady", pulses=True)
    assert case.pulses is not None
    noise = np.random.default_rng(1).normal(0.0, 0.02, case.pulses.size).astype(np.float32)
    for silent in (noise, np.zeros_like(noise)):
        health = health_from(replace(case, pulses=silent))
        assert health.state == "unknown"
        assert "at rest" in said(health)
        assert "while the drive runs" in said(health)
        assert health.findings == []
    assert health_from(case).state != "unknown"


@pytest.mark.parametrize("motion", ["start", "stop"])
def test_a_start_is_analysed_with_pulses_and_unknown_without(motion: Motion) -> None:
    with_pulses, without = (health_from(speed_case(4, motion, pulses=pulses)) for pulses in (True, False))
    assert with_pulses.state != "unknown"
    assert with_pulses.speed.method == "tachometer"
    assert "speed changes" in said(with_pulses)
    assert without.state == "unknown"
    assert "speed changes more than can be followed" in said(without)
    assert "steady speed" in said(without)


@pytest.mark.parametrize("pulses", [True, False])
def test_a_speed_that_changes_while_it_is_followed_is_said(pulses: bool) -> None:
    ramp, steady = (health_from(speed_case(2, motion, pulses=pulses)) for motion in ("ramp", "steady"))
    assert "speed changes" in said(ramp)
    assert ramp.state != "unknown"
    assert "speed changes" not in said(steady)


def test_a_speed_that_is_assumed_says_so_and_what_else_it_may_be() -> None:
    health = health_from(speed_case(3, "steady", pulses=False, detected=False))
    assert health.speed.method == "nominal"
    assert sum(one.probability for one in health.speed.alternatives) == pytest.approx(1.0, abs=1e-6)
    assert health.speed.alternatives[0].input_hz == health.speed.input_hz
