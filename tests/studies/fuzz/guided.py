"""Inputs chosen by what they reach: ``atheris`` (libFuzzer), begun with the good files of a target.

One process loads everything that is parsed in Python, instrumented, and has each target read its good files and some
spoiled ones. For each target it then splits off a process that begins at once. What a target's share of the time is,
is counted from the beginning of the command, so that a slow machine shortens all shares alike and the last target is
reached. Inputs that reached something new stay in a folder, and the next run goes on from them.
"""

from __future__ import annotations

import gc
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tests.studies.fuzz.targets import Target

KEPT = Path(tempfile.gettempdir()) / "vibe-fuzz"
"""Where inputs are kept if no folder is named; never in the clone."""
BY_THE_CLOCK = 6
"""libFuzzer looks at the clock, which runs on while others have the processor."""
LEAST_S, LEAST_RUNS = 0.3, 8
"""For one target; the second also where the machine has no time for it."""
SPOILED = 60
"""Inputs spoiled by chance with which a target begins, other ones with every seed."""
HANDED_ON = 300
"""Inputs of earlier runs with which a target begins, drawn where there are more."""
REPEATED = 0.25
"""Share of a target's time that what it begins with may take."""
MOST_KEPT = 3000
"""Inputs kept for one target; beyond that some are dropped at random."""
LONGEST_INPUT = 200_000


def artifacts(out: Path | None) -> Path:
    """The folder for what is found, made if missing."""
    folder = (out or KEPT).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def parsed_here() -> tuple[str, ...]:
    """Names of the targets that are parsed in Python, where coverage shows."""
    from tests.studies.fuzz.targets import LIBRARIES, TARGETS

    return tuple(target.name for target in TARGETS if target.name not in LIBRARIES)


@dataclass(frozen=True, slots=True)
class Guided:
    """What came of one target. ``status`` is libFuzzer's; 0 is well. ``reached`` counts branches, None where the
    process ended before it said so."""

    name: str
    runs: int
    seconds: float
    slowest_ms: float
    reached: int | None
    new: int
    status: int


def guide_all(seconds: float, seed: int, out: Path | None = None) -> list[Guided]:
    """Let libFuzzer look for inputs that break anything that is parsed in Python, one thing after another, ``seconds``
    shared out by weight.

    Raises:
        SystemExit: ``atheris`` is not installed.
    """
    return guide(parsed_here(), seconds, seed, out)


def guide(names: tuple[str, ...], seconds: float, seed: int, out: Path | None = None) -> list[Guided]:
    """Let libFuzzer look for inputs that break targets, in processes of their own, for ``seconds`` in all.

    Inputs that break one are kept in ``out``, those that reached something new below its ``corpus``, the one that took
    longest in ``slowest``, what libFuzzer printed in ``said``. Those worth keeping for good go to ``seeds`` next to
    this file, under a name that says what they do.

    Raises:
        SystemExit: ``atheris`` is not installed, or the process ended before all targets had their turn.
    """
    from tests.studies.fuzz.targets import BY_NAME

    if unknown := [name for name in names if name not in BY_NAME]:
        raise SystemExit(f"no target is called {unknown[0]!r}; there are {', '.join(BY_NAME)}")
    try:
        import atheris  # noqa: F401
    except ImportError:
        raise SystemExit("atheris is not installed: pip install atheris") from None
    until = time.time() + seconds
    folder = artifacts(out)
    with tempfile.TemporaryDirectory() as place:
        answer = Path(place) / "answer.json"
        asked = {
            "names": names, "until": until, "seed": seed, "out": str(folder), "place": place, "answer": str(answer),
        }  # fmt: skip
        # Threads would not outlive the branching off.
        alone = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        command = [sys.executable, "-m", "tests.studies.fuzz.guided", json.dumps(asked)]
        done = subprocess.run(command, check=False, env=alone, stderr=subprocess.PIPE, text=True)
        if done.returncode or not answer.is_file():
            raise SystemExit(f"{done.stderr[-3000:]}\nthe process that guides ended with status {done.returncode}")
        return [Guided(**one) for one in json.loads(answer.read_text(encoding="utf-8"))]


def show(found: list[Guided]) -> None:
    """A line for each target, and one for all."""
    for one in found:
        reached = "?" if one.reached is None else f"{one.reached}"
        print(f"{one.name:18s} {one.runs:7d} runs in {one.seconds:5.1f} s, slowest {one.slowest_ms:6.1f} ms, "
              f"{reached:>5s} branches, {one.new:4d} inputs new{'' if not one.status else '   BROKEN'}")  # fmt: skip
    broken = [one.name for one in found if one.status]
    print(f"{len(found)} things parsed, {sum(one.runs for one in found):,} runs, broken: {', '.join(broken) or 'none'}")


def _shared(asked: dict[str, Any]) -> None:
    """All targets in their order, each in a process that is split off from this one."""
    import atheris

    with atheris.instrument_imports(include=["vibe", "pyuff", "tomllib"]):
        from tests.studies.fuzz.targets import BY_NAME

        targets = [BY_NAME[name] for name in asked["names"]]
        folder = tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else asked["place"])
        try:
            cost_s = {target.name: _warmed(target, asked["seed"], Path(folder)) for target in targets}
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    # What every process shares is not looked through again, and so not copied.
    gc.collect()
    gc.freeze()
    found = []
    for number, target in enumerate(targets):
        rest = sum(later.weight for later in targets[number:])
        share_s = max(LEAST_S, (asked["until"] - time.time()) * target.weight / rest)
        found.append(_one(target, share_s, cost_s[target.name], asked))
    part = Path(asked["answer"]).with_suffix(".part")
    part.write_text(json.dumps(found), encoding="utf-8")
    part.replace(asked["answer"])


