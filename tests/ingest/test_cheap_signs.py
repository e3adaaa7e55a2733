"""Checks that begin with a cheap sign say the same as without it; quantiles of a few values are those of all."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import channel
from vibe.core.capture import Reason
from vibe.ingest.quality.checks import amplitude, drift
from vibe.ingest.quality.prepared_signal import Signal, prepare, upper_quantiles
from vibe.ingest.quality.recording import missing_codes

Row = NDArray[np.float64]
RATE_HZ = 4_000.0
TIME_S = np.arange(round(8 * RATE_HZ)) / RATE_HZ


def noise() -> Row:
    return np.random.default_rng(3).standard_normal(TIME_S.size)


def bent(by: float) -> Row:
    """The upper half of the wave is pressed together, the more the higher it is."""
    row = noise()
    return np.where(row > 0, np.tanh(by * row) / by, row)


def floor(height: float) -> Row:
    """A flat floor, which integration makes a slope of."""
    return height * noise()


def gapped(width: float) -> Row:
    """Values in the middle are left out."""
    row = noise()
    return row + np.where(row > 0.3, width, 0.0)


@pytest.mark.parametrize(
    ("make", "heights", "check", "module", "sign", "always"),
    [
        (bent, np.geomspace(0.1, 1.5, 7), amplitude.bent_on_one_side, amplitude, "_SURELY_ALIKE", np.inf),
        (floor, np.geomspace(0.05, 1.0, 7), lambda s: drift.ski_slope(s)[0], drift, "_SURELY_LESS", 0.0),
        (gapped, np.geomspace(1e-3, 1e-2, 7), missing_codes.missing_codes, missing_codes, "_FIRST_LOOK", 0.0),
    ],
    ids=["bent", "slope", "missing codes"],
)
def test_a_cheap_sign_hides_nothing(
    make: Callable[[float], Row],
    heights: Row,
    check: Callable[[Signal], list[Reason]],
    module: object,
    sign: str,
    always: float,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    signals = [prepare(channel(make(height), rate_hz=RATE_HZ)) for height in heights]
    quick = [check(signal) for signal in signals]
    monkeypatch.setattr(module, sign, always)
    assert [check(signal) for signal in signals] == quick
    assert any(quick)
    assert not all(quick)


@pytest.mark.parametrize("shares", [(0.97, 0.9995), (0.8,), (0.2, 0.9)])
def test_quantiles_of_the_upper_end(shares: tuple[float, ...]) -> None:
    rng = np.random.default_rng(1)
    rows = [
        rng.standard_normal(200_001),
        rng.standard_normal(7),
        np.repeat(rng.standard_normal(50), 900),
        np.ones(5_000),
        # High where the few that are looked at lie, and nowhere else.
        np.where(np.arange(8_192) % 2 == 0, 5.0, rng.standard_normal(8_192)),
    ]
    for row in rows:
        x = row.astype(np.float32)
        assert upper_quantiles(x, shares) == pytest.approx(np.quantile(x.astype(np.float64), shares), rel=1e-6)
