from __future__ import annotations

import weakref

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.basic.fft import fast_length, irfft, once, quick_near, rfft, unpadded_transform_of


def test_single_precision_stays_single() -> None:
    row = np.random.default_rng(1).normal(size=4000).astype(np.float32)
    lines = rfft(row)
    assert lines.dtype == np.complex64
    assert irfft(lines, 4000).dtype == np.float32
    np.testing.assert_allclose(irfft(lines, 4000), row, atol=1e-5)


def test_quick_lengths_have_no_large_prime_factor() -> None:
    assert fast_length(2025) == 2025
    assert fast_length(358_400) == 358_400  # 14 s at 25.6 kHz, 2¹¹ · 5² · 7: not padded, which would cost more
    assert fast_length(4099) == 4320  # 2⁵ · 3³ · 5: nothing between has only factors up to 5
    with pytest.raises(ValueError, match="at least one sample"):
        fast_length(0)


def test_a_length_that_is_a_large_prime_gives_way_to_its_nearest_quick_neighbour() -> None:
    assert quick_near(4603, 1e-3) == 4602  # A prime; its neighbour is 2 · 3 · 13 · 59.
    assert quick_near(4602, 1e-3) == 4602
    assert quick_near(4619, 1e-3) == 4620  # A prime; 4618 is twice another, 4620 is 2² · 3 · 5 · 7 · 11.
    assert quick_near(863, 1e-3) == 863  # A prime with no other length so near.


def test_a_recording_of_any_length_is_transformed_once_and_at_its_own_length() -> None:
    row = np.random.default_rng(2).normal(size=4603).astype(np.float32)
    lines = unpadded_transform_of(row)
    assert lines is unpadded_transform_of(row)
    np.testing.assert_array_equal(lines, rfft(row))


def test_what_is_made_once_is_kept_as_long_as_its_samples() -> None:
    made: list[int] = []

    def doubled(samples: NDArray[np.float32]) -> NDArray[np.float32]:
        made.append(samples.size)
        return np.asarray(samples * np.float32(2.0))

    of = once(doubled)
    first, second = np.ones(4, dtype=np.float32), np.zeros(5, dtype=np.float32)
    assert of(first) is of(first)
    assert np.array_equal(of(second), second)
    assert made == [4, 5]
    result = weakref.ref(of(first))
    del first
    assert result() is None  # nothing holds it once its samples are gone
    assert of(second) is of(second)
    assert made == [4, 5]
