from __future__ import annotations

from vibe.core.health import Finding
from vibe.health.state.judge import judge
from vibe.health.state.settings import Judgement

BLIND = "rate and length let nothing be observed"


def test_what_could_not_have_shown_damage_is_not_sound(judgement: Judgement) -> None:
    blind = judge([], [], 2, [], judgement, tag="T-1", blind=BLIND)
    assert blind.state == "unknown"
    assert BLIND in blind.state_rule
    assert "capture plan" in blind.do_by
    assert judge([], [], 2, [], judgement, tag="T-1").state == "sound"


def test_what_was_found_all_the_same_counts(judgement: Judgement) -> None:
    found = Finding(
        tone=None, component="input.shaft", defect="unbalance", probability=0.97, false_alarm_probability=None,
        severity="severe", why="The line at running speed carries all.", advice="Look for deposits",
    )  # fmt: skip
    assert judge([found], [], 2, [], judgement, tag="T-1", blind=BLIND).state == "act"
