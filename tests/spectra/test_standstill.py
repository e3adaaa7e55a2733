from __future__ import annotations

import pytest

from tests.worlds.reversing import joint
from tests.worlds.speeds import Motion, speed_case
from vibe.spectra.speed.standstill import standing


@pytest.mark.parametrize("motion", ["steady", "wander", "ramp", "load cycles"])
def test_a_drive_that_runs_is_not_detected_to_stand(motion: Motion) -> None:
    for number in range(3):
        case = speed_case(number, motion, pulses=False)
        assert standing([(row, case.sample_rate_hz) for row in case.channels.values()]) == ()


@pytest.mark.parametrize("motion", ["start", "stop"])
def test_a_start_and_a_stop_are_detected(motion: Motion) -> None:
    case = speed_case(1, motion, pulses=False)
    ((begin, end),) = standing([(row, case.sample_rate_hz) for row in case.channels.values()])
    # At the beginning of a start, at the end of a stop.
    duration = next(iter(case.channels.values())).size / case.sample_rate_hz
    assert (begin < 0.2) if motion == "start" else (end > duration - 0.3)
    assert end - begin > 0.5


def test_every_pause_of_a_swinging_joint_is_detected() -> None:
    case = joint(1, hit_m_s2=8.0, sensor="none", duration_s=12.0)
    times = standing([(row, case.sample_rate_hz) for row in case.channels.values()])
    assert 5 <= len(times) <= 8


def test_one_channel_that_falls_silent_is_not_the_machine() -> None:
    case = speed_case(2, "steady", pulses=False)
    one, other = (row.copy() for row in case.channels.values())
    one[10_000:20_000] *= 0.01
    assert standing([(one, case.sample_rate_hz), (other, case.sample_rate_hz)]) == ()
    assert standing([(one, case.sample_rate_hz)]) != ()
