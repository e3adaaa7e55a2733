from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.fft import fast_length, irfft, rfft


def test_single_precision_stays_single() -> None:
    row = np.random.default_rng(1).normal(size=4000).astype(np.float32)
    lines = rfft(row)
    assert lines.dtype == np.complex64
    assert irfft(lines, 4000).dtype == np.float32
    np.testing.assert_allclose(irfft(lines, 4000), row, atol=1e-5)


def test_quick_lengths_have_no_large_prime_factor() -> None:
    assert fast_length(2025) == 2025
    assert fast_length(4099) == 4320  # 2⁵ · 3³ · 5: nothing between has only factors up to 5
    with pytest.raises(ValueError, match="at least one sample"):
        fast_length(0)
