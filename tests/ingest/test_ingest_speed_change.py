"""A moving speed limits a channel, a steady one says nothing, a rejected channel stays as it is."""

from __future__ import annotations

from vibe.core.capture import ChannelQuality
from vibe.ingest import with_drift

USABLE = ChannelQuality(channel="a", verdict="usable", usable_band_hz=(1.0, 1000.0))


def test_a_ramp_limits_and_a_little_drift_is_a_remark() -> None:
    ramp = with_drift(USABLE, 0.05)
    assert ramp.verdict == "limited"
    assert "5.0 %" in ramp.reasons[0].text
    assert ramp.reasons[0].code == "speed_not_steady"
    assert with_drift(USABLE, 0.01).verdict == "usable"
    assert with_drift(USABLE, 0.01).reasons


def test_steady_or_unknown_says_nothing() -> None:
    assert with_drift(USABLE, 1e-4) == USABLE
    assert with_drift(USABLE, None) == USABLE


def test_a_rejected_channel_stays_rejected() -> None:
    rejected = ChannelQuality(channel="a", verdict="rejected")
    assert with_drift(rejected, 0.05) == rejected
