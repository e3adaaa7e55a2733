"""What is named when something else is wrong too: faults inside and outside the reducer, alone and two at once.

    python -m tests.studies.confusion [--count N --seed S --workers W --out DIR]

``count`` captures of every row: drives in turn, a fresh machine each, load 25 to 110 %, every fourth capture on a speed
ramp of 5 %. The matrix shows what the first finding names against what was planted. Next to that: how often something
outside the reducer is blamed on it, and how often both of two faults are named.
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.studies.fleet import FLEET, judged, life, spread_out, tones
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.drive import Drive
from vibe.core.health import Finding
from vibe.core.tones import CAGES
from vibe.synth.impacts import part_count, possible_damages
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate

OUTSIDE_COMPONENTS = ("sensor", "foundation", "input.shaft", "motor")
"""Components of findings that blame nothing in the reducer."""
WILSON_Z = 1.96
PAIR = ("lobe", "output_pin", "disc_bore")
"""Speak at one order by construction of the drive."""
TEETH = ("sun_tooth", "planet_tooth")
MACHINE = ("unbalance", "misalignment", "looseness", "electrical")
SENSOR = {"loose sensor": "loose", "settling sensor": "settling", "clipped": "clipped"}
REDUCER_SIZE = (1.0, 2.5)
"""Clear to severe: what is measured here is naming, not the limit of detection."""
MACHINE_SIZE = (0.7, 2.0)
"""Unbalance of 2.8 to 8 mm/s, and the like."""
NEIGHBOUR_MM_S = (1.0, 6.0)
RAMP = 0.05
"""Relative speed change of every fourth capture, up or down."""

INSIDE_ROWS = (
    "outer race", "inner race", "rolling element", "cage", "ring pin", "lobe or output pin", "tooth", "mesh wear",
)  # fmt: skip
OUTSIDE_ROWS = (*MACHINE, "neighbour", *SENSOR)
COLUMNS = (
    "nothing", "outer race", "inner race", "rolling element", "cage", "bearing, untold", "another bearing", "ring pin",
    "lobe or output pin", "tooth", "mesh wear", *MACHINE, "sensor",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """One capture to be made: the drive, what is wrong with it, and what its conditions have besides life's draws."""

    tag: str
    seed: int
    of: str
    causes: tuple[str, ...]
    damage: tuple[Damage, ...] = ()
    fixed: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What the program said of one capture."""

    planted: Planted
    findings: tuple[Finding, ...]
    speed_right: bool


def name_it(planted: Planted) -> Named:
    """Makes the capture and judges it."""
    drive = FLEET[planted.tag]
    conditions = life(planted.seed, of=planted.of, surrounded=planted.tag, **dict(planted.fixed))
    result = judged(simulate(drive, planted.damage, seed=planted.seed, conditions=conditions), drive)
    return Named(planted=planted, findings=tuple(result.findings), speed_right=result.reading is not None)


# --- what is planted -----------------------------------------------------------------------------------------------


def rng_of(seed: int, *words: str) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(" ".join(words).encode())])


def damages_of(drive: Drive, cause: str) -> list[str]:
    """Damages of the drive that a cause stands for; none where the drive has no such part."""
    endings = {
        "lobe or output pin": PAIR, "tooth": TEETH, "mesh wear": ("mesh",), "cage": CAGES,
    }.get(cause, (cause.replace(" ", "_"),))  # fmt: skip
    return [name for name in possible_damages(drive) if name.rpartition(".")[2] in endings]


def plant(tag: str, seed: int, causes: Sequence[str], *, of: str) -> Planted | None:
    """Draws the parts, sizes and conditions; None where the drive has no such part."""
    drive, rng = FLEET[tag], rng_of(seed, tag, *causes)
    damage: list[Damage] = []
    fixed: dict[str, Any] = {}
    for cause in causes:
        if cause in SENSOR:
            points = ("input side radial", "output side radial")
            which = points if rng.random() < 0.3 else (points[rng.integers(2)],)
            fixed["sensor_faults"] = tuple((point, SENSOR[cause]) for point in which)
        elif cause == "neighbour":
            lines = int(rng.integers(1, 4))
            fixed["neighbours"] = tuple(
                (float(rng.uniform(8.0, 900.0)), float(rng.uniform(*NEIGHBOUR_MM_S)) / lines) for _ in range(lines)
            )
        else:
            able = damages_of(drive, cause)
            if not able:
                return None
            tone = able[rng.integers(len(able))]
            low, high = MACHINE_SIZE if cause in MACHINE else REDUCER_SIZE
            size = float(np.exp(rng.uniform(np.log(low), np.log(high))))
            damage.append(Damage(tone, size, int(rng.integers(part_count(drive, tone)))))
    # Every fourth capture, and not always on the same drives.
    if (seed + seed // len(FLEET)) % 4 == 3:
        fixed["speed_drift"] = RAMP if rng.random() < 0.5 else -RAMP
    return Planted(
        tag=tag, seed=seed, of=of, causes=tuple(causes), damage=tuple(damage), fixed=tuple(fixed.items())
    )  # fmt: skip


def row_of(causes: Sequence[str], count: int, seed: int) -> list[Planted]:
    """``count`` captures with these causes, over the drives that can have them."""
    made: list[Planted] = []
    tags = list(FLEET)
    step = 0
    while len(made) < count:
        planted = plant(tags[step % len(tags)], seed + step, causes, of="confusion")
        step += 1
        if planted is not None:
            made.append(planted)
    return made


# --- what is named -------------------------------------------------------------------------------------------------


def claims(finding: Finding, tag: str) -> set[str]:
    """Damages that a finding names: its own tone, and those it cannot be distinguished from because they share its very
    order.

    Alternatives whose order only happens to lie near are not claimed. A bore of a disc has no tone of its own.
    """
    if finding.tone is None:
        return {finding.defect}
    own = tones(tag).tone(finding.tone).order
    orders = {tone.id: tone.order for tone in tones(tag).tones}
    alike = {name for name in finding.cannot_be_told_from if abs(orders.get(name, 0.0) / own - 1) < 1e-9}
    claimed = {finding.tone} | alike
    bores = {f"{name.rpartition('.')[0]}.disc_bore" for name in claimed if name.rpartition(".")[2] in PAIR}
    return claimed | bores


def is_right(finding: Finding, planted: Planted) -> bool:
    """Whether what it names was planted: the element where one is named, else the bearing."""
    claimed = claims(finding, planted.tag)
    for damage in planted.damage:
        # A cage is one part, whatever it strikes.
        if damage.tone.partition("_past_")[0] in claimed:
            return True
        if finding.tone is None and damage.tone.startswith(f"{finding.component}."):
            return True
    return finding.component == "sensor" and any(cause in SENSOR for cause in planted.causes)


def blames_reducer(finding: Finding) -> bool:
    """Whether a part of the reducer is blamed."""
    return finding.component not in OUTSIDE_COMPONENTS


def column_of(finding: Finding | None, planted: Planted) -> str:
    """The matrix's column of a first finding."""
    if finding is None:
        return "nothing"
    if finding.component == "sensor":
        return "sensor"
    if finding.tone is None and not finding.component.startswith("bearing."):
        return finding.defect
    if finding.component.startswith("bearing.") or (finding.tone or "").startswith("bearing."):
        bearing = finding.component if finding.tone is None else finding.tone.rpartition(".")[0]
        own = {damage.tone.rpartition(".")[0] for damage in planted.damage}
        if any(name.startswith("bearing.") for name in own) and bearing not in own:
            return "another bearing"
        return "bearing, untold" if finding.tone is None else finding.tone.rpartition(".")[2].replace("_", " ")
    part = (finding.tone or "").rpartition(".")[2]
    if len(planted.causes) == 1 and planted.causes[0] in INSIDE_ROWS and is_right(finding, planted):
        return planted.causes[0]
    if part in PAIR:
        return "lobe or output pin"
    if part in TEETH:
        return "tooth"
    return {"ring_pin": "ring pin"}.get(part, "mesh wear" if finding.defect == "wear" else part.replace("_", " "))


