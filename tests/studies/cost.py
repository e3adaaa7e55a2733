"""What analysis, reports and commands cost in time, against the least that reading and transforming the samples costs.

``python -m tests.studies.cost --count 14``

The *floor* of a capture is to read its samples, one forward transform of each channel and one complex inverse transform
of each. Floor (least of seven), analysis from file to findings (least of three) and report with pictures and PDF from
findings to files (least of three) are processor time, measured in turn in one process after a warm-up, for each sample
drive, sound and with one damage. Then whole commands by the clock, and how the cost grows with the length of a capture
and with the number of drives.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import scipy.fft

from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_capture
from vibe.flow.diagnose.drive_diagnosis import drive_report_from, written
from vibe.flow.settings import Settings, load_settings, tones_of
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import parse_damage
from vibe.synth.simulate import possible_damages, simulate
from vibe.synth.writers import write_capture

DRIVES = Path(__file__).resolve().parents[2] / "configs" / "drives"
LENGTHS_S = (5.0, 10.0, 20.0, 40.0, 80.0)
BATCHES = (2, 4, 8, 14)
SIZE = 2.0
"""Of the damage: clearly seen, so that the report has all of its pictures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """Processor time of one capture [s]."""

    drive: str
    state: str
    floor: float
    analysis: float
    report: float
    findings: int
    pdf: bool

    @property
    def floors(self) -> float:
        """The analysis, in floors."""
        return self.analysis / self.floor

    @property
    def whole(self) -> float:
        """Analysis and report together, in analyses."""
        return (self.analysis + self.report) / self.analysis


def least(times: int, do: Callable[[], Any]) -> float:
    """Least processor time [s] of several runs: what others do to the machine only ever adds."""
    taken = []
    for _ in range(times):
        begun = time.process_time()
        do()
        taken.append(time.process_time() - begun)
    return min(taken)


def read_and_transform(path: Path) -> None:
    """The floor: the samples of a native capture as float32, transformed forwards and, as a complex row, back."""
    with h5py.File(path) as file:
        rows = [np.asarray(row[...], dtype=np.float32) for row in file["channels"].values()]
    for row in rows:
        scipy.fft.rfft(row)
        scipy.fft.ifft(row.astype(np.complex64))


def capture_of(drive_path: Path, folder: Path, *, damaged: bool, seed: int, duration_s: float = 10.0) -> Path:
    """A capture of two points at 25.6 kHz; damaged is the first thing that can be, a ring pin where there is one."""
    drive, _ = tones_of(drive_path)
    possible = sorted(possible_damages(drive), key=lambda tone: (not tone.endswith("ring_pin"), tone))
    damage = (parse_damage(f"{possible[0]}:{SIZE}"),) if damaged else ()
    capture = simulate(drive, damage, seed=seed, conditions=Conditions(duration_s=duration_s))
    state = "damaged" if damaged else "sound"
    return write_capture(capture, folder / f"{drive.tag}_{state}_{duration_s:g}.h5", force=True)


def cost_of(drive_path: Path, capture: Path, out: Path, settings: Settings, *, repeats: int = 3) -> Cost:
    """Floor, analysis and report of one capture, measured in turn."""
    drive, table = tones_of(drive_path)
    judged: list[CaptureDiagnosis] = []
    reports: list[Any] = []

    def analyse() -> None:
        judged[:] = [diagnose_capture(capture, drive, table, settings)]

    def report() -> None:
        reports[:] = [written(drive_report_from(drive, table, judged, settings), out, force=True, pdf=True)]

    floor = least(7, lambda: read_and_transform(capture))
    analysis = least(repeats, analyse)
    return Cost(
        drive=drive.tag, state="damaged" if "damaged" in capture.name else "sound", floor=floor, analysis=analysis,
        report=least(repeats, report), findings=len(judged[0].findings), pdf=reports[0].files.pdf is not None,
    )  # fmt: skip


