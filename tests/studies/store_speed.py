"""How quick a store is with a million values and 50,000 captures, and how quickly it grows.

``python -m tests.studies.store_speed --count 50000``
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.history.kept_captures import START, channels, content, health, record
from tests.studies.page import options, write_table
from vibe.core.records.history import SeriesKey, Value
from vibe.history.store import capture_rows
from vibe.history.store.store import Store

DRIVES, POINTS, MEASURES = 50, 10, 20


def fill(store: Store, captures: int) -> None:
    """Rows of ``captures`` captures of one point each, through the store's own statements; no files."""
    usual = record(1)
    report = health()
    for block in range(0, captures, 1000):
        with store._changing():
            for number in range(block, min(block + 1000, captures)):
                place = number % (DRIVES * POINTS)
                values = tuple(
                    Value(point=f"point {place % POINTS}", measure=f"measure {k}", value=number + k / 100, unit="mm/s")
                    for k in range(MEASURES)
                )
                one = replace(
                    usual, content=content(number), drive=f"D-{place // POINTS:02d}", values=values, spectra=(),
                    measured_at=START + timedelta(hours=number), health=report,
                )  # fmt: skip
                capture_rows.insert(store._connection, capture_rows.CaptureRows.of(one), "", "thinned")


def timed(what: Callable[[], Any], times: int = 15) -> tuple[float, float]:
    """Median and longest time in milliseconds."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        what()
        taken.append(1e3 * (time.perf_counter() - begun))
    return statistics.median(taken), max(taken)


def main() -> None:
    """The figures."""
    stated = options(__doc__ or "", count=50_000, counts="captures")
    table: list[dict[str, Any]] = []

    def note(what: str, figure: float, longest: float, unit: str) -> None:
        table.append({"what": what, "median": f"{figure:.3g}", "longest": f"{longest:.3g}", "unit": unit})
        print(f"{what}: {figure:.3g} {unit} (longest {longest:.3g})")

    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "history", create=True) as store:
        begun = time.perf_counter()
        fill(store, stated.count)
        values = store.rows("SELECT count(*) FROM value")[0][0]
        note(f"rows of {stated.count} captures, {values} values", time.perf_counter() - begun, 0, "s")
        key = SeriesKey(drive="D-07", point="point 3", measure="measure 5")
        for what, ask in (
            ("latest of one point", lambda: store.latest("D-07", "point 3")),
            ("latest of one drive", lambda: store.latest("D-07")),
            ("latest of every series", lambda: store.latest()),
            ("one trend", lambda: store.series(key)),
            ("extents of one drive", lambda: store.extents("D-07")),
            ("captures of one drive", lambda: store.captures("D-07")),
            ("all drives", lambda: store.drives()),
        ):
            note(what, *timed(ask), "ms")
        added = 100
        rows_of = [
            (record(n, values=50), channels(n, samples=65_536)) for n in range(stated.count, stated.count + added)
        ]
        begun, busy = time.perf_counter(), time.process_time()
        for one, samples in rows_of:
            store.add(one, samples)
        took = time.perf_counter() - begun
        note("processor time for one capture added", 1e3 * (time.process_time() - busy) / added, 0, "ms")
        note("captures of 2 x 65,536 samples and 100 values added", added / took, 0, "1/s")
        size = sum(path.stat().st_size for path in Path(folder).rglob("store.sqlite*"))
        note("database", size / 1e6, 0, "MB")
    write_table(stated.out, "store_speed", table)


if __name__ == "__main__":
    main()
