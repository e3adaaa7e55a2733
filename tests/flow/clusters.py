"""A real scheduler with worker processes on this machine, for tests and studies: loopback only, no dashboard."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

START_S = 180.0
"""Most that a start may take: processes load for seconds, and on a busy machine for a minute."""
ROOT = Path(__file__).resolve().parents[2]


@dataclass
class LocalCluster:
    """Its scheduler's address and its processes."""

    address: str
    scheduler: subprocess.Popen[bytes]
    folder: Path
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)
    environment: dict[str, str] = field(default_factory=dict)
    """Of all its processes, besides that of the tests."""

    def add_worker(self, *, nthreads: int = 1, environment: dict[str, str] | None = None) -> subprocess.Popen[bytes]:
        """One more worker, without a nanny: a killed one stays dead."""
        command = [
            sys.executable, "-m", "distributed.cli.dask_worker", self.address, "--nthreads", str(nthreads),
            "--no-nanny", "--no-dashboard", "--host", self.address.rpartition(":")[0], "--death-timeout", "60",
            "--local-directory", str(self.folder),
        ]  # fmt: skip
        one = _started(command, {**environment_of_tests(), **self.environment, **(environment or {})}, self.folder)
        self.workers.append(one)
        return one

    def wait_for(self, workers: int) -> None:
        """Until so many are there."""
        from distributed import Client

        with Client(self.address, timeout=START_S, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=START_S)


def environment_of_tests() -> dict[str, str]:
    """So that workers find the tests' own jobs, and use one core each."""
    path = os.pathsep.join([str(ROOT), str(ROOT / "tests" / "flow")])
    return {**os.environ, "PYTHONPATH": path, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


@contextmanager
def local_cluster(
    folder: Path, *, workers: int = 2, deaths_borne: int = 3, tls: dict[str, str] | None = None
) -> Iterator[LocalCluster]:
    """A cluster that ends with the context, whatever happens in it. ``deaths_borne``: how many workers a job may cost
    before the scheduler gives it up; 3 is the scheduler's own default. ``tls``: the environment that names the
    certificates by which its processes know one another."""
    stated = folder / "scheduler.json"
    command = [
        sys.executable, "-m", "distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard",
        "--scheduler-file", str(stated),
        "--host", "127.0.0.1" if tls is None else "tls://127.0.0.1", *([] if tls is None else ["--protocol", "tls"]),
    ]  # fmt: skip
    borne = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(deaths_borne)}
    scheduler = _started(command, environment_of_tests() | borne | (tls or {}), folder)
    one = LocalCluster(address="", scheduler=scheduler, folder=folder, environment=tls or {})
    try:
        one.address = _address(stated, scheduler)
        for _ in range(workers):
            one.add_worker()
        if workers and tls is None:
            one.wait_for(workers)
        yield one
    finally:
        for process in [*one.workers, scheduler]:
            process.kill()
            process.wait()


def _started(command: list[str], environment: dict[str, str], folder: Path) -> subprocess.Popen[bytes]:
    with (folder / "log.txt").open("ab") as log:
        return subprocess.Popen(command, stdout=log, stderr=log, env=environment, cwd=folder)


def _address(stated: Path, scheduler: subprocess.Popen[bytes]) -> str:
    import json

    until = time.monotonic() + START_S
    while time.monotonic() < until and scheduler.poll() is None:
        if stated.is_file() and (text := stated.read_text(encoding="utf-8")).strip().endswith("}"):
            return str(json.loads(text)["address"])
        time.sleep(0.05)
    raise RuntimeError("the scheduler did not start")
