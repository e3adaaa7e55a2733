"""Faults of collecting in short: each is noticed at the drive, and the capture without one is accepted."""

from __future__ import annotations

import pytest

from tests.studies.collecting import LAST_MONTH, SOUND, STANDS, measured

QUICK = ("overflow", "hum 50 Hz", "/ 10", "velocity", "soft mount", "cut short")


def test_faults_are_reported_and_a_good_capture_is_accepted() -> None:
    rows = measured(1, 90, names=QUICK, workers=1)
    assert {row.fault: row.stated for row in rows} == {SOUND: False, **dict.fromkeys(QUICK, True)}


@pytest.mark.slow
def test_so_they_are_on_captures_of_an_outside_generator() -> None:
    faults = ("filled by lines", "old block", STANDS, LAST_MONTH, "packets lost", "range switched", "stops meanwhile",
              "slow amplifier", "radio GSM")  # fmt: skip
    rows = measured(1, 100, names=faults, workers=1, source="walk")
    assert {row.fault: row.stated for row in rows} == {SOUND: False, **dict.fromkeys(faults, True)}
