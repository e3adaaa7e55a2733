"""Two reports of one drive: from what difference on they are of another speed, or of another band."""

from __future__ import annotations

import pytest

from vibe.core.health import CaptureReport, ChannelReport, Health, LevelReport, SpeedReport
from vibe.health.state.report_changes import changes
from vibe.health.state.settings import Boundaries, Limits

BOUNDS = Boundaries(ab=1.4, bc=2.8, cd=4.5)


def report(file: str, *, speed_hz: float = 24.0, top_hz: float = 1000.0, value: float = 1.0) -> Health:
    return Health(
        drive="A-1", state="sound", state_rule="r", sentence="s", do_by="d",
        captures=[CaptureReport(file=file, channels=[ChannelReport(name="housing", quality="usable")])],
        speed=SpeedReport(input_hz=speed_hz, uncertainty_hz=None, method="signal"), findings=[],
        levels=[
            LevelReport(
                point="housing", measure="velocity_rms", value=value, unit="mm/s", band_hz=[10.0, top_hz], zone="A"
            )
        ],
        not_observable=[], cautions=[], software="vibe",
    )  # fmt: skip


@pytest.mark.parametrize(("factor", "said"), [(0.93, False), (1.07, False), (0.87, True), (1.13, True)])
def test_a_tenth_of_the_speed_makes_another_condition(limits: Limits, factor: float, said: bool) -> None:
    found = changes(report("a.wav"), report("b.wav", speed_hz=24.0 * factor), BOUNDS, limits)
    assert any("speed is another one" in remark for remark in found.remarks) is said


@pytest.mark.parametrize(("top_hz", "compared"), [(1000.0, True), (965.0, True), (930.0, False)])
def test_levels_are_compared_where_the_edges_of_their_bands_differ_by_less_than_a_twentieth(
    limits: Limits, top_hz: float, compared: bool
) -> None:
    (change,) = changes(report("a.wav"), report("b.wav", top_hz=top_hz, value=3.0), BOUNDS, limits).levels
    assert (change.significant is True) is compared
    assert ("another band" in (change.note or "")) is not compared
