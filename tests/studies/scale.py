"""Two processes against one, a cluster against processes, a worker killed, and what very many small jobs cost.

* Efficiency: the same whole captures (10 s, 2 channels, 25.6 kHz: read, judged, made a record) by one process and by
  two, in turns, so that what else the machine does meets both: time of one over twice the time of two. Once with
  processes that work already, once with their start counted. Where the machine is not idle these are lower bounds.
* Overhead: jobs that do nothing, for time and processor time of this process per job.
* A cluster of two workers on this machine, where ``distributed`` is installed: the same captures, the same empty jobs,
  and a run of a recipe with one worker killed, whose outputs are compared with those of one process.
* A run of a recipe with very many small drives, for what each costs the process that leads.

``python -m tests.studies.scale --count 24``
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tests.studies import scale as own
from tests.studies.page import options, write_table
from vibe.core.errors import CallError
from vibe.flow.jobs.executor import JobExecutor
from vibe.flow.jobs.processes import Processes
from vibe.flow.settings import load_settings, share_dir, tones_of

DRIVE = "screw_press_1"
SECONDS, RATE_HZ, POINTS = 10.0, 25_600.0, ("input side radial", "output side radial")
ROUNDS = 3
EMPTY_JOBS = 2000


def judge(path: Path) -> int:
    """One whole capture; what comes back is as small as in the program."""
    from vibe.flow.capture_folder import plain_reader
    from vibe.flow.history.capture_record import record_of

    drive, table = tones_of(share_dir() / "configs" / "drives" / f"{DRIVE}.toml")
    return len(record_of(plain_reader(path), drive, table, load_settings()).values)


def nothing(number: int) -> int:
    """A job without work."""
    return number


def captures(folder: Path, count: int) -> list[Path]:
    """``count`` different captures of one drive."""
    from datetime import UTC, datetime

    from vibe.flow.samples.simulation import simulate_file

    drive = share_dir() / "configs" / "drives" / f"{DRIVE}.toml"
    return [
        simulate_file(
            drive, [], seed, folder / f"{seed:03d}.h5", False, duration_s=SECONDS, sample_rate_hz=RATE_HZ,
            points=POINTS, measured_at=datetime(2026, 3, 9, 9, seed % 60, tzinfo=UTC),
        )
        for seed in range(count)
    ]  # fmt: skip


def timed(what: Callable[[], Any]) -> tuple[float, float]:
    """Time and processor time of this process [s]."""
    begun, busy = time.perf_counter(), time.process_time()
    what()
    return time.perf_counter() - begun, time.process_time() - busy


def efficiency(files: Sequence[Path], rounds: int) -> list[dict[str, Any]]:
    """One process of a pool against two, warm and with their start."""
    warm: dict[int, list[float]] = {1: [], 2: []}
    cold: dict[int, list[float]] = {1: [], 2: []}
    leads: list[float] = []
    for _ in range(rounds):
        for count in (1, 2):
            begun = time.perf_counter()
            with _pool(count) as executor:
                executor.each(own.judge, files[: 2 * count])
                took, busy = timed(lambda: executor.each(own.judge, files))
                warm[count].append(took)
                leads.append(busy / len(files))
            cold[count].append(time.perf_counter() - begun)
    ratio = statistics.median(one / (2 * two) for one, two in zip(warm[1], warm[2], strict=True))
    # With the start counted both also did captures to warm up: two for each process.
    per = [(c1 / (len(files) + 2)) / (2 * c2 / (len(files) + 4)) for c1, c2 in zip(cold[1], cold[2], strict=True)]
    return [
        _row("time of a whole capture, one process", statistics.median(warm[1]) / len(files), "s"),
        _row("efficiency of two processes, working already", 100 * ratio, "%"),
        _row(f"efficiency of two processes, start counted, {len(files)} captures", 100 * statistics.median(per), "%"),
        _row("processor time of the leading process per capture", 1e3 * statistics.median(leads), "ms"),
    ]


def _pool(count: int) -> JobExecutor:
    """Also one process is a process of its own here, so that both are sent their work."""
    executor = JobExecutor(1)
    executor._pool = Processes(count, None)
    return executor


def overhead(cluster: str | None = None) -> list[dict[str, Any]]:
    """What a job costs that does nothing."""
    with JobExecutor(2, cluster=cluster) as executor:
        executor.each(own.nothing, range(20))
        took, busy = timed(lambda: executor.each(own.nothing, range(EMPTY_JOBS)))
    where = "two processes" if cluster is None else "a cluster of two workers"
    return [
        _row(f"time per empty job, {where}", 1e3 * took / EMPTY_JOBS, "ms"),
        _row(f"processor time here per empty job, {where}", 1e3 * busy / EMPTY_JOBS, "ms"),
    ]


def on_cluster(files: Sequence[Path], folder: Path) -> list[dict[str, Any]]:
    """The same captures on a cluster of two workers; one of them killed in a run of a recipe."""
    try:
        import distributed  # noqa: F401
    except ImportError:
        return [_row("cluster: the package distributed is not installed", float("nan"), "")]
    from tests.flow.clusters import local_cluster

    (folder / "warm").mkdir()
    with local_cluster(folder / "warm") as cluster:
        rows = overhead(cluster.address)
        with JobExecutor(2, cluster=cluster.address) as executor, _pool(2) as pool:
            executor.each(own.judge, files[:4])
            pool.each(own.judge, files[:4])
            times = [
                (timed(lambda: pool.each(own.judge, files))[0], timed(lambda: executor.each(own.judge, files))[0])
                for _ in range(ROUNDS)
            ]
    rows.append(
        _row("time on a cluster over that in processes", statistics.median(far / near for near, far in times), "")
    )
    return [*rows, *killed(files, folder)]


def killed(files: Sequence[Path], folder: Path) -> list[dict[str, Any]]:
    """A run of a recipe on a cluster, one of two workers killed when a third of the drives is done."""
    from tests.flow.clusters import local_cluster
    from vibe.flow.run import run

    plant = small_plant(folder / "plant", 3 * len(files))
    run.run_recipe(plant, out=folder / "one", workers=1)
    gone: list[int] = []
    (folder / "killed").mkdir()
    with local_cluster(folder / "killed") as cluster:

        def kill(done: int, total: int, what: str) -> None:
            if done >= total // 3 and not gone:
                cluster.workers[0].kill()
                gone.append(done)

        took, _ = timed(lambda: run.run_recipe(plant, out=folder / "two", cluster=cluster.address, progress=kill))
    one, two = (
        {
            path.relative_to(place).as_posix(): path.read_bytes()
            for path in place.rglob("*")
            if path.is_file() and path.name not in ("made-from.json", "health.html")
        }
        for place in (folder / "one", folder / "two")
    )
    differ = sum(one.get(name) != two.get(name) for name in one.keys() | two.keys())
    return [
        _row(f"drives done when one of two workers was killed, of {3 * len(files)}", gone[0], ""),
        _row("outputs that differ from those of one process", differ, f"of {len(one)}"),
        _row("time of that run", took, "s"),
    ]


def small_plant(folder: Path, drives: int) -> Path:
    """A recipe with many drives, each with one very short capture; nothing is found in them, quickly."""
    import numpy as np

    from vibe.core.capture import Capture, Channel
    from vibe.ingest.formats.hdf5_writer import write_hdf5

    text = (share_dir() / "configs" / "drives" / f"{DRIVE}.toml").read_text(encoding="utf-8")
    (folder / "drives").mkdir(parents=True)
    for number in range(drives):
        tag = f"D-{number:05d}"
        (folder / "drives" / f"{tag}.toml").write_text(text.replace('"SP-01"', f'"{tag}"'), encoding="utf-8")
        samples = np.random.default_rng(number).normal(0.0, 1.0, 2000).astype(np.float32)
        channel = Channel(
            name="output", samples=samples, sample_rate_hz=2000.0, quantity="acceleration", recorded_unit="m/s^2"
        )
        source = folder / "captures" / f"{tag}.h5"
        write_hdf5(Capture(source=source, sha256="", drive=tag, measured_at=None, channels=(channel,)), source)
    recipe = folder / "route.toml"
    recipe.write_text(
        'kind = "route"\ntitle = "Many"\ndrives = ["drives"]\ncaptures = "captures"\npdf = false\n', encoding="utf-8"
    )
    return recipe


def many(folder: Path, drives: int) -> list[dict[str, Any]]:
    """What a drive of very many costs the process that leads a run, from the first look to the page for all."""
    from vibe.flow.run import run

    plant = small_plant(folder / "many", drives)
    took, busy = timed(lambda: run.run_recipe(plant, out=folder / "out", workers=2))
    page = (folder / "out" / "index.html").stat().st_size
    return [
        _row(f"time per drive, {drives} drives in two processes", 1e3 * took / drives, "ms"),
        _row(f"processor time of the leading process per drive, {drives} drives", 1e3 * busy / drives, "ms"),
        _row(f"page for all {drives} drives, per drive", page / drives / 1e3, "kB"),
    ]


def units(files: Sequence[Path], folder: Path) -> list[dict[str, Any]]:
    """What one capture and one report cost, in processor time and on the disk: the figures that a plan is made of."""
    from vibe.flow.capture_folder import plain_reader
    from vibe.flow.diagnose.drive_diagnosis import diagnose_files
    from vibe.flow.history.capture_record import kind_of, record_of
    from vibe.history.store.store import Store, prepared
    from vibe.storage.files import file_sha256

    drive_path = share_dir() / "configs" / "drives" / f"{DRIVE}.toml"
    drive, table = tones_of(drive_path)
    settings = load_settings()
    costs: dict[str, list[float]] = {}

    def cost(what: str, do: Callable[[], Any]) -> Any:
        stated: list[Any] = []
        costs.setdefault(what, []).append(timed(lambda: stated.append(do()))[1])
        return stated[0]

    with Store.open(folder / "units", create=True) as store:
        store.put_drive(drive.tag, drive_path.read_text(encoding="utf-8"), kind_of(drive))
        for path in files:
            cost("hash of a file, to see whether the store holds it", lambda: file_sha256(path))  # noqa: B023
            capture = cost("read", lambda: plain_reader(path))  # noqa: B023
            record = cost("judged, made a record", lambda: record_of(capture, drive, table, settings))  # noqa: B023
            made = cost("packed and written aside", lambda: prepared(store.workplace(), record, capture.channels))  # noqa: B023
            cost("taken into the store (the one writer)", lambda: store.take(made))  # noqa: B023
        rows = [
            _row(f"processor time: {what}", 1e3 * statistics.median(stated), "ms") for what, stated in costs.items()
        ]
        kept = [store.path_of(name) for (name,) in store.rows("SELECT content FROM capture")]
    raw, packed = sum(path.stat().st_size for path in files), sum(path.stat().st_size for path in kept)
    rows.append(_row("a capture as it was delivered", raw / len(files) / 1e3, "kB"))
    rows.append(_row("its file in the store", packed / len(files) / 1e3, "kB"))
    rows.append(
        _row(
            "its rows in the database, the empty one counted in",
            (folder / "units" / "store.sqlite").stat().st_size / len(files) / 1e3,
            "kB",
        )
    )
    for name, pdf in (("without PDF", False), ("with PDF", True)):
        diagnose_files(files[:1], drive_path, out=folder / f"first {name}", pdf=pdf)
        _, busy = timed(lambda: diagnose_files(files[1:2], drive_path, out=folder / f"report {name}", pdf=pdf))  # noqa: B023
        rows.append(_row(f"processor time: a drive judged and its report, {name}", 1e3 * busy, "ms"))
        size = sum(path.stat().st_size for path in (folder / f"report {name}" / drive.tag).rglob("*"))
        rows.append(_row(f"a report, {name}", size / 1e3, "kB"))
    return rows


def _row(what: str, figure: float, unit: str) -> dict[str, Any]:
    print(f"{what}: {figure:.4g} {unit}", flush=True)
    return {"what": what, "figure": f"{figure:.4g}", "unit": unit}


def main() -> None:
    """The figures."""
    stated = options(__doc__ or "", count=24, counts="whole captures")
    if stated.count < 4:
        raise CallError("--count must be 4 or more")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        files = captures(folder / "captures", stated.count)
        rows = [*units(files, folder), *efficiency(files, ROUNDS), *overhead(), *on_cluster(files, folder)]
        rows += [row for drives in (250, 1000) for row in many(folder / f"many-{drives}", drives)]
    write_table(stated.out, "scale", rows)


if __name__ == "__main__":
    main()
