"""How long it takes from a file in the watched folder of a desk to its place in the list, step by step.

``python -m tests.studies.capture_to_row --count 3`` (captures, one after the other). The desk's own threads and
processes do the work; steps are read from what they say. Times are by the clock: waiting for a second look is most.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from tests.flow.desk.dropped import capture, drive_file
from tests.studies.page import options, write_table
from vibe.desk.sites import Sites
from vibe.desk.watched import WatchedFolder
from vibe.flow.desk.inbox import LOOK_EVERY_S
from vibe.history.store.store import Store

LONGEST_S = 300.0


def until(condition: Callable[[], Any]) -> float:
    """When it holds."""
    end = time.perf_counter() + LONGEST_S
    while not condition():
        if time.perf_counter() > end:
            raise RuntimeError("it did not happen")
        time.sleep(0.01)
    return time.perf_counter()


def _taken(watched: WatchedFolder, count: int) -> bool:
    return watched.status is not None and watched.status.taken > count


def _working(watched: WatchedFolder, count: int) -> bool:
    return _taken(watched, count) or (watched.status is not None and bool(watched.status.working))


def _more(sites: Sites, count: int) -> bool:
    return sites.captures > count


def main() -> None:
    """The figures."""
    asked = options(__doc__ or "", count=3, counts="captures")
    with tempfile.TemporaryDirectory() as name:
        place, folder = Path(name) / "store", Path(name) / "in"
        folder.mkdir()
        with Store.open(place, create=True) as store:
            store.put_drive("SP-02", drive_file(Path(name) / "drive.toml").read_text(), "kind")
        sites = Sites([place])
        sites.start()
        watched = WatchedFolder({sites.stores[0].name: place}, folder, came=sites.wake)
        watched.start()
        table = []
        try:
            until(lambda: sites.judged_at is not None)
            for number in range(asked.count + 1):
                before = sites.captures
                capture(folder / f"{number}.h5", number)
                begun = time.perf_counter()
                working = until(partial(_working, watched, number))
                taken = until(partial(_taken, watched, number))
                row = until(partial(_more, sites, before))
                table.append(
                    {"capture": number, "settled_s": round(working - begun, 2), "judged_s": round(taken - working, 2),
                     "in_the_list_s": round(row - taken, 2), "whole_s": round(row - begun, 2)}
                )  # fmt: skip
                print(table[-1], flush=True)
        finally:
            watched.stop()
            sites.close()
    rest = table[1:]  # the first one starts the process that judges
    last = statistics.median(one["in_the_list_s"] for one in rest)
    print(f"two looks {LOOK_EVERY_S:.0f} s apart; from the store to the list: median {last:.2f} s")
    write_table(asked.out, "capture_to_row", table)


if __name__ == "__main__":
    main()
