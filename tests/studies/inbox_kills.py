"""A watch of a folder that is killed again and again at random moments: nothing lost, nothing done twice.

``python -m tests.studies.inbox_kills --count 12`` (kills)
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.flow.desk.dropped import capture, drive_file
from tests.studies.page import options, write_table
from vibe.history.store.incoming import sweep
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store

PER_KILL = 3
"""Captures that come before each kill."""
MOST_S = 1.0
"""Between one of three moments and the kill."""
BEGINS_S = 90.0


def kept(store: Path) -> dict[str, str]:
    """Content of every capture, by its file."""
    with Store.open(store) as opened:
        return {one.file: one.content for one in opened.captures()}


def main() -> None:
    """Kill, start anew, count."""
    asked = options(__doc__ or "", count=12, counts="kills")
    rng = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as name:
        folder, store = Path(name) / "in", Path(name) / "store"
        folder.mkdir()
        drive = drive_file(Path(name) / "drive.toml")
        Store.open(store, create=True).close()
        call = [sys.executable, "-m", "vibe.cli.main", "inbox", "--store", str(store), "--watch", str(folder)]
        call += ["--drives", str(drive), "--workers", "2"]
        seen: dict[str, str] = {}
        lost = 0
        rows: list[dict[str, Any]] = []
        for number in range(asked.count):
            sweep(store)
            for one in range(PER_KILL):
                capture(folder / f"{number:03}-{one}.h5", number * PER_KILL + one)
            process = subprocess.Popen(call, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            moment = ("it begins to judge", "a capture is judged", "a capture is kept")[number % 3]
            until, before = time.monotonic() + BEGINS_S, len(kept(store))
            while time.monotonic() < until:
                if moment == "it begins to judge" and any((store / "incoming").glob("*/lock")):
                    break
                if moment == "a capture is judged" and any((store / "incoming").glob("*/*.part")):
                    break
                if moment == "a capture is kept" and len(kept(store)) > before:
                    break
                time.sleep(0.005)
            after_s = rng.uniform(0.0, MOST_S)
            time.sleep(after_s)
            process.kill()
            process.wait()
            now = kept(store)
            lost += sum(now.get(file) != content for file, content in seen.items())
            seen = now
            rows.append(
                {"kill": number + 1, "moment": moment, "after_s": f"{after_s:.2f}", "kept": len(now), "lost": lost}
            )
            print(f"kill {number + 1}, {after_s:.2f} s after {moment}: {len(now)} of {(number + 1) * PER_KILL} kept")
        done = subprocess.run([*call, "--once"], capture_output=True, text=True, check=False)
        whole = kept(store)
        with Store.open(store) as opened:
            wrong = verify(opened).wrong
            twice = len(opened.captures()) - len(whole)
        print(f"{len(whole)} of {asked.count * PER_KILL} kept at the end, {twice} twice, {lost} lost, "
              f"{len(wrong)} things wrong in the store; {done.stderr.splitlines()[-1]}")  # fmt: skip
    write_table(asked.out, "inbox_kills", rows)


if __name__ == "__main__":
    main()
