"""Drives that stand alone: how often is a second machine of their kind seen that is not there?

Run: python -m tests.studies.alone --count 20

Of every world of outside code as many captures, those with a machine of the same kind left out; drives of
``tests/worlds/twins.py`` without the other one, all damaged; drives of the simulated fleet as life brings them, half of
them damaged. The search is asked of every capture, not only where a part is accused.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import cast

import numpy as np

from tests.studies.fleet import FLEET, judged, life, settings, spread_out, tones
from tests.studies.page import Clock, options, write_table
from tests.studies.twins import pair_of
from tests.worlds.case import WorldCase
from tests.worlds.trial import PARTS, written
from tests.worlds.twins import pair_case
from vibe.core.drive import Drive
from vibe.core.tones import ToneTable
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_capture
from vibe.flow.diagnose.presence import similar_machines_in
from vibe.flow.settings import tones_of
from vibe.synth.machine.damage import parse_damage
from vibe.synth.simulate import simulate

WORLDS = ("riverside", "hillside", "harbour", "lakeside", "ferryside", "moorside")
SOURCES = (*WORLDS, "twins, alone", "fleet")
LIKE_IT = ("twin", "neighbour", "beside others")
"""Words of a capture's kind or marks that say that a machine of the same kind stands there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Of one capture: whether a second machine was ``searched`` out by its lines, or inferred ``by_damage``, and
    whether a finding lost weight to it."""

    source: str
    damaged: bool
    searched: bool
    by_damage: bool
    either: bool


def trial(work: tuple[str, int]) -> Seen | None:
    """One capture; None where it shows no running drive, or another machine of the kind stands there."""
    source, number = work
    if source == "fleet":
        return _of_fleet(number)
    if source in WORLDS:
        world = import_module(f"tests.worlds.{source}")
        case = cast(WorldCase, world.case(number % world.COUNT))
    else:
        case = pair_case(replace(pair_of(number), whose="alone"), number)
    said = f"{case.kind} {' '.join(case.marks)}"
    if case.truth == "unusable" or (source in WORLDS and any(word in said for word in LIKE_IT)):
        return None
    with tempfile.TemporaryDirectory() as name:
        drive_file, path = written(case, Path(name))
        drive, table = tones_of(drive_file)
        return _seen(source, case.truth == "damaged", diagnose_capture(path, drive, table, settings()), drive, table)


def _of_fleet(number: int) -> Seen:
    rng = np.random.default_rng([number, 414])
    tag = list(FLEET)[number % len(FLEET)]
    damages = []
    if rng.random() < 0.5:
        tone = str(rng.choice([tone.id for tone in tones(tag).tones if tone.damage and tone.family != "roller"]))
        damages = [parse_damage(f"{tone}:{float(np.exp(rng.uniform(0, np.log(8)))):.2f}")]
    conditions = life(number, of="alone", duration_s=float(rng.uniform(6, 14)))
    capture = simulate(FLEET[tag], damages, seed=number, conditions=conditions)
    return _seen("fleet", bool(damages), judged(capture, FLEET[tag]), FLEET[tag], tones(tag))


def _seen(source: str, damaged: bool, one: CaptureDiagnosis, drive: Drive, table: ToneTable) -> Seen:
    alike = one.alike
    if alike is None:
        alike = () if one.reading is None else similar_machines_in(one.reading, drive, table, one.combs, one.findings)
    return Seen(
        source=source, damaged=damaged, searched=any(not machine.by_damage for machine in alike),
        by_damage=any(machine.by_damage for machine in alike),
        either=any(f.other_machine is not None for f in one.findings if f.component.startswith(PARTS)),
    )  # fmt: skip


def rows(seen: Sequence[Seen]) -> list[dict[str, str | int]]:
    """A row for each source, and one for all."""
    return [
        {
            "source": source or "all",
            "captures": len(some),
            "damaged": sum(one.damaged for one in some),
            "by its lines": sum(one.searched for one in some),
            "by damage": sum(one.by_damage for one in some),
            "either drive": sum(one.either for one in some),
        }
        for source in (*SOURCES, "")
        for some in [[one for one in seen if source in ("", one.source)]]
    ]


def main() -> None:
    chosen = options(__doc__ or "", count=20, counts="captures of each source")
    clock = Clock()
    work = [(source, chosen.seed + number) for source in SOURCES for number in range(chosen.count)]
    seen = [one for one in spread_out(trial, work, workers=chosen.workers) if one is not None]
    table = rows(seen)
    for row in table:
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    print(write_table(chosen.out, "alone", table))
    print(f"took {clock}")


if __name__ == "__main__":
    main()