def wilson(successes: int, of: int) -> tuple[float, float, float]:
    """Share and its 95 % interval (E. B. Wilson, 1927)."""
    if of == 0:
        return float("nan"), 0.0, 1.0
    p, z = successes / of, WILSON_Z
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * ((p * (1 - p) / of + z * z / (4 * of * of)) ** 0.5)
    return p, max(0.0, middle - half), min(1.0, middle + half)


# --- tables --------------------------------------------------------------------------------------------------------


def matrix(named: Iterable[Named]) -> dict[str, Counter[str]]:
    """First finding by planted cause; a capture with two causes is left out."""
    counts: dict[str, Counter[str]] = {row: Counter() for row in ("nothing", *INSIDE_ROWS, *OUTSIDE_ROWS)}
    for one in named:
        if len(one.planted.causes) < 2:
            row = one.planted.causes[0] if one.planted.causes else "nothing"
            counts[row][column_of(one.findings[0] if one.findings else None, one.planted)] += 1
    return counts


def share_row(what: str, cases: Sequence[Named], holds: Callable[[Named], bool]) -> dict[str, Any]:
    """One line of the summary: how often something holds."""
    successes = sum(holds(one) for one in cases)
    share, low, high = wilson(successes, len(cases))
    return {
        "what": what, "captures": len(cases), "hits": successes,
        "share": round(share, 4), "low_95": round(low, 4), "high_95": round(high, 4),
    }  # fmt: skip


