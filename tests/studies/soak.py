"""Very many captures on one machine: does memory stay flat, and at what rate do they go into a history?

Captures of one channel, 4 s at 12.8 kHz are made on the fly from a few simulated ones, each with other bytes (a little
noise of its own), laid into a folder in lots, and go the way that ``vibe history add`` sends them: judged in processes,
written by one. After each lot the resident memory of this process and of its workers, open files, rate and disk are put
down in ``soak.csv``; the slope of memory per 1,000 captures is stated with its interval (95 %, least squares with the
residuals' lag-one correlation taken into account), the first lots, in which libraries are loaded, left out. A pool
serves for one lot, as in a call of the command, so workers are watched within a lot: ``--lot`` says how large. Linux.

``python -m tests.studies.soak --captures 10000 --lot 2500 --folder soak``

Given again with the same folder it goes on where it was interrupted.
"""

from __future__ import annotations

import argparse
import csv
import os
import shutil
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import numpy as np

from tests.studies.page import RESULTS
from vibe.core.capture import Capture
from vibe.flow.history.bulk_import import Delivery, keep_files
from vibe.flow.settings import share_dir
from vibe.history.store.store import Store
from vibe.ingest import load_drive
from vibe.ingest.formats.hdf5_writer import write_hdf5
from vibe.synth.conditions import Conditions
from vibe.synth.simulate import simulate

SECONDS, RATE_HZ = 4.0, 12_800.0
DRIVES = ("screw_press_1", "sludge_mixer_1", "aerator_1")
SEEDS = 4
LOOKS = 50
"""Looks at memory in a lot."""
START = datetime(2026, 1, 5, 6, tzinfo=UTC)
WARM = 0.2
"""Left out of the slope: the first part of each lot."""
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE") if hasattr(os, "sysconf") else 4096


@dataclass(frozen=True)
class Look:
    """Memory [MB], open files and disk [MB] when so many captures were in the store."""

    captures: int
    lot: int
    seconds: float
    parent_mb: float
    worker_mb: float
    worker_peak_mb: float
    open_files: int
    store_mb: float


