"""What a queue costs: from scratch, and from what is kept next to the store, for a store cloned many times over.

``vibe years --out years`` and ``vibe history add`` make a store of 14 drives and two years; its rows are cloned as
those of other drives (files are not, which no queue reads).
``python -m tests.studies.queue_cost years/history --times 72``. ``--like TAG`` clones one kind only: one large family
of sisters; ``--few TAG --spread 1.5`` makes of it a fleet as there are, in which a tenth of the sisters is as that
drive and all differ from one another by so many dB.
"""

from __future__ import annotations

import argparse
import random
import resource
import shutil
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from vibe.core.records.history import Event, StoredDrive
from vibe.desk.sites import AT_ONCE
from vibe.flow.alarms.queue import evaluate_alarms
from vibe.flow.cases.judged import JudgedStore, judge, kept
from vibe.flow.cases.judged_again import judge_again
from vibe.history.store.judged import JUDGED
from vibe.history.store.schema import DATABASE
from vibe.history.store.store import Store


def cloned(
    source: Path, target: Path, times: int, *, like: str = "", few: str = "", spread_db: float = 0.0
) -> None:  # fmt: skip
    """A store with every drive of another ``times`` times, as ``TAG``, ``TAG~1``, ...; with ``like`` only those of the
    kind of that drive, of ``few`` a tenth as many. Levels of copies differ by ``spread_db`` (standard deviation)."""
    target.mkdir(parents=True)
    with Store.open(source):  # brought to the newest format
        pass
    shutil.copyfile(source / DATABASE, target / DATABASE)
    (target / "captures").mkdir()
    raw = sqlite3.connect(target / DATABASE)
    raw.execute("PRAGMA synchronous = OFF")
    names = {table: [row[1] for row in raw.execute(f"PRAGMA table_info({table})")] for table in TABLES}
    rows = {table: raw.execute(f"SELECT * FROM {table}").fetchall() for table in TABLES}
    most = {table: max((row[0] for row in rows[table]), default=0) for table in ("capture", "series")}
    if like:
        rows = _of_kind(like, rows, names)
    rng = random.Random(1)
    for copy in range(1, times):
        some = _without(few, rows, names) if few and copy % 10 else rows
        for table, found in some.items():
            change = _changed(table, names[table], copy, most, rng, spread_db)
            marks = ",".join("?" * len(names[table]))
            raw.executemany(f"INSERT INTO {table} VALUES ({marks})", [change(row) for row in found])
    raw.commit()
    raw.close()


def _without(
    tag: str, rows: dict[str, list[tuple[Any, ...]]], names: dict[str, list[str]]
) -> dict[str, list[tuple[Any, ...]]]:
    """Rows of all drives but one."""
    drive = {table: columns.index("drive") if "drive" in columns else None for table, columns in names.items()}
    captures = {row[0] for row in rows["capture"] if row[drive["capture"] or 0] == tag}
    capture = {table: columns.index("capture") if "capture" in columns else None for table, columns in names.items()}

    def other(table: str, row: tuple[Any, ...]) -> bool:
        of, at = drive[table], capture[table]
        return row[of] != tag if of is not None else at is None or row[at] not in captures

    return {table: [row for row in found if other(table, row)] for table, found in rows.items()}


def _of_kind(
    like: str, rows: dict[str, list[tuple[Any, ...]]], names: dict[str, list[str]]
) -> dict[str, list[tuple[Any, ...]]]:
    """Rows of the drives of one kind."""

    def said(table: str, row: tuple[Any, ...]) -> dict[str, Any]:
        return dict(zip(names[table], row, strict=True))

    kinds = {said("drive_file", row)["drive"]: said("drive_file", row)["kind"] for row in rows["drive_file"]}
    tags = {tag for tag, kind in kinds.items() if kind == kinds[like]}
    captures = {row[0] for row in rows["capture"] if said("capture", row)["drive"] in tags}

    def own(table: str, row: tuple[Any, ...]) -> bool:
        one = said(table, row)
        return one["drive"] in tags if "drive" in one else one["capture"] in captures

    return {table: [row for row in found if own(table, row)] for table, found in rows.items()}


TABLES = ("capture", "series", "value", "health", "finding", "drive_file", "event")


def _changed(
    table: str, names: list[str], copy: int, most: dict[str, int], rng: random.Random, spread_db: float
) -> Callable[[tuple[Any, ...]], tuple[Any, ...]]:
    gains: dict[int, float] = {}

    def change(row: tuple[Any, ...]) -> tuple[Any, ...]:
        said = dict(zip(names, row, strict=True))
        for name in said:
            if name == "drive":
                said[name] = f"{said[name]}~{copy}"
            elif name == "content":
                said[name] = f"{copy:012x}{said[name][12:]}"
            elif name in most and table in ("value", "health", "finding"):
                said[name] += copy * most[name]
        if table == "value" and spread_db:
            said["value"] *= gains.setdefault(said["series"], 10 ** (rng.gauss(0.0, spread_db) / 20))
        if "id" in said:
            said["id"] = said["id"] + copy * most[table] if table in most else None
        return tuple(said.values())

    return change


