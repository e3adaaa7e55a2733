"""A bearing that is surely damaged is judged as such, however unsure its element is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from vibe.core.health import Finding
from vibe.health.state.finding_names import finding_in_words
from vibe.health.state.judge import judge

if TYPE_CHECKING:
    from vibe.flow.settings import Settings


def bearing(probability: float, whole: float | None) -> Finding:
    name = "bearing.output bearing.rolling_element"
    return Finding(
        tone=name, component=name, defect="local damage", probability=probability, component_probability=whole,
        false_alarm_probability=1e-8, severity="severe", why="", advice="",
        cannot_be_told_from=["bearing.output bearing.outer_race"],
    )  # fmt: skip


@pytest.mark.parametrize(("whole", "state"), [(0.999, "act"), (0.6, "plan"), (None, "plan")])
def test_the_state_is_that_of_the_bearing(settings: Settings, whole: float | None, state: str) -> None:
    verdict = judge([bearing(0.6, whole)], [], tag="D-1", usable_channels=1, rejected=(), judgement=settings.judgement)
    assert verdict.state == state
    assert ("the output bearing, local damage, over 99 %" in verdict.state_rule) is (whole == 0.999)


def test_words_say_how_sure_the_bearing_is_and_how_sure_its_element() -> None:
    assert finding_in_words(bearing(0.6, 0.999)) == (
        "the output bearing is almost certainly damaged, more likely than not its rolling elements"
    )
    # As sure of the one as of the other: one adverb.
    assert finding_in_words(bearing(0.995, 0.999)).count("almost certainly") == 1
