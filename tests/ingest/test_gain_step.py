"""A recorder that switches its range while it runs, next to machines that change by themselves."""

from __future__ import annotations

import numpy as np
import pytest

from tests.ingest.ingest_signals import RATE_HZ, channel, machine
from vibe.core.capture import Reason
from vibe.ingest import assess

WHOLE = machine(8.0)
TIME_S = np.arange(WHOLE.size) / RATE_HZ


def switched(samples: np.ndarray) -> list[Reason]:
    return [reason for reason in assess(channel(samples)).reasons if reason.code == "gain_step"]


@pytest.mark.parametrize("at_s", [1.013, 4.0, 7.2])
@pytest.mark.parametrize("factor", [2.0, 0.5, 10**0.5, 0.1])
def test_a_range_that_is_switched_is_reported_with_its_place_and_factor(factor: float, at_s: float) -> None:
    (reason,) = switched(WHOLE * np.where(at_s < TIME_S, factor, 1.0))
    assert reason.verdict == "rejected"
    assert abs(float(reason.text.split("about ")[1].split(" s")[0]) - at_s) < 0.05
    times = max(factor, 1 / factor)
    assert abs(float(reason.text.split("are ")[1].split(" times")[0]) / times - 1) < 0.1
    assert ("higher" in reason.text) == (factor > 1)
    assert switched(WHOLE) == []


def changing(kind: str) -> np.ndarray:
    """Machines whose level changes by far more than 6 dB without anybody's touching the recorder."""
    rng = np.random.default_rng(8)
    if kind == "load comes on":  # all bands alike, but in a third of a second
        return np.asarray(WHOLE * np.interp(TIME_S, [4.0, 4.3], [1.0, 3.0]))
    if kind == "lines alone":
        lines = sum(np.sin(2 * np.pi * f * TIME_S) for f in (24.3, 48.6, 437.4))
        return np.asarray(WHOLE + 3 * lines * (TIME_S > 4))
    if kind == "stops":  # what is left is the sensor's noise
        return np.asarray(WHOLE * np.where(TIME_S < 4, 1.0, 1e-3) + 0.02 * rng.standard_normal(WHOLE.size))
    if kind == "works in strokes":
        return np.asarray(WHOLE * (1 + 3 * (TIME_S % 1.6 > 0.8)))
    impacts = np.zeros(WHOLE.size)
    impacts[(np.arange(4.0, 8.0, 0.05) * RATE_HZ).astype(int)] = 40.0  # something begins to knock
    return np.asarray(
        WHOLE + np.convolve(impacts, np.exp(-np.arange(200) / 30) * np.sin(0.8 * np.arange(200)))[: impacts.size]
    )


@pytest.mark.parametrize("kind", ["load comes on", "lines alone", "stops", "works in strokes", "knocks"])
def test_a_machine_that_changes_has_switched_nothing(kind: str) -> None:
    assert switched(changing(kind)) == []


def test_a_step_that_no_range_makes_is_none() -> None:
    assert switched(WHOLE * np.where(TIME_S > 4, 1.6, 1.0)) == []


def test_too_short_to_be_read_on_both_sides() -> None:
    assert switched((WHOLE * np.where(TIME_S > 0.5, 4.0, 1.0))[: round(1.0 * RATE_HZ)]) == []