def measured(store: Store, at: datetime, what: str, *, keep: bool) -> None:
    begun = time.process_time()
    outcome = evaluate_alarms(store, at=at, keep=keep)
    seconds = time.process_time() - begun
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what}: {seconds:.1f} CPU s, {len(outcome.queue.alarms)} rows, {memory:.0f} MB at most", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("store", type=Path)
    parser.add_argument("--times", type=int, default=8, help="copies of every drive (default 8)")
    parser.add_argument("--like", default="", metavar="TAG", help="only drives of the kind of this one")
    parser.add_argument("--few", default="", metavar="TAG", help="a tenth as many copies of this drive")
    parser.add_argument("--spread", type=float, default=0.0, metavar="DB", help="how much copies differ")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "history"
        cloned(asked.store, place, asked.times, like=asked.like, few=asked.few, spread_db=asked.spread)
        with Store.open(place) as store:
            drives = store.drives()
            last = max(drive.last for drive in drives if drive.last is not None)
            at = last.astimezone(UTC) + timedelta(days=1)
            print(f"{len(drives)} drives, {sum(drive.captures for drive in drives)} captures")
            measured(store, at, "from scratch", keep=True)
            measured(store, at, "nothing new", keep=False)
            store.add_event(Event(drive=drives[0].tag, at=at - timedelta(hours=1), kind="grease", new_baseline=False))
            measured(store, at, "one drive touched", keep=True)
        brought_up_to_date(place, drives)
        print(f"kept: {(place / JUDGED).stat().st_size / 1e6:.1f} MB")


def brought_up_to_date(place: Path, drives: Sequence[StoredDrive]) -> None:
    """What one added capture costs once the queue was judged: of each original drive's first copy in turn."""
    begun = time.process_time()
    before = judge(place, "x")
    print(f"the queue of a desk, looks kept: {time.process_time() - begun:.1f} CPU s, {len(before.rows)} rows")
    begun = time.process_time()
    assert kept(place, "x") is not None
    print(f"read again: {time.process_time() - begun:.2f} CPU s")
    costs, firsts = [], []
    for drive in [one for one in drives if one.tag.endswith("~10")]:
        with Store.open(place) as store:
            one_more_capture(store, drive.tag)
        first, whole, before = _again(place, before, f"one more capture of {drive.tag}")
        firsts.append(first)
        costs.append(whole)
    print(f"one more capture: median {statistics.median(costs):.2f} CPU s, most {max(costs):.2f}; shown after "
          f"{statistics.median(firsts):.2f}, most {max(firsts):.2f}")  # fmt: skip
    sister = next(one for one in drives if one.tag.endswith("~10"))
    with Store.open(place) as store:
        at = store.captures(sister.tag)[8].measured_at
        store.add_event(Event(drive=sister.tag, at=at, kind="bearing change", new_baseline=True))
    _again(place, before, f"a new baseline of {sister.tag}")


def _again(place: Path, before: JudgedStore, what: str) -> tuple[float, float, JudgedStore]:
    """As a desk does it: first an answer at once, where more is concerned, then all."""
    begun, clock = time.process_time(), time.perf_counter()
    found = judge_again(place, "x", before, first_only_from=AT_ONCE)
    first, shown = time.process_time() - begun, time.perf_counter() - clock
    concerned = found.behind
    if concerned:
        found = judge_again(place, "x", before)
    whole = time.process_time() - begun
    print(f"{what}: shown after {first:.2f} CPU s, {shown:.2f} s by the clock; all {found.judged} that are concerned "
          f"after {whole:.2f} CPU s", flush=True)  # fmt: skip
    return first, whole, found


def one_more_capture(store: Store, tag: str) -> None:
    """The latest capture of a drive once more, an hour later and a little louder."""
    raw = store.connection
    names = [row[1] for row in raw.execute("PRAGMA table_info(capture)")]
    row = raw.execute("SELECT * FROM capture WHERE drive = ? ORDER BY time_s DESC LIMIT 1", (tag,)).fetchone()
    said = dict(zip(names, row, strict=True))
    old = said["id"]
    (said["id"],) = raw.execute("SELECT max(id) + 1 FROM capture").fetchone()
    said["content"] = f"{said['id']:064x}"
    said["time_s"] += 3600.0
    said["measured_at"] = datetime.fromtimestamp(said["time_s"], UTC).isoformat()
    raw.execute("BEGIN")
    raw.execute(f"INSERT INTO capture VALUES ({','.join('?' * len(names))})", tuple(said.values()))
    for table in ("value", "health", "finding"):
        columns = [found[1] for found in raw.execute(f"PRAGMA table_info({table})")]
        for found in raw.execute(f"SELECT * FROM {table} WHERE capture = ?", (old,)).fetchall():
            more = dict(zip(columns, found, strict=True)) | {"capture": said["id"]}
            if "id" in more:
                more["id"] = None
            if "time_s" in more:
                more["time_s"] = said["time_s"]
            if table == "value":
                more["value"] *= 1.02
            raw.execute(f"INSERT INTO {table} VALUES ({','.join('?' * len(columns))})", tuple(more.values()))
    raw.execute("COMMIT")


if __name__ == "__main__":
    main()
