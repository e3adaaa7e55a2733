from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import pytest

from vibe.core.evidence import Level
from vibe.core.health import Finding
from vibe.core.records.acceptance import (
    CommissionedRun,
    Outcome,
    Requirement,
    RunKind,
    SearchedPart,
    Sighting,
    StatedContribution,
)
from vibe.core.tones import Visibility
from vibe.flow.commissioning.acceptance import load_practice
from vibe.health.acceptance.chain import below_noise
from vibe.health.acceptance.finding_outcomes import Counted, DamageSeen, identity, no_damage, settled, without_counts
from vibe.health.acceptance.outcomes import (
    AcceptanceLimit,
    Judging,
    against_limit,
    chosen,
    line_scatter,
    overall,
    spread_limit,
    temperature,
)
from vibe.health.acceptance.uncertainty import calibration
from vibe.history.statistics.tolerance import one_sided_factor

JUDGING = Judging(
    rule="guarded acceptance", coverage=0.95, practice=load_practice(), calibration=calibration([], load_practice()),
    fixing="stud",
)  # fmt: skip
FEW = replace(JUDGING, practice=load_practice().model_copy(update={"contribution": []}))
"""Calibration, fixing and repeats alone."""
NUMBERS = itertools.count()
LIMIT = AcceptanceLimit(value=2.0, unit="mm/s", source="contract")


def wanted(kind: str = "level", **more: Any) -> Requirement:
    return Requirement.model_validate({"id": "r", "kind": kind, "text": "t", "source": "s", **more})


def sighting(value: float, point: str = "A", run: int = 0, kind: RunKind = "rated load", **more: Any) -> Sighting:
    reported: dict[str, Any] = {"unit": "mm/s", "scatter": 0.02, "file": f"{next(NUMBERS)}.h5"} | more
    return Sighting(value=value, point=point, run=run, kind=kind, **reported)


def answer(values: Sequence[float], judging: Judging = FEW, **more: Any) -> Outcome:
    return against_limit(wanted(), LIMIT, [sighting(value, **more) for value in values], (), judging)


def test_far_below_passes_far_above_fails_and_near_is_open_with_what_settles_it() -> None:
    assert answer([1.0, 1.01, 0.99]).answer == "pass"
    assert answer([3.0, 3.01, 2.99]).answer == "fail"
    near = answer([1.98, 1.80, 1.85, 1.92])
    assert near.answer == "undetermined"
    assert near.settles is not None
    assert "more captures at A" in near.settles
    near = answer([1.97, 1.971, 1.972])
    assert near.answer == "undetermined"
    assert near.settles is not None
    assert "calibrated to" in near.settles


def test_the_worst_point_decides_and_is_named() -> None:
    quiet = [sighting(v) for v in (1.0, 1.01, 0.99)]
    loud = [sighting(v, point="B", run=1) for v in (3.0, 3.03, 2.97)]
    outcome = against_limit(wanted(), LIMIT, [*quiet, *loud], (), JUDGING)
    assert (outcome.answer, outcome.where) == ("fail", "B, rated load")
    assert outcome.measured is not None
    assert outcome.measured.value == pytest.approx(3.0)
    assert against_limit(wanted(), LIMIT, quiet, (), JUDGING).answer == "pass"


def test_a_pass_needs_all_that_was_asked_for_and_a_fail_does_not() -> None:
    for values, expected in (([1.0] * 3, "undetermined"), ([3.0] * 3, "fail")):
        outcome = against_limit(wanted(), LIMIT, [sighting(v) for v in values], ["point C"], JUDGING)
        assert outcome.answer == expected
        assert "point C" in outcome.why or expected == "fail"
    short = answer([1.0, 1.0, 1.0], short_of="anything above 667 Hz")
    assert short.answer == "undetermined"
    assert "667 Hz" in short.why


