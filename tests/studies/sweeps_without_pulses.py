"""Is the speed of a run-up or coast-down read off a drive's own lines, and does the program know when it is not?

Sweeps of ``tests/worlds/sweeps.py``, which knows nothing of the program: drives of 6 to 119 lobes, alone and among
other machines, with their pulses hidden. Wanted: no speed that is stated is wrong.
``python -m tests.studies.sweeps_without_pulses --count 3``: sweeps of each kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from tests.studies.page import Clock, options, write_table
from tests.worlds.sweeps import KINDS, RATE_HZ, Sweep, drive_file, make, sweep_of
from vibe.flow.settings import tones_of
from vibe.kinematics.followed_lines import followed_lines
from vibe.spectra.speed.swept_speed import LOWEST, swept_speed

CLOSE, WRONG = 0.01, 0.03
"""Relative error of a stated speed that is good, and from which on it is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Of one sweep: share of the time it turns in which a speed is stated, and errors of these speeds."""

    kind: str
    share: float
    why: str
    close: float = 0.0
    covered: float = 0.0
    """Share within twice the stated uncertainty."""
    worst: float = 0.0


def answer(sweep: Sweep) -> Answer:
    """What is said of one sweep, against what is true."""
    made = make(sweep)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "drive.toml"
        path.write_text(drive_file(sweep), encoding="utf-8")
        drive, table = tones_of(path)
    found = swept_speed(
        [(row, RATE_HZ) for row in made.rows], followed_lines(table), drive.input.speed_range_hz, up=sweep.up
    )
    speed = np.abs(np.gradient(made.turns)) * RATE_HZ
    turning = float(np.sum(speed > LOWEST * sweep.nominal_hz)) / RATE_HZ
    if not found.pieces:
        return Answer(kind=sweep.kind, share=0.0, why=found.why)
    time_s, said, unsure = (
        np.concatenate([getattr(piece, name) for piece in found.pieces])
        for name in ("time_s", "speed_hz", "uncertainty")
    )
    true = np.interp(time_s, np.arange(speed.size) / RATE_HZ, speed)
    # Of what stands still no speed is right; of another drive than its file says, the shaft's own is.
    off = np.full(time_s.size, np.inf) if sweep.kind == "still" else np.abs(said / np.maximum(true, 0.01) - 1)
    stated = sum(float(piece.time_s[-1] - piece.time_s[0]) for piece in found.pieces)
    return Answer(
        kind=sweep.kind, share=stated / max(turning, 1.0), why="", close=float(np.mean(off <= CLOSE)),
        covered=float(np.mean(off <= 2 * unsure)), worst=float(off.max()),
    )  # fmt: skip


def main() -> None:
    asked = options(__doc__ or "", count=3, counts="sweeps of each kind")
    clock = Clock()
    rows: list[dict[str, Any]] = []
    every: list[Answer] = []
    for kind in (*KINDS, "all"):
        own = [answer(sweep_of(kind, asked.seed + n)) for n in range(asked.count)] if kind != "all" else every
        every = every + own if kind != "all" else every
        stated = [one for one in own if not one.why]
        rows.append(
            {
                "kind": kind, "sweeps": len(own), "speed stated": len(stated),
                "share of the time, %": round(100 * float(np.mean([one.share for one in stated])), 0) if stated else "",
                "within 1 %, % of it": round(100 * float(np.mean([one.close for one in stated])), 1) if stated else "",
                "within U, % of it": round(100 * float(np.mean([one.covered for one in stated])), 1) if stated else "",
                "worst error, %": round(100 * max(one.worst for one in stated), 1) if stated else "",
                "wrong and sure": sum(one.worst > WRONG for one in stated),
                "not stated because": ", ".join(sorted({one.why for one in own if one.why})),
            }
        )  # fmt: skip
        print("  ".join(f"{name}: {value}" for name, value in rows[-1].items()), flush=True)
    print(write_table(asked.out, "sweeps_without_pulses", rows), f"({clock})")


if __name__ == "__main__":
    main()
