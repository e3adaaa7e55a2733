"""Thresholds of a capture's quality that need no samples: each met from both sides."""

from __future__ import annotations

from dataclasses import make_dataclass
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.ingest import assess
from vibe.ingest.quality.checks.coverage import length, sample_rate
from vibe.ingest.quality.checks.speed_change import unsteady
from vibe.ingest.route.completeness import _set_clocks


@pytest.mark.parametrize(
    ("drift", "verdict"), [(0.004, None), (0.006, "usable"), (0.025, "usable"), (0.035, "limited")]
)
def test_a_speed_that_changes_by_half_a_per_cent_is_said_to_and_by_three_limits_what_is_seen(
    drift: float, verdict: str | None
) -> None:
    """A line crosses the flank of a casing resonance of one to three per cent of damping."""
    found = unsteady(drift)
    assert [one.verdict for one in found] == ([] if verdict is None else [verdict])


def signal(seconds: float, rate_hz: float = 25_600.0) -> Any:
    size = round(seconds * rate_hz)
    channel = SimpleNamespace(duration_s=seconds)
    return SimpleNamespace(x=np.zeros(size, dtype=np.float32), channel=channel, planned=None, rate_hz=rate_hz)


@pytest.mark.parametrize(("turns", "verdict"), [(6.5, "rejected"), (9.5, "limited"), (27.0, "limited"), (33.0, None)])
def test_thirty_turns_are_needed_and_fewer_than_eight_show_nothing(turns: float, verdict: str | None) -> None:
    """Line spacing is one order over the number of turns."""
    found = length(signal(turns / 25.0), 25.0, None)
    assert [one.verdict for one in found] == ([] if verdict is None else [verdict])


@pytest.mark.parametrize(("size", "enough"), [(480, False), (540, True)])
def test_five_hundred_samples_make_a_spectrum(size: int, enough: bool) -> None:
    assert (length(signal(size / 25_600.0), None, None) == []) is enough


@pytest.mark.parametrize(("periods", "enough"), [(2.6, False), (3.4, True)])
def test_of_the_slowest_part_three_turns_are_needed(periods: float, enough: bool) -> None:
    assert (length(signal(10.0), None, periods / 10.0) == []) is enough


@pytest.mark.parametrize(("orders", "enough"), [(1.8, False), (2.3, True)])
def test_what_does_not_reach_twice_the_inputs_speed_shows_neither_unbalance_nor_misalignment(
    orders: float, enough: bool
) -> None:
    """Up to the sample rate over 2.56, which filters pass."""
    assert (sample_rate(signal(10.0, 2.56 * orders * 25.0), None, 25.0) == []) is enough


@pytest.mark.parametrize(("turns", "turned"), [(0.4, False), (0.65, True)])
def test_an_encoder_that_sways_by_less_than_half_a_turn_concerns_a_shaft_that_stands(
    turns: float, turned: bool
) -> None:
    angle = np.linspace(0.0, turns, 4000).astype(np.float32)
    encoder = Channel(name="t", samples=angle, sample_rate_hz=400.0, quantity="angle", recorded_unit="rev")
    assert ("tachometer_silent" in [one.code for one in assess(encoder).reasons]) is not turned


@pytest.mark.parametrize(("days", "kept"), [(690, True), (770, False)])
def test_a_clock_two_years_ahead_was_not_set(days: int, kept: bool) -> None:
    """This machine's own may be off by one."""
    now = datetime(2026, 3, 1, tzinfo=UTC)
    seen = make_dataclass("seen", ["measured_at", "remarks"], frozen=True)
    (found,) = _set_clocks([seen(now + timedelta(days=days), ())], now)
    assert (found.measured_at is not None) is kept
