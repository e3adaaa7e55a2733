"""Files that fuzzing found: each is refused in words, also the one that ends the library which reads it."""

from __future__ import annotations

import re
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.studies.fuzz import guided
from vibe.core.errors import CaptureError
from vibe.flow.jobs.executor import each

ROOT = Path(__file__).resolve().parents[2]
SEEDS = sorted((ROOT / "tests" / "studies" / "fuzz" / "seeds").iterdir())
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
    assert done.returncode == 0, done.stderr
    assert re.fullmatch(rf"{re.escape(str(path))}: [^\n]{{20,}}\n", done.stdout)


def test_worker_processes_answer_for_every_file() -> None:
    """What ends the library costs its own file, and no process that works on others."""
    good = ROOT / "sample_signals" / "CS-01_clarifier_scraper.h5"
    jobs = [*SEEDS, good, *SEEDS]
    found = each(read, jobs, workers=2)
    assert found[len(SEEDS)] == "accepted"
    for path, said in zip(jobs, found, strict=True):
        assert path == good or (isinstance(said, str) and said.startswith(f"{path}: "))


def test_a_fuzz_run_keeps_nothing_in_the_clone(tmp_path: Path) -> None:
    assert not guided.KEPT.resolve().is_relative_to(ROOT)
    assert guided.artifacts(tmp_path / "found") == tmp_path / "found"
    assert not list(ROOT.glob("fuzz-*"))
