"""More damage never means less: each kind of damage grown from nothing until the sensor is overdriven.

    python -m tests.studies.severity [--count N --seed S --workers W --out DIR]

For every drive of the fleet, every kind of local damage and every seed the damage grows in steps of 6 dB from the
detection limit until the capture passes the range of a usual sensor. Once it is found it must stay found and named,
its severity must never fall, nor its probability to where it sets another state; the state of the drive must never
become a calmer one, nor what it asks for be due later. A capture of any size is the sound one plus a multiple of the
damage alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from tests.studies.detection import (
    Mixer,
    blocked_by,
    conditions_of,
    found,
    found_first,
    local_kinds,
    names_of,
)
from tests.studies.fleet import FLEET, judged, settings, spread_out, tones
from tests.studies.page import Clock, options, write_table
from vibe.core.health import Finding
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
from vibe.flow.diagnose.drive_diagnosis import health_of
from vibe.synth.impacts import part_count
from vibe.synth.machine.damage import Damage
from vibe.synth.scene import set_scene
from vibe.synth.simulate import simulate

FAINTEST_DB = -30.0
STEP_DB = 6.0
RANGE_M_S2 = 500.0
"""Range of a usual accelerometer of 100 mV/g, 50 g (common practice): beyond it the capture would be clipped."""
WEAKER_BY, BOUNDS = 0.2, (0.5, 0.9)
"""By how much, and across which bound, a probability falls where a larger damage is called the less sure: the bounds
are those of what needs a second look and of what is sure (common practice)."""
RANK = {"": -1, "slight": 0, "moderate": 1, "severe": 2}
GRAVITY = {"unknown": 0, "sound": 0, "watch": 1, "plan": 2, "act": 3}
"""Of states. Unknown is no graver than sound: where damage had shown, both lose it."""
DUE = re.compile(r"within (\d+) days?|every (\d+) days|(every day)|every week")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One damage at one size, and what the program said of it."""

    drive: str
    kind: str
    seed: int
    size_db: float
    peak_m_s2: float
    found: bool
    first: bool
    severity: str
    probability: float
    """That something is damaged where the finding points; 0 where none does."""
    hit_m_s2: float | None
    hit_over_floor_db: float | None
    blocked_by: str
    state: str
    """Of the drive, whatever set it."""
    due_days: int
    """Until the drive must be looked at again: measured, repeated or inspected."""


def grown(tag: str, kind: str, seed: int, *, faintest_db: float = FAINTEST_DB) -> Iterator[Step]:
    """One damage of one drive from ``faintest_db`` until the sensor is overdriven, smallest first."""
    drive, conditions = FLEET[tag], conditions_of(seed)
    sound = simulate(drive, seed=seed, conditions=conditions)
    scene = set_scene(drive, seed, conditions)
    true_hz = float(np.mean(scene.motion.input_hz))
    rng = np.random.default_rng([seed, *kind.encode()])
    mixer = Mixer.of(drive, Damage(kind, 1.0, int(rng.integers(part_count(drive, kind)))), seed, sound)
    size_db = faintest_db
    while True:
        capture = mixer.capture(size_db)
        peak = max(float(np.abs(channel.samples).max()) for channel in capture.vibration)
        if peak > RANGE_M_S2:
            return
        yield _step(tag, kind, seed, size_db, peak, judged(capture, drive), true_hz)
        size_db += STEP_DB


def _step(
    tag: str, kind: str, seed: int, size_db: float, peak: float, result: CaptureDiagnosis, true_hz: float
) -> Step:
    own = finding_of(result, kind)
    comb = next((result.combs[name] for name in names_of(kind) if name in result.combs), None)
    is_found = found(result, kind)
    health = health_of(FLEET[tag], tones(tag), [result], settings())
    return Step(
        drive=tag, kind=kind, seed=seed, size_db=size_db, peak_m_s2=round(peak, 2), found=is_found,
        first=found_first(result, kind), severity="" if own is None else own.severity,
        probability=0.0 if own is None else round(own.damage_probability, 3),
        hit_m_s2=None if comb is None or comb.hit_m_s2 is None else round(comb.hit_m_s2, 3),
        hit_over_floor_db=None if comb is None else round(comb.hit_over_floor_db, 1),
        blocked_by="" if is_found else blocked_by(result, kind, FLEET[tag], true_hz),
        state=health.state, due_days=due_days(health.do_by),
    )  # fmt: skip