def only_outside(one: Named) -> bool:
    """Whether something is wrong, and nothing of it in the reducer."""
    return bool(one.planted.causes) and all(cause in OUTSIDE_ROWS for cause in one.planted.causes)


def cause_is_named(one: Named, index: int) -> bool:
    """Whether any finding names the cause of that index."""
    cause = one.planted.causes[index]
    if cause in SENSOR:
        return any(finding.component == "sensor" for finding in one.findings)
    if cause == "neighbour":
        return True
    before = sum(c not in SENSOR and c != "neighbour" for c in one.planted.causes[:index])
    alone = Planted(tag=one.planted.tag, seed=0, of="", causes=(cause,), damage=(one.planted.damage[before],))
    return any(is_right(finding, alone) for finding in one.findings)


def on_ramp(one: Named) -> bool:
    return dict(one.planted.fixed).get("speed_drift") is not None


def load_of(one: Named) -> float:
    return life(one.planted.seed, of=one.planted.of, surrounded=one.planted.tag).load_percent


def summary(named: Sequence[Named]) -> list[dict[str, Any]]:
    """Shares that matter: blame, naming alone and next to others, under part load and on ramps."""

    def blamed(one: Named) -> bool:
        return any(blames_reducer(finding) for finding in one.findings)

    def right_first(one: Named) -> bool:
        stated = [finding for finding in one.findings if finding.component != "sensor"] or list(one.findings)
        return bool(stated) and is_right(stated[0], one.planted)

    def wrong_any(one: Named) -> bool:
        return any(not is_right(finding, one.planted) for finding in one.findings)

    def all_named(one: Named) -> bool:
        return all(cause_is_named(one, i) for i in range(len(one.planted.causes)))

    outside = [one for one in named if only_outside(one)]
    inside = [one for one in named if len(one.planted.causes) == 1 and not only_outside(one)]
    mixed = [one for one in named if len(one.planted.causes) == 2 and not only_outside(one)]
    both = [one for one in mixed if all(cause in INSIDE_ROWS for cause in one.planted.causes)]
    next_to = [one for one in mixed if one not in both]
    sensors = [one for one in next_to if any(cause in SENSOR for cause in one.planted.causes)]
    clean = [one for one in next_to if one not in sensors]
    rows = [share_row("only outside faults: a reducer part is blamed", outside, blamed)]
    for cause in OUTSIDE_ROWS:
        own = [one for one in outside if one.planted.causes[0] == cause]
        rows.append(share_row(f"  {cause}: a reducer part is blamed", own, blamed))
    rows.append(share_row("one reducer fault: named first, rightly", inside, right_first))
    for cause in INSIDE_ROWS:
        own = [one for one in inside if one.planted.causes[0] == cause]
        rows.append(share_row(f"  {cause}: named first, rightly", own, right_first))
    rows += [
        share_row("one reducer fault: anything wrong is named", inside, wrong_any),
        share_row("  load below 50 %: named first, rightly", [o for o in inside if load_of(o) < 50], right_first),
        share_row("  speed ramp of 5 %: named first, rightly", [o for o in inside if on_ramp(o)], right_first),
        share_row("  speed ramp of 5 %: anything wrong is named", [o for o in inside if on_ramp(o)], wrong_any),
        share_row("two reducer faults: the first finding is right", both, right_first),
        share_row("two reducer faults: both are named", both, all_named),
        share_row("two reducer faults: anything wrong is named", both, wrong_any),
        share_row("reducer fault and outside fault: the reducer's is named", clean, lambda o: cause_is_named(o, 0)),
        share_row("reducer fault and outside fault: the outside one is named", clean, lambda o: cause_is_named(o, 1)),
        share_row("reducer fault and outside fault: anything wrong is named", clean, wrong_any),
        share_row("reducer fault and faulty sensor: the reducer's is named", sensors, lambda o: cause_is_named(o, 0)),
        share_row("reducer fault and faulty sensor: the sensor is named", sensors, lambda o: cause_is_named(o, 1)),
        share_row("reducer fault and faulty sensor: anything wrong is named", sensors, wrong_any),
    ]
    return [row for row in rows if row["captures"]]


