from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any

import pytest

from tests.studies.severity import due_days
from vibe.core.drive import Drive
from vibe.core.evidence import Level
from vibe.core.health import EvidenceItem, Finding, LevelReport, State
from vibe.health.state.finding_names import finding_in_words
from vibe.health.state.instruction import instruction
from vibe.health.state.judge import Verdict, judge
from vibe.health.state.settings import Judgement, Limits
from vibe.health.state.weak_signs import weak_last
from vibe.health.state.zones import report_levels, steady_since

GRAVITY_OF: dict[State, int] = {"sound": 0, "watch": 1, "plan": 2, "act": 3}


def finding(severity: str = "severe", probability: float = 0.97, **more: Any) -> Finding:
    table = {
        "tone": "stage1.lobe",
        "component": "stage1.lobe",
        "defect": "local damage",
        "probability": probability,
        "false_alarm_probability": 1e-5,
        "severity": severity,
        "why": "Eleven harmonics stand out.",
        "advice": "Open the drive and look at the lobes",
        **more,
    }
    return Finding.model_validate(table)


def sensor_finding(channel: str | None, probability: float = 0.95) -> Finding:
    evidence = [EvidenceItem(kind="channel", text="steep low end", channel=channel)]
    return finding(
        "severe",
        probability,
        tone=None,
        component="sensor",
        defect="loose mounting",
        evidence=evidence,
        advice="Clean the face and mount the sensor again",
    )


def level(
    zone: str | None, by_analogy: bool = False, measure: str = "velocity_rms", source: str = "ISO 10816-3:2009 group 2"
) -> LevelReport:
    return LevelReport(
        point="housing",
        measure=measure,
        value=5.0,
        unit="mm/s",
        zone=zone,
        zone_source=source,
        by_analogy=by_analogy,
    )


def verdict(judgement: Judgement, *findings: Finding, levels: tuple[LevelReport, ...] = (), **more: Any) -> Verdict:
    return judge(
        weak_last(findings, judgement),
        levels,
        more.pop("usable", 2),
        more.pop("rejected", ()),
        judgement,
        tag="TH-02",
        name="Thickener rake",
        **more,
    )


@pytest.mark.parametrize(
    ("severity", "probability", "state"),
    [
        ("severe", 0.95, "act"),
        ("severe", 0.9, "act"),
        ("severe", 0.7, "plan"),
        ("severe", 0.2, "watch"),
        ("moderate", 0.95, "plan"),
        ("moderate", 0.7, "watch"),
        ("slight", 0.99, "watch"),
        ("slight", 0.1, "watch"),
    ],
)
def test_severity_and_probability_set_the_state_and_the_rule_is_quoted(
    judgement: Judgement, severity: str, probability: float, state: str
) -> None:
    found = verdict(judgement, finding(severity, probability))
    assert found.state == state
    for words in (severity, f"gives {state}", "a lobe", f"{100 * probability:.1f} %", "common practice"):
        assert words in found.state_rule


@pytest.mark.parametrize(
    ("zone", "by_analogy", "state"),
    [
        ("A", False, "sound"),
        ("B", True, "sound"),
        ("C", False, "plan"),
        ("C", True, "watch"),
        ("D", False, "act"),
        ("D", True, "plan"),
    ],
)
def test_zones_set_the_state_when_nothing_else_does(
    judgement: Judgement, zone: str, by_analogy: bool, state: str
) -> None:
    found = verdict(judgement, levels=(level("A"), level(zone, by_analogy)))
    assert found.state == state
    if state != "sound":
        assert f"zone {zone}{' by analogy' if by_analogy else ''}" in found.state_rule
        assert "vibration at" in found.sentence


@pytest.mark.parametrize(("near", "words"), [(None, "is well above the limit"), ("C/D", "is above the limit")])
def test_a_value_that_may_be_in_zone_c_is_not_well_above_the_limit(
    judgement: Judgement, near: str | None, words: str
) -> None:
    value = level("D").model_copy(update={"near_boundary": near, "boundary_value": 4.9})
    assert words in verdict(judgement, levels=(value,)).sentence