def due_days(do_by: str) -> int:
    """Days after which an instruction wants something done first: the weekly measurement of a drive that is to be
    inspected in a month is due before the repeated one of a drive that is watched.

    Raises:
        ValueError: it names no days.
    """
    named = [int(within or every or (1 if daily else 7)) for within, every, daily in DUE.findall(do_by)]
    if not named:
        raise ValueError(f"no days in {do_by!r}")
    return min(named)


def finding_of(result: CaptureDiagnosis, kind: str) -> Finding | None:
    """The gravest finding that names the damage, alone or among what it cannot be distinguished from."""
    wanted = set(names_of(kind))
    return next((f for f in result.findings if wanted & {f.tone, *f.cannot_be_told_from}), None)


def lost(steps: Sequence[Step]) -> list[Step]:
    """Steps at which a damage that a smaller size had shown is not found."""
    return [step for n, step in enumerate(steps) if not step.found and any(s.found for s in steps[:n])]


def fallen(steps: Sequence[Step]) -> list[Step]:
    """Steps at which the severity of a found damage lies below that of a smaller size."""
    return [
        step
        for n, step in enumerate(steps)
        if step.found and any(s.found and RANK[s.severity] > RANK[step.severity] for s in steps[:n])
    ]


def weakened(steps: Sequence[Step]) -> list[Step]:
    """Steps at which a found damage is well less sure than at a smaller size, and below a bound that one reached."""
    return [
        step
        for n, step in enumerate(steps)
        if step.found and any(s.found and _less_sure(step.probability, s.probability) for s in steps[:n])
    ]


def _less_sure(probability: float, before: float) -> bool:
    return before - probability > WEAKER_BY and any(probability < bound <= before for bound in BOUNDS)


def calmer(steps: Sequence[Step]) -> list[Step]:
    """Steps at which the drive is in a calmer state than at a smaller size, or to be looked at later."""
    return [step for n, step in enumerate(steps) if any(s.found and _less_urgent(step, s) for s in steps[:n])]


def _less_urgent(step: Step, before: Step) -> bool:
    """What was not known before has no date of its own to be later than."""
    later = step.due_days > before.due_days and before.state != "unknown"
    return GRAVITY[step.state] < GRAVITY[before.state] or later


def measure(work: tuple[str, str, int]) -> list[Step]:
    return list(grown(*work))


def table(series: Sequence[Sequence[Step]]) -> list[dict[str, Any]]:
    """One row per part over all drives and seeds."""
    rows = []
    part = {id(s): s[0].kind.rpartition(".")[2] for s in series if s}
    for name in dict.fromkeys(part.values()):
        own = [s for s in series if s and part[id(s)] == name]
        ever = [s for s in own if any(step.found for step in s)]
        rows.append(
            {
                "part": name,
                "grown": len(own),
                "ever found": len(ever),
                "lost again": sum(bool(lost(s)) for s in ever),
                "severity fell": sum(bool(fallen(s)) for s in ever),
                "less sure": sum(bool(weakened(s)) for s in ever),
                "calmer": sum(bool(calmer(s)) for s in ever),
                "named first at the largest": sum(s[-1].first for s in ever),
            }
        )
    return rows


def main() -> None:
    stated = options(__doc__.splitlines()[0], count=1, counts="captures of each drive")
    clock = Clock()
    work = [
        (tag, kind, stated.seed + n) for n in range(stated.count) for tag in FLEET for kind in local_kinds(FLEET[tag])
    ]
    series = []
    for steps in spread_out(measure, work, workers=stated.workers):
        series.append(steps)
        asked = {"lost": lost, "severity fell": fallen, "less sure": weakened, "calmer": calmer}
        wrong = {what: ask(steps) for what, ask in asked.items()}
        for step in steps:
            what = ", ".join(name for name, ones in wrong.items() if step in ones)
            if what:
                where = f"{step.drive} {step.kind} {step.seed} at {step.size_db:+.0f} dB"
                said = f"{step.probability}, {step.state} in {step.due_days} days"
                print(f"{where}: {what} ({said}); {step.blocked_by}", flush=True)
    write_table(stated.out, "severity", [asdict(step) for steps in series for step in steps])
    rows = table(series)
    print(" | ".join(rows[0]))
    for row in rows:
        print(" | ".join(str(value) for value in row.values()))
    print(clock)


if __name__ == "__main__":
    main()
