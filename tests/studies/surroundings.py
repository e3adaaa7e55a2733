"""What is said of a drive when other machines run next to it: who is accused, what is found, what is not judged.

    python -m tests.studies.surroundings [--count N --seed S --workers W --out DIR --kinds KIND ...]
                                         [--worlds NAME ... --cases N]

``count`` captures of the fleet for each kind of surrounding, a fresh machine each, at a random strength: sound drives
that run, drives that stand still next to what goes on, and drives with one clearly damaged part, alone and surrounded.
Then ``cases`` captures of each outside world of ``tests/worlds`` that is there: signals of code that knows neither this
program's formulas nor its simulator.

Right is: of a sound drive any state but ``unknown``, and no part of the reducer accused (next to a damaged drive of the
same type: none, or no more than ``watch``); of one that stands still ``unknown``; of a damaged one its part named
first, or listed as one that it cannot be distinguished from.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from tests.studies.confusion import wilson
from tests.studies.detection import names_of as tones_of
from tests.studies.fleet import FLEET, judged, life, settings, spread_out
from tests.studies.page import RESULTS, Clock, write_table
from tests.worlds.trial import ACCUSED_FROM, PARTS, Answer, tried
from vibe.core.drive import Drive
from vibe.core.health import Finding, Health
from vibe.core.surroundings import Driven
from vibe.flow.diagnose.drive_diagnosis import health_of
from vibe.kinematics.tone_table import tone_table
from vibe.synth.impacts import SMOOTH, machine_damages, possible_damages
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate
from vibe.synth.surroundings.surroundings import COUNTS, KINDS, STRONGEST, WEAKEST, Surrounding, drawn

Truth = Literal["sound", "unusable", "damaged"]
NEXT_TO = ("belt", "pump", "two fans", "twice line", "process shocks")
"""What goes on while the drive stands still. A drive of the same type that runs within its speed range is left out: one
capture cannot tell whose lines it holds."""
DECLARED = "declared chain"
"""A chain of which the drive file tells the teeth."""
CLEAR = 2.0
"""Size of damage that is clear: twice a mid-life spall."""
WORLDS = ("riverside", "hillside", "harbour")
DAMAGED = ("damage alone", "damage surrounded")


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One capture of the fleet to be made. ``kind``: of surrounding, or "alone", "several", one of ``DAMAGED``."""

    kind: str
    truth: Truth
    tag: str
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What was said of one capture."""

    world: str
    kind: str
    truth: str
    name: str
    right: bool
    state: str
    accused: str
    """The first part of the reducer that is named; empty where none is."""
    probability: float | None
    outside: int
    """Outside sources that the report tells; 0 where that was not counted."""


def work_of(count: int, first: int) -> list[Work]:
    """``count`` captures of every kind. Drives and seeds go round; damaged drives are the same with and without."""
    tags = list(FLEET)
    groups: list[tuple[str, Truth]] = [(kind, "sound") for kind in ("alone", *KINDS, DECLARED, "several")]
    groups += [(kind, "unusable") for kind in ("alone", *NEXT_TO)]
    groups += [(kind, "damaged") for kind in DAMAGED]
    return [
        Work(
            kind=kind,
            truth=truth,
            tag=tags[((place if truth != "damaged" else 0) + number) % len(tags)],
            seed=first + number,
        )
        for place, (kind, truth) in enumerate(groups)
        for number in range(count)
    ]


def surroundings_of(work: Work) -> tuple[Surrounding, ...]:
    """What stands around in one capture, from its seed."""
    rng = np.random.default_rng([work.seed, *work.kind.encode(), *work.truth.encode()])
    if work.kind in ("alone", "damage alone"):
        return ()
    if work.kind in ("several", "damage surrounded"):
        return drawn(rng)
    strength = float(np.exp(rng.uniform(np.log(WEAKEST), np.log(STRONGEST))))
    if work.kind == DECLARED:
        low, high = COUNTS["chain"]
        return (Surrounding(kind="chain", strength=strength, count=int(rng.integers(low, high + 1))),)
    return (Surrounding(kind=work.kind, strength=strength),)


def drive_of(work: Work) -> Drive:
    """The drive as its file describes it."""
    drive = FLEET[work.tag]
    if work.kind != DECLARED:
        return drive
    chain = Driven(name="chain", sprocket_teeth=surroundings_of(work)[0].count)
    return drive.model_copy(update={"tag": f"{drive.tag} with a chain", "driven": [chain]})


def damage_of(work: Work) -> tuple[Damage, ...]:
    """One clearly damaged part; the same with and without surroundings."""
    if work.truth != "damaged":
        return ()
    drive = FLEET[work.tag]
    smooth = (*SMOOTH, *machine_damages(drive))
    local = [name for name in possible_damages(drive) if name.rpartition(".")[2] not in smooth]
    return (Damage(str(np.random.default_rng([work.seed, *b"damaged part"]).choice(local)), CLEAR),)


def names_of(damage: Damage) -> set[str]:
    """Tones and components by which it is rightly named: a disc's bore has no tone of its own, a cage is named by its
    own whatever it strikes; a bearing whose element is left open is right too."""
    stage = damage.tone.rpartition(".")[0]
    names = set(tones_of(damage.tone))
    return names | ({stage} if stage.startswith("bearing.") else set())


def tell(work: Work) -> Stated:
    """Makes one capture and judges it."""
    drive, damage = drive_of(work), damage_of(work)
    around, running = surroundings_of(work), work.truth != "unusable"
    conditions = life(work.seed, of=f"around {work.truth}", surroundings=around, running=running)
    one = judged(simulate(drive, damage, seed=work.seed, conditions=conditions), drive)
    health = health_of(drive, tone_table(drive), [one], settings())
    return scored(work, health, names_of(damage[0]) if damage else set())


def scored(work: Work, health: Health, names: set[str]) -> Stated:
    """Whether a report is right."""
    accused = [f for f in health.findings if f.component.startswith(PARTS) and f.probability >= ACCUSED_FROM]
    first = accused[0] if accused else None
    if work.truth == "unusable":
        right = health.state == "unknown" and first is None
    elif work.truth == "sound":
        cautious = work.kind == "damaged neighbour" and health.state == "watch"
        right = health.state != "unknown" and (first is None or cautious)
    else:
        right = first is not None and bool(names & _said(first))
    return Stated(
        world="fleet", kind=work.kind, truth=work.truth, name=f"{work.tag} {work.seed}", right=right,
        state=health.state, accused="" if first is None else first.tone or first.component,
        probability=None if first is None else first.probability, outside=len(health.outside_sources),
    )  # fmt: skip


def _said(finding: Finding) -> set[str]:
    return {finding.tone or "", finding.component, *finding.cannot_be_told_from}


def from_world(world: str, answer: Answer) -> Stated:
    """An outside world's answer in the same form."""
    accused = "" if answer.probability is None else answer.why.partition(":")[0]
    return Stated(
        world=world, kind=answer.kind, truth=answer.truth, name=answer.name, right=answer.right, state=answer.state,
        accused=accused, probability=answer.probability, outside=0,
    )  # fmt: skip


