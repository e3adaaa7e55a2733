"""Short versions: a soak that goes on where it was ended and finds a leak, and a run whose parent's cost is counted."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.studies import scale, soak

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="memory of processes is read from /proc")


def test_a_soak_goes_on_and_every_capture_is_kept(tmp_path: Path) -> None:
    looks = soak.soak(tmp_path, 2, 2, workers=1)
    assert [look.captures for look in looks] == [1, 2]
    more = soak.soak(tmp_path, 3, 2, workers=1)
    assert [(look.captures, look.lot) for look in more] == [(1, 1), (2, 1), (3, 2)]
    assert all(look.parent_mb > 20 and look.open_files > 3 and look.store_mb > 0 for look in more)
    assert soak.in_words(more)[0] == "captures: 3 in 2 lots"


def test_a_leak_is_seen_and_a_flat_memory_is_not_called_one() -> None:
    wobble = [0.3, -0.2, 0.1, -0.4, 0.2] * 10
    flat = [
        soak.Look(
            captures=20 * (k + 1), lot=1, seconds=k, parent_mb=90 + wobble[k], worker_mb=120.0, worker_peak_mb=130.0,
            open_files=40, store_mb=1.0 * k,
        )
        for k in range(50)
    ]  # fmt: skip
    slope, half = soak.slope_of(flat, "parent_mb")
    assert abs(slope) <= half
    leaking = [replace(one, parent_mb=one.parent_mb + one.captures / 1e3 * 5.0) for one in flat]
    slope, half = soak.slope_of(leaking, "parent_mb")
    assert slope - half > 3.0
    assert slope == pytest.approx(5.0, abs=2 * half)


@pytest.mark.slow
def test_a_drive_more_costs_the_leading_process_little(tmp_path: Path) -> None:
    """It leads, and the work is done elsewhere: with 40 drives its share must be a small part of theirs."""
    rows = {row["what"]: float(row["figure"]) for row in scale.many(tmp_path, 40)}
    lead = next(value for what, value in rows.items() if what.startswith("processor time of the leading process"))
    assert 0 < lead < 60