@pytest.mark.parametrize(("severity", "probability"), [("severe", 0.97), ("severe", 0.6), ("moderate", 0.95)])
def test_what_may_be_another_drives_damage_is_watch_at_most_and_says_so(
    judgement: Judgement, severity: str, probability: float
) -> None:
    """Nobody opens a drive for what may be the other one's; alone the same finding asks for more."""
    other = "the same part of a machine of the same kind next to it, at 1461.3 r/min"
    either = verdict(judgement, finding(severity, probability, other_machine=other))
    assert either.state == "watch"
    assert f"it may be {other} as well, so the state is watch" in either.state_rule
    assert verdict(judgement, finding(severity, probability)).state in ("plan", "act")
    assert "here or in the machine of the same kind next to it" in either.sentence
    assert "; repeat the measurement within" in either.sentence
    assert either.do_by.startswith("Stop the machine of the same kind")
    # A fault of its own still counts.
    assert verdict(judgement, finding(severity, probability, other_machine=other), finding()).state == "act"


def test_what_may_be_a_driven_machines_is_watch_at_most_until_that_is_uncoupled(judgement: Judgement) -> None:
    teeth = "the teeth of a machine that the output shaft turns, 12 times per turn"
    maybe = finding("severe", 0.97, other_machine=teeth, other_machine_is_driven=True, cannot_be_told_from=[teeth])
    one = verdict(judgement, maybe)
    assert one.state == "watch"
    assert f"it may be {teeth} as well, so the state is watch" in one.state_rule
    assert "or what the drive turns strikes as often" in one.sentence
    assert "same kind" not in one.sentence + one.do_by
    assert one.do_by.startswith("Uncouple what this drive turns, or run it empty, and repeat the measurement")


def test_what_a_machine_outside_makes_too_says_so_first_and_asks_to_measure_without_it(judgement: Judgement) -> None:
    strikes = "an outside machine that strikes at 9.48 Hz"
    likely, unlikely = (
        verdict(
            judgement,
            finding("slight", probability, cannot_be_told_from=[strikes], outside_causes=[strikes],
                    false_alarm_probability=1e-6),
        )
        for probability in (0.7, 0.3)
    )  # fmt: skip
    assert "is probably damaged, or a machine outside the drive strikes as often; repeat" in likely.sentence
    assert "stage 1 is more likely that of a machine outside the drive; repeat" in unlikely.sentence
    for one in (likely, unlikely):
        assert one.do_by.startswith("Stop the machines around this drive, uncouple what it turns or run it empty, and")
        # It is no part, so nobody inspects it, and the measurement is not the same.
        assert "9.48" not in one.sentence + one.do_by
        assert "the same way" not in one.sentence + one.do_by
    # What may be chance is no machine's for sure.
    weak = finding("slight", 0.3, outside_causes=[strikes], false_alarm_probability=0.05)
    assert "is possibly damaged, or a machine outside" in verdict(judgement, weak).sentence


def test_measures_without_a_zone_rule_never_set_a_state(judgement: Judgement) -> None:
    assert verdict(judgement, levels=(level("D", measure="displacement_rms"), level(None))).state == "sound"
    peak = level("D", measure="acceleration_peak", source="ISO 20816-9:2020 class III")
    assert verdict(judgement, levels=(peak,)).state == "watch"


def test_the_row_for_gear_units_informs_and_does_not_decide(judgement: Judgement) -> None:
    second = level("D", source="ISO 20816-9:2020 class II")
    found = verdict(judgement, levels=(level("B"), second))
    assert found.state == "sound"
    assert "zone B gives sound" in found.state_rule


def test_the_gravest_rule_wins_from_either_side(judgement: Judgement) -> None:
    by_level = verdict(judgement, finding("slight"), levels=(level("D"),))
    assert by_level.state == "act"
    assert "zone D" in by_level.state_rule
    assert "1 more finding below" in by_level.sentence
    by_finding = verdict(
        judgement, finding("moderate"), finding("severe", tone="stage1.ring_pin"), levels=(level("C"),)
    )
    assert by_finding.state == "act"
    assert "ring pin" in by_finding.sentence
    assert "ring pin in stage 1" in by_finding.state_rule