def test_the_jitter_of_pulses_has_its_line_in_the_budget_where_it_matters() -> None:
    def line(jitter: float) -> dict[str, float]:
        found = answer([1.0] * 3, jitter=jitter).measured
        assert found is not None
        return {one.name: one.relative for one in found.budget if one.name == "jitter of pulses"}

    assert line(0.043) == {"jitter of pulses": pytest.approx(0.043 / math.sqrt(3))}
    assert line(1.5e-4) != {}
    assert line(0.7e-4) == {}  # A hundredth of a per cent.


def test_what_is_smaller_than_a_sensors_noise_is_no_pass() -> None:
    """Velocity of 0.44 µm/s is that of a drive of 0.44 mm/s whose file says mm/s² for m/s²."""

    def level(value: float, measure: str = "velocity_rms", unit: str = "mm/s") -> Level:
        return Level(point="A", measure=measure, value=value, unit=unit, band_hz=(10.0, 1000.0))

    # 1e-4 / 2 pi sqrt(0.1 - 0.001) m/s, and 1e-4 sqrt(990) m/s².
    assert below_noise([level(0.0051), level(0.0032, "acceleration_rms", "m/s^2")]) == {}
    assert set(below_noise([level(0.0049)])) == set(below_noise([level(0.003, "acceleration_rms", "m/s^2")])) == {"A"}
    doubt = below_noise([level(0.00044)])["A"]
    assert "0.00044 mm/s at A is less than the 0.005 mm/s" in doubt
    found = answer([0.00044] * 3, doubt=doubt)
    assert found.answer == "undetermined"
    assert "(unit?)" in found.why
    assert answer([0.44] * 3).answer == "pass"
    assert answer([9.0] * 3, doubt=doubt).answer == "fail"


def test_every_contribution_has_its_line_and_the_set_replaces_common_practice() -> None:
    own = StatedContribution(name="session", percent=10.0, shared=True, source="twelve months of this bench")
    at_b = StatedContribution(name="cable", percent=8.0, distribution="rectangular", points=["B"], source="bare ends")
    judging = replace(JUDGING, stated=(own, at_b))
    found = against_limit(wanted(), LIMIT, [sighting(1.0), sighting(1.01), sighting(0.99)], (), judging).measured
    assert found is not None
    budget = {one.name: one for one in found.budget}
    assert set(budget) >= {"frequency response", "transverse sensitivity", "temperature", "remounting", "load setting"}
    assert budget["session"].relative == pytest.approx(0.05)
    assert budget["session"].because.endswith("twelve months of this bench")
    zero = StatedContribution(name="remounting", percent=0.0, source="never taken off")
    without = against_limit(wanted(), LIMIT, [sighting(1.0)], (), replace(JUDGING, stated=(zero,))).measured
    assert without is not None
    (line,) = [one for one in without.budget if one.name == "remounting"]
    assert line.relative == 0.0
    assert line.because.endswith("never taken off")
    # What is said of another point is not this one's.
    assert budget["cable"].relative == pytest.approx(0.005 / math.sqrt(3))
    assert budget["transverse sensitivity"].relative == pytest.approx(0.03 / math.sqrt(2))
    assert found.standard_uncertainty is not None
    assert found.coverage_factor is not None
    assert found.expanded == pytest.approx(found.coverage_factor * found.standard_uncertainty)
    assert found.degrees_of_freedom is not None


def test_a_ratio_of_figures_of_one_signal_knows_no_gain() -> None:
    found = against_limit(wanted(), LIMIT, [sighting(1.0, unit="") for _ in range(3)], (), JUDGING).measured
    assert found is not None
    assert [one.name for one in found.budget] == ["repeatability"]


