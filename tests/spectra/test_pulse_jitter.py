"""What the angle of a pulse train is known to, and what that takes off a line of a high order."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.flow.commissioning.line_values import _jitter
from vibe.spectra.speed.tachometer import speed_from_tachometer

SPEED_HZ = 24.2
ORDER = 120.0


@pytest.mark.parametrize(("seconds", "steep"), [(10.0, True), (20.0, True), (10.0, False)])
def test_what_a_line_loses_is_what_the_pulses_say(seconds: float, steep: bool) -> None:
    """A shaft whose speed wanders by 0.3 %, with one mark a turn. Steep pulses are read to a sample, others between."""
    rate_hz = 10_240.0
    draw = np.random.default_rng(5)
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    nodes = np.arange(0.0, seconds + 4.0, 2.0)
    wander = np.interp(t, nodes, 0.003 * draw.normal(size=nodes.size))
    turns = np.cumsum(SPEED_HZ * (1 + wander)) / rate_hz
    phase = (turns + 0.4) % 1.0
    level = np.where(phase < 0.1, 5.0, 0.0) if steep else np.clip(20 * (0.5 - np.abs(phase - 0.5)), 0.0, 5.0)
    channel = Channel(
        name="pulse", samples=level.astype(np.float32), sample_rate_hz=rate_hz, quantity="tachometer",
        recorded_unit="V", pulses_per_rev=1.0,
    )  # fmt: skip
    found = speed_from_tachometer(channel, (23.0, 25.0), seconds)
    assert found is not None
    law, speed = found
    inside = (t > 0.5) & (t < seconds - 0.5)
    lost = 1 - abs(np.exp(2j * np.pi * ORDER * (law.at(t) - turns)[inside]).mean())
    _, stated = _jitter(ORDER, speed.angle_turns)
    if steep:
        assert lost > 0.02
        assert stated == pytest.approx(lost, rel=0.5)
    else:
        assert lost < 0.01
        assert stated < 0.01


def test_a_steady_shaft_leaves_no_jitter() -> None:
    rate_hz = 10_240.0
    t = np.arange(int(10 * rate_hz)) / rate_hz
    level = np.where((SPEED_HZ * t + 0.4) % 1.0 < 0.1, 5.0, 0.0).astype(np.float32)
    channel = Channel(
        name="pulse", samples=level, sample_rate_hz=rate_hz, quantity="tachometer", recorded_unit="V",
        pulses_per_rev=1.0,
    )  # fmt: skip
    found = speed_from_tachometer(channel, (23.0, 25.0), 10.0)
    assert found is not None
    assert _jitter(ORDER, found[1].angle_turns)[1] < 1e-3