def warm_up(drive_path: Path, folder: Path, settings: Settings) -> None:
    """Load all libraries and fill all caches that a running process has filled."""
    cost_of(drive_path, capture_of(drive_path, folder, damaged=True, seed=1), folder / "warm", settings, repeats=1)


def exponent(sizes: Sequence[float], costs: Sequence[float]) -> float:
    """Of the power law that fits best: 1 is linear, below 1 a fixed part shows."""
    return float(np.polyfit(np.log(sizes), np.log(costs), 1)[0])


def by_length(
    drive_path: Path, folder: Path, settings: Settings, lengths_s: Sequence[float] = LENGTHS_S, seed: int = 1000
) -> list[float]:
    """Processor time [s] of the analysis of captures of one drive, ever longer ones."""
    drive, table = tones_of(drive_path)
    costs = []
    for length in lengths_s:
        path = capture_of(drive_path, folder, damaged=False, seed=seed, duration_s=length)
        costs.append(least(2, lambda path=path: diagnose_capture(path, drive, table, settings)))
    return costs


def by_number(work: Sequence[tuple[Path, Path]], settings: Settings, batches: Sequence[int] = BATCHES) -> list[float]:
    """Processor time [s] of the analysis of the first 2, 4, … drives, one after the other, one capture each."""

    def batch(count: int) -> None:
        for drive_path, capture in work[:count]:
            diagnose_capture(capture, *tones_of(drive_path), settings)

    return [least(1, lambda count=count: batch(count)) for count in batches]


