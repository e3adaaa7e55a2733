"""Speed ranges and signals at their ends: an answer or None, never an exception or a warning."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.speed.speed_search import speed_from_signal

RATE, SPEED = 2560.0, 24.2
TIME = np.arange(int(6 * RATE)) / RATE


def lines(seconds: float = 6.0, speed_hz: float = SPEED) -> np.ndarray:
    time = TIME[: int(seconds * RATE)]
    noise = np.random.default_rng(4).normal(size=time.size)
    return (sum(np.sin(2 * np.pi * k * speed_hz * time + k) for k in (1, 2, 3, 18)) + 0.3 * noise).astype(np.float32)


@pytest.mark.parametrize("half_width", [1e-9, 1e-6, 1e-4])
def test_a_range_narrower_than_the_capture_resolves(half_width: float) -> None:
    middle = 1.0001 * SPEED
    narrow = (middle * (1 - half_width), middle * (1 + half_width))
    found = speed_from_signal([(lines(), RATE)], narrow, (1.0, 2.0, 3.0))
    assert found is not None
    assert found[1].input_hz == pytest.approx(SPEED, rel=1e-3)


def test_few_turns_of_a_slow_shaft_raise_nothing() -> None:
    for seconds in (0.2, 1.0, 4.0, 6.0):
        for speed_hz in (0.1, 1.0, 5.0):
            samples = lines(seconds, speed_hz)
            found = speed_from_signal([(samples, RATE)], (0.97 * speed_hz, 1.03 * speed_hz), (1.0, 2.0, 3.0, 18.0))
            assert found is None or 0.9 * speed_hz < found[1].input_hz < 1.1 * speed_hz


@pytest.mark.parametrize("samples", [np.zeros(8192), np.full(8192, 1e-30), np.eye(1, 8192, 100)[0]])
def test_signals_without_content_raise_nothing(samples: np.ndarray) -> None:
    speed_from_signal([(samples.astype(np.float32), RATE)], (23.0, 25.0), (1.0, 2.0, 3.0, 18.0))