def rows_of(stated: Sequence[Stated]) -> list[dict[str, Any]]:
    """By world, truth and kind: right, accused, act, unknown; after the kinds of each truth their sum."""
    rows: list[dict[str, Any]] = []
    for world, truth in dict.fromkeys((one.world, one.truth) for one in stated):
        own = [one for one in stated if (one.world, one.truth) == (world, truth)]
        kinds = (*dict.fromkeys(one.kind for one in own), "all")
        rows += [_row(world, truth, kind, [one for one in own if kind in (one.kind, "all")]) for kind in kinds]
    return rows


def _row(world: str, truth: str, kind: str, own: Sequence[Stated]) -> dict[str, Any]:
    right = sum(one.right for one in own)
    share, low, high = wilson(right, len(own))
    return {
        "world": world, "truth": truth, "kind": kind, "captures": len(own), "right": right,
        "accused": sum(bool(one.accused) for one in own), "act": sum(one.state == "act" for one in own),
        "unknown": sum(one.state == "unknown" for one in own), "outside stated": sum(one.outside > 0 for one in own),
        "share right": round(share, 4), "low_95": round(low, 4), "high_95": round(high, 4),
    }  # fmt: skip


def of_worlds(names: Iterable[str], cases: int, workers: int) -> list[Stated]:
    """Answers of the outside worlds that are there."""
    stated = []
    for name in names:
        if importlib.util.find_spec(f"tests.worlds.{name}") is None:
            print(f"the world {name!r} is not there")
            continue
        make = importlib.import_module(f"tests.worlds.{name}").case
        stated += [from_world(name, answer) for answer in tried(make, range(cases), workers=workers)]
    return stated


def main() -> None:
    parser = argparse.ArgumentParser(description="Other machines next to a drive.")
    parser.add_argument("--count", type=int, default=24, help="captures of each kind (default 24)")
    parser.add_argument("--seed", type=int, default=1000, help="first seed (default 1000)")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--out", type=Path, default=RESULTS, help="folder for the table")
    parser.add_argument("--kinds", nargs="*", default=[], help="only these kinds of surrounding")
    parser.add_argument("--worlds", nargs="*", default=list(WORLDS), help="outside worlds; none to leave them out")
    parser.add_argument("--cases", type=int, default=120, help="captures of each world (default 120)")
    chosen = parser.parse_args()
    clock = Clock()
    work = [one for one in work_of(chosen.count, chosen.seed) if not chosen.kinds or one.kind in chosen.kinds]
    stated = list(spread_out(tell, work, workers=chosen.workers))
    stated += of_worlds(chosen.worlds, chosen.cases, chosen.workers)
    rows = rows_of(stated)
    heads = ("captures", "right", "accused", "act", "unknown", "outside stated")
    print(f"{'world':10s} {'truth':9s} {'kind':28s}" + "".join(f"{head:>13s}" for head in heads))
    for row in rows:
        print(f"{row['world']:10s} {row['truth']:9s} {row['kind'][:27]:28s}" + "".join(f"{row[h]:13d}" for h in heads))
    print("\nnot right:")
    for one in stated:
        if not one.right:
            sure = "" if one.probability is None else f" {one.probability:.3f}"
            print(f"  {one.world} {one.truth} {one.kind}, {one.name}: {one.state} {one.accused}{sure}")
    write_table(chosen.out, "surroundings", rows)
    print(f"\n{len(stated)} captures in {clock}")


if __name__ == "__main__":
    main()
