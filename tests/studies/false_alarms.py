"""How often a sound drive gets a finding, and whether stated false-alarm probabilities come true.

    python -m tests.studies.false_alarms [--count N --seed S --workers W --out DIR]

``count`` captures of every drive of the fleet, a fresh machine each: half of them as life brings them, a quarter on a
speed ramp of 5 %, a quarter with a tachometer; half of all have other machines around them. The same captures tell how
often the comb of a sound part is given a false-alarm probability of p or less: it should be p, or less often.

Any finding of any probability counts. Counted besides are captures with one that is no weak sign, with one of at least
0.5 and of at least 0.9, by the probability that sets the state, and those whose report says *plan* or *act*, which
levels may say too. And those that blame this drive: a finding that is no weak sign, names a part of it, and neither is
*watch* at most because it may be another machine's (``other_machine``) nor asks to measure without the machines around
first, since one of them may strike as often (``outside_causes``), with less than 0.9 and no work on the drive. Impacts
that nothing explains, a bad sensor and a neighbour blame nobody. Those next to a damaged drive of the same type are
counted apart: where nothing else of that one arrives, no capture can tell the two.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.studies.confusion import wilson
from tests.studies.fleet import FLEET, judged, life, settings, spread_out, tones
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.health import Finding, State
from vibe.flow.diagnose.drive_diagnosis import health_of
from vibe.synth.simulate import simulate

TARGET = 0.01
"""Share of sound drives with any finding that the program promises."""
LIKELY, SURE = 0.5, 0.9
"""Probabilities from which the rules of ``judgement.toml`` take severe damage for likely, and any damage for sure."""
WORK: tuple[State, ...] = ("plan", "act")
"""States that ask for work on the drive."""
NOMINAL = (0.1, 0.03, 0.01, 0.003, 0.001)
NOBODY = ("impacts", "neighbour", "sensor")
"""Components of findings that are about no part of the drive."""
TWIN = "damaged neighbour"
VARIANTS = ("as in life", "as in life", "speed ramp", "tachometer")
RAMP = 0.05
KINDS = {
    "outer race": "bearing race", "inner race": "bearing race", "rolling element": "rolling element", "cage": "cage",
    "ring pin": "pin or lobe", "lobe": "pin or lobe", "output pin": "pin or lobe", "gear tooth": "gear tooth",
    "roller": "roller",
}  # fmt: skip
"""Kind of tone by family."""
ROLLING = ("bearing race", "rolling element", "cage")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """One capture of a sound drive: what was found, and the chance given to each tone and each place."""

    tag: str
    seed: int
    variant: str
    found: tuple[str, ...]
    combs: tuple[tuple[str, float], ...]
    """(kind, false-alarm probability of the comb); tones that share an order count once."""
    places: tuple[tuple[str, float], ...]
    """(kind, false-alarm probability of the place) where a turn was laid."""
    around: tuple[str, ...] = ()
    """Kinds of what stood around the drive."""
    setting: int = 0
    """Findings that are no weak signs."""
    probability: float = 0.0
    """The largest probability of damage of a finding; 0 without one."""
    state: State = "sound"
    """What the report on this one capture says."""
    blamed: tuple[str, ...] = ()
    """Parts of the drive that a finding blames."""


def blames(finding: Finding) -> bool:
    """Whether a technician who reads the finding would look for damage in this drive before anywhere else."""
    if finding.component in NOBODY or finding.weak_sign or finding.other_machine is not None:
        return False
    rule = settings().judgement.rule_for(finding.severity, finding.damage_probability)
    return not finding.outside_causes or finding.damage_probability >= SURE or rule.state in WORK


def listen(work: tuple[str, int]) -> Sound:
    """Makes one capture of a sound drive and judges it."""
    tag, seed = work
    variant = VARIANTS[seed % len(VARIANTS)]
    fixed: dict[str, Any] = {}
    if variant == "speed ramp":
        fixed["speed_drift"] = RAMP if seed % 8 < 4 else -RAMP
    elif variant == "tachometer":
        fixed["tachometer"] = True
    conditions = life(seed, of="healthy", surrounded=tag, **fixed)
    result = judged(simulate(FLEET[tag], seed=seed, conditions=conditions), FLEET[tag])
    health = health_of(FLEET[tag], tones(tag), [result], settings())
    combs = {comb.tone: comb for comb in result.combs.values()}
    kind = {name: KINDS.get(tones(tag).tone(name).family, "other") for name in combs}
    return Sound(
        tag=tag,
        seed=seed,
        variant=variant,
        found=tuple(finding.tone or f"{finding.component} {finding.defect}" for finding in result.findings),
        combs=tuple((kind[name], comb.false_alarm_probability) for name, comb in combs.items()),
        places=tuple(
            (kind[name], comb.localisation.false_alarm_probability)
            for name, comb in combs.items()
            if comb.localisation is not None
        ),
        around=tuple(sorted(item.kind for item in conditions.surroundings)),
        setting=sum(not finding.weak_sign for finding in health.findings),
        probability=max((finding.damage_probability for finding in health.findings), default=0.0),
        state=health.state,
        blamed=tuple(finding.tone or finding.component for finding in health.findings if blames(finding)),
    )


def alarm_rows(detected: Sequence[Sound]) -> list[dict[str, Any]]:
    """Share of captures with any finding, and how many have one that matters: of all, with and without machines around,
    by variant, by drive."""
    groups = {"all": list(detected), "alone": [one for one in detected if not one.around]}
    groups["surrounded"] = [one for one in detected if one.around]
    groups["next to damaged"] = [one for one in detected if TWIN in one.around]
    groups["not next to it"] = [one for one in detected if TWIN not in one.around]
    for variant in dict.fromkeys(VARIANTS):
        groups[variant] = [one for one in detected if one.variant == variant]
    for tag in FLEET:
        groups[tag] = [one for one in detected if one.tag == tag]
    rows = []
    for name, own in groups.items():
        successes = sum(bool(one.found) for one in own)
        share, low, high = wilson(successes, len(own))
        what = Counter(found for one in own for found in one.found)
        rows.append(
            {
                "group": name, "captures": len(own), "with_finding": successes,
                "share": round(share, 4), "low_95": round(low, 4), "high_95": round(high, 4),
                "no_weak_sign": sum(one.setting > 0 for one in own),
                "likely": sum(one.probability >= LIKELY for one in own),
                "sure": sum(one.probability >= SURE for one in own),
                "plan_or_act": sum(one.state in WORK for one in own),
                "blames": sum(bool(one.blamed) for one in own),
                "found": "; ".join(f"{number} {found}" for found, number in what.most_common()),
            }
        )  # fmt: skip
    return rows


def calibration_rows(detected: Iterable[Sound]) -> list[dict[str, Any]]:
    """Share of sound tones given a probability of p or less, by kind; combs, and places on a turn."""
    given: dict[str, list[float]] = {}
    for one in detected:
        for kind, p in one.combs:
            given.setdefault(kind, []).append(p)
        for kind, p in one.places:
            given.setdefault(f"{kind}, place", []).append(p)
    rows = []
    for kind, chances in sorted(given.items()):
        for nominal in NOMINAL:
            successes = sum(p <= nominal for p in chances)
            share, low, high = wilson(successes, len(chances))
            rows.append(
                {
                    "kind": kind, "tones": len(chances), "nominal": nominal, "measured": round(share, 5),
                    "low_95": round(low, 5), "high_95": round(high, 5),
                }
            )  # fmt: skip
    return rows


def by_drive_rows(detected: Sequence[Sound]) -> list[dict[str, Any]]:
    """The same for the tones of bearings, by drive and by variant: where the probabilities come true and where not."""
    rows = []
    for group in (*FLEET, *dict.fromkeys(VARIANTS)):
        chances = [
            p for one in detected if group in (one.tag, one.variant) for kind, p in one.combs if kind in ROLLING
        ]  # fmt: skip
        shares = {f"p <= {p:g}": round(wilson(sum(c <= p for c in chances), len(chances))[0], 5) for p in NOMINAL}
        rows.append({"group": group, "tones": len(chances), **shares})
    return rows


def alarm_picture(rows: Sequence[dict[str, Any]], folder: Path) -> Path:
    """Shares with their intervals next to the promise."""
    figure, axes = new_figure(8.0, 5.0)
    names = [f"{row['group']} ({row['captures']})" for row in rows]
    for place, row in enumerate(rows):
        axes.plot([100 * row["low_95"], 100 * row["high_95"]], [place, place], color="black", linewidth=1.5)
        axes.plot(100 * row["share"], place, "o", color="black")
    axes.axvline(100 * TARGET, color="0.4", linestyle="--", label=f"promised: {100 * TARGET:g} %")
    axes.set_yticks(range(len(rows)), names)
    axes.invert_yaxis()
    axes.set_xlim(left=0)
    axes.set_xlabel("sound captures with any finding [%], with 95 % interval")
    axes.legend(loc="upper right", framealpha=1.0)
    return write_figure(folder, "false_alarms", figure)


def calibration_picture(rows: Sequence[dict[str, Any]], folder: Path) -> Path:
    """Stated against measured, both logarithmic: on or below the diagonal is honest."""
    figure, axes = new_figure(7.0, 6.0)
    marks = iter("osD^v<>P")
    lines = iter(("-", "--", "-.", ":", "-", "--", "-.", ":"))
    for kind in dict.fromkeys(row["kind"] for row in rows):
        own = [row for row in rows if row["kind"] == kind]
        least = 0.5 / own[0]["tones"]
        axes.plot(
            [row["nominal"] for row in own], [max(row["measured"], least) for row in own],
            marker=next(marks), linestyle=next(lines), color="black", markerfacecolor="white",
            label=f"{kind} ({own[0]['tones']})",
        )  # fmt: skip
    axes.plot([5e-4, 0.2], [5e-4, 0.2], color="0.6", linewidth=3, zorder=0, label="as stated")
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlabel("stated false-alarm probability p [-]")
    axes.set_ylabel("share of sound tones given p or less [-]")
    axes.legend()
    return write_figure(folder, "false_alarms_calibration", figure)


def main() -> None:
    chosen = options("False alarms on sound drives.", count=128, counts="captures of each drive")
    clock = Clock()
    work = [(tag, seed) for seed in range(chosen.seed, chosen.seed + chosen.count) for tag in FLEET]
    detected = list(spread_out(listen, work, workers=chosen.workers))
    rows = alarm_rows(detected)
    for row in rows:
        print(f"{row['group']:15s} {row['with_finding']:4d} / {row['captures']:5d}  {100 * row['share']:5.2f} %  "
              f"({100 * row['low_95']:.2f} to {100 * row['high_95']:.2f})  no weak sign {row['no_weak_sign']}, "
              f">= {LIKELY:g} {row['likely']}, >= {SURE:g} {row['sure']}, plan or act {row['plan_or_act']}, "
              f"blames {row['blames']}  {row['found']}")  # fmt: skip
    for one in detected:
        if one.found:
            print(f"  {one.tag} seed {one.seed} {one.variant}{' next to others ' if one.around else ''}"
                  f"{', '.join(one.around)}: {', '.join(one.found)} ({one.probability:.2f}, {one.state})"
                  f"{', blames ' if one.blamed else ''}{', '.join(one.blamed)}")  # fmt: skip
    calibration = calibration_rows(detected)
    print(f"\n{'kind':24s}{'tones':>7s}" + "".join(f"{p:>9g}" for p in NOMINAL))
    for kind in dict.fromkeys(row["kind"] for row in calibration):
        own = [row for row in calibration if row["kind"] == kind]
        print(f"{kind:24s}{own[0]['tones']:7d}" + "".join(f"{row['measured']:9.4f}" for row in own))
    print("\ntones of bearings, by drive and by variant")
    divided = by_drive_rows(detected)
    for row in divided:
        print(f"{row['group']:24s}{row['tones']:7d}" + "".join(f"{row[f'p <= {p:g}']:9.4f}" for p in NOMINAL))
    write_table(chosen.out, "false_alarms", rows)
    write_table(chosen.out, "false_alarms_by_drive", divided)
    write_table(chosen.out, "false_alarms_calibration", calibration)
    alarm_picture(rows, chosen.out)
    calibration_picture(calibration, chosen.out)
    print(f"\n{len(detected)} captures in {clock}")


if __name__ == "__main__":
    main()
