"""Files that fuzzing found: each is refused in words, or ends no more than the process that reads it."""

from __future__ import annotations

import re
import resource
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.studies.fuzz import guided
from vibe.core.errors import CaptureError
from vibe.flow.jobs.executor import WorkerDied, each

ROOT = Path(__file__).resolve().parents[2]
SEEDS = sorted((ROOT / "tests" / "studies" / "fuzz" / "seeds").iterdir())
ENDS_THE_LIBRARY = "ends_the_library.mat"
"""Reading it ends the process inside the HDF5 library (seen with 2.0.0)."""
MEMORY, CPU_S = 2 << 30, 20
READ = """
import sys
from pathlib import Path
from vibe.core.errors import CaptureError
from vibe.ingest import read_capture
try:
    read_capture(Path(sys.argv[1]))
except CaptureError as error:
    print(error)
"""


def _fenced() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def read(path: Path) -> str:
    from vibe.ingest import read_capture

    try:
        read_capture(path)
    except CaptureError as error:
        return str(error)
    return "accepted"


@pytest.mark.parametrize("seed", SEEDS, ids=lambda path: path.name)
@pytest.mark.parametrize("suffix", [".h5", ".mat"])
def test_it_is_refused_in_words_within_memory_and_time(seed: Path, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"capture{suffix}"
    shutil.copy(seed, path)
    done = subprocess.run(
        [sys.executable, "-c", READ, str(path)], capture_output=True, text=True, cwd=ROOT, preexec_fn=_fenced
    )
    if seed.name == ENDS_THE_LIBRARY and done.returncode == -signal.SIGSEGV:
        pytest.xfail("reading it ends the process; only a process apart survives it")
    assert done.returncode == 0, done.stderr
    assert re.fullmatch(rf"{re.escape(str(path))}: [^\n]{{20,}}\n", done.stdout)


def test_worker_processes_lose_one_file_and_no_other() -> None:
    """What ends a worker costs its own file, and the files beside it keep their answers."""
    others = [path for path in SEEDS if path.name != ENDS_THE_LIBRARY]
    jobs = [others[0], ROOT / "sample_signals" / "CS-01_clarifier_scraper.h5", *SEEDS]
    found = dict(zip(jobs, each(read, jobs, workers=2), strict=True))
    assert found[jobs[1]] == "accepted"
    for path in others:
        said = found[path]
        assert isinstance(said, str)
        assert said.startswith(f"{path}: ")
    bad = found[next(path for path in SEEDS if path.name == ENDS_THE_LIBRARY)]
    assert bad == WorkerDied() or (isinstance(bad, str) and bad.startswith(str(SEEDS[0].parent)))


def test_a_fuzz_run_keeps_nothing_in_the_clone(tmp_path: Path) -> None:
    assert not guided.KEPT.resolve().is_relative_to(ROOT)
    assert guided.artifacts(tmp_path / "found") == tmp_path / "found"
    assert not list(ROOT.glob("fuzz-*"))