def test_nothing_found_is_sound_at_a_stated_rate(judgement: Judgement) -> None:
    found = verdict(judgement, levels=(level("A"), level("B")))
    assert found.state == "sound"
    assert "0.01 per drive" in found.state_rule
    assert "zone A and B" in found.state_rule
    assert found.sentence == "Thickener rake (TH-02): no fault detected in the measured range."
    assert "were unusable" in verdict(judgement, rejected=("clipped",)).sentence


def test_no_usable_channel_is_unknown_whatever_was_found(judgement: Judgement) -> None:
    for findings, levels in (((), ()), ((finding(),), ()), ((), (level("A"),))):
        found = verdict(judgement, *findings, levels=levels, usable=0, rejected=("the machine stood still",))
        assert found.state == "unknown"
        assert "the machine stood still" in found.state_rule
        assert "not assessed" in found.sentence
        assert found.do_by.startswith("Repeat the measurement")


def test_a_bad_sensor_alone_is_unknown_and_next_to_a_good_one_watch(judgement: Judgement) -> None:
    alone = verdict(judgement, sensor_finding("a"), usable=1)
    assert alone.state == "unknown"
    assert alone.do_by.startswith("Clean the face and mount the sensor again. Repeat the measurement")
    assert verdict(judgement, sensor_finding("a"), usable=2).state == "watch"
    assert verdict(judgement, sensor_finding("a"), sensor_finding("b"), usable=2).state == "unknown"
    # Its channel was rejected already, the other one stands.
    assert verdict(judgement, sensor_finding("a"), usable=1, rejected_channels=("a",)).state == "watch"
    # An unlikely complaint does not silence the only channel, and real damage outranks a doubtful sensor.
    assert verdict(judgement, sensor_finding("a", 0.2), usable=1).state == "watch"
    damaged = verdict(judgement, sensor_finding("a"), finding("severe"), usable=2)
    assert damaged.state == "act"
    assert "lobe" in damaged.sentence


def test_sentence_is_plain_and_owns_what_cannot_be_distinguished(judgement: Judgement) -> None:
    found = verdict(judgement, finding("moderate", 0.93, cannot_be_told_from=["stage1.output_pin"]))
    assert found.sentence == (
        "Thickener rake (TH-02): a lobe of the cycloidal disc in stage 1, or an output pin with its roller and bore in "
        "stage 1 (not distinguishable by vibration), is very probably damaged; inspect it at the next planned stop, "
        "within 30 days of the measurement at the latest."
    )


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"tone": "bearing.eccentric bearing.outer_race"}, "the outer race of the eccentric bearing is very probably"),
        (
            {"tone": "bearing.input.rolling_element"},
            "the rolling elements of the input bearing are very probably damaged",
        ),
        ({"tone": None, "component": "input.shaft", "defect": "unbalance"}, "out of balance"),
        ({"tone": None, "component": "foundation", "defect": "looseness"}, "its base is loose"),
        ({"tone": None, "component": "motor", "defect": "electrical"}, "the motor has an electrical fault"),
        ({"tone": "stage2.mesh", "component": "stage2.mesh", "defect": "wear"}, "the lobes and ring pins are worn"),
        ({"tone": "stage1.gear_mesh", "component": "stage1.gear_mesh", "defect": "wear"}, "the gear teeth are worn"),
        ({"tone": None, "component": "impacts", "defect": "unexplained impacts"}, "impacts that no part"),
        ({"tone": "stage1.sun_tooth", "defect": "a crack"}, "a tooth of the sun wheel in stage 1 is very probably"),
        ({"tone": None, "component": "neighbour", "defect": "odd"}, "the neighbour is very probably affected by odd"),
    ],
)
def test_every_kind_of_fault_has_words(judgement: Judgement, more: dict[str, Any], words: str) -> None:
    assert words in verdict(judgement, finding(**more)).sentence


@pytest.mark.parametrize(
    ("where", "defect", "words"),
    [
        ("stage1.gear_mesh", "wear", "gives plan: the gear mesh of stage 1, wear, 97.0 %"),
        ("stage2.mesh", "wear", "gives plan: the mesh of lobes and ring pins of stage 2, wear, 97.0 %"),
        ("impacts", "unexplained impacts", "gives plan: unexplained impacts, 97.0 %"),
    ],
)
def test_the_rule_names_part_and_defect_once_and_in_words(
    judgement: Judgement, where: str, defect: str, words: str
) -> None:
    said = verdict(judgement, finding("moderate", tone=where, component=where, defect=defect))
    assert words in said.state_rule
    assert ("gear teeth" in said.do_by) is (where == "stage1.gear_mesh")


