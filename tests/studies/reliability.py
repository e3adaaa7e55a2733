"""Whether stated probabilities come true: of findings given 0.9, about 90 % should be right.

    python -m tests.studies.reliability [--count N --seed S --workers W --out DIR]

A route as the priors of ``configs/judgement.toml`` describe it, drive by drive: most are sound, some have one fault, of
a size anywhere from -20 to +10 dB against a clear mid-life one. Sound drives and faults are simulated in numbers of
their own and weighted back to the route: ``count`` captures of every fault and ten times as many sound ones. A finding
is right when what it names was planted; parts that show at one order count as named together. Intervals are Wilson's
with the effective number of findings, (sum of weights)² over the sum of their squares.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.studies.confusion import (
    INSIDE_ROWS,
    MACHINE,
    SENSOR,
    WILSON_Z,
    Named,
    Planted,
    blames_reducer,
    is_right,
    name_it,
    plant,
    rng_of,
)
from tests.studies.fleet import FLEET, settings, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.health import Finding

SMALLEST_DB, LARGEST_DB = -20.0, 10.0
SOUND_PER_FAULT = 10
"""Sound captures for each capture of one fault: where wrong findings come from."""
EDGES = (0.0, 0.5, 0.7, 0.85, 0.95, 0.99, 1.0)
"""Bins of stated probability; the last edge belongs to the last bin."""
PRIOR_OF = {
    "outer race": "rolling bearing", "inner race": "rolling bearing", "rolling element": "rolling bearing",
    "cage": "rolling bearing", "ring pin": "ring pin", "tooth": "gear tooth",
    **{fault: fault for fault in MACHINE}, **dict.fromkeys(SENSOR, "sensor"),
}  # fmt: skip
"""Line of the table of priors by fault; lobes and output pins have one each."""
BEARING_SHARES = {"outer race": 0.42, "inner race": 0.40, "rolling element": 0.13, "cage": 0.05}
"""How a bearing's faults divide (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgment:
    """One finding: what was said of it, and whether it was so."""

    stated: float
    right: bool
    weight: float
    inside: bool
    name: str
    planted: str


def chance_of(cause: str) -> float:
    """Chance that a drive of the route has this fault."""
    priors = {prior.what: prior.probability for prior in settings().judgement.prior}
    if cause == "lobe or output pin":
        return priors["lobe"] + priors["output pin"]
    if cause == "mesh wear":
        return 0.0
    alike = sum(PRIOR_OF.get(other) == PRIOR_OF[cause] for other in SENSOR)
    return priors[PRIOR_OF[cause]] * BEARING_SHARES.get(cause, 1.0) / max(1, alike)


def with_size(planted: Planted) -> Planted:
    """The same with a size drawn evenly in decibels."""
    rng = rng_of(planted.seed, planted.tag, "size", *planted.causes)
    size = float(10 ** (rng.uniform(SMALLEST_DB, LARGEST_DB) / 20))
    return replace(planted, damage=tuple(replace(damage, size=size) for damage in planted.damage))


