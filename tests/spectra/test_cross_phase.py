from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.cross_phase import cross_phase
from vibe.spectra.basic.lines import angular


@pytest.mark.parametrize("lead_deg", [-135.0, -90.0, 0.0, 30.0, 90.0])
def test_the_lead_of_the_second_channel_is_read(lead_deg: float) -> None:
    rng = np.random.default_rng(1)
    turn = 2 * np.pi * 0.0173 * np.arange(20_000)
    first = 2.0 * np.cos(turn) + 0.5 * rng.normal(size=turn.size)
    second = 0.5 * np.cos(turn + np.radians(lead_deg)) + 0.1 * rng.normal(size=turn.size)
    seen = cross_phase(first.astype(np.float32), second.astype(np.float32), 0.0173, 8)
    assert seen.difference_deg == pytest.approx(lead_deg, abs=2.0)
    assert seen.amplitude_ratio == pytest.approx(0.25, rel=0.02)
    assert seen.steadiness > 0.99


def test_noise_does_not_keep_step() -> None:
    rng = np.random.default_rng(2)
    found = [
        cross_phase(
            rng.normal(size=8000).astype(np.float32), rng.normal(size=8000).astype(np.float32), 0.1, 16
        ).steadiness
        for _ in range(200)
    ]
    assert np.mean(found) == pytest.approx(np.sqrt(np.pi / 4 / 16), rel=0.1)


def test_a_line_that_sweeps_keeps_step_on_the_angle_of_the_shaft() -> None:
    rate, duration_s = 2000.0, 16.0
    time = np.arange(round(rate * duration_s)) / rate
    turns = 20.0 * time + 0.25 * time**2
    first, second = (np.cos(2 * np.pi * (turns + lead)).astype(np.float32) for lead in (0.0, 0.25))
    knots = np.linspace(0.0, duration_s, 1601)
    law = AngleLaw(time_s=knots, turns=20.0 * knots + 0.25 * knots**2)
    laid = [angular(row, rate, law) for row in (first, second)]
    seen = cross_phase(laid[0][0], laid[1][0], 1.0 / laid[0][1], 8)
    assert seen.steadiness > 0.99
    assert seen.difference_deg == pytest.approx(90.0, abs=1.0)


def test_a_frequency_off_the_axis_is_refused() -> None:
    row = np.zeros(100, dtype=np.float32)
    with pytest.raises(ValueError, match="no phase"):
        cross_phase(row, row, 0.6, 4)