def test_deadline_counts_from_the_measurement(judgement: Judgement) -> None:
    at = datetime(2026, 2, 27, 9, 30, tzinfo=UTC)
    dated = verdict(judgement, finding("severe"), measured_at=at).do_by
    assert dated.startswith("Inspect a lobe of the cycloidal disc in stage 1 by 2026-03-01;")
    assert "within 2 days of the measurement" in verdict(judgement, finding("severe")).do_by


@pytest.mark.parametrize("severity", ["severe", "moderate", "slight"])
def test_one_instruction_and_one_date_stand_on_a_report(judgement: Judgement, severity: str) -> None:
    at = datetime(2026, 2, 27, tzinfo=UTC)
    found = verdict(judgement, finding(severity), levels=(level("D"),) if severity == "severe" else (), measured_at=at)
    stated = f"{found.sentence} {found.do_by}"
    asked, *before = re.findall(r"\d{4}-\d\d-\d\d", found.do_by)
    assert set(re.findall(r"\d{4}-\d\d-\d\d", found.sentence)) == {asked}
    # Of what is inspected at a planned stop the first measurement until then is dated too, and no other thing is.
    assert len(before) == (found.state == "plan")
    assert "lobe" in found.do_by
    for elsewhere in ("before it runs on", "can run", "work now"):
        assert elsewhere not in stated


@pytest.mark.parametrize("state", ["act", "plan", "watch", "sound"])
def test_the_worse_the_consequence_the_sooner(judgement: Judgement, state: State) -> None:
    at = datetime(2026, 2, 27, tzinfo=UTC)
    days = []
    for consequence in ("low", None, "medium", "high", "safety"):
        stated = instruction(state, judgement, part="a lobe", consequence=consequence, measured_at=at)
        date, *before = re.findall(r"\d{4}-\d\d-\d\d", stated.what)
        assert date in stated.short
        assert all(first <= date for first in before)
        days.append((datetime.fromisoformat(date).replace(tzinfo=UTC) - at).days)
    assert days == sorted(days, reverse=True)
    assert days[1] == days[2] == judgement.deadline_for(state).days
    assert 1 <= days[4] < days[2]


@pytest.mark.parametrize("more", [{}, {"outside_causes": ["a pump"]}])
@pytest.mark.parametrize("consequence", ["low", None, "medium", "high", "safety"])
def test_what_is_worse_is_never_due_later(
    judgement: Judgement, consequence: str | None, more: dict[str, list[str]]
) -> None:
    """Over all states, classes of consequence and growths, and whatever must be done first."""
    seen: set[tuple[int, int]] = set()
    for probability in (0.05, 0.3, 0.6, 0.75, 0.95, 0.999):
        grown = []
        for growth_db in (None, 0.0, 5.9, 6.0, 19.0, 20.0, 60.0):
            severity = judgement.severity.severity(None, growth_db)
            found = verdict(judgement, finding(severity, probability, **more), consequence=consequence)
            grown.append((GRAVITY_OF[found.state], due_days(found.do_by)))
        assert [gravity for gravity, _ in grown] == sorted(gravity for gravity, _ in grown)
        seen.update(grown)
    seen.update((GRAVITY_OF[s], due_days(instruction(s, judgement, consequence=consequence).what)) for s in GRAVITY_OF)
    # One term for each state, whatever else is asked for.
    assert [gravity for gravity, _ in sorted(seen)] == [0, 1, 2, 3]
    days = [days for _, days in sorted(seen)]
    assert days == sorted(days, reverse=True)


@pytest.mark.parametrize("consequence", ["low", None, "medium", "high", "safety"])
def test_the_first_day_that_is_named_is_never_later_of_what_is_worse(
    judgement: Judgement, consequence: str | None
) -> None:
    at = datetime(2026, 2, 27, tzinfo=UTC)
    states: tuple[State, ...] = ("act", "plan", "watch", "sound")
    texts = [instruction(s, judgement, consequence=consequence, measured_at=at).what for s in states]
    first = [min(re.findall(r"\bby (\d{4}-\d\d-\d\d)", text)) for text in texts]
    assert first == sorted(first)


