"""What is said at the drive: each fault next to a twin that is as it should be."""

from __future__ import annotations

from pathlib import Path

import pytest

from vibe.core.capture import Reason
from vibe.core.drive import Drive
from vibe.core.route.round_check import PointSeen
from vibe.ingest import load_model
from vibe.ingest.quality.recording.sample_rate import Slip
from vibe.ingest.route.field_rules import FieldRules, Setting, as_before, settings, speed, verdict, wrong_drive

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def rules() -> FieldRules:
    return load_model(ROOT / "configs" / "on_the_spot.toml", FieldRules)


def drive(**extra: object) -> Drive:
    return Drive.model_validate(
        {
            "tag": "SP-03",
            "input": {"speed_rpm": 1440.0, "speed_range_rpm": [1400.0, 1499.0]},
            "motor": {"poles": 4, "line_hz": 50.0},
            "stage": [{"kind": "cycloidal", "lobes": 29, "ring_pins": 30, "output_pins": 10}],
        }
        | extra
    )


def codes(reasons: list[Reason]) -> list[str]:
    return [reason.code for reason in reasons]


def reason(code: str, grade: str) -> Reason:
    return Reason(code=code, text="", remedy="", verdict=grade)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("reasons", "word"),
    [
        ([], "accepted"),
        ([("dc_offset", "usable")], "accepted"),
        ([("settling", "usable")], "accepted"),  # a remark only
        ([("settling", "limited")], "retake"),
        ([("ski_slope", "limited")], "limited"),  # a second try with the same sensor gives the same
        ([("not_running", "rejected")], "retake"),
    ],
)
def test_what_a_second_try_mends_is_taken_again(reasons: list[tuple[str, str]], word: str, rules: FieldRules) -> None:
    assert verdict([reason(*one) for one in reasons], rules) == word


def test_what_the_earlier_round_shows_too_is_a_caution_and_no_repeat(rules: FieldRules) -> None:
    loose = PointSeen(point="input", verdict="retake", reasons=(reason("loose_mount", "limited"),))
    before = as_before(loose, "loose_mount", rules)
    assert (before.verdict, before.reasons[0].remedy.startswith("Nothing to repeat")) == ("limited", True)
    clipped = PointSeen(point="input", verdict="retake", reasons=(*loose.reasons, reason("clipped", "limited")))
    assert as_before(clipped, "loose_mount", rules).verdict == "retake"


def test_every_code_named_for_a_retake_is_one_that_is_given(rules: FieldRules) -> None:
    """A slip of spelling in the rules would switch a rule off unseen."""
    source = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "vibe" / "ingest").rglob("*.py"))
    assert [code for code in rules.retake.codes if f'"{code}"' not in source] == []


def setting(taken: float, planned: float, *lost: str) -> Setting:
    return Setting(taken=taken, planned=planned, lost=lost, promised=20)


PLANNED_S, PLANNED_HZ = setting(20.0, 20.0), setting(25_600.0, 25_600.0)


@pytest.mark.parametrize("length_s", [19.5, 20.0, 31.0])
def test_a_length_as_planned_or_longer_is_good(length_s: float, rules: FieldRules) -> None:
    assert settings(setting(length_s, 20.0), PLANNED_HZ, rules) == []


@pytest.mark.parametrize(("length_s", "times"), [(12.0, "1.3"), (5.0, "2")])
def test_a_capture_cut_short_says_what_it_shows_less_well(length_s: float, times: str, rules: FieldRules) -> None:
    short = settings(setting(length_s, 20.0), PLANNED_HZ, rules)
    assert codes(short) == ["short"]
    assert f"{times} times as large" in short[0].text
    assert verdict(short, rules) == "limited"


