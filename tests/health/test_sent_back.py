"""What the check of a round sends back: never sound, named in the report; its healthy twin is left as it is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from vibe.core.capture import Reason
from vibe.core.health import CaptureReport, ChannelReport, EvidenceItem, Finding, Health, LevelReport, SpeedReport
from vibe.core.route.round_check import FileSeen, PointSeen
from vibe.health.state.sent_back import sent_back, with_check
from vibe.health.state.settings import Judgement

IN, OUT = "input side radial", "output side radial"
CLIPPED = Reason(code="clipped", text="input clipped", remedy="Set a larger range and repeat the measurement.",
                 verdict="limited")  # fmt: skip
SCALED = Reason(code="scaled", text="unit or sensitivity?", remedy="Compare the settings.", verdict="limited")
NOTED = Reason(code="dc_offset", text="an offset", remedy="", verdict="usable")


def report(**changed: Any) -> Health:
    channels = [ChannelReport(name=name, quality="usable", reasons=["seen before"]) for name in (IN, OUT)]
    plain = Health(
        drive="A-1", name="Press", state="sound", state_rule="r", sentence="Press (A-1): fine.", do_by="Go on.",
        captures=[CaptureReport(file="a.h5", sha256="1", measured_at="2026-03-09T08:00:00+01:00", channels=channels)],
        speed=SpeedReport(input_hz=24.0, uncertainty_hz=None, method="signal"), findings=[], levels=[],
        not_observable=[], cautions=[], software="vibe",
    )  # fmt: skip
    return plain.model_copy(update=changed)


def file(*reasons: Reason, verdict: str = "retake", **changed: Any) -> FileSeen:
    points = (
        PointSeen(point=IN, verdict="accepted", reasons=(NOTED,)),
        PointSeen(point=OUT, verdict=verdict, reasons=reasons, **changed),  # type: ignore[arg-type]
    )
    return FileSeen(path=Path("a.h5"), drive="A-1", points=points, content="1")


def checked(health: Health, judgement: Judgement, *files: FileSeen) -> Health:
    return with_check(health, files, sent_back(files), judgement, None)


def test_a_point_to_be_repeated_is_never_called_sound(judgement: Judgement) -> None:
    found = checked(report(), judgement, file(CLIPPED))
    assert found.state == "unknown"
    assert "never sound: output side radial: input clipped." in found.state_rule
    assert found.sentence.endswith("the measurement at output side radial must be repeated.")
    assert found.do_by.startswith("Set a larger range and repeat the measurement by 2026-03-")
    first, second = found.captures[0].channels
    assert (first.field_verdict, first.reasons) == ("accepted", ["seen before"])
    assert (second.field_verdict, second.reasons) == ("retake", ["input clipped", "seen before"])
    assert second.remedies == ["Set a larger range and repeat the measurement."]


@pytest.mark.parametrize(
    "one", [file(CLIPPED, verdict="limited"), file(CLIPPED, replaced_by="b.h5"), file(NOTED, verdict="accepted")]
)
def test_what_need_not_be_repeated_changes_no_state(judgement: Judgement, one: FileSeen) -> None:
    found = checked(report(), judgement, one)
    assert (found.state, found.sentence, found.do_by) == ("sound", "Press (A-1): fine.", "Go on.")


def test_without_a_round_nothing_changes(judgement: Judgement) -> None:
    assert with_check(report(), (), (), judgement, None) == report()


def test_a_graver_state_stands_and_names_the_repeat(judgement: Judgement) -> None:
    found = checked(report(state="act"), judgement, file(CLIPPED))
    assert (found.state, found.state_rule) == ("act", "r")
    assert found.sentence == "Press (A-1): fine. The measurement at output side radial must be repeated."
    assert found.do_by == f"Go on. Measure again at output side radial: {CLIPPED.remedy}"
    asked = checked(report(state="act", do_by="Set a larger range by tomorrow."), judgement, file(CLIPPED))
    assert asked.do_by == "Set a larger range by tomorrow."


def level(point: str, zone: str) -> LevelReport:
    return LevelReport(point=point, measure="velocity_rms", value=45.0, unit="mm/s", zone=zone)


@pytest.mark.parametrize(
    ("point", "reason", "state"), [(OUT, SCALED, "unknown"), (IN, SCALED, "act"), (OUT, CLIPPED, "act")]
)
def test_a_level_that_is_not_the_machines_sets_no_state(
    judgement: Judgement, point: str, reason: Reason, state: str
) -> None:
    loud = report(state="act", levels=[level(point, "D"), level("cover", "A")])
    assert checked(loud, judgement, file(reason)).state == state


def test_an_unknown_drive_gets_the_remedy_that_says_more(judgement: Judgement) -> None:
    plain = checked(report(state="unknown", do_by="Repeat the measurement within 7 days."), judgement, file(CLIPPED))
    assert plain.do_by.startswith("Set a larger range")
    known = checked(report(state="unknown", do_by="Swap the cable."), judgement, file(CLIPPED))
    assert known.do_by == "Swap the cable."


def test_a_file_that_cannot_be_read_is_sent_back_with_its_own_remedy() -> None:
    broken = FileSeen(path=Path("b.wav"), drive="A-1", named_point=OUT, error="is cut off", remedy="Copy it again.")
    (one,) = sent_back([broken])
    assert (one.point, one.verdict, one.reason, one.remedy) == (OUT, "unreadable", "is cut off", "Copy it again.")


INTEGRATED = Reason(code="quantity", text="it leans as velocity does", remedy="Look it up.", verdict="limited")


def found_at(point: str, defect: str) -> Finding:
    return Finding(
        tone=None, component="input.shaft", defect=defect, probability=0.7, false_alarm_probability=None,
        severity="moderate", cannot_be_told_from=[], why="w", advice="a",
        evidence=[EvidenceItem(kind="line", text="t", channel=point)],
    )  # fmt: skip


@pytest.mark.parametrize("verdict", ["limited", "retake"])
@pytest.mark.parametrize(
    ("point", "defect", "state"),
    [(OUT, "unbalance", "unknown"), (IN, "unbalance", "watch"), (OUT, "local damage", "watch"), (OUT, "", "unknown")],
)
def test_an_unbalance_read_in_a_wrong_unit_accuses_nobody(
    judgement: Judgement, point: str, defect: str, state: str, verdict: str
) -> None:
    """What is judged by the height of a line needs the right unit; impacts at an order do not."""
    findings = [found_at(point, defect)] if defect else []
    watch = report(state="watch", levels=[level(OUT, "A")], findings=findings)
    found = checked(watch, judgement, file(INTEGRATED, verdict=verdict))
    assert found.state == state
    if state == "unknown" and verdict == "limited":
        assert found.do_by == "Look it up. Then run again."
        assert "never watch: it leans as velocity does." in found.state_rule


@pytest.mark.parametrize("levels", [[OUT], [IN, OUT]])
def test_sound_by_levels_of_a_wrong_unit_alone_is_unknown(judgement: Judgement, levels: list[str]) -> None:
    sound = report(levels=[level(point, "A") for point in levels])
    found = checked(sound, judgement, file(INTEGRATED, verdict="limited"))
    assert found.state == ("unknown" if levels == [OUT] else "sound")
