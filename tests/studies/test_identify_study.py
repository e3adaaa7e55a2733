"""The study of unknown drives in short; the long one is ``python -m tests.studies.identify``."""

from __future__ import annotations

import pytest

from tests.studies.identify import poor, summed, usual


def test_unknown_drives_are_distinguished_from_a_usual_capture() -> None:
    trials = [usual(seed) for seed in range(4000, 4003)]
    # 98 % were right in the long study: two of three wrong come up once in a thousand.
    assert sum(trial.right for trial in trials) >= 2
    assert not any(trial.reported and not trial.right for trial in trials)


def test_a_capture_that_cannot_tell_says_so() -> None:
    trial = poor(1019)  # Two seconds at 1,280 Hz.
    assert not trial.reported
    assert trial.probability < 0.5


@pytest.mark.slow
def test_many_unknown_drives() -> None:
    trials = [usual(seed) for seed in range(4100, 4160)]
    row = summed("usual", trials)
    assert float(row["right first, mesh in band %"]) >= 95
    assert float(row["wrong with p > 0.9 %"]) <= 2
