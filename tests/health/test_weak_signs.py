"""What is too improbable to set a state: it is listed apart, compared, and raises nothing by itself."""

from __future__ import annotations

from typing import Any

import pytest

from tests.health.alarm_cases import NOW, capture, case, exceedance, found, key, shipped_rules
from tests.health.test_judge import finding, level, sensor_finding, verdict
from vibe.core.health import Health, SpeedReport
from vibe.health.alarms.causes import causes_of
from vibe.health.alarms.queue import queue_of
from vibe.health.state.report_changes import changes
from vibe.health.state.settings import Judgement, Limits
from vibe.health.state.weak_signs import weak_last

RULES = shipped_rules()


@pytest.mark.parametrize(
    ("severity", "probability", "state"),
    [
        ("slight", 0.02, "sound"),
        ("slight", 0.099, "sound"),
        ("slight", 0.101, "watch"),
        ("moderate", 0.099, "sound"),
        ("moderate", 0.101, "watch"),
        ("severe", 0.049, "sound"),
        ("severe", 0.051, "watch"),
    ],
)
def test_below_what_a_drive_has_unmeasured_a_finding_sets_no_state(
    judgement: Judgement, severity: str, probability: float, state: str
) -> None:
    said = verdict(judgement, finding(severity, probability), levels=(level("A"),))
    assert said.state == state
    if state == "sound":
        assert f"{100 * probability:.1f} %" in said.state_rule
        assert f"a {severity} finding of less than" in said.state_rule
        assert "a weak sign, listed below, to be compared" in said.sentence
        assert said.do_by.startswith("Take the next routine measurement")


def test_a_sign_too_faint_for_words_is_not_announced(judgement: Judgement) -> None:
    faint = verdict(judgement, finding("slight", 0.004), levels=(level("A"),))
    assert faint == verdict(judgement, levels=(level("A"),))
    # That the bearing is damaged at all counts, and not which of its elements it is.
    race = finding("slight", 0.004, tone="bearing.a.inner_race", component="bearing.a", component_probability=0.02)
    assert "a weak sign, listed below" in verdict(judgement, race, levels=(level("A"),)).sentence


def test_that_the_bearing_is_damaged_counts_and_not_which_element_it_is(judgement: Judgement) -> None:
    race = finding("slight", 0.04, tone="bearing.a.inner_race", component="bearing.a", component_probability=0.4)
    assert verdict(judgement, race).state == "watch"
    assert weak_last([race], judgement)[0].weak_sign is False


def test_a_weak_sign_neither_hides_nor_lifts_what_else_was_found(judgement: Judgement) -> None:
    weak, strong = finding("severe", 0.01), finding("slight", 0.6, tone="stage1.ring_pin", component="stage1.ring_pin")
    said = verdict(judgement, weak, strong)
    assert said.state == "watch"
    assert "ring pin" in said.sentence
    assert "more finding" not in said.sentence
    assert verdict(judgement, weak, levels=(level("D"),)).state == "act"
    # What cannot show damage is no more sound for a weak sign, nor is a drive that was not detected.
    assert verdict(judgement, weak, blind="too slow").state == "unknown"
    assert verdict(judgement, weak, not_detected=("no mesh", "Look")).state == "unknown"


def test_an_unlikely_complaint_about_a_sensor_sets_no_state(judgement: Judgement) -> None:
    said = verdict(judgement, sensor_finding("a", 0.03))
    assert said.state == "sound"
    assert "the sensor, loose mounting, 3.0 %" in said.state_rule


def test_weak_signs_come_last_and_ask_for_no_work(judgement: Judgement) -> None:
    weak, strong = finding("severe", 0.01), finding("slight", 0.6)
    first, last = weak_last([weak, strong], judgement)
    assert first == strong
    assert (last.weak_sign, last.probability, last.severity) == (True, 0.01, "severe")
    assert last.advice.startswith("Nothing needs to be done for this alone")
    assert last.advice.endswith(f"If it has grown: {weak.advice}")