def test_points_of_one_capture_count_as_one_repeat_where_they_move_together() -> None:
    """Load that differs from capture to capture moves all points alike: two captures remain one repeat."""
    moved = [0.97, 1.03, 1.0, 1.05]

    def freedom(other: Sequence[float]) -> float:
        seen = [sighting(v, file=f"{k}") for k, v in enumerate(moved)]
        seen += [sighting(1.9 * v, point="B", file=f"{k}") for k, v in enumerate(other)]
        found = against_limit(wanted(), LIMIT, seen, (), FEW).measured
        assert found is not None
        (part,) = (one for one in found.budget if one.name == "repeatability")
        assert part.degrees_of_freedom is not None
        return part.degrees_of_freedom

    assert freedom(moved) == pytest.approx(3.0)
    assert freedom([1.02, 1.01, 0.96, 0.97]) > 4.0


def test_the_highest_of_points_that_are_alike_has_a_wider_interval_than_one_that_stands_alone() -> None:
    anew = StatedContribution(name="remounting", percent=4.0, source="test")
    judging = replace(FEW, calibration=(), stated=(anew,))

    def factor(second: float) -> float:
        seen = [sighting(v, file=f"{k}") for k, v in enumerate((1.0, 1.01, 0.99, 1.0))]
        for point in "BCDE":
            seen += [sighting(second * v, point=point, file=f"{k}") for k, v in enumerate((1.0, 0.99, 1.01, 1.0))]
        found = against_limit(wanted(), LIMIT, seen, (), judging).measured
        assert found is not None
        assert found.coverage_factor is not None
        return found.coverage_factor

    assert factor(0.99) > 1.03 * factor(0.5)


def test_a_line_that_cannot_be_parted_neither_passes_nor_fails_and_says_how_long_a_capture_would_do() -> None:
    why = "1x cannot be parted from the line 0.28 Hz away within 2 s"
    blurred: dict[str, Any] = {"not_apart": why, "needs_s": 5.01}
    for value in (0.5, 9.0):
        outcome = answer([value] * 3, **blurred)
        assert (outcome.answer, outcome.measured) == ("undetermined", None)
        assert "0.28 Hz" in outcome.why
        assert outcome.settles is not None
        assert outcome.settles.startswith("A capture of at least 6 s at steady speed with a pulse of the input;")
    finer = answer([0.5] * 3, needs="A pulse that is read more finely.", **blurred)
    assert finer.settles == "A capture of at least 6 s at steady speed."
    # With a pulse at hand it is not asked for another time.
    pulsed = answer([0.5] * 3, not_apart=why, needs_s=None, needs="A pulse that is read more finely.")
    assert pulsed.settles == "A pulse that is read more finely."
    assert answer([0.5] * 3, not_apart=why, needs_s=None).settles == "A capture with a pulse of the input."
    # Another point that could be read decides where it fails, and not where it passes.
    for value, expected in ((1.0, "undetermined"), (9.0, "fail")):
        seen = [sighting(9.0, **blurred), *(sighting(value, point="B") for _ in range(3))]
        assert against_limit(wanted(), LIMIT, seen, (), FEW).answer == expected


def test_what_the_angle_leaves_open_is_counted_and_a_pulse_settles_it() -> None:
    values = [1.70, 1.71, 1.69, 1.70]
    assert answer(values).answer == "pass"
    blind = answer(values, angle=0.15)
    assert blind.answer == "undetermined"
    assert blind.settles == "A capture at A with a pulse of the input."
    assert blind.measured is not None
    assert max(blind.measured.budget, key=lambda one: one.relative).name == "angle without a pulse"
    # Where that is not what keeps it open, it is not asked for.
    near = answer([1.97, 1.971, 1.972], angle=0.001)
    assert near.settles is not None
    assert "pulse" not in near.settles


def test_the_risk_of_accepting_falls_with_the_distance_from_the_limit() -> None:
    far, near, over = (answer([v, 1.01 * v, 0.99 * v], JUDGING).risk_of_false_acceptance for v in (1.2, 1.9, 2.6))
    assert far is not None
    assert near is not None
    assert over is not None
    assert far < 0.001 < near < 0.5 < 0.95 < over


