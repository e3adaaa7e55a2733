"""The study of the gate, in short: what runs is let through, what does not is not."""

from __future__ import annotations

import pytest

from tests.studies.gate import FALSE, SOUND, TWIN, Passed, listen, rows


@pytest.fixture(scope="module")
def passed() -> list[Passed]:
    return [one for work in (("ratio-17", 1001), ("rv", 1002), ("ratio-59", 1003)) for one in listen(work)]


def test_sound_drives_that_run_are_let_through(passed: list[Passed]) -> None:
    running = [one for one in passed if one.running]
    assert [one.detected for one in running] == [True] * 3
    assert all((one.probability or 0.0) > 0.99 for one in running)


def test_what_is_at_rest_is_not_detected_and_says_why(passed: list[Passed]) -> None:
    resting = [one for one in passed if one.what in ("noise", "hum")]
    assert resting
    assert not any(one.detected for one in resting)
    assert all(one.reason for one in resting)


def test_every_kind_has_its_row(passed: list[Passed]) -> None:
    table = rows(passed)
    assert [row["capture"] for row in table] == [*dict.fromkeys(SOUND), *FALSE, TWIN]
    assert sum(int(str(row["captures"])) for row in table) == len(passed)