def test_the_first_measurement_until_an_inspection_is_dated(judgement: Judgement) -> None:
    at = datetime(2026, 2, 27, tzinfo=UTC)
    said = instruction("plan", judgement, measured_at=at).what
    assert said.endswith("by 2026-03-29 at the latest; measure by 2026-03-06 and every week until then.")


@pytest.mark.parametrize("state", ["watch", "unknown"])
@pytest.mark.parametrize(
    ("remedy", "said"),
    [
        ("Warm the sensor up and repeat the measurement.", "Warm the sensor up and repeat the measurement by 2026-03-"),
        ("Repeat the measurement while it runs.", "Repeat the measurement by 2026-03-?? while it runs."),
        (
            "Repeat the measurement; if it stays so, swap it.",
            "Repeat the measurement by 2026-03-??; if it stays so, swap it.",
        ),
        ("Wait, then repeat the measurement twice", "Wait, then repeat the measurement by 2026-03-?? twice."),
        ("Mount the sensor anew.", "Mount the sensor anew. Repeat the measurement "),
    ],
)
def test_a_measurement_is_asked_for_once(judgement: Judgement, state: State, remedy: str, said: str) -> None:
    what = instruction(state, judgement, first=remedy, measured_at=datetime(2026, 2, 27, tzinfo=UTC)).what
    assert what.lower().count("repeat the measurement") == 1
    assert re.sub(r"(2026-03-)\d\d", r"\1??", what).startswith(said.rstrip("?"))
    assert "{" not in what
    assert len(re.findall(r"2026-03-\d\d", what)) == 1


def test_measuring_until_an_inspection_is_the_closer_the_worse_a_failure_would_be(judgement: Judgement) -> None:
    said = [instruction("plan", judgement, consequence=c).what for c in ("low", "medium", "high", "safety")]
    assert [text.rpartition("; ")[2] for text in said] == [
        "measure every 11 days until then.", "measure every week until then.", "measure every 4 days until then.",
        "measure every 2 days until then.",
    ]  # fmt: skip
    held = instruction("plan", judgement, first="Stop the pump and repeat the measurement")
    assert held.what.endswith("; measure every week until then.")
    assert "every week" not in held.short


def test_consequence_of_the_drive_reaches_the_verdict(judgement: Judgement) -> None:
    at = datetime(2026, 2, 27, tzinfo=UTC)
    usual, safety = (verdict(judgement, finding("moderate"), measured_at=at, consequence=c) for c in (None, "safety"))
    assert usual.state == safety.state == "plan"
    assert "2026-03-29" in usual.do_by
    assert "2026-03-07" in safety.do_by


def test_two_standards_that_disagree_are_both_in_the_headline(judgement: Judgement) -> None:
    small = level("D", by_analogy=True, source="ISO 10816-1:1995 class I, by analogy: no zone table covers it")
    gears = level("A", by_analogy=True, source="ISO 20816-9:2020 class III, by analogy: the class is that of kin")
    for found in (
        verdict(judgement, levels=(small, gears)),
        verdict(judgement, finding("moderate"), levels=(small, gears)),
    ):
        assert found.state == "plan"
        assert "zone D of ISO 10816-1:1995" in found.sentence
        assert "zone A of another (ISO 20816-9:2020)" in found.sentence
    agreeing = verdict(judgement, levels=(small, gears.model_copy(update={"zone": "D"})))
    assert "another" not in agreeing.sentence


@pytest.mark.parametrize(("value", "state"), [(7.2, "plan"), (9.0, "act")])
def test_a_level_within_its_uncertainty_of_a_limit_stops_no_plant(
    judgement: Judgement, limits: Limits, value: float, state: str
) -> None:
    one = Drive.model_validate(
        {"tag": "B", "input": {"speed_rpm": 1480.0, "power_kw": 400.0}, "support": "rigid", "stage": []}
    )
    reported = report_levels([velocity(value)], one, limits)
    found = verdict(judgement, levels=tuple(reported))
    assert found.state == state
    assert ("within its uncertainty of the boundary C/D" in found.state_rule) == (state == "plan")