def picture(counts: dict[str, Counter[str]], folder: Path) -> Path:
    """The matrix with its numbers; darker is more."""
    figure, axes = new_figure(11.5, 8.0)
    rows = list(counts)
    totals = np.array([max(1, sum(counts[row].values())) for row in rows])
    cells = np.array([[counts[row][column] for column in COLUMNS] for row in rows])
    shares = 100.0 * cells / totals[:, None]
    axes.imshow(shares, cmap="Greys", vmin=0, vmax=140, aspect="auto")
    for i in range(len(rows)):
        for j in range(len(COLUMNS)):
            if cells[i, j]:
                colour = "white" if shares[i, j] > 75 else "black"
                axes.text(j, i, f"{shares[i, j]:.0f}", ha="center", va="center", color=colour)
    axes.set_xticks(range(len(COLUMNS)), COLUMNS, rotation=40, ha="right")
    axes.set_yticks(range(len(rows)), [f"{row} ({total})" for row, total in zip(rows, totals, strict=True)])
    axes.set_xlabel("named by the first finding")
    axes.set_ylabel("planted (captures)")
    axes.set_title("What the first finding names [% of captures]")
    return write_figure(folder, "confusion", figure)


def campaign(count: int, seed: int) -> list[Planted]:
    """All captures of the study."""
    work = row_of((), count, seed)
    for cause in (*INSIDE_ROWS, *OUTSIDE_ROWS):
        work += row_of((cause,), count, seed)
    for number, outside in enumerate(OUTSIDE_ROWS):
        kinds = ("outer race", "ring pin", "inner race", "lobe or output pin")
        for part in range(4):
            work += row_of((kinds[(number + part) % 4], outside), max(1, count // 4), seed + 7 * part)
    for pair in (("outer race", "lobe or output pin"), ("inner race", "ring pin"), ("outer race", "inner race")):
        work += row_of(pair, max(1, count // 2), seed)
    return work


def main() -> None:
    chosen = options(
        "Faults alone and together: what is named, and what is blamed.", count=32, counts="captures of each row"
    )
    clock = Clock()
    named = list(spread_out(name_it, campaign(chosen.count, chosen.seed), workers=chosen.workers))
    counts = matrix(named)
    print(f"{'planted':20s} first named")
    for row, found in counts.items():
        print(f"{row:20s} " + ", ".join(f"{column} {number}" for column, number in found.most_common()))
    rows = summary(named)
    for line in rows:
        print(f"{line['what']:62s} {line['hits']:4d} / {line['captures']:4d}  "
              f"{100 * line['share']:5.1f} %  ({100 * line['low_95']:.1f} to {100 * line['high_95']:.1f})")  # fmt: skip
    wrong = Counter(
        (" + ".join(one.planted.causes) or "nothing", finding.tone or f"{finding.component} {finding.defect}")
        for one in named for finding in one.findings if not is_right(finding, one.planted)
    )  # fmt: skip
    print("\nNamed without being there:")
    for (planted, name), number in wrong.most_common(40):
        print(f"  {number:3d}  {planted:40s} {name}")
    print("\nNot named next to another fault:")
    for one in named:
        for i, cause in enumerate(one.planted.causes):
            if len(one.planted.causes) == 2 and not cause_is_named(one, i):
                said = ", ".join(f.tone or f"{f.component} {f.defect}" for f in one.findings) or "nothing"
                sizes = ", ".join(f"{d.tone} {d.size:.1f}" for d in one.planted.damage)
                print(f"  {one.planted.tag:12s} seed {one.planted.seed}  {cause} of {sizes} "
                      f"({' + '.join(one.planted.causes)}): {said}")  # fmt: skip
    write_table(chosen.out, "confusion", rows)
    write_table(
        chosen.out, "confusion_matrix",
        [{"planted": row, **{column: found[column] for column in COLUMNS}} for row, found in counts.items()],
    )  # fmt: skip
    picture(counts, chosen.out)
    print(f"\n{len(named)} captures in {clock}")


if __name__ == "__main__":
    main()
