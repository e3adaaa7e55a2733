"""Long recordings: memory, and whether segments find what one piece finds.

Three parts. A recording of 30 minutes with four channels at 51.2 kHz, 370 million samples, through ``vibe diagnose``:
peak memory and time of the whole process. A minute of every drive of the fleet, sound and with one damage, in one piece
and in segments of a third: the findings of both. And how often tones of sound drives reach small false-alarm
probabilities, which they should as often as these say.

``python -m tests.studies.long_captures --count 12 --seed 70000`` (``--minutes 0`` leaves the first part out).
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from tests.studies.fleet import FLEET, settings, tones
from tests.studies.page import RESULTS, Clock, write_table
from vibe.core.capture import Capture, LaterSegments
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.settings import share_dir, tones_of
from vibe.synth.conditions import Conditions
from vibe.synth.impacts import possible_damages
from vibe.synth.simulate import parse_damage, simulate

POINTS = ("input side radial", "input side axial", "output side radial", "output side axial")
RATE_HZ, PIECES = 51_200.0, 62
RARE = (0.1, 0.01, 0.001)


def write_long(path: Path, minutes: float, damage: str, seed: int) -> int:
    """A recording of a sample drive, piece by piece so that making it needs little memory; the samples written.

    Each piece is a life of its own of one machine: its speed and phases differ a little, as after a load change.
    """
    drive, _ = tones_of(share_dir() / "configs" / "drives" / "aerator_1.toml")
    piece = int(minutes * 60.0 * RATE_HZ / PIECES)
    with h5py.File(path, "w") as file:
        file.attrs["drive"], file.attrs["measured_at"] = drive.tag, "2026-03-02T08:00:00+01:00"
        group = file.create_group("channels")
        rows = [group.create_dataset(name, (piece * PIECES,), "f4", chunks=(65_536,)) for name in POINTS]
        for row in rows:
            row.attrs["sample_rate_hz"], row.attrs["unit"] = RATE_HZ, "m/s^2"
        for number in range(PIECES):
            conditions = Conditions(
                duration_s=piece / RATE_HZ, sample_rate_hz=RATE_HZ, points=POINTS, machine_seed=seed
            )
            made = simulate(drive, [parse_damage(damage)], seed=seed + number, conditions=conditions)
            for row, channel in zip(rows, made.channels, strict=True):
                row[number * piece : (number + 1) * piece] = channel.samples
    return piece * PIECES * len(POINTS)


def diagnosed(path: Path, out: Path) -> dict[str, Any]:
    """``vibe diagnose`` of one file as a process: seconds, peak memory, what it found."""
    command = [
        sys.executable, "-m", "vibe.cli.main", "diagnose", str(path),
        "--drive", str(share_dir() / "configs" / "drives" / "aerator_1.toml"),
        "--out", str(out), "--no-pdf", "--json", f"{out}.json",
    ]  # fmt: skip
    begun = time.monotonic()
    pid = subprocess.Popen(command, stdout=subprocess.DEVNULL, env={**os.environ, "OMP_NUM_THREADS": "1"})
    _, status, usage = os.wait4(pid.pid, 0)
    taken = time.monotonic() - begun
    health = json.loads(Path(f"{out}.json").read_text(encoding="utf-8"))
    return {
        "exit": os.waitstatus_to_exitcode(status),
        "seconds": round(taken, 1),
        "cpu_s": round(usage.ru_utime + usage.ru_stime, 1),
        "peak_mb": round(usage.ru_maxrss / 1024),
        "findings": "; ".join(f"{one['component']}, {one['defect']}" for one in health["findings"]) or "none",
    }


def cut(capture: Capture, count: int) -> Capture:
    """A capture in memory as the first of ``count`` segments."""

    def part(number: int) -> Capture:
        channels = []
        for channel in capture.channels:
            n = channel.samples.size
            row = channel.samples[n * number // count : n * (number + 1) // count].copy()
            channels.append(replace(channel, samples=row))
        return replace(capture, channels=tuple(channels))

    return replace(part(0), longer=LaterSegments(count=count, duration_s=capture.duration_s, read=part))


def found(judged: CaptureDiagnosis) -> tuple[str, ...]:
    """What was found, in words that can be compared."""
    return tuple(sorted(f"{one.component}, {one.defect}" for one in judged.findings))


def compared(number: int, seed: int) -> list[dict[str, Any]]:
    """One drive of the fleet, sound and damaged, both ways."""
    name = sorted(FLEET)[number % len(FLEET)]
    drive, table = FLEET[name], tones(name)
    options = possible_damages(drive)
    rows = []
    for damage in ("", options[(7 * number + seed) % len(options)]):
        capture = simulate(
            drive, [parse_damage(damage)] if damage else [], seed=seed + number,
            conditions=Conditions(duration_s=60.0, pitch_errors=2.0),
        )  # fmt: skip
        one, many = (diagnose_samples(c, drive, table, settings()) for c in (capture, cut(capture, 3)))
        rows.append({"drive": name, "damage": damage or "none", "one": one, "many": many})
    return rows


def main() -> None:
    """The figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=12, help="drives compared")
    parser.add_argument("--seed", type=int, default=70_000)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--out", type=Path, default=RESULTS)
    stated, clock = parser.parse_args(), Clock()
    rows: list[dict[str, Any]] = []
    if stated.minutes > 0:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "long.h5"
            samples = write_long(path, stated.minutes, "stage1.ring_pin", stated.seed)
            figures = diagnosed(path, Path(folder) / "report")
            print(f"{samples:,} samples, {path.stat().st_size / 1e9:.2f} GB:", figures)
            write_table(stated.out, "long_memory", [{"samples": samples, **figures}])
    rare: dict[str, list[float]] = {"one": [], "many": []}
    for number in range(stated.count):
        for case in compared(number, stated.seed):
            one, many = case["one"], case["many"]
            if case["damage"] == "none":
                for way, judged in (("one", one), ("many", many)):
                    rare[way] += [comb.false_alarm_probability for comb in judged.reading.combs if judged.reading]
            rows.append(
                {
                    "drive": case["drive"],
                    "damage": case["damage"],
                    "in one piece": "; ".join(found(one)) or "nothing",
                    "in segments": "; ".join(found(many)) or "nothing",
                    "same": found(one) == found(many),
                }
            )
            print(rows[-1], flush=True)
    if not rows:
        return
    write_table(stated.out, "long_same", rows)
    print(f"same findings in {sum(row['same'] for row in rows)} of {len(rows)}")
    for way, values in rare.items():
        shares = ", ".join(f"{np.mean(np.array(values) <= level):.4f} at {level:g}" for level in RARE)
        print(f"sound tones in {way} ({len(values)}): {shares}")
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{clock}; peak of this process {own:.0f} MB")


if __name__ == "__main__":
    main()
