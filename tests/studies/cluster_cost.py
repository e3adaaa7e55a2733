"""Captures judged into a history by a cluster's workers and by processes: what each costs, and whether they agree,
though a worker is killed and another comes while it runs.

Captures of one channel, 4 s at 12.8 kHz (those of ``soak``) go into three stores: by two processes, by two workers of a
cluster on this machine, and by a cluster of which one worker is killed after a third of them and another added after
half. Cost is processor time of all processes that take part, from the first fifth of the captures on, when libraries
are loaded: a time by the clock says nothing on a machine that does other work as well. Scheduler and workers also do
something every second, whether there is work or not, which is measured apart: a slow capture on a busy machine bears
more of it. What is left, and that share at two whole cores, are the cost on a machine that does nothing else. Linux.

``python -m tests.studies.cluster_cost --count 100``
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.flow.clusters import LocalCluster, local_cluster
from tests.studies import soak
from tests.studies.page import options, write_table
from vibe.flow.history.bulk_import import Delivery, keep_files
from vibe.flow.settings import share_dir
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store

WARM = 0.2
"""Share of the captures that are not counted."""
IDLE_S = 10.0
"""So long a cluster without work is watched, once its processes have loaded."""
CORES = 2


@dataclass
class Spent:
    """Processor time [s] by part, taken when a number of captures was done."""

    parts: Callable[[], dict[str, Sequence[int]]]
    at: list[tuple[int, float, dict[str, float]]] = field(default_factory=list)

    def look(self, done: int) -> None:
        now = {name: sum(_cpu_s(pid) for pid in pids) for name, pids in self.parts().items()}
        self.at.append((done, time.monotonic(), now))

    def per_capture_ms(self) -> dict[str, float]:
        (first, begun, before), (last, ended, after) = self.at
        found = {name: 1e3 * (after[name] - before[name]) / (last - first) for name in after}
        return found | {"all": sum(found.values()), "time": 1e3 * (ended - begun) / (last - first)}


def kept(
    files: Sequence[Path], store: Path, *, cluster: LocalCluster | None = None, disturbed: bool = False
) -> tuple[Spent, list[Any]]:
    """Put captures into a new store; what it cost, and what the store then says."""
    spent = Spent(lambda: _parts(cluster))
    changed = set()

    def look(done: int, total: int, what: str) -> None:
        if done >= max(1, round(WARM * total)) and not spent.at:
            spent.look(done)
        if done == total and len(spent.at) == 1:
            spent.look(done)
        if cluster is None or not disturbed:
            return
        if done >= total // 3 and "killed" not in changed:
            changed.add("killed")
            cluster.workers[0].kill()
        if done >= total // 2 and "added" not in changed:
            changed.add("added")
            cluster.add_worker()

    drives = [str(share_dir() / "configs" / "drives" / f"{name}.toml") for name in soak.DRIVES]
    delivery = Delivery.of(files[0].parent, drives=drives)
    with Store.open(store, create=True) as opened:
        outcome = keep_files(
            files, delivery, opened, workers=2, cluster=None if cluster is None else cluster.address, progress=look
        )
        if outcome.refused or len(opened.captures()) != len(files):
            raise RuntimeError(f"{len(opened.captures())} of {len(files)} kept; {outcome.refused[:1]}")
        if wrong := verify(opened).wrong:
            raise RuntimeError(f"the store is not in order: {wrong[0]}")
        said = opened.rows(
            "SELECT capture.content, series.drive, point, measure, subject, value FROM value JOIN series ON "
            "series.id = value.series JOIN capture ON capture.id = value.capture ORDER BY 1, 2, 3, 4, 5"
        )
    return spent, said


def idle_ms_per_s(cluster: LocalCluster) -> float:
    """Processor time that scheduler and workers take in each second without work."""
    time.sleep(IDLE_S / 2)
    before, begun = _idle_s(cluster), time.monotonic()
    time.sleep(IDLE_S)
    return 1e3 * (_idle_s(cluster) - before) / (time.monotonic() - begun)


def _idle_s(cluster: LocalCluster) -> float:
    return sum(_cpu_s(pid) for name, pids in _parts(cluster).items() if name != "leading process" for pid in pids)


def _parts(cluster: LocalCluster | None) -> dict[str, Sequence[int]]:
    """Numbers of the processes of each part, with all that they started."""
    if cluster is None:
        return {"leading process": [os.getpid()], "workers": list(_below(os.getpid()))}
    workers = [one for worker in cluster.workers for one in (worker.pid, *_below(worker.pid))]
    return {"leading process": [os.getpid()], "workers": workers, "scheduler": [cluster.scheduler.pid]}


def _below(pid: int) -> Iterator[int]:
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    except OSError:
        return
    for child in map(int, children):
        yield child
        yield from _below(child)


def _cpu_s(pid: int) -> float:
    """Time of a process and of its children that have ended (proc(5): fields 14 to 17 of ``stat``)."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    except OSError:
        return 0.0
    own = sum(map(int, fields[11:13])) if pid == os.getpid() else sum(map(int, fields[11:15]))
    return own / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """The figures."""
    stated = options(__doc__ or "", count=100, counts="captures")
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        drives = [share_dir() / "configs" / "drives" / f"{name}.toml" for name in soak.DRIVES]
        bases = [soak._base(drive, seed) for drive in drives for seed in range(soak.SEEDS)]
        files = [soak._written(folder / "captures", number, bases) for number in range(stated.count)]
        found, idle = {"two processes": kept(files, folder / "processes")}, {"two processes": 0.0}
        for name, disturbed in (("a cluster of two workers", False), ("one killed, one added", True)):
            place = folder / name
            place.mkdir()
            with local_cluster(place) as cluster:
                idle[name] = idle_ms_per_s(cluster)
                found[name] = kept(files, folder / f"store {name}", cluster=cluster, disturbed=disturbed)
    plain = found["two processes"]
    for name, (spent, said) in found.items():
        per = spent.per_capture_ms()
        differ = sum(a != b for a, b in zip(plain[1], said, strict=False)) + abs(len(said) - len(plain[1]))
        base = plain[0].per_capture_ms()["all"]
        alone = (per["all"] - idle[name] * per["time"] / 1e3) / (1 - idle[name] / (1e3 * CORES))
        rows.append({"by": name, **{f"{key} ms": round(per.get(key, 0.0), 1) for key in
                     ("all", "workers", "leading process", "scheduler", "time")},
                     "idle ms a second": round(idle[name], 1), "over processes": round(per["all"] / base, 3),
                     "over processes, on two whole cores": "" if "killed" in name else round(alone / base, 3),
                     "values that differ": differ, "values": len(said)})  # fmt: skip
        print(" | ".join(f"{key} {value}" for key, value in rows[-1].items()), flush=True)
    write_table(stated.out, "cluster_cost", rows)


if __name__ == "__main__":
    main()
