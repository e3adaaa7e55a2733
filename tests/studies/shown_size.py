"""Are impacts of the size that a certificate states really found, part by part?

A set of a sound drive is made, and the program states for every part the smallest impact that its captures would have
shown. Then impacts of that size are made here, by code of its own, at instants, slips, resonances and damping that
the program does not know, and added to other captures of the set. Wanted: nine of ten found by one capture alone.
``python -m tests.studies.shown_size --count 2``: drives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.studies.page import Clock, options, write_table
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.flow.commissioning.shown_sizes import FIRST, MARGIN, PlantJob, diagnosed, is_damage, jobs_of, plant
from vibe.flow.settings import load_settings, share_dir, tones_of
from vibe.synth.conditions import Conditions
from vibe.synth.simulate import simulate
from vibe.synth.writers import write_capture

CAPTURES, SECONDS, TRIALS = 4, 12.0, 3
POINTS = ("input side radial", "output side radial")
RATE = 0.01 / CAPTURES


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One part of one drive: the stated size, and how many of the trials were found, at it and at ``MARGIN`` less."""

    tone: str
    stated_m_s2: float | None
    found: int
    found_below: int
    tried: int


def tried(seed: int) -> list[Trial]:
    """All parts of one drive."""
    drive, table = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    settings = load_settings()
    alarm = settings.judgement.false_alarm.model_copy(update={"rate_per_drive": RATE})
    settings = replace(settings, judgement=settings.judgement.model_copy(update={"false_alarm": alarm}))
    with TemporaryDirectory() as folder:
        made = [_made(drive, seed, number, Path(folder)) for number in range(CAPTURES)]
        parts: dict[str, str] = {}
        for tone in table.tones:
            if tone.damage:
                parts.setdefault(tone.component, tone.id)
        job = PlantJob(path=made[0][1], tones=(), first=0.0, drive=drive, table=table, settings=settings)
        plain = diagnosed(made[0][0], job)
        limits = [comb.limit_m_s2 for comb in plain.combs.values() if comb.limit_m_s2]
        stated: dict[str, float | None] = {}
        first = FIRST * float(np.median(limits))
        for one in jobs_of([made[0][1], made[1][1]], list(parts.values()), first, drive, table, settings):
            stated |= plant(one)
        others = [capture for capture, _ in made[2:]]
        laws = [diagnosed(capture, job) for capture in others]
        rows = []
        for tone_id, size in stated.items():
            counts = [0, 0]
            for number in range(TRIALS if size is not None else 0):
                assert size is not None
                rng = np.random.default_rng([seed, number, *tone_id.encode()])
                capture, law = others[number % 2], laws[number % 2]
                assert law.reading is not None
                rows_of_impacts = {
                    channel.name: _impacts(table.tone(tone_id), law.reading.law, channel.samples.size, rng)
                    for channel in capture.vibration
                }
                for place, times in enumerate((1.0, 1.0 / MARGIN)):
                    loud = _with(capture, rows_of_impacts, times * size)
                    counts[place] += any(is_damage(one, table) for one in diagnosed(loud, job).findings)
            done = TRIALS if size is not None else 0
            rows.append(Trial(tone=tone_id, stated_m_s2=size, found=counts[0], found_below=counts[1], tried=done))
    return rows


def _made(drive: Drive, seed: int, number: int, folder: Path) -> tuple[Capture, Path]:
    conditions = Conditions(
        duration_s=SECONDS, sample_rate_hz=25_600.0, load_percent=100.0, noise=1.0, points=POINTS, machine_seed=seed
    )
    capture = simulate(drive, [], seed=1000 * seed + number, conditions=conditions)
    return capture, write_capture(capture, folder / f"{number}.h5")


def _impacts(tone: Any, law: Any, count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Decaying cosines with a peak of 1, one by one: slip within the tone's window, load once per turn of its first
    sideband, a resonance between 1.5 and 8 kHz and a damping of 2 to 5 %."""
    rate = 25_600.0
    ring, damping = float(np.exp(rng.uniform(np.log(1500.0), np.log(8000.0)))), rng.uniform(0.02, 0.05)
    low, high = tone.slip
    order = tone.order * (1 + rng.uniform(low, high))
    place, result = rng.uniform(), np.zeros(count + 4096)
    since = np.arange(4096) / rate
    carried = [side.order for side in tone.sidebands]
    phase = rng.uniform()
    turns = law.at(np.arange(0.0, count / rate, 1e-3))
    while place / order < turns[-1] - turns[0]:
        turn = place / order
        at = float(np.interp(turn, turns - turns[0], np.arange(turns.size) * 1e-3))
        height = 0.5 + 0.5 * np.cos(2 * np.pi * (min(carried) * turn + phase)) if carried else 1.0
        first = int(at * rate)
        later = since + (first + 1) / rate - at
        wave = np.exp(-damping * 2 * np.pi * ring * later) * np.sin(2 * np.pi * ring * later)
        result[first + 1 : first + 4097] += height * wave[: max(0, result.size - first - 1)]
        place += 1 + (0.01 * rng.standard_normal() if any(tone.slip) else 0.0)
    return np.asarray(result[:count] / np.exp(-damping * np.pi / 2))


def _with(capture: Capture, rows_of_impacts: dict[str, NDArray[np.float64]], size: float) -> Capture:
    channels = tuple(
        replace(one, samples=(one.samples + size * rows_of_impacts[one.name]).astype(np.float32))
        if one.name in rows_of_impacts
        else one
        for one in capture.channels
    )
    return replace(capture, channels=channels)


def summed(trials: list[Trial]) -> list[dict[str, Any]]:
    """Rows of the table: each tone over all drives, and all together."""
    rows = []
    for tone in [*dict.fromkeys(one.tone for one in trials), "all"]:
        own = [one for one in trials if tone in (one.tone, "all")]
        sizes = [one.stated_m_s2 for one in own if one.stated_m_s2 is not None]
        done = sum(one.tried for one in own)
        rows.append(
            {
                "tone": tone,
                "drives": len({id(one) for one in own}) if tone != "all" else "",
                "stated, median m/s2": f"{np.median(sizes):.2f}" if sizes else "not shown",
                "not shown": len(own) - len(sizes),
                "found %": f"{100 * sum(one.found for one in own) / done:.0f}" if done else "",
                "found without the margin %": f"{100 * sum(one.found_below for one in own) / done:.0f}" if done else "",
                "trials": done,
            }
        )
    return rows


def main() -> None:
    asked = options(__doc__ or "", count=2, counts="drives")
    clock = Clock()
    trials = [one for number in range(asked.count) for one in tried(asked.seed + number)]
    rows = summed(trials)
    for row in rows:
        print("  ".join(f"{name}: {value}" for name, value in row.items()))
    print(write_table(asked.out, "shown_size", rows), f"({clock})")


if __name__ == "__main__":
    main()
