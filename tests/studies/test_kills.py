"""The study of kills in short; the long one is ``python -m tests.studies.kills``."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.studies.kills import THINNER, run


@pytest.mark.skipif(os.name == "nt", reason="no SIGKILL")
def test_nothing_acknowledged_is_lost_and_nothing_half_is_seen(tmp_path: Path) -> None:
    outcome = run(tmp_path / "history", 8, seed=1000)
    assert outcome.kills == 8 > THINNER
    assert outcome.acknowledged > 0
    assert (outcome.lost, outcome.half, outcome.wrong) == (0, 0, 0)