def test_nothing_measured_is_open() -> None:
    outcome = against_limit(wanted(), LIMIT, [], (), JUDGING)
    assert (outcome.answer, outcome.measured) == ("undetermined", None)
    assert outcome.settles


def test_runs_and_points_are_chosen_as_the_requirement_says() -> None:
    runs = [CommissionedRun(kind="no load", captures=["a"]), CommissionedRun(kind="rated load", captures=["b"])]
    seen = [sighting(1.0, kind="no load"), sighting(2.0), sighting(3.0, point="B")]
    inside, missing = chosen(wanted(during=["rated load", "reversed"], points=["A", "C"]), seen, runs, ["A", "B"])
    assert [one.value for one in inside] == [2.0]
    assert missing == ["a run of kind reversed", "point C"]
    assert chosen(wanted(), seen, runs, ["A", "B"]) == (seen, [])


def test_one_fail_fails_all_and_all_passes_pass() -> None:
    outcomes = {name: answer(values) for name, values in (("pass", [1.0] * 3), ("fail", [3.0] * 3))}
    open_ = against_limit(wanted(), LIMIT, [], (), JUDGING)
    assert overall([outcomes["pass"]] * 2) == "pass"
    assert overall([outcomes["pass"], open_]) == "undetermined"
    assert overall([outcomes["pass"], open_, outcomes["fail"]]) == "fail"


def test_temperature_noted_by_hand() -> None:
    def noted(value: float | None) -> Outcome:
        runs = [CommissionedRun(kind="rated load", captures=["a"], temperature_c=value)]
        return temperature(wanted("temperature", limit=80.0, unit="°C"), runs, (), JUDGING)

    assert [noted(value).answer for value in (70.0, 79.5, 85.0, None)] == [
        "pass",
        "undetermined",
        "fail",
        "undetermined",
    ]


@pytest.mark.parametrize("value", [-10.0, 0.2, 70.0])
def test_a_thermometer_is_read_to_the_degree(value: float) -> None:
    """Anything within one degree is as likely: a standard deviation of 1/sqrt(12) of it, whatever it shows."""
    runs = [CommissionedRun(kind="rated load", captures=["a"], temperature_c=value)]
    noted = temperature(wanted("temperature", limit=80.0, unit="°C"), runs, (), JUDGING).measured
    assert noted is not None
    (read,) = (one for one in noted.budget if one.name == "resolution")
    assert read.relative * max(abs(value), 1.0) == pytest.approx(1 / math.sqrt(12))


@pytest.mark.parametrize(("away_percent", "words"), [(0.7, "calibrated to"), (0.3, "calibration is the largest")])
def test_no_calibration_is_asked_for_that_nobody_gives(away_percent: float, words: str) -> None:
    """By comparison to a reference sensors are calibrated to half a per cent at best."""
    near = 2.0 * (1 - away_percent / 100)
    sightings = [replace(sighting(near), scatter=0.0) for _ in range(3)]
    outcome = against_limit(wanted(), LIMIT, sightings, (), replace(FEW, fixing=""))
    assert outcome.settles is not None
    assert words in outcome.settles


def test_the_spread_of_a_type() -> None:
    practice = JUDGING.practice
    values = [0.9, 1.0, 1.1, 1.05, 0.95, 1.02]
    factor = one_sided_factor(6.0, practice.spread_content, practice.spread_confidence)
    limit = spread_limit(values, factor, "mm/s", practice)
    assert limit is not None
    # Table of ISO 16269-6 for n = 6, 99 % with 95 %: k = 5.062 (from memory).
    assert factor == pytest.approx(5.062, abs=0.005)
    logs = [math.log(v) for v in values]
    mean = sum(logs) / 6
    sd = math.sqrt(sum((x - mean) ** 2 for x in logs) / 5)
    assert limit.value == pytest.approx(math.exp(mean + 5.062 * sd), rel=1e-3)
    assert spread_limit(values[:4], factor, "mm/s", practice) is None