def test_a_plant_that_wants_every_finding_watched_says_so(judgement_table: dict[str, Any]) -> None:
    for rule in judgement_table["finding_rule"]:
        rule["state"] = "watch" if rule["state"] == "sound" else rule["state"]
    assert verdict(Judgement.model_validate(judgement_table), finding("slight", 0.001)).state == "watch"


def test_weak_signs_alone_raise_no_alarm_and_name_what_rises() -> None:
    weak = found(probability=0.04, weak_sign=True)
    captures = tuple(capture(week, *([weak] if week >= 21 else [])) for week in range(24))
    assert causes_of(case(captures=captures), RULES) == []
    assert queue_of([case(captures=captures)], [], RULES, NOW).alarms == ()
    rising = case(captures=captures, exceedances=(exceedance(key("hit", point="", subject="stage1.lobe")),))
    (only,) = causes_of(rising, RULES)
    assert (only.kind, only.cause) == ("fault", "stage1.lobe")
    # What was found in earnest and fades is an alarm as long as any of the latest captures shows it so.
    fading = tuple(capture(w, *([found() if w < 22 else weak] if w >= 18 else [])) for w in range(24))
    assert [cause.cause for cause in causes_of(case(captures=fading), RULES)] == ["stage1.lobe"]


def test_what_was_found_in_earnest_names_the_alarm_and_begins_when_it_was_first_found_so() -> None:
    weak = found("bearing.a.cage", "bearing.a.inner_race", severity="severe", probability=0.04, weak_sign=True)
    strong = found("bearing.a.inner_race", severity="slight")
    captures = tuple(capture(week, *([weak] if week < 22 else [weak, strong])) for week in range(15, 24))
    (only,) = causes_of(case(captures=captures), RULES)
    assert only.finding is not None
    assert (only.finding.tone, only.finding.severity) == ("bearing.a.inner_race", "slight")
    assert (only.finding.seen_in, only.finding.of) == (2, 3)
    assert only.since == captures[-2].at
    # A weak sign between does not end what was found before it.
    between = tuple(capture(week, strong if week in (16, 23) else weak) for week in range(15, 24))
    assert causes_of(case(captures=between), RULES)[0].since == between[1].at
    alone = case(captures=captures[:-2], exceedances=(exceedance(key("hit", point="", subject="bearing.a.cage")),))
    assert causes_of(alone, RULES)[0].since == captures[0].at


def test_a_level_goes_to_what_was_found_in_earnest() -> None:
    weak = found("stage1.ring_pin", severity="severe", probability=0.04, weak_sign=True)
    strong = found("stage1.lobe", severity="slight")
    captures = tuple(capture(week, weak, strong) for week in range(24))
    causes = causes_of(case(captures=captures, exceedances=(exceedance(),)), RULES)
    assert [(cause.cause, len(cause.exceedances)) for cause in causes] == [("stage1.lobe", 1)]


def test_the_next_report_says_what_became_of_a_weak_sign(judgement: Judgement, limits: Limits) -> None:
    def report(*findings: Any) -> Health:
        return Health(
            drive="A-1", state="sound", state_rule="r", sentence="s", do_by="d", captures=[],
            speed=SpeedReport(input_hz=24.0, uncertainty_hz=None, method="signal"),
            findings=weak_last(findings, judgement), levels=[], not_observable=[], cautions=[], software="vibe",
        )  # fmt: skip

    def notes(before: Health, now: Health) -> list[tuple[str, str, float | None]]:
        return [(one.fate, one.note, one.probability_before) for one in changes(before, now, None, limits).findings]

    weak, strong = report(finding("slight", 0.03)), report(finding("slight", 0.6))
    assert notes(weak, strong) == [("still there", "a weak sign last time", 0.03)]
    assert notes(strong, weak) == [("still there", "a weak sign", 0.6)]
    (new,) = notes(report(), weak)
    assert new[1].startswith("a weak sign")
