"""Files that fuzzing found: each is refused in words, also the one that ends the library which reads it."""

from __future__ import annotations

import json
import re
import resource
import shutil
import subprocess
import sys
from pathlib import Path

from tests.studies.fuzz import guided
from vibe.core.errors import CaptureError
from vibe.flow.jobs.executor import each

ROOT = Path(__file__).resolve().parents[2]
SEEDS = sorted((ROOT / "tests" / "studies" / "fuzz" / "seeds").iterdir())
MEMORY, CPU_S = 2 << 30, 20
READ = """
import json, sys
from pathlib import Path
from vibe.core.errors import CaptureError
from vibe.ingest import read_capture
for name in sys.argv[1:]:
    try:
        read_capture(Path(name))
        print(json.dumps("accepted"))
    except CaptureError as error:
        print(json.dumps(str(error)))
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


def test_each_is_refused_in_words_within_memory_and_time(tmp_path: Path) -> None:
    """All by one process, which outlives the one that ends the library, and takes no longer for them together."""
    paths = [tmp_path / f"{seed.name}{suffix}" for seed in SEEDS for suffix in (".h5", ".mat")]
    for path in paths:
        shutil.copy(next(seed for seed in SEEDS if path.name.startswith(seed.name)), path)
    done = subprocess.run(
        [sys.executable, "-c", READ, *map(str, paths)], capture_output=True, text=True, cwd=ROOT, preexec_fn=_fenced
    )
    assert done.returncode == 0, done.stderr
    for path, line in zip(paths, done.stdout.splitlines(), strict=True):
        assert re.fullmatch(rf"{re.escape(str(path))}: [^\n]{{20,}}", json.loads(line))


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
