"""Processes that add to a store, or thin it, are killed at random moments. Nothing acknowledged may be lost, nothing
half added may be seen, and after ``repair`` everything must be whole.

``python -m tests.studies.kills --count 200``
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tests.history.kept_captures import channels, content, record
from tests.studies.page import Clock, options, write_table
from vibe.core.errors import CaptureError
from vibe.history.store.maintenance import repair, thin, verify
from vibe.history.store.store import Store

ROOT = Path(__file__).resolve().parents[2]
LONGEST_S = 0.4
"""Between "ready" and the kill: some ten additions."""
USUAL_START_S = 0.4
"""Until a process is ready on a machine with nothing else to do; one that takes longer is killed later by as much."""
THINNER = 5
"""Every so manieth process thins instead of adding."""


@dataclass
class Outcome:
    """What came of so many kills; ``lost``, ``half`` and ``wrong`` must stay 0."""

    kills: int = 0
    acknowledged: int = 0
    unacknowledged_but_whole: int = 0
    thinned: int = 0
    lost: int = 0
    half: int = 0
    mended: int = 0
    wrong: int = 0
    seen: set[str] = field(default_factory=set)


def work(folder: Path, first: int) -> None:
    """What the process does that is killed: add captures for ever, and say so when each is acknowledged."""
    import h5py  # noqa: F401  # Loaded with the first capture, which takes longer than adding it.

    with Store.open(folder, create=True) as store:
        print("ready", flush=True)
        if first < 0:
            thin(store, before=datetime(2400, 1, 1, tzinfo=UTC))
            time.sleep(60)
        for number in range(first, first + 100_000):
            if store.add(record(number), channels(number)):
                print(number, flush=True)


def one_kill(folder: Path, first: int, wait_s: float) -> list[int]:
    """Start, wait, kill; the numbers that were acknowledged."""
    code = (
        f"import sys; from pathlib import Path; from tests.studies.kills import work; work(Path(sys.argv[1]), {first})"
    )
    begun = time.monotonic()
    process = subprocess.Popen([sys.executable, "-c", code, str(folder)], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    time.sleep(wait_s * max(1.0, (time.monotonic() - begun) / USUAL_START_S))
    process.send_signal(signal.SIGKILL)
    stated = process.stdout.read()
    process.stdout.close()
    process.wait()
    # A last line without its end was not said yet.
    return [int(line) for line in stated.split("\n")[:-1]]


def run(folder: Path, count: int, seed: int) -> Outcome:
    """``count`` kills on one store, looked at after each, mended after every tenth and at the end."""
    moments = random.Random(seed)
    outcome = Outcome()
    promised: dict[str, int] = {}
    first = 0
    for kill in range(count):
        thins = kill % THINNER == THINNER - 1
        said = one_kill(folder, -1 if thins else first, moments.uniform(0.0, LONGEST_S))
        outcome.kills += 1
        promised |= {content(number): number for number in said}
        with Store.open(folder, create=True) as store:
            _look(store, promised, first, outcome)
            if kill % 10 == 9 or kill == count - 1:
                outcome.mended += len(repair(store))
                found = verify(store)
                outcome.wrong += len(found.wrong) + len(found.known)
                _look(store, promised, first, outcome)
        first += len(said) + 2
    outcome.acknowledged = len(promised)
    with Store.open(folder) as store:
        there = store.captures()
        outcome.unacknowledged_but_whole = len(there) - len(promised)
        outcome.thinned = sum(one.waveform == "thinned" for one in there)
    return outcome


def _look(store: Store, promised: dict[str, int], last: int, outcome: Outcome) -> None:
    there = {one.content: one for one in store.captures()}
    outcome.lost += len(promised.keys() - there.keys())
    # Numbers of this process and of all before it.
    numbers = {content(number): number for number in range(last + 200)}
    rows = dict(store.rows("SELECT c.content, count(*) FROM capture c JOIN value v ON v.capture = c.id GROUP BY c.id"))
    for name in there:
        # All are counted each time; files that were right once are read again only by verify.
        whole = rows.get(name) == 8 and store.health(name) != ""
        if whole and name not in outcome.seen:
            whole = _file_is_right(store, name, numbers[name])
            outcome.seen.add(name)
        outcome.half += not whole


def _file_is_right(store: Store, name: str, number: int) -> bool:
    try:
        spectra, back = store.spectra(name), store.waveform(name)
    except CaptureError:
        return False
    return all(np.array_equal(a.top, b.top) for a, b in zip(spectra, record(number).spectra, strict=True)) and all(
        np.array_equal(a.samples, b.samples) for a, b in zip(back, channels(number) if back else (), strict=True)
    )


def main() -> None:
    """The long study."""
    stated = options(__doc__ or "", count=200, counts="kills")
    clock = Clock()
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(Path(folder) / "history", stated.count, stated.seed)
    row = {key: value for key, value in asdict(outcome).items() if key != "seen"}
    write_table(stated.out, "kills", [row])
    print(*(f"{key}: {value}" for key, value in row.items()), f"time: {clock}", sep="\n")


if __name__ == "__main__":
    main()
