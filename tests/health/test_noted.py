"""Values that were measured by other means and noted."""

from __future__ import annotations

import pytest

from vibe.core.records.acceptance import Requirement
from vibe.core.records.commissioning import NotedValue
from vibe.flow.commissioning.acceptance import load_practice
from vibe.health.acceptance.noted import noted_value
from vibe.health.acceptance.outcomes import Judging

GUARDED = Judging(rule="guarded acceptance", coverage=0.95, practice=load_practice(), calibration=(), fixing="stud")
SIMPLE = Judging(rule="simple acceptance", coverage=0.95, practice=load_practice(), calibration=(), fixing="stud")


def requirement(sense: str = "at most") -> Requirement:
    return Requirement.model_validate(
        {"id": "q", "kind": "noted", "text": "t", "source": "s", "quantity": "torque", "limit": 10.0, "unit": "Nm",
         "sense": sense}
    )  # fmt: skip


def noted(value: float, uncertainty: float | None = 1.0) -> NotedValue:
    return NotedValue(requirement="q", value=value, uncertainty=uncertainty, source="report 7")


@pytest.mark.parametrize(
    ("sense", "value", "answer"),
    [
        ("at most", 8.9, "pass"), ("at most", 9.5, "undetermined"), ("at most", 10.5, "undetermined"),
        ("at most", 11.5, "fail"), ("at least", 11.5, "pass"), ("at least", 10.5, "undetermined"),
        ("at least", 9.5, "undetermined"), ("at least", 8.5, "fail"), ("at least", 0.0, "fail"),
        ("at most", -3.0, "pass"),
    ],
)  # fmt: skip
def test_a_guarded_limit_counts_the_uncertainty_on_the_side_that_matters(sense: str, value: float, answer: str) -> None:
    found = noted_value(requirement(sense), [noted(value)], GUARDED)
    assert found.answer == answer
    assert found.limit == 10.0
    # 1 Nm is k = 2; 95 % takes 1.96.
    assert found.acceptance_limit == pytest.approx(9.02 if sense == "at most" else 10.98, abs=0.03)
    assert found.risk_of_false_acceptance is not None
    assert (found.risk_of_false_acceptance < 0.5) == (value < 10 if sense == "at most" else value > 10)


def test_the_worst_of_several_decides() -> None:
    found = noted_value(requirement(), [noted(5.0), noted(12.0), noted(7.0)], GUARDED)
    assert (found.answer, found.measured and found.measured.value) == ("fail", 12.0)
    assert "the worst of 3 noted values" in found.why
    low = noted_value(requirement("at least"), [noted(5.0), noted(12.0)], GUARDED)
    assert low.measured is not None
    assert low.measured.value == 5.0


def test_no_value_and_no_uncertainty_are_open_and_say_what_settles() -> None:
    none = noted_value(requirement(), [], GUARDED)
    assert (none.answer, none.measured) == ("undetermined", None)
    assert none.settles is not None
    assert "[[noted]]" in none.settles
    bare = noted_value(requirement(), [noted(5.0, None)], GUARDED)
    assert bare.answer == "undetermined"
    assert bare.settles is not None
    assert noted_value(requirement(), [noted(5.0, None)], SIMPLE).answer == "pass"
    assert noted_value(requirement(), [noted(11.0, None)], SIMPLE).answer == "fail"