def test_a_short_capture_names_what_it_cannot_show(rules: FieldRules) -> None:
    short = settings(setting(6.0, 20.0, *(f"tone{n}" for n in range(6))), PLANNED_HZ, rules)
    assert codes(short) == ["too_short"]
    assert "6 s instead of 20 s" in short[0].text
    assert "tone3 and 2 more" in short[0].text
    assert "20 s" in short[0].remedy
    assert verdict(short, rules) == "retake"
    little = settings(setting(19.0, 20.0, "stage1.output"), PLANNED_HZ, rules)
    assert verdict(little, rules) == "limited"


def test_a_slow_recording_names_the_rate(rules: FieldRules) -> None:
    slow = settings(PLANNED_S, setting(5120.0, 25_600.0, "stage1.lobe", "stage1.mesh", "stage1.ring_pin"), rules)
    assert codes(slow) == ["too_slow"]
    assert "25600 Hz" in slow[0].remedy
    assert verdict(slow, rules) == "retake"


@pytest.mark.parametrize(
    ("rpm", "expected"),
    [
        (1440.0, []),
        (1462.0, []),  # slip of 38 rpm, of 60 on the plate: about two thirds of its load
        (1396.0, ["speed_out_of_range"]),
        (1404.0, ["speed_off_plate"]),
        (1494.0, ["no_load"]),
        (720.0, ["speed_out_of_range"]),
    ],
)
def test_speed_off_the_plate(rpm: float, expected: list[str], rules: FieldRules) -> None:
    assert codes(speed(drive(), rpm / 60, None, rules)) == expected


def test_a_motor_on_a_converter_or_a_belt_tells_no_load(rules: FieldRules) -> None:
    belt = drive(motor={"poles": 4, "line_hz": 50.0, "coupling": "belt"})
    assert "no_load" not in codes(speed(belt, 1494 / 60, None, rules))
    fast = drive(input={"speed_rpm": 1500.0, "speed_range_rpm": [1400.0, 1520.0]})
    assert codes(speed(fast, 1499 / 60, None, rules)) == []


def test_the_sentence_has_the_figures(rules: FieldRules) -> None:
    (low,) = speed(drive(), 1396.8 / 60, None, rules)
    assert "1397 r/min" in low.text
    assert "3.0 % below the nameplate speed" in low.text


@pytest.mark.parametrize(
    ("noted", "expected"), [(None, []), (1445.0, []), (1480.0, ["noted_speed"]), (24.0, ["noted_speed"])]
)
def test_a_speed_noted_by_hand(noted: float | None, expected: list[str], rules: FieldRules) -> None:
    assert codes(speed(drive(), 24.0, noted, rules)) == expected


@pytest.mark.parametrize(
    ("slip", "expected"),
    [("open", ["noted_speed"]), ("note", ["no_load", "noted_speed"]), ("rate", ["sample_rate"])],
)
def test_a_speed_that_is_itself_in_doubt_sends_nobody_for_a_load(
    slip: Slip, expected: list[str], rules: FieldRules
) -> None:
    reasons = speed(drive(), 1494 / 60, 1440.0, rules, slip=slip)
    assert codes(reasons) == expected
    assert ("lost its load" in reasons[-1].remedy) == (slip == "open")
    assert "lost its load" not in speed(drive(), 1440 / 60, 1494.0, rules, slip=slip)[-1].remedy


@pytest.mark.parametrize(("noted", "out"), [(1440.0, False), (1360.0, True)])
def test_a_speed_in_doubt_is_out_of_range_only_where_the_note_is(noted: float, out: bool, rules: FieldRules) -> None:
    assert ("speed_out_of_range" in codes(speed(drive(), 1390 / 60, noted, rules, slip="open"))) == out


def test_without_a_speed_nothing_is_said(rules: FieldRules) -> None:
    assert speed(drive(), None, 1480.0, rules) == []


def test_the_wrong_drive_is_named_with_the_likely_one(rules: FieldRules) -> None:
    wrong = wrong_drive("SP-03", ["SM-01", "SM-02"])
    assert "SM-01 or SM-02" in wrong.text
    assert "SP-03" in wrong.text
    assert verdict([wrong], rules) == "retake"
