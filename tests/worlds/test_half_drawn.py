"""A ring in which every second pin is left out, and a drive file that does not say so."""

from __future__ import annotations

from dataclasses import replace

from tests.worlds import moorside
from tests.worlds.trial import health_from


def test_pins_that_are_left_out_are_asked_for_and_believed() -> None:
    case = moorside.case(95)
    assert "ring_pins = 26" in case.drive_toml
    health = health_from(case)
    remedies = [step for one in health.captures for channel in one.channels for step in channel.remedies]
    assert health.state == "unknown"
    assert any("fitted_pins = 13" in step for step in remedies)
    stated = case.drive_toml.replace("ring_pins = 26", "ring_pins = 26\nfitted_pins = 13")
    assert health_from(replace(case, drive_toml=stated)).state != "unknown"
