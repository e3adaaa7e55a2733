"""Packets that a receiver replaced by straight lines, and vibration that merely looks smooth."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.ingest import assess

RATE_HZ = 25_600.0
TIME_S = np.arange(4 * int(RATE_HZ)) / RATE_HZ


def codes(x: np.ndarray, step: float | None = None) -> dict[str, str]:
    x = x if step is None else np.rint(x / step) * step
    channel = Channel(
        name="P1", samples=x.astype(np.float32), sample_rate_hz=RATE_HZ, quantity="acceleration", recorded_unit="m/s^2",
        step=step,
    )  # fmt: skip
    return {reason.code: reason.verdict for reason in assess(channel).reasons if "straight" in reason.text}


def noise() -> np.ndarray:
    return np.random.default_rng(8).standard_normal(TIME_S.size)


@pytest.mark.parametrize("step", [None, 0.003])
@pytest.mark.parametrize("milliseconds", [2, 10, 50])
def test_a_bridged_gap_is_found_and_its_twin_is_silent(step: float | None, milliseconds: int) -> None:
    whole = noise() + 3 * np.sin(2 * np.pi * 24.3 * TIME_S)
    bridged, size = whole.copy(), round(milliseconds * RATE_HZ / 1000)
    bridged[30_000 : 30_000 + size] = np.linspace(whole[29_999], whole[29_999] + 4.0, size)
    assert codes(bridged, step) == {"dropouts": "limited"}
    assert codes(whole, step) == {}


@pytest.mark.parametrize("step", [None, 0.01])
def test_a_slow_wave_is_no_straight_line(step: float | None) -> None:
    assert codes(5 * np.sin(2 * np.pi * 5 * TIME_S) + 1e-4 * noise(), step) == {}


def test_rest_between_impacts_is_no_straight_line() -> None:
    bursts = noise() * (0.05 + np.exp(-((TIME_S % 0.1) / 0.004)))
    assert codes(bursts, 5e-4) == {}
