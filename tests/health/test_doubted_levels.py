"""Levels that are not the machine's set no state; tones of the same captures go on counting."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.studies.fleet import FLEET, judged, life, settings, tones
from vibe.core.capture import Capture, ChannelQuality, Reason
from vibe.core.health import Health
from vibe.flow.diagnose.drive_diagnosis import health_of
from vibe.health.state.doubted_levels import LEVEL_CODES, doubts, impossible_levels
from vibe.synth.simulate import simulate

TAG = "ratio-17"


def scaled(capture: Capture, factors: tuple[float, ...]) -> Capture:
    """Vibration as another unit or sensitivity would have it, channel by channel."""
    own = iter(factors)
    return replace(
        capture,
        channels=tuple(
            replace(one, samples=one.samples * next(own), full_scale=None) if one in capture.vibration else one
            for one in capture.channels
        ),
    )  # fmt: skip


def health(*factors: float) -> Health:
    taken = simulate(FLEET[TAG], seed=3, conditions=life(3, of="levels in doubt"))
    return health_of(FLEET[TAG], tones(TAG), [judged(scaled(taken, factors), FLEET[TAG])], settings())


@pytest.fixture(scope="module")
def healthy() -> Health:
    return health(1.0, 1.0)


def test_the_twin_in_right_units_is_judged(healthy: Health) -> None:
    assert healthy.state == "sound"
    assert any(level.zone for level in healthy.levels)


def test_counts_in_place_of_units_are_unknown(healthy: Health) -> None:
    found = health(2e4, 2e4)
    assert found.state == "unknown"
    assert found.state_rule.startswith("Levels in doubt give unknown, never ")
    assert found.do_by.startswith("Set unit and sensitivity")
    assert not any(level.zone for level in found.levels)


def test_one_point_in_right_units_is_judged_alone(healthy: Health) -> None:
    found = health(1.0, 2e4)
    assert found.state not in ("plan", "act")
    right, _ = (one.name for one in found.captures[0].channels)
    assert {level.point for level in found.levels if level.zone} == {right}
    assert found.state != "unknown"


def test_remarks_and_other_reasons_make_no_level_impossible() -> None:
    def reason(code: str, verdict: str) -> Reason:
        return Reason(code=code, text=code, remedy="", verdict=verdict)  # type: ignore[arg-type]

    hum, remark, impossible = reason("hum", "limited"), reason("overflow", "usable"), reason("overflow", "limited")
    rows = [
        ChannelQuality(channel="In", verdict="limited", reasons=(reason("clipped", "limited"),)),
        ChannelQuality(channel="Out", verdict="limited", reasons=(hum, remark)),
        ChannelQuality(channel="Side", verdict="limited", reasons=(hum, impossible)),
    ]
    assert impossible_levels(rows) == {"side": impossible}


def test_of_each_point_the_first_reason_counts_that_limits_it() -> None:
    def reason(code: str, verdict: str = "limited", text: str = "") -> Reason:
        return Reason(code=code, text=text or code, remedy="", verdict=verdict)  # type: ignore[arg-type]

    scaled, hum = reason("scaled"), reason("hum")
    points = [
        ("Input side", [reason("clipped"), reason("hum", "usable"), scaled, hum]),
        ("input side", [hum]),
        ("Output side", [reason("clipped")]),
    ]
    assert doubts(points, LEVEL_CODES) == {"input side": scaled}
