"""Everything that is parsed, given bad input: spoiled files, odd ones, sidecars of other files, files cut off.

``python -m tests.studies.fuzz --inputs 200000 --seed 1 --workers 2``

For each thing that is parsed: how many inputs were accepted, by which error the others were refused, the slowest
input, the most memory that inputs took, and what must not be: a traceback; more than 5 s of computing, or an endless
wait; more than 700 MB; a process that dies inside a library; a success that cannot be right (a file cut off that comes
back as whole, a sample rate that cannot be); a refusal that blames the file for a slip of the program. The same seed
gives the same inputs. A run that was broken off goes on where it stopped when the same command is given again, with the
same ``--out``.

``--replay "npz:123"`` tries one input again and shows all that comes of it; ``--save FILE`` with it keeps the input.
``--guided TARGET --seconds 60`` lets ``atheris`` choose the inputs by what they reach, where it is installed;
``--guided all --seconds 300`` shares five minutes, its own start counted in, among all that is parsed in Python. What
reached something new is kept below ``--out``, and the next run goes on from it.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from tests.studies.fuzz.targets import BY_NAME, TARGETS, try_one
from tests.studies.fuzz.trial import BLOCK, Found, Tally, block
from tests.studies.page import RESULTS, write_table


def shares(inputs: int) -> dict[str, int]:
    """How many inputs each target gets."""
    total = sum(target.weight for target in TARGETS)
    return {target.name: max(1, math.ceil(inputs * target.weight / total)) for target in TARGETS}


class State:
    """What was done so far, kept in a file so that a broken run goes on."""

    def __init__(self, path: Path | None, key: str) -> None:
        self._path, self._key = path, key
        self.done: set[tuple[str, int]] = set()
        self.tallies: dict[str, Tally] = {}
        if path is not None and path.is_file():
            stated = json.loads(path.read_text(encoding="utf-8"))
            if stated["key"] == key:
                self.done = {(name, first) for name, first in stated["done"]}
                self.tallies = {name: _tally(one) for name, one in stated["tallies"].items()}

    def add(self, name: str, first: int, tally: Tally) -> None:
        self.done.add((name, first))
        self.tallies.setdefault(name, Tally()).add(tally)
        if self._path is not None:
            stated = {"key": self._key, "done": sorted(self.done),
                    "tallies": {name: _stated(one) for name, one in self.tallies.items()}}  # fmt: skip
            part = self._path.with_suffix(".part")
            part.write_text(json.dumps(stated), encoding="utf-8")
            part.replace(self._path)


def _stated(tally: Tally) -> dict[str, Any]:
    return vars(tally) | {"outcomes": dict(tally.outcomes), "findings": [asdict(one) for one in tally.findings]}


def _tally(stated: dict[str, Any]) -> Tally:
    return Tally(
        **stated | {"outcomes": Counter(stated["outcomes"]), "findings": [Found(**f) for f in stated["findings"]]}
    )


def row(name: str, tally: Tally) -> dict[str, Any]:
    """One line of the table."""
    refused = {k: v for k, v in tally.outcomes.items() if k.endswith("Error")}
    return {
        "target": name, "inputs": tally.inputs, "accepted": tally.outcomes["accepted"],
        "refused": sum(refused.values()),
        "by": " ".join(f"{k}:{v}" for k, v in sorted(refused.items())), "findings": len(tally.findings),
        "slowest_ms": round(tally.slowest_ms), "slowest": tally.slowest, "peak_mb": round(tally.peak_mb),
        "ms_each": round(1000 * tally.cpu_s / max(1, tally.inputs), 2),
    }  # fmt: skip


def show(found: list[Found]) -> None:
    """Findings that look alike once, with one of their inputs."""
    alike: dict[tuple[str, str, str], list[Found]] = {}
    for one in found:
        alike.setdefault((one.target, one.kind, one.text[:60]), []).append(one)
    for (target, kind, _), ones in sorted(alike.items()):
        print(f"{len(ones):6d} x {kind} in {target}: {ones[0].text}   [--replay '{target}:{ones[0].index}']")


def replay(which: str, seed: int, save: Path | None) -> None:
    """One input again, with all that comes of it."""
    name, _, index = which.rpartition(":")
    given = BY_NAME[name].input(seed, int(index))
    if save is not None:
        save.write_bytes(given.data)
        if given.next_to is not None:
            save.with_name(save.name + ".toml").write_bytes(given.next_to)
    print(f"{len(given.data):,} bytes, sidecar {given.next_to!r:.200}, cut {given.cut_of is not None}")
    print(repr(given.data[:400]))
    with tempfile.TemporaryDirectory() as folder:
        print(try_one(BY_NAME[name], given, Path(folder)))


def main() -> None:
    parser = argparse.ArgumentParser(description="Bad input for everything that is parsed.")
    parser.add_argument("--inputs", type=int, default=200_000, help="all targets together (default 200000)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1, help="processes (default 1)")
    parser.add_argument("--only", help="one target, or several parted by commas, which then get all inputs")
    parser.add_argument(
        "--out",
        type=Path,
        default=None,
        help="folder for the table, what a broken run had done, inputs that were found",
    )
    parser.add_argument("--replay", metavar="TARGET:INDEX")
    parser.add_argument("--save", type=Path)
    parser.add_argument("--guided", metavar="TARGET")
    parser.add_argument("--seconds", type=int, default=60)
    asked = parser.parse_args()
    if asked.replay:
        replay(asked.replay, asked.seed, asked.save)
        return
    if asked.guided:
        from tests.studies.fuzz import guided

        print(f"inputs that break something are kept in {guided.artifacts(asked.out)}")
        names = guided.parsed_here() if asked.guided == "all" else tuple(asked.guided.split(","))
        turns = guided.guide(names, asked.seconds, asked.seed, asked.out)
        guided.show(turns)
        raise SystemExit(any(turn.status for turn in turns))
    wanted = shares(asked.inputs)
    if asked.only:
        names = asked.only.split(",")
        total = sum(BY_NAME[name].weight for name in names)
        wanted = {name: math.ceil(asked.inputs * BY_NAME[name].weight / total) for name in names}
    out = asked.out or RESULTS
    if asked.out is not None:
        out.mkdir(parents=True, exist_ok=True)
    state = State(None if asked.out is None else out / "fuzz_state.json", f"{asked.inputs} {asked.seed} {asked.only}")
    jobs = [
        (name, first, min(2 * BLOCK, count - first))
        for name, count in wanted.items()
        for first in range(0, count, 2 * BLOCK)
        if (name, first) not in state.done
    ]
    begun = time.monotonic()
    with ProcessPoolExecutor(asked.workers, mp_context=get_context("spawn")) as pool:
        running = [pool.submit(block, name, asked.seed, first, count) for name, first, count in jobs]
        for ended in as_completed(running):
            name, first, _, tally = ended.result()
            state.add(name, first, tally)
    tallies = {name: state.tallies[name] for name in wanted if name in state.tallies}
    rows = [row(name, tally) for name, tally in tallies.items()]
    every = Tally()
    for tally in tallies.values():
        every.add(tally)
    for line in [*rows, row("all", every)]:
        print(f"{line['target']:18s} {line['inputs']:7d} accepted {line['accepted']:6d} refused {line['refused']:6d} "
              f"findings {line['findings']:4d} slowest {line['slowest_ms']:5d} ms (input {line['slowest']}) "
              f"peak {line['peak_mb']:4d} MB, {line['ms_each']:.1f} ms each  {line['by']}")  # fmt: skip
    seconds = time.monotonic() - begun
    print(f"{every.inputs:,} inputs in {seconds:.0f} s, {every.inputs / max(seconds, 1e-9):.0f} a second; "
          f"{len(every.findings)} findings")  # fmt: skip
    show(every.findings)
    if not asked.only:
        write_table(out, "fuzz", [*rows, row("all", every)])
    sys.exit(1 if every.findings else 0)


if __name__ == "__main__":
    main()
