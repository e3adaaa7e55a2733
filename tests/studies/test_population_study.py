"""The study of a large population in short; the long one is ``python -m tests.studies.population``."""

from __future__ import annotations

import gc
import time
import tracemalloc
from pathlib import Path

import pytest

from tests.studies.population import write_records
from vibe.flow.history.population import population_of
from vibe.history.population.records import read_records


def test_records_are_read_one_by_one_and_only_figures_stay(tmp_path: Path) -> None:
    """A record of 17 figures is 2.5 kB as a file; what stays is two numbers a figure and the names of the drive."""
    peaks = []
    for count in (200, 800):
        write_records(tmp_path / str(count), count)
        gc.collect()  # What earlier tests left to be collected would set when it is done next.
        gc.freeze()
        tracemalloc.start()
        read_records(tmp_path / str(count))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        gc.unfreeze()
    assert (peaks[1] - peaks[0]) / 600 < 1500


def test_a_thousand_drives_take_seconds(tmp_path: Path) -> None:
    write_records(tmp_path, 1000)
    begun = time.perf_counter()
    found = population_of(tmp_path)
    assert time.perf_counter() - begun < 10.0
    assert found.drives == 1000
    assert found.outliers[0].serial == "SN-00007"


@pytest.mark.slow
def test_ten_thousand_drives_take_less_than_a_minute(tmp_path: Path) -> None:
    write_records(tmp_path, 10_000)
    begun = time.perf_counter()
    found = population_of(tmp_path)
    assert time.perf_counter() - begun < 60.0
    assert found.drives == 10_000
    assert found.outliers[0].serial == "SN-00007"
