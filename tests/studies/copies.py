"""Are copies of a recording seen, whatever was done to them, and are true repeats never taken for copies?

Repeats of simulated drives, sound and with strong damage, at one speed and phase; pieces of measured recordings that do
not overlap, and measured repeats, where ``VIBE_OPEN_DATA`` points; and copies: resampled, moved, reversed, with noise
added. And both once more by outside code (``tests/quality/pairs.py``).
``python -m tests.studies.copies --count 6``: captures of each drive.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.open_data import OPEN_DATA
from tests.quality.pairs import BURIED, COPIES, REPEATS, Take, copy, repeat
from tests.studies.page import Clock, options, write_table
from vibe.core.capture import Channel
from vibe.flow.settings import share_dir, tones_of
from vibe.ingest import read_capture
from vibe.ingest.quality.recording.noise_print import ComparedPrints, noise_print
from vibe.ingest.quality.recording.same_recording import ComparedRecordings, polarity
from vibe.synth.conditions import Conditions
from vibe.synth.simulate import Damage, simulate

DAMAGES = ("", "stage1.ring_pin:6", "stage1.lobe:6", "bearing.eccentric bearing.outer_race:6")
MEASURED = ("ims", "mfpt", "uestc")
PACES, MOVED_S, NOISES = (1.0, 1.0005, 0.9985, 1.02), (0.0, 7.0, 11.0), (0.0, 0.1, 0.3, 0.5, 1.0)
LOUDEST = {0.0: 1.0, 7.0: 0.5, 11.0: 0.3}
"""Noise that is tried at most, where a copy is moved by so much."""
PARTS = (2, 3, 4, 5)
"""Pieces that measured recordings are cut into."""
Rows = Sequence[Channel]


def repeats(count: int, seed: int) -> Iterator[tuple[str, list[Rows]]]:
    """Captures that are none of another's copies."""
    drive, _ = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    for number, damage in enumerate(DAMAGES):
        tone, _, size = damage.partition(":")
        conditions = Conditions(duration_s=12.0, load_percent=100.0, machine_seed=seed + number)
        make = partial(simulate, drive, [Damage(tone, float(size))] if tone else [], conditions=conditions)
        yield f"simulated, {tone or 'sound'}", [make(seed=seed + 100 * number + k).vibration for k in range(count)]
    for folder in [OPEN_DATA / name for name in MEASURED if (OPEN_DATA / name).is_dir()]:
        captures = [read_capture(path).vibration for path in sorted(folder.glob("*.h5"))]
        yield f"measured, {folder.name}", captures
        for own in captures:
            for parts in PARTS:
                yield f"measured, {folder.name}, pieces", [_piece(own, k, parts) for k in range(parts)]


def _piece(rows: Rows, number: int, parts: int) -> Rows:
    """One of them, less a tenth of it: one that ran on from another would be known as a piece of the same recording."""
    pieces = [np.array_split(one.samples, parts)[number] for one in rows]
    return [replace(one, samples=own[: int(0.9 * own.size)]) for one, own in zip(rows, pieces, strict=True)]


def resampled(row: NDArray[np.floating], pace: float) -> NDArray[np.float64]:
    """As if it had been taken at another pace."""
    fine = np.fft.irfft(np.fft.rfft(row), 8 * row.size) * 8
    return np.interp(8 * np.arange(0, row.size - 1, 1 / pace), np.arange(fine.size), fine)


def copied(
    rows: Rows, other: Rows, pace: float, moved_s: float, noise: float, seed: int, *, backwards: bool = False
) -> Rows:
    """A copy that begins later, at another pace, filled up with another capture, with noise added."""
    draw = np.random.default_rng(seed)
    made = []
    for one, fill in zip(rows, other, strict=True):
        first = int(moved_s * one.sample_rate_hz)
        x = np.concatenate([resampled(one.samples[first:], pace), fill.samples[:first]])
        x = x + noise * x.std() * draw.normal(size=x.size)
        x = x[::-1] if backwards else x
        made.append(replace(one, samples=np.ascontiguousarray(x, dtype=np.float32)))
    return made


def taken_for_one(captures: Sequence[Rows]) -> list[tuple[int, int]]:
    """Pairs that are said to be one recording."""
    whole = ComparedRecordings([polarity(rows) for rows in captures])
    prints = ComparedPrints([noise_print(rows) for rows in captures])
    pairs = combinations(range(len(captures)), 2)
    return [pair for pair in pairs if whole.same(*pair) is not None or prints.same(*pair) is not None]


def rows_of(take: Take) -> Rows:
    """A capture of outside code."""
    return [
        Channel(name=name, samples=samples.astype(np.float32), sample_rate_hz=take.rate_hz, recorded_unit="m/s^2",
                quantity="acceleration")
        for name, samples in take.points.items()
    ]  # fmt: skip


def of_outside_code() -> Iterator[tuple[str, bool]]:
    """(kind, whether taken for one recording) of all its repeats and copies."""
    for number in range(REPEATS):
        name, first, second = repeat(number)
        yield f"outside code, repeats: {name}", bool(taken_for_one([rows_of(first), rows_of(second)]))
    for number in range(COPIES):
        name, first, second = copy(number)
        buried = " (noise far below)" if number in BURIED else ""
        yield f"outside code, copy: {name}{buried}", bool(taken_for_one([rows_of(first), rows_of(second)]))


def main() -> None:
    asked = options(__doc__ or "", count=6, counts="captures of each simulated drive")
    clock = Clock()
    found: dict[str, list[int]] = {}
    simulated: list[list[Rows]] = []
    for name, captures in repeats(asked.count, asked.seed):
        usable = [rows for rows in captures if rows]
        counts = found.setdefault(name, [0, 0])
        counts[0] += len(usable) * (len(usable) - 1) // 2
        counts[1] += len(taken_for_one(usable))
        if name.startswith("simulated"):
            simulated.append(usable)
    for pace, moved_s, noise, backwards in product(PACES, MOVED_S, NOISES, (False, True)):
        if noise > LOUDEST[moved_s]:
            continue
        way = ", backwards" if backwards else ""
        counts = found.setdefault(f"copy, pace {pace:g}, moved by {moved_s:g} s, noise {noise:g}{way}", [0, 0])
        for number, drive in enumerate(simulated):
            copy = copied(drive[0], drive[1], pace, moved_s, noise, number, backwards=backwards)
            counts[0] += 1
            counts[1] += bool(taken_for_one([drive[0], copy]))
    for name, one in of_outside_code():
        counts = found.setdefault(name, [0, 0])
        counts[0] += 1
        counts[1] += one
    rows: list[dict[str, Any]] = [
        {"of": name, "pairs": pairs, "taken for one recording": one} for name, (pairs, one) in found.items()
    ]
    for row in rows:
        print("  ".join(f"{name}: {value}" for name, value in row.items()))
    print(write_table(asked.out, "copies", rows), f"({clock})")


if __name__ == "__main__":
    main()