def wall(arguments: Sequence[str], times: int = 3) -> float:
    """Least time by the clock [s] of a whole command, start of the interpreter included."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-m", "vibe", *arguments], check=True, capture_output=True)
        taken.append(time.perf_counter() - begun)
    return min(taken)


def commands(work: Sequence[tuple[Path, Path]], folder: Path) -> list[dict[str, Any]]:
    """Whole processes by the clock; a batch of checks per capture."""
    drive_path, capture = str(work[0][0]), str(work[0][1])
    diagnose = ["diagnose", capture, "--drive", drive_path, "--force"]
    batch = [str(path) for _, path in work]
    timed = {
        "help": wall(["--help"]),
        "diagnose, JSON only": wall([*diagnose, "--json", str(folder / "one.json")]),
        "diagnose, pages without PDF": wall([*diagnose, "--out", str(folder / "pages"), "--no-pdf"]),
        "diagnose, pages and PDF": wall([*diagnose, "--out", str(folder / "pages")]),
        f"check, per capture of {len(batch)}": wall(["check", *batch]) / len(batch),
    }
    return [{"command": name, "seconds": round(seconds, 3)} for name, seconds in timed.items()]


def middle_and_worst(values: Sequence[float]) -> str:
    """Median and largest, for print."""
    return f"median {statistics.median(values):.1f}, worst {max(values):.1f}"


def _draw(costs: Sequence[Cost], lengths: Sequence[float], numbers: Sequence[float], out: Path) -> None:
    figure, axes = new_figure(8.0, 4.0)
    axes.remove()
    left, right = figure.subplots(1, 2)
    place = np.arange(len(costs))
    left.bar(place, [cost.floors for cost in costs], color="#0072b2", label="analysis")
    bottom = [cost.floors for cost in costs]
    left.bar(place, [c.report / c.floor for c in costs], bottom=bottom, color="#e69f00", label="report", hatch="//")
    left.set(xlabel="capture (each drive sound, then damaged)", ylabel="processor time [floors]")
    left.set_ylim(0, 1.2 * max(c.floors + c.report / c.floor for c in costs))
    left.legend(frameon=False, ncols=2, loc="upper left")
    for sizes, times, label, marker in (
        (LENGTHS_S[: len(lengths)], lengths, "length of a capture [s]", "o"),
        (BATCHES[: len(numbers)], numbers, "number of drives", "s"),
    ):
        name = f"{label}: exponent {exponent(sizes, times):.2f}" if len(sizes) > 1 else label
        right.loglog(sizes, times, marker=marker, label=name)
    right.set(xlabel="size", ylabel="analysis, processor time [s]")
    right.set_xticks([2, 5, 10, 20, 40, 80], ["2", "5", "10", "20", "40", "80"])
    right.set_xticks([], minor=True)
    right.legend(frameon=False, fontsize=8, loc="lower right")
    write_figure(out, "cost", figure)


def main() -> None:
    """Measure, print, and write table and figure."""
    if "OMP_NUM_THREADS" not in os.environ:
        # As commands have it, and before any library has started threads.
        again = [sys.executable, "-m", "tests.studies.cost", *sys.argv[1:]]
        sys.exit(
            subprocess.call(again, env=os.environ | dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"))
        )
    asked = options(__doc__ or "", count=14, counts="sample drives")
    clock, settings = Clock(), load_settings()
    paths = sorted(DRIVES.glob("*.toml"))[: asked.count]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        warm_up(paths[0], folder, settings)
        costs: list[Cost] = []
        sound: list[tuple[Path, Path]] = []
        for path in paths:
            for damaged in (False, True):
                capture = capture_of(path, folder, damaged=damaged, seed=asked.seed)
                sound += [] if damaged else [(path, capture)]
                cost = cost_of(path, capture, folder / "out", settings)
                costs.append(cost)
                print(
                    f"{cost.drive:6} {cost.state:8} floor {1e3 * cost.floor:5.1f} ms, analysis {cost.floors:5.1f} "
                    f"floors, report {cost.report / cost.floor:5.1f} floors, both {cost.whole:.2f} analyses, "
                    f"{cost.findings} findings", flush=True,
                )  # fmt: skip
        batches = [count for count in BATCHES if count <= len(sound)]
        lengths, numbers = by_length(paths[0], folder, settings), by_number(sound, settings, batches)
        walls = commands(sound, folder)
    rows = [
        {
            "drive": c.drive, "state": c.state, "floor_ms": round(1e3 * c.floor, 2),
            "analysis_ms": round(1e3 * c.analysis), "report_ms": round(1e3 * c.report),
            "analysis_floors": round(c.floors, 1), "report_floors": round(c.report / c.floor, 1),
            "both_analyses": round(c.whole, 2), "findings": c.findings,
        }
        for c in costs
    ]  # fmt: skip
    write_table(asked.out, "cost", rows)
    write_table(asked.out, "cost_commands", walls)
    growth = [("length [s]", s, t) for s, t in zip(LENGTHS_S, lengths, strict=True)]
    growth += [("drives", float(n), t) for n, t in zip(batches, numbers, strict=True)]
    write_table(asked.out, "cost_growth", [{"of": o, "size": s, "analysis_s": round(t, 3)} for o, s, t in growth])
    _draw(costs, lengths, numbers, asked.out)
    for state, wanted in (("sound", 20), ("damaged", 25)):
        own = [c.floors for c in costs if c.state == state]
        print(f"analysis of {state} drives, floors: {middle_and_worst(own)} (wanted {wanted})")
    print(f"analysis, floors: {middle_and_worst([c.floors for c in costs])}")
    print(f"report, floors: {middle_and_worst([c.report / c.floor for c in costs])}")
    print(f"report, analyses: {middle_and_worst([c.report / c.analysis for c in costs])} (wanted 1.2)")
    print(f"analysis and report, analyses: {middle_and_worst([c.whole for c in costs])}")
    for row in walls:
        print(f"{row['command']}: {row['seconds']:.3f} s")
    print(f"length {LENGTHS_S}: {[round(t, 2) for t in lengths]} s, exponent {exponent(LENGTHS_S, lengths):.2f}")
    if len(batches) > 1:
        print(f"drives {batches}: {[round(t, 2) for t in numbers]} s, exponent {exponent(batches, numbers):.2f}")
    print(f"all PDFs made: {all(c.pdf for c in costs)}; {clock}")


if __name__ == "__main__":
    main()