def main(argv: Sequence[str] | None = None) -> None:
    """Run the soak, or go on with it, and tell what came of it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--captures", type=int, default=10_000)
    parser.add_argument("--lot", type=int, default=2500, help="captures of one call")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="where captures and store lie, kept to go on; else none is kept")
    parser.add_argument("--out", type=Path, default=RESULTS)
    stated = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as scratch:
        looks = soak(stated.folder or Path(scratch), stated.captures, stated.lot, stated.workers)
    if stated.folder is not None:
        stated.out.mkdir(parents=True, exist_ok=True)
        shutil.copy(stated.folder / "soak.csv", stated.out / "soak.csv")
    for line in in_words(looks):
        print(line)


def soak(folder: Path, captures: int, lot: int, workers: int) -> list[Look]:
    """As many captures into the store in ``folder`` as are wanted, less those that are there already."""
    folder.mkdir(parents=True, exist_ok=True)
    drives = [str(share_dir() / "configs" / "drives" / f"{name}.toml") for name in DRIVES]
    bases = [_base(Path(drive), seed) for drive in drives for seed in range(SEEDS)]
    looks = _earlier(folder / "soak.csv")
    with Store.open(folder / "store", create=True) as store:
        there = int(store.rows("SELECT count(*) FROM capture")[0][0])
        while there < captures:
            first, last = there, min(there + lot, captures)
            place = folder / "captures"
            shutil.rmtree(place, ignore_errors=True)
            files = [_written(place, number, bases) for number in range(first, last)]
            delivery = Delivery.of(place, drives=drives)
            begun = time.monotonic()
            number_of_lot = 1 + max((look.lot for look in looks), default=0)

            def look(done: int, total: int, what: str, *, first: int = first, lot: int = number_of_lot,
                     begun: float = begun) -> None:  # fmt: skip
                if done and (done % max(1, total // LOOKS) == 0 or done == total):
                    looks.append(_look(first + done, lot, time.monotonic() - begun, folder))
                    _put_down(folder / "soak.csv", looks)

            outcome = keep_files(files, delivery, store, workers=workers, progress=look)
            if outcome.refused:
                raise RuntimeError(f"{len(outcome.refused)} captures were refused: {outcome.refused[0]}")
            # What a killed run had put in counts too.
            there = int(store.rows("SELECT count(*) FROM capture")[0][0])
            assert there == last, f"{there} captures in the store, {last} were given"
        shutil.rmtree(folder / "captures", ignore_errors=True)
    return looks


def in_words(looks: Sequence[Look]) -> list[str]:
    """Slopes, rate and the rest, a line each."""
    last = looks[-1]
    said = [f"captures: {last.captures} in {len({look.lot for look in looks})} lots"]
    rates = []
    for lot in sorted({look.lot for look in looks}):
        own = [look for look in looks if look.lot == lot]
        if len(own) > 1:
            rates.append((own[-1].captures - own[0].captures) / (own[-1].seconds - own[0].seconds))
    said.append(f"rate: {np.mean(rates):.2f} captures a second, slowest lot {min(rates):.2f}" if rates else "rate: -")
    for name, what in (("parent_mb", "this process"), ("worker_mb", "a worker, mean")):
        slope, half = slope_of(looks, name)
        said.append(
            f"memory of {what}: {getattr(last, name):.0f} MB at the end, "
            f"{slope:+.2f} MB per 1,000 captures ({slope - half:+.2f} to {slope + half:+.2f})"
        )
    said.append(f"largest worker ever: {max(look.worker_peak_mb for look in looks):.0f} MB")
    said.append(f"open files: {min(look.open_files for look in looks)} to {max(look.open_files for look in looks)}")
    said.append(f"store: {1e3 * last.store_mb / last.captures:.1f} kB a capture, {last.store_mb:.0f} MB in all")
    return said


def slope_of(looks: Sequence[Look], name: str) -> tuple[float, float]:
    """Slope of a figure [per 1,000 captures] with lots set apart by their means, and half its 95 % interval."""
    x: list[float] = []
    y: list[float] = []
    for lot in {look.lot for look in looks}:
        own = [look for look in looks if look.lot == lot]
        own = own[int(np.ceil(WARM * len(own))) :]
        if len(own) < 3:
            continue
        # Processes are new in each lot, this one is not.
        apart = name != "parent_mb"
        at = np.array([look.captures for look in own]) / 1e3
        mb = np.array([getattr(look, name) for look in own])
        x += list(at - at.mean() if apart else at)
        y += list(mb - mb.mean() if apart else mb)
    if len(x) < 4:
        return float("nan"), float("nan")
    at, mb = np.array(x) - np.mean(x), np.array(y) - np.mean(y)
    slope = float(at @ mb / (at @ at))
    rest = mb - slope * at
    if rest @ rest < 1e-12:
        return slope, 0.0
    # Memory is a slow walk: neighbours say nearly the same (effective number of looks for lag-one correlation).
    alike = float(np.clip(rest[1:] @ rest[:-1] / (rest @ rest), 0.0, 0.99))
    looks_worth = max(3.0, len(at) * (1 - alike) / (1 + alike))
    spread = float(np.sqrt(rest @ rest / (looks_worth - 2)))
    return slope, 1.96 * spread / float(np.sqrt((at @ at) * looks_worth / len(at)))


def _look(captures: int, lot: int, seconds: float, folder: Path) -> Look:
    workers = [_memory(pid) for pid in _children()]
    return Look(
        captures=captures, lot=lot, seconds=round(seconds, 2), parent_mb=_memory(os.getpid())[0],
        worker_mb=round(float(np.mean([own for own, _ in workers])), 2) if workers else 0.0,
        worker_peak_mb=max((peak for _, peak in workers), default=0.0),
        open_files=sum(_open_files(pid) for pid in (os.getpid(), *_children())),
        store_mb=round(sum(p.stat().st_size for p in (folder / "store").rglob("*") if p.is_file()) / 1e6, 2),
    )  # fmt: skip


def _memory(pid: int) -> tuple[float, float]:
    """Resident now, and at most so far [MB]."""
    stated = {}
    try:
        for line in Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines():
            key, _, value = line.partition(":")
            stated[key] = value
    except OSError:
        return 0.0, 0.0
    return tuple(round(int(stated[key].split()[0]) / 1024, 2) for key in ("VmRSS", "VmHWM"))  # type: ignore[return-value]


def _children() -> list[int]:
    import multiprocessing

    return [process.pid for process in multiprocessing.active_children() if process.pid is not None]


def _open_files(pid: int) -> int:
    try:
        return len(list(Path(f"/proc/{pid}/fd").iterdir()))
    except OSError:
        return 0


def _base(drive: Path, seed: int) -> Capture:
    conditions = Conditions(duration_s=SECONDS, sample_rate_hz=RATE_HZ, points=("output side radial",))
    return simulate(load_drive(drive), seed=seed, conditions=conditions)


def _written(place: Path, number: int, bases: Sequence[Capture]) -> Path:
    base = bases[number % len(bases)]
    rng = np.random.default_rng(number)
    channels = tuple(
        replace(
            one, samples=(one.samples + rng.normal(0.0, 1e-3 * float(np.std(one.samples)), one.samples.size)).astype(
                one.samples.dtype
            ),
        )
        for one in base.channels
    )  # fmt: skip
    made = replace(base, channels=channels, measured_at=START + timedelta(hours=number))
    return write_hdf5(made, place / f"{number:06d}.h5")


def _earlier(path: Path) -> list[Look]:
    if not path.is_file():
        return []
    with path.open(newline="", encoding="utf-8") as stream:
        kinds = Look.__annotations__
        return [
            Look(
                **{key: cast("Any", int(value) if kinds[key] == "int" else float(value)) for key, value in row.items()}
            )
            for row in csv.DictReader(stream)
        ]


def _put_down(path: Path, looks: Sequence[Look]) -> None:
    rows: list[dict[str, Any]] = [vars(look) for look in looks]
    part = path.with_suffix(".part")
    with part.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    part.replace(path)


if __name__ == "__main__":
    main()
