"""Inputs given to a target in a process of their own: a crash, a hang or a flood of memory is found and counted.

A child writes one line per input into a pipe. When it dies, the line that is missing names the input.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import select
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.studies.fuzz.targets import BY_NAME, MaskedError, Target, WrongError, try_one

CPU_S = 5
"""Longest time for one input."""
WALL_S = 60.0
"""Longest silence of a child: it waits for something that never comes."""
MEMORY_MB = 700
"""Most memory that one small input may add: twenty million samples, which a file of a few bytes can truly hold, in
double precision, as they are kept, and between the two."""
ADDRESS_MB = 6000
BLOCK = 1000


@dataclass(frozen=True, slots=True)
class Found:
    """Something that must not be."""

    target: str
    index: int
    kind: str
    text: str


@dataclass
class Tally:
    """What came of the inputs of one target."""

    inputs: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    findings: list[Found] = field(default_factory=list)
    slowest_ms: float = 0.0
    slowest: int = -1
    peak_mb: float = 0.0
    cpu_s: float = 0.0

    def add(self, other: Tally) -> None:
        self.inputs += other.inputs
        self.outcomes += other.outcomes
        self.findings += other.findings
        self.cpu_s += other.cpu_s
        self.peak_mb = max(self.peak_mb, other.peak_mb)
        if other.slowest_ms > self.slowest_ms:
            self.slowest_ms, self.slowest = other.slowest_ms, other.slowest


_HEAVY = ("h5py", "pandas", "pyarrow.parquet", "scipy.io", "pyuff", "vibe.ingest.read", "vibe.report.certificate.check")


def block(name: str, seed: int, first: int, count: int) -> tuple[str, int, int, Tally]:
    """Some inputs of one target; what is slow to load is loaded once, before children branch off."""
    for heavy in _HEAVY:
        importlib.import_module(heavy)
    return name, first, count, run_inputs(BY_NAME[name], seed, first, count)


def run_inputs(target: Target, seed: int, first: int, count: int) -> Tally:
    """Give ``count`` inputs to a target, in children that are replaced when they die."""
    target.seeds()  # Made once, before the children branch off.
    tally = Tally()
    while tally.inputs < count:
        at = first + tally.inputs
        part, silent = _in_child(target, seed, at, min(BLOCK, count - tally.inputs))
        tally.add(part)
        if silent:
            tally.inputs += 1
            tally.outcomes["died"] += 1
            tally.findings.append(Found(target.name, at + part.inputs, "died", silent))
    return tally


def _in_child(target: Target, seed: int, first: int, count: int) -> tuple[Tally, str]:
    """What a child stated, and how it died; empty where it ended well."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(reading)
            _work(target, seed, first, count, writing)
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    os.close(writing)
    tally, done = Tally(), False
    with os.fdopen(reading, "rb") as stream:
        for line in _lines(stream, child):
            stated = json.loads(line)
            done = "last" in stated
            if not done:
                _take(tally, stated, target.name)
    _, status = os.waitpid(child, 0)
    if done:
        return tally, ""
    if os.WIFSIGNALED(status):
        names = {signal.SIGXCPU: f"more than {CPU_S} s of computing", signal.SIGKILL: f"silent for {WALL_S:.0f} s"}
        killer = signal.Signals(os.WTERMSIG(status))
        return tally, names.get(killer, f"killed by {killer.name}")
    return tally, f"ended with status {os.WEXITSTATUS(status)}"


def _lines(stream: Any, child: int) -> Iterator[bytes]:
    rest = b""
    while True:
        ready, _, _ = select.select([stream], [], [], WALL_S)
        if not ready:
            os.kill(child, signal.SIGKILL)
            return
        piece = os.read(stream.fileno(), 1 << 16)
        if not piece:
            return
        *whole, rest = (rest + piece).split(b"\n")
        yield from whole


def _take(tally: Tally, stated: dict[str, Any], name: str) -> None:
    tally.inputs += 1
    tally.outcomes[stated["outcome"]] += 1
    tally.cpu_s += stated["ms"] / 1000
    if stated["ms"] > tally.slowest_ms:
        tally.slowest_ms, tally.slowest = stated["ms"], stated["index"]
    tally.peak_mb = max(tally.peak_mb, stated["mb"])
    if "found" in stated:
        tally.findings.append(Found(name, stated["index"], stated["outcome"], stated["found"]))


def _work(target: Target, seed: int, first: int, count: int, writing: int) -> None:
    _limit(resource.RLIMIT_AS, _size_mb() + ADDRESS_MB, 1 << 20)
    base = _peak_mb()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as place:
        for index in range(first, first + count):
            folder = Path(place) / "f"
            folder.mkdir()
            given = target.input(seed, index)
            _limit(resource.RLIMIT_CPU, int(time.process_time()) + 1 + CPU_S, 1)
            begun = time.process_time()
            stated: dict[str, Any] = {"index": index} | one(target, given, folder)
            stated["ms"] = round(1000 * (time.process_time() - begun), 2)
            stated["mb"] = round(max(0.0, _peak_mb() - base), 1)
            flooded = stated["mb"] > MEMORY_MB
            if flooded:
                stated |= {"outcome": "memory", "found": f"took {stated['mb']:.0f} MB for {len(given.data):,} bytes"}
            os.write(writing, json.dumps(stated).encode() + b"\n")
            shutil.rmtree(folder)
            if flooded:
                break  # A new child has a peak of its own.
        os.write(writing, b'{"last": true}\n')


def one(target: Target, given: Any, folder: Path) -> dict[str, Any]:
    """Outcome of one input, and the finding if it is one."""
    try:
        return {"outcome": try_one(target, given, folder)}
    except WrongError as error:
        return {"outcome": "wrong", "found": str(error)[:600]}
    except MaskedError as error:
        return {"outcome": "masked", "found": str(error)[:600]}
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        place = " < ".join(f"{Path(one.filename).name}:{one.lineno}" for one in reversed(frames[-4:]))
        return {"outcome": "traceback", "found": f"{type(error).__name__}: {str(error)[:200]} ({place})"}


def _limit(what: int, value: float, unit: int) -> None:
    _, hard = resource.getrlimit(what)
    wanted = int(value * unit)
    resource.setrlimit(what, (wanted if hard == resource.RLIM_INFINITY else min(wanted, hard), hard))


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _size_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    return pages * resource.getpagesize() / (1 << 20)
