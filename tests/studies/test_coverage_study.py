"""The study of coverage in short; the long one is ``python -m tests.studies.coverage``."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.studies import coverage as study

TRIALS = 150
FEW = 50


def test_the_stated_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    case = next(case for case in study.CASES if case.captures == 1)
    # 150 trials of 95 % scatter by 1.8 %: four standard deviations.
    result = study.run_case(case, TRIALS, seed=5)
    assert 0.95 - 0.072 <= result.held <= 1.0
    # Exactly on its limit a drive is seldom answered at all.
    assert result.passed_on_limit + result.failed_on_limit <= 0.05 + 0.072


def test_an_interval_that_is_too_narrow_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    """The gains are drawn as certificates say, and the budget is given a sixth of it."""
    case = replace(study.CASES[2], scatter=0.005)
    judged = study.against_limit

    def boastful(wanted, limit, seen, missing, judging):  # type: ignore[no-untyped-def]
        less = tuple(replace(one, relative=one.relative / 6) for one in judging.calibration)
        return judged(wanted, limit, seen, missing, replace(judging, calibration=less))

    monkeypatch.setattr(study, "against_limit", boastful)
    assert study.run_case(case, FEW, seed=5).held < 0.7