def campaign(count: int, seed: int) -> list[tuple[Planted, float]]:
    """Captures, and the weight of each on the route."""
    work: list[tuple[Planted, float]] = []
    causes = [cause for cause in (*INSIDE_ROWS, *MACHINE, *SENSOR) if cause != "mesh wear"]
    faulty = 0.0
    for cause in causes:
        drawn = [plant(tag, seed + i, (cause,), of="reliability") for i in range(count) for tag in FLEET]
        able = [with_size(planted) for planted in drawn if planted is not None]
        own = able[:: max(1, len(able) // count)][:count]
        share = chance_of(cause) * len(able) / len(drawn)
        faulty += share
        work += [(planted, share / len(own)) for planted in own]
    sound = [plant(tag, seed + i, (), of="reliability") for i in range(SOUND_PER_FAULT * count) for tag in FLEET]
    own = [planted for planted in sound if planted is not None][: SOUND_PER_FAULT * count]
    work += [(planted, (1 - faulty) / len(own)) for planted in own]
    return work


def judgments(named: Sequence[Named], weights: Sequence[float]) -> list[Judgment]:
    """Every finding of every capture."""
    return [
        Judgment(
            stated=finding.probability,
            right=is_right(finding, one.planted),
            weight=weight,
            inside=blames_reducer(finding),
            name=_name(finding),
            planted=" + ".join(one.planted.causes) or "nothing",
        )
        for one, weight in zip(named, weights, strict=True)
        for finding in one.findings
    ]


def _name(finding: Finding) -> str:
    return finding.tone or f"{finding.component} {finding.defect}"


def bins(made: Sequence[Judgment]) -> list[dict[str, Any]]:
    """Stated against true, by bins of what was stated."""
    rows = []
    for group, own in (("reducer", [j for j in made if j.inside]), ("outside", [j for j in made if not j.inside])):
        for low, high in itertools.pairwise(EDGES):
            here = [j for j in own if low <= j.stated < high or (high == EDGES[-1] and j.stated == high)]
            if not here:
                continue
            weight = np.array([j.weight for j in here])
            right = np.array([j.right for j in here])
            stated = float(np.average([j.stated for j in here], weights=weight))
            share = float(np.average(right, weights=weight))
            effective = float(weight.sum() ** 2 / (weight**2).sum())
            below, above = _interval(share, effective)
            rows.append(
                {
                    "about": group, "from": low, "to": high, "findings": len(here), "right": int(right.sum()),
                    "effective": round(effective, 1), "stated": round(stated, 3), "true": round(share, 3),
                    "low_95": round(below, 3), "high_95": round(above, 3),
                    "of_route": round(float(weight.sum()), 5),
                }
            )  # fmt: skip
    return rows


def _interval(share: float, of: float) -> tuple[float, float]:
    """Wilson's interval for a weighted share."""
    z = WILSON_Z
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * ((share * (1 - share) / of + z * z / (4 * of * of)) ** 0.5)
    return max(0.0, middle - half), min(1.0, middle + half)


def picture(rows: Sequence[dict[str, Any]], folder: Path) -> Path:
    """Reliability diagram: on the diagonal is honest, above it modest, below it boastful."""
    figure, axes = new_figure(6.5, 6.0)
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=3, zorder=0, label="as stated")
    for group, mark, shift in (("reducer", "o", -0.003), ("outside", "s", 0.003)):
        own = [row for row in rows if row["about"] == group]
        for row in own:
            axes.plot([row["stated"] + shift] * 2, [row["low_95"], row["high_95"]], color="0.4", linewidth=1)
        axes.plot(
            [row["stated"] + shift for row in own], [row["true"] for row in own], mark, color="black",
            markerfacecolor="white" if group == "outside" else "black",
            label="reducer parts" if group == "reducer" else "outside the reducer, sensors",
        )  # fmt: skip
    axes.set_xlim(0, 1.02)
    axes.set_ylim(0, 1.02)
    axes.set_xlabel("stated probability [-]")
    axes.set_ylabel("share of findings that are right [-], with 95 % interval")
    axes.legend(loc="upper left")
    return write_figure(folder, "reliability", figure)


def main() -> None:
    chosen = options("Stated probabilities against the truth.", count=40, counts="captures of each fault")
    clock = Clock()
    work = campaign(chosen.count, chosen.seed)
    named = list(spread_out(name_it, [planted for planted, _ in work], workers=chosen.workers))
    made = judgments(named, [weight for _, weight in work])
    rows = bins(made)
    print("about    stated        findings right effective  mean stated  true (95 % interval)")
    for row in rows:
        print(f"{row['about']:8s} {row['from']:.2f} to {row['to']:.2f}  {row['findings']:7d} {row['right']:5d} "
              f"{row['effective']:9.1f}  {row['stated']:11.3f}  {row['true']:.3f} ({row['low_95']:.3f} to "
              f"{row['high_95']:.3f})")  # fmt: skip
    print("\nWrong findings, the heaviest first:")
    wrong: Counter[tuple[str, str]] = Counter()
    for j in made:
        if not j.right:
            wrong[(j.planted, j.name)] += j.weight  # type: ignore[assignment]
    for (planted, name), weight in wrong.most_common(20):
        stated = [j.stated for j in made if not j.right and (j.planted, j.name) == (planted, name)]
        print(f"  {weight:.5f}  {len(stated):3d} x stated {min(stated):.2f} to {max(stated):.2f}  {planted}: {name}")
    write_table(chosen.out, "reliability", rows)
    picture(rows, chosen.out)
    print(f"\n{len(named)} captures in {clock}")


if __name__ == "__main__":
    main()