def velocity(value: float) -> Level:
    return Level(point="p", measure="velocity_rms", value=value, unit="mm/s", band_hz=(10.0, 1000.0))


def test_a_steady_level_gives_no_date_of_days(judgement: Judgement, limits: Limits) -> None:
    bad = level("D")
    assert verdict(judgement, levels=(bad,)).state == "act"
    steady = verdict(judgement, levels=(bad,), steady_since={bad.point: "2025-06-01"})
    assert steady.state == "plan"
    assert "since 2025-06-01" in steady.state_rule
    # Damage is not excused by a steady level.
    assert verdict(judgement, finding("severe"), levels=(bad,), steady_since={bad.point: "2025-06-01"}).state == "act"

    one = Drive.model_validate({"tag": "B", "input": {"speed_rpm": 1480.0, "power_kw": 400.0}, "stage": []})
    at = [datetime(2026, month, 1, tzinfo=UTC) for month in (1, 2, 3)]
    for values, since in (((9.0, 9.1, 9.0), at[0]), ((4.0, 9.1, 9.0), at[1]), ((4.0, 5.0, 9.0), None)):
        history = [(when, velocity(value)) for when, value in zip(at, values, strict=True)]
        assert steady_since(history, one, limits, from_days=14) == since


def test_a_bad_sensor_says_first_how_to_measure_better(judgement: Judgement) -> None:
    sensor: dict[str, Any] = {
        "tone": None,
        "component": "sensor",
        "defect": "input clipped",
        "advice": "Choose a larger range.",
    }
    assert verdict(judgement, finding(**sensor)).do_by.startswith("Choose a larger range. Repeat the measurement")


def test_a_drive_without_a_name_is_called_by_its_tag(judgement: Judgement) -> None:
    assert judge((), (), 1, (), judgement, tag="TH-02").sentence.startswith("TH-02: ")


def test_a_negative_number_of_channels_is_a_mistake(judgement: Judgement) -> None:
    with pytest.raises(ValueError, match="-1"):
        judge((), (), -1, (), judgement, tag="X")


def test_a_bearing_named_as_a_whole_is_said_without_its_elements() -> None:
    own = [f"bearing.input bearing.{part}" for part in ("outer_race", "inner_race")]
    others = ["stage1.lobe", "stage1.ring_pin", "stage1.output_pin", "bearing.output bearing.cage"]
    whole = finding(
        "slight", 0.95, tone=None, component="bearing.input bearing", cannot_be_told_from=[*own, *others]
    )  # fmt: skip
    assert finding_in_words(whole) == (
        "the input bearing, or a lobe of the cycloidal disc in stage 1 or a ring pin in stage 1 or 2 other parts "
        "(not distinguishable by vibration), is very probably damaged"
    )


def test_a_remedy_that_asks_for_the_measurement_is_not_followed_by_the_same_request(judgement: Judgement) -> None:
    clipped = instruction(
        "unknown", judgement=judgement, first="Set the input range to ±10 m/s² and repeat the measurement."
    )
    assert clipped.what.count("epeat the measurement") == 1
    assert clipped.what.startswith("Set the input range to ±10 m/s² and repeat the measurement within ")
    loose = instruction("unknown", judgement=judgement, first="Tighten the stud.")
    assert loose.what.startswith("Tighten the stud. Repeat the measurement within ")


@pytest.mark.parametrize(
    ("remedies", "do_by"),
    [
        ([], "Repeat the measurement within 7 days of the measurement."),
        (
            ["Swap the cable.", "", "Swap the cable."],
            "Swap the cable. Repeat the measurement within 7 days of the measurement.",
        ),
        (
            ["Swap the cable.", "Mount it well and repeat the measurement."],
            "Swap the cable. Mount it well and repeat the measurement within 7 days of the measurement.",
        ),
        (["Swap the cable.", "Mount it.", "Wait."], "Repeat the measurement within 7 days of the measurement."),
    ],
)
def test_an_unusable_measurement_says_what_mends_it(judgement: Judgement, remedies: list[str], do_by: str) -> None:
    said = judge([], [], 0, ["hum"], judgement, tag="A", remedies=remedies)
    assert said.state == "unknown"
    assert said.do_by == do_by