def _warmed(target: Target, seed: int, folder: Path) -> float:
    """Seconds that one input of a target takes, once everything that it needs was loaded."""
    from tests.studies.fuzz.targets import Input

    good = [Input(one.data, one.next_to) for one in target.seeds()]
    spoiled = [target.input(seed, index) for index in range(4)]
    for given in (*good, *spoiled):
        _outcome(target, given, folder)
    begun = time.perf_counter()
    for given in (*good, *spoiled):
        _outcome(target, given, folder)
    return (time.perf_counter() - begun) / len((*good, *spoiled))


def _outcome(target: Target, given: Any, folder: Path) -> None:
    from tests.studies.fuzz.targets import try_one

    with suppress(Exception):  # the same input comes again where it is counted
        try_one(target, given, folder)


def _one(target: Target, share_s: float, cost_s: float, asked: dict[str, Any]) -> dict[str, Any]:
    """Split off a process for one target and wait for it."""
    begun = time.time()
    name = target.name.replace(" ", "_")
    place, out = Path(asked["place"]) / name, Path(asked["out"])
    kept, said, slowest = out / "corpus" / name, out / "said" / f"{name}.txt", out / "slowest" / name
    for one in (place / "new", place / "begin", kept, said.parent, slowest.parent):
        one.mkdir(parents=True, exist_ok=True)
    _begin(target, kept, place / "begin", max(4, int(REPEATED * share_s / cost_s)), asked["seed"])
    options = [
        name, str(place / "new"), str(place / "begin"), f"-seed={asked['seed']}", f"-max_len={LONGEST_INPUT}",
        f"-timeout={BY_THE_CLOCK * _cpu_limit_s()}", "-rss_limit_mb=3000", f"-artifact_prefix={out}/{name}-",
    ]  # fmt: skip
    # libFuzzer's own limit is a second one, for a process that hangs between two inputs.
    options.append(f"-max_total_time={int(share_s) + BY_THE_CLOCK * _cpu_limit_s()}")
    child = os.fork()
    if child == 0:
        _child(target, options, begun + share_s, place, said, slowest)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    new = sorted((place / "new").iterdir())
    for one in new:
        shutil.move(one, kept / one.name)
    _thin(kept, Random(asked["seed"]))
    counted = place / "counted.json"
    runs, slowest_s = json.loads(counted.read_text()) if counted.is_file() else (0, 0.0)
    found = Guided(
        name=target.name, runs=runs, seconds=round(time.time() - begun, 2), slowest_ms=round(1000 * slowest_s, 1),
        reached=_reached(said), new=len(new), status=status,
    )  # fmt: skip
    return {field: getattr(found, field) for field in Guided.__slots__}


def _child(target: Target, options: list[str], until: float, place: Path, said: Path, slowest: Path) -> None:
    """The process of one target; it never comes back. It must not leave by the ways that tidy up, which are those of
    the process that it was split off from."""
    import atheris

    from tests.studies.fuzz.targets import Input, try_one

    handle = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(handle, 1)
    os.dup2(handle, 2)
    next_to = target.seeds()[0].next_to
    folder = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else place))
    runs, slowest_s = 0, 0.0

    def try_bytes(data: bytes) -> None:
        nonlocal runs, slowest_s
        begun = time.perf_counter()
        if time.time() > until and runs >= LEAST_RUNS:
            ended(0)
        broken = True
        try:
            try_one(target, Input(data, next_to), folder)
            broken = False
        finally:
            runs += 1
            took_s = time.perf_counter() - begun
            if took_s > slowest_s:
                slowest_s = took_s
                slowest.write_bytes(data)
            if broken or runs % 16 == 1:
                count()

    def count() -> None:
        (place / "counted.json").write_text(json.dumps([runs, slowest_s]))

    def ended(status: int) -> None:
        count()
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(status)

    try:
        atheris.Setup(options, try_bytes)
        atheris.Fuzz()
        ended(0)
    except BaseException:
        import traceback

        traceback.print_exc()
        ended(1)


def _begin(target: Target, kept: Path, place: Path, most: int, seed: int) -> None:
    """Put down what a target begins with: its good files, spoiled ones, and what earlier runs kept."""
    for number, one in enumerate(target.seeds()):
        (place / f"good{number}").write_bytes(one.data)
    rng = Random(seed)
    earlier = sorted(kept.iterdir())
    for path in rng.sample(earlier, min(len(earlier), HANDED_ON, most)):
        shutil.copy(path, place / path.name)
    for index in range(min(SPOILED, max(4, most // 2))):
        (place / f"spoiled{index}").write_bytes(target.input(seed, index).data[:LONGEST_INPUT])


def _thin(kept: Path, rng: Random) -> None:
    every = sorted(kept.iterdir())
    for one in rng.sample(every, max(0, len(every) - MOST_KEPT)):
        one.unlink()


def _reached(said: Path) -> int | None:
    found = re.findall(rb"cov: (\d+)", said.read_bytes()) if said.is_file() else []
    return int(found[-1]) if found else None


def _cpu_limit_s() -> int:
    from tests.studies.fuzz.trial import CPU_S

    return CPU_S


if __name__ == "__main__":
    _shared(json.loads(sys.argv[1]))
