from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.evidence.planted_impacts import PlantRequest, planted, requested, ring_hz

RATE, COUNT = 25_600.0, 51_200
LAW = AngleLaw.steady(25.0, COUNT / RATE)


def envelope_order(samples: np.ndarray) -> float:
    """The strongest line below 12 orders of the squared samples."""
    power = np.abs(np.fft.rfft(samples.astype(float) ** 2 - np.mean(samples.astype(float) ** 2))) ** 2
    hz = np.fft.rfftfreq(samples.size, 1 / RATE)
    return float(hz[power[hz < 12 * 25.0].argmax()] / 25.0)


def test_impacts_have_the_peak_the_order_and_the_resonance_that_were_asked_for() -> None:
    made = planted(COUNT, RATE, LAW, PlantRequest(order=3.5, slips=False), 3000.0, seed=1)
    assert np.abs(made).max() == pytest.approx(1.0, abs=0.02)
    assert envelope_order(made) == pytest.approx(3.5, abs=0.03)
    power = np.abs(np.fft.rfft(made)) ** 2
    assert np.fft.rfftfreq(COUNT, 1 / RATE)[power.argmax()] == pytest.approx(3000.0, rel=0.03)
    assert np.array_equal(made, planted(COUNT, RATE, LAW, PlantRequest(order=3.5, slips=False), 3000.0, seed=1))


def test_a_part_that_is_carried_through_the_load_strikes_unequally() -> None:
    plain = planted(COUNT, RATE, LAW, PlantRequest(order=5.4, slips=True), 3000.0, seed=2)
    carried = planted(COUNT, RATE, LAW, PlantRequest(order=5.4, slips=True, sidebands=(1.0,)), 3000.0, seed=2)
    assert np.mean(carried**2) < 0.6 * np.mean(plain**2)
    assert np.abs(carried).max() == pytest.approx(1.0, abs=0.05)


def test_a_tone_is_struck_where_its_usual_slip_puts_it() -> None:
    found = requested(5.0, (-0.02, 0.0), (1.0, 0.4))
    assert (found.order, found.slips, found.sidebands) == (pytest.approx(4.95), True, (0.4,))


def test_resonances_lie_within_what_the_recorder_passes() -> None:
    rng = np.random.default_rng(1)
    for rate in (2560.0, 25_600.0, 102_400.0):
        drawn = [ring_hz(rate, rng) for _ in range(200)]
        assert max(drawn) <= 0.35 * rate
        assert max(drawn) <= 8000.0
        assert min(drawn) < 0.6 * max(drawn)
    assert max(ring_hz(25_600.0, rng, 0.0, 1 / 3) for _ in range(50)) < min(
        ring_hz(25_600.0, rng, 2 / 3, 1.0) for _ in range(50)
    )