def test_a_line_below_its_floor_is_as_uncertain_as_the_floor() -> None:
    assert line_scatter(1.0, 0.01) == pytest.approx(0.01 / math.sqrt(2))
    assert line_scatter(0.0, 0.01) == pytest.approx(1 / math.sqrt(2))
    assert line_scatter(0.0, 0.0) == 0.0


# ── damage, counts, run-in ────────────────────────────────────────────────────────────────────────────────────────


def finding(chance: float = 1e-6) -> Finding:
    return Finding(
        tone="bearing.a.outer_race", component="bearing.a.outer_race", defect="local damage", probability=0.99,
        false_alarm_probability=chance, severity="slight", why="Impacts repeat.", advice="Look.",
    )  # fmt: skip


def unseen(seconds: float | None) -> Visibility:
    reach: Literal["longer", "out of reach"] = "longer" if seconds else "out of reach"
    return Visibility(
        tone="bearing.a.cage", seen=False, reach=reach, why="8 s is too short", needs="look for wear metal",
        needs_duration_s=seconds,
    )  # fmt: skip


def test_damage_fails_silence_passes_and_what_cannot_be_seen_is_open() -> None:
    ask = wanted("no damage", false_alarm_rate=0.01)

    def said(found: Sequence[tuple[str, Finding]], missing_tones: Sequence[Visibility], captures: int = 4) -> Outcome:
        damage = DamageSeen(found=found, unseen=missing_tones, captures=captures, searched=9, rate=0.01)
        return no_damage(ask, damage, ())

    assert said([], []).answer == "pass"
    met = said([("x.h5", finding())], [unseen(12.0)])
    assert (met.answer, met.where) == ("fail", "x.h5")
    other = finding().model_copy(update={"other_machine": "the same part of P-2"})
    either = said([("x.h5", other), ("y.h5", other)], [])
    assert (either.answer, either.where) == ("undetermined", "x.h5")
    assert "in 2 of 4 captures" in either.why
    assert "it may be the same part of P-2" in either.why
    assert "while the other machine stands" in (either.settles or "")
    assert said([("x.h5", other), ("y.h5", finding())], []).answer == "fail"
    weak = finding().model_copy(update={"weak_sign": True, "probability": 0.03})
    sign = said([("x.h5", weak)], [])
    assert (sign.answer, sign.where) == ("undetermined", "x.h5")
    assert "a probability of 3 % a weak sign" in sign.why
    assert "The same captures again" in (sign.settles or "")
    assert said([("x.h5", weak), ("y.h5", other)], []).settles == either.settles
    assert said([("x.h5", weak), ("y.h5", finding())], []).answer == "fail"
    # What the drive turns at its acceptance is known.
    driven = other.model_copy(update={"other_machine_is_driven": True})
    assert said([("x.h5", driven)], []).answer == "fail"
    short = said([], [unseen(11.2)])
    assert short.answer == "undetermined"
    assert short.settles == "One capture of at least 12 s shows bearing.a.cage."
    cage = SearchedPart(part="bearing.a", tones=("bearing.a.cage",), shown_m_s2=None, why="too short", needs_s=34.0)
    barely = DamageSeen(found=[], unseen=[unseen(11.2)], captures=4, searched=9, rate=0.01, parts=(cage,))
    assert no_damage(ask, barely, ()).settles == "One capture of at least 34 s shows bearing.a.cage."
    seen = SearchedPart(part="stage1.lobe", tones=("stage1.lobe",), shown_m_s2=1.0)
    blind = SearchedPart(part="bearing.a.cage", tones=("bearing.a.cage",), shown_m_s2=None, why="not always found")
    damage = DamageSeen(found=[], unseen=[], captures=3, searched=2, rate=0.01, parts=(seen, blind))
    assert no_damage(ask, damage, ()).answer == "pass"
    open_ = no_damage(ask, replace(damage, not_shown=["bearing.a.cage"]), ())
    assert open_.answer == "undetermined"
    assert "not sure to have shown at the cage of the a bearing (bearing.a.cage): not always found" in open_.why
    assert open_.settles == "A sensor nearer to the part, or a look at it opened."
    long = replace(blind, needs_s=34.0)
    longer = no_damage(ask, replace(damage, parts=(seen, long), not_shown=["bearing.a.cage"]), ())
    assert (longer.settles or "").startswith("Captures of 34 s at steady speed; else a sensor")
    assert "wear metal" in (said([], [unseen(None)]).settles or "")
    assert said([], [], captures=0).answer == "undetermined"
    silent = no_damage(ask, DamageSeen(found=[], unseen=[], captures=0, searched=9, rate=0.01, undetected=2), ())
    assert silent.answer == "undetermined"
    assert "not detected running in any of 2 captures" in silent.why


