from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import get_window

from vibe.spectra.windows import WINDOWS, coherent_gain, enbw_bins, overlap_correlation, window

SCIPY_NAMES = {
    "rectangle": "boxcar",
    "hann": "hann",
    "hamming": "hamming",
    "blackman": "blackman",
    "blackman-harris": "blackmanharris",
    "flat top": "flattop",
    "kaiser 3": ("kaiser", 3.0 * np.pi),
    "bartlett": "bartlett",
}


@pytest.mark.parametrize("name", WINDOWS)
@pytest.mark.parametrize("n", [16, 1001])
def test_every_window_is_the_periodic_one_of_scipy(name: str, n: int) -> None:
    np.testing.assert_allclose(window(name, n), get_window(SCIPY_NAMES[name], n, fftbins=True), atol=1e-7)


def test_a_window_is_shared_and_cannot_be_spoilt() -> None:
    with pytest.raises(ValueError, match="read-only"):
        window("hann", 64)[0] = 1.0


def test_unknown_window_lists_those_there_are() -> None:
    with pytest.raises(ValueError, match=r"no window 'hahn'; known: .*hann"):
        window("hahn", 64)


def test_rectangle_changes_nothing_and_shares_what_overlaps() -> None:
    w = window("rectangle", 100)
    assert coherent_gain(w) == 1.0
    assert enbw_bins(w) == 1.0
    assert overlap_correlation(w, 0.5) == pytest.approx(0.5)
    assert overlap_correlation(w, 0.0) == 0.0
    assert overlap_correlation(window("hann", 100), 1.0) == pytest.approx(1.0)
