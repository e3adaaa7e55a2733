"""What analysis and report cost, in short; the long study is ``python -m tests.studies.cost``.

Processor time against the floor of the same capture in the same process: a busy machine slows both. The bounds leave
about twice what is usual, so that only a cost that doubles and doubles again breaks them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.studies.cost import DRIVES, by_length, capture_of, cost_of, exponent
from vibe.flow.settings import load_settings

MOST_FLOORS = 45.0
MOST_REPORT_FLOORS = 100.0
MOST_ANALYSES = 4.0
DRIVE = DRIVES / "sludge_mixer_1.toml"


def test_analysis_and_report_cost_no_more_than_so_many_floors(tmp_path: Path) -> None:
    settings = load_settings()
    capture = capture_of(DRIVE, tmp_path, damaged=True, seed=2)
    cost_of(DRIVE, capture, tmp_path / "warm", settings, repeats=1)
    cost = cost_of(DRIVE, capture, tmp_path / "out", settings, repeats=1)
    assert cost.findings > 0
    assert cost.floors < MOST_FLOORS
    assert cost.report < max(MOST_ANALYSES * cost.analysis, MOST_REPORT_FLOORS * cost.floor)


@pytest.mark.slow
def test_analysis_grows_no_faster_than_the_capture(tmp_path: Path) -> None:
    lengths = (5.0, 20.0)
    costs = by_length(DRIVE, tmp_path, load_settings(), lengths, seed=3)
    assert exponent(lengths, costs) < 1.35


def test_exponent_of_a_power_law_is_found() -> None:
    assert exponent([1.0, 2.0, 4.0], [3.0, 12.0, 48.0]) == pytest.approx(2.0)