def counted(answer: str) -> Counted:
    return Counted(file="f", answer=answer, ratio="12", why=f"it {answer}s")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("reported", "expected"),
    [(["pass", "undetermined"], "pass"), (["fail", "undetermined"], "fail"), (["pass", "fail"], "undetermined"),
     (["undetermined"], "undetermined"), ([], "undetermined")],
)  # fmt: skip
def test_captures_must_agree_on_the_counts(reported: list[str], expected: str) -> None:
    outcome = identity(wanted("identity"), [counted(one) for one in reported], "12", "")
    assert outcome.answer == expected
    assert (outcome.settles is None) == (expected != "undetermined")


def test_a_drive_whose_counts_no_capture_tells_is_opened() -> None:
    never = replace(counted("undetermined"), knowable=False)
    assert identity(wanted("identity"), [never], "12", "").settles == "Open it and count."
    assert identity(wanted("identity"), [never, counted("undetermined")], "12", "").settles != "Open it and count."


def test_tones_of_the_ordered_drive_say_nothing_of_another() -> None:
    tone = against_limit(wanted("tone"), LIMIT, [sighting(1.0)] * 3, (), JUDGING)
    level = answer([1.0, 1.0, 1.0])
    changed = without_counts([tone, level], True)
    assert [one.answer for one in changed] == ["undetermined", "pass"]
    assert without_counts([tone, level], False) == [tone, level]


def run_in(values: Sequence[float], limit: float = 10.0) -> Outcome:
    seen = [
        sighting(value * gain, point=point, kind="run-in", time_s=60.0 * k)
        for point, gain in (("A", 1.0), ("B", 3.0))
        for k, value in enumerate(values)
    ]
    return settled(wanted("run-in", limit=limit, measure="acceleration_rms", unit="%"), seen, (), JUDGING)


def test_a_run_in_that_has_settled_and_one_that_has_not() -> None:
    assert run_in([2.0, 1.5, 1.2, 1.0, 1.01, 0.99, 1.0]).answer == "pass"
    falling = run_in([2.0, 1.7, 1.45, 1.23, 1.05, 0.9, 0.76])
    assert falling.answer == "fail"
    assert "falls" in falling.why
    assert run_in([1.0, 1.3, 0.8, 1.2, 0.7, 1.25, 0.9]).answer == "undetermined"
    few = run_in([1.0, 1.0, 1.0])
    assert few.answer == "undetermined"
    assert few.settles is not None
    assert "1 more" in few.settles


def test_a_gain_common_to_all_captures_does_not_move_a_run_in() -> None:
    first, second = run_in([1.2, 1.0, 1.01, 0.99, 1.0]), run_in([2.4, 2.0, 2.02, 1.98, 2.0])
    assert first.measured is not None
    assert second.measured is not None
    assert first.measured.value == pytest.approx(second.measured.value)
