from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.integration import differentiate

RATE = 6400.0
TIME = np.arange(32_000) / RATE
INNER = slice(round(0.5 * RATE), -round(0.5 * RATE))  # five periods of the 10 Hz limit from either end


@pytest.mark.parametrize("frequency_hz", [24.3, 613.7])
def test_a_sine_differentiates(frequency_hz: float) -> None:
    omega = 2 * np.pi * frequency_hz
    found = differentiate(np.sin(omega * TIME + 0.8), RATE, high_hz=2000.0) / omega
    assert np.abs(found - np.cos(omega * TIME + 0.8))[INNER].max() < 0.01


def test_what_lies_outside_the_band_is_gone() -> None:
    def largest(frequency_hz: float) -> float:
        row = np.sin(2 * np.pi * frequency_hz * TIME)
        return float(np.abs(differentiate(row, RATE, low_hz=10.0, high_hz=1000.0)[INNER]).max())

    assert largest(5.0) < 0.01 * 2 * np.pi * 5.0
    assert largest(1300.0) < 0.01 * 2 * np.pi * 1300.0
    assert largest(40.0) == pytest.approx(2 * np.pi * 40.0, rel=0.01)


def test_what_cannot_be_differentiated_is_refused() -> None:
    with pytest.raises(ValueError, match="no band"):
        differentiate(TIME, RATE, low_hz=20.0, high_hz=10.0)
    with pytest.raises(ValueError, match="four samples"):
        differentiate(TIME[:3], RATE)


@pytest.mark.parametrize("n", [4, 5, 50])
def test_short_rows_come_back_whole(n: int) -> None:
    assert differentiate(np.arange(n, dtype=float), RATE).shape == (n,)
