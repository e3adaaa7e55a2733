"""Which pin, lobe or output pin is damaged: how often the map puts it on the right part, and the finding on the right
body.

Every single-stage drive of the fleet gets one damaged part, drawn at random, of twice the size that is just found.

* *With a pulse* the part's number counts from the one under load at the (first) pulse. Which that is depends on how
  far ahead of its eccentric a drive carries its load: one constant of the drive. So two errors are given: against the
  angle at which the simulated drives carry theirs ("absolute"), and against the same drive with another part damaged
  clearly ("after one known part").
* *Without a pulse* only distances have a meaning: two parts of one body are damaged, and the distance between the two
  places is compared with the truth.
* *Which body*: a lobe, an output pin and a bore in a disc show at one order. An output pin is met by every disc, the
  others by one.
* *Sound drives* with pitch errors of one to three times the usual: how often a place stands out that should not.

Run: ``python -m tests.studies.which_pin``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np

from tests.studies.fleet import FLEET, judged, life, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.evidence import Localisation
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
from vibe.synth.impacts import part_count
from vibe.synth.machine.contact import LOAD_SIDE_TURNS
from vibe.synth.scene import set_scene
from vibe.synth.simulate import Conditions, Damage, simulate

DRIVES = tuple(tag for tag, drive in FLEET.items() if len(drive.stage) == 1 and drive.stage[0].kind == "cycloidal")
KINDS = ("ring_pin", "lobe", "output_pin", "disc_bore")
BODY = {"ring_pin": "ring", "lobe": "disc", "output_pin": "pins", "disc_bore": "disc"}
TONE = {**{kind: f"stage1.{kind}" for kind in KINDS}, "disc_bore": "stage1.output_pin"}
"""A bore of a disc has no tone of its own: it is named with the output pin that runs in it."""
LADDER = tuple(float(0.1 * 10 ** (k / 10)) for k in range(15))
"""Sizes 2 dB apart among which the smallest that is found is sought."""
LIVES = 3
OVER_LIMIT = 2.0
CLEAR = 8.0
"""Size of the known part against the drive's limit: clear on any of its captures."""
NEAR_SPACING_DEG = 15.0
"""A second place this near to the discs' spacing is taken for the same part, met by another disc."""
NOMINAL = (0.1, 0.01, 0.001)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One trial: what is damaged, how much, and how it is measured."""

    seed: int
    drive: str
    kind: str
    size: float
    pulse: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a trial gave: errors in parts, None without a place; ``named`` is right, pair, wrong or none."""

    work: Work
    found: bool
    passed_place: bool
    named: str
    absolute: float | None = None
    after_known: float | None = None
    distance: float | None = None


def stage_of(tag: str) -> CycloidalStage:
    stage = FLEET[tag].stage[0]
    assert isinstance(stage, CycloidalStage)
    return stage


def parts_per_body(tag: str, kind: str) -> int:
    """Parts on one disc, ring or output."""
    stage = stage_of(tag)
    return {"ring_pin": stage.ring_pins, "lobe": stage.lobes}.get(kind, stage.output_pins or 1)


def true_place(tag: str, kind: str, part: int, seed: int, conditions: Conditions) -> float:
    """Where a part lies in its frame [turns] when angles count from the first pulse, by the simulation's own motion."""
    stage, motion = stage_of(tag), set_scene(FLEET[tag], seed, conditions).motion
    disc, own = divmod(part, parts_per_body(tag, kind))
    first_pulse = np.ceil(motion.input_turns[np.searchsorted(motion.time_s, 0.0)])
    past = motion.rate("stage1.eccentric") - motion.rate(f"stage1.{BODY[kind]}")
    return float((own / parts_per_body(tag, kind) - disc / stage.discs - LOAD_SIDE_TURNS - past * first_pulse) % 1.0)


def off(turns: float) -> float:
    """A difference of places, the short way round."""
    return (turns + 0.5) % 1.0 - 0.5


def place_of(result: CaptureDiagnosis, kind: str) -> Localisation | None:
    comb = result.combs.get(TONE[kind])
    return comb.localisation if comb is not None else None


def just_found(tag: str, kind: str, seed: int) -> float:
    """The smallest size of the ladder that is found, the middle one of a few lives."""
    smallest = []
    for number in range(LIVES):
        low, high = 0, len(LADDER) - 1
        conditions = life(seed + number, of=f"which pin limit {tag} {kind}", tachometer=True)
        while low < high:
            middle = (low + high) // 2
            capture = simulate(
                FLEET[tag], [Damage(f"stage1.{kind}", LADDER[middle])], seed=seed + number, conditions=conditions
            )
            if _named(judged(capture, FLEET[tag]), kind) in ("right", "pair"):
                high = middle
            else:
                low = middle + 1
        smallest.append(LADDER[low])
    return sorted(smallest)[LIVES // 2]


def _named(result: CaptureDiagnosis, kind: str) -> str:
    """right: named first and nothing next to it or with it; pair: the truth is among what is named; wrong; none."""
    local = [f for f in result.findings if f.tone is not None and f.tone.startswith("stage1.")]
    if not local:
        return "none"
    first = local[0]
    if first.tone == TONE[kind]:
        return "right"
    return "pair" if TONE[kind] in first.cannot_be_told_from else "wrong"


def _stream(work: Work) -> str:
    """Every drive and kind leads lives of its own: else one hard life would count for all of them."""
    return f"which pin {work.drive} {work.kind} {work.pulse}"


def trial(work: Work) -> Outcome:
    """One capture with a pulse and its known part, or one without and two damaged parts."""
    return _with_pulse(work) if work.pulse else _without_pulse(work)


def _with_pulse(work: Work) -> Outcome:
    drive, tone = FLEET[work.drive], f"stage1.{work.kind}"
    rng = np.random.default_rng([work.seed, *work.kind.encode()])
    part, known = rng.choice(part_count(drive, tone), 2, replace=False)
    count = parts_per_body(work.drive, work.kind)
    errors = []
    results = []
    for number, (which, size) in enumerate(((part, work.size), (known, work.size / OVER_LIMIT * CLEAR))):
        seed = 2 * work.seed + number
        conditions = life(seed, of=_stream(work), tachometer=True, machine_seed=work.seed)
        capture = simulate(drive, [Damage(tone, size, int(which))], seed=seed, conditions=conditions)
        results.append(judged(capture, drive))
        place = place_of(results[-1], work.kind)
        truth = true_place(work.drive, work.kind, int(which), seed, conditions)
        errors.append(off(place.peaks_deg[0] / 360.0 - truth) if place is not None and place.peaks_deg else None)
    first = results[0]
    return Outcome(
        work=work,
        found=_named(first, work.kind) in ("right", "pair"),
        passed_place=_passes(first, work.kind),
        named=_named(first, work.kind),
        absolute=None if errors[0] is None else errors[0] * count,
        after_known=None if errors[0] is None or errors[1] is None else off(errors[0] - errors[1]) * count,
    )


def _passes(result: CaptureDiagnosis, kind: str) -> bool:
    """Whether the place alone would let a finding through."""
    place = place_of(result, kind)
    allowed = 0.01 / max(1, len({comb.tone for comb in result.combs.values()}))
    return place is not None and place.false_alarm_probability <= allowed


def _without_pulse(work: Work) -> Outcome:
    drive, tone = FLEET[work.drive], f"stage1.{work.kind}"
    count, discs = parts_per_body(work.drive, work.kind), stage_of(work.drive).discs
    rng = np.random.default_rng([work.seed, 1, *work.kind.encode()])
    first = int(rng.integers(count))
    # Nearer than a ninth of a turn, two places run together; at the discs' spacing they are taken for one part.
    apart = [k for k in range(1, count) if _tellable(k / count, discs)]
    distance = int(rng.choice(apart))
    conditions = life(work.seed, of=_stream(work), tachometer=False)
    damage = [Damage(tone, work.size, first), Damage(tone, work.size, (first + distance) % count)]
    result = judged(simulate(drive, damage, seed=work.seed, conditions=conditions), drive)
    place = place_of(result, work.kind)
    error = None
    if place is not None and place.peaks_deg:
        strongest, *others = (angle / 360.0 for angle in place.peaks_deg)
        second = next((off(angle - strongest) for angle in others if _tellable(angle - strongest, discs)), None)
        if second is not None:
            error = min((off(abs(second) - s * distance / count) * count for s in (1, -1)), key=abs)
    return Outcome(
        work=work,
        found=_named(result, work.kind) in ("right", "pair"),
        passed_place=_passes(result, work.kind),
        named=_named(result, work.kind),
        distance=error,
    )


def _tellable(turns: float, discs: int) -> bool:
    """Whether a second place this far from the first is neither run together with it nor where other discs meet."""
    spacing = abs(off(turns * discs)) / discs
    return spacing * 360.0 > max(NEAR_SPACING_DEG, 40.0 / discs) and abs(off(turns)) > 1 / 9


def sound_trial(work: Work) -> list[float]:
    """The chances given to the places of a sound drive, one for each frame."""
    rng = np.random.default_rng([work.seed, 3])
    conditions = life(work.seed, of=_stream(work), pitch_errors=float(rng.uniform(1.0, 3.0)))
    result = judged(simulate(FLEET[work.drive], seed=work.seed, conditions=conditions), FLEET[work.drive])
    combs = {c.tone: c.localisation for c in result.combs.values() if c.localisation is not None}
    return [place.false_alarm_probability for place in combs.values() if place is not None]


def _share(good: Iterable[bool]) -> float:
    values = list(good)
    return float(np.mean(values)) if values else float("nan")


def _row(analysis_request: str, drive: str, kind: str, trials: int, measure: str, share: float) -> dict[str, object]:
    row = {"question": analysis_request, "drive": drive, "kind": kind, "trials": trials, "measure": measure}
    return {**row, "share": round(share, 4)}


def tabulated(outcomes: Sequence[Outcome]) -> list[dict[str, object]]:
    """Shares by drive, by kind, and of all. Places are counted over the trials in which the damage was found."""
    groups: dict[tuple[str, str], list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        for key in ((outcome.work.drive, "all"), ("all", outcome.work.kind), ("all", "all")):
            groups[key].append(outcome)
    rows = []
    for (drive, kind), group in sorted(groups.items()):
        for pulse in (True, False):
            own = [o for o in group if o.work.pulse is pulse]
            found = [o for o in own if o.found]
            analysis_request = "with a pulse" if pulse else "without a pulse"
            rows.append(_row(analysis_request, drive, kind, len(own), "found", _share(o.found for o in own)))
            rows.append(
                _row(analysis_request, drive, kind, len(own), "place stands out", _share(o.passed_place for o in own))
            )
            for measure in ("absolute", "after_known") if pulse else ("distance",):
                errors = [getattr(o, measure) for o in found]
                for name, most in (("right part", 0), ("within one part", 1)):
                    share = _share(e is not None and abs(round(e)) <= most for e in errors)
                    rows.append(_row(analysis_request, drive, kind, len(errors), f"{measure}: {name}", share))
        spoken = [o for o in group if o.work.pulse and o.named != "none"]
        for name in ("right", "pair", "wrong"):
            share = _share(o.named == name for o in spoken)
            rows.append(_row("which body", drive, kind, len(spoken), name, share))
    return rows


def _draw(folder: Path, rows: Sequence[dict[str, object]]) -> Path:
    """Shares of right parts by drive: with a pulse, and the distance without one."""
    figure, axes = new_figure()
    measures = (
        ("after_known: right part", "with a pulse, after one known part", "0.25", ""),
        ("absolute: right part", "with a pulse, load side as built in", "0.6", "//"),
        ("distance: right part", "without a pulse, distance of two parts", "0.95", ".."),
    )
    for k, (measure, label, grey, hatch) in enumerate(measures):
        shares = [
            next(r["share"] for r in rows if (r["drive"], r["kind"], r["measure"]) == (tag, "all", measure))
            for tag in DRIVES
        ]
        places = np.arange(len(DRIVES)) + (k - 1) * 0.27
        axes.bar(places, 100 * np.array(shares, float), 0.25, label=label, color=grey, edgecolor="black", hatch=hatch)
    axes.axhline(95.0, color="black", linestyle="--", linewidth=1)
    axes.set_xticks(np.arange(len(DRIVES)), [f"{tag}\n{stage_of(tag).ring_pins} pins" for tag in DRIVES])
    axes.set_ylabel("trials with the damage on the right part (%)")
    axes.set_ylim(0, 118)
    axes.set_title(f"Damage of {OVER_LIMIT:g} times the size just found is put on the right part (dashes: 95 %)")
    axes.legend(loc="upper center", ncols=3, fontsize=8)
    return write_figure(folder, "which_pin", figure)


def works(count: int, seed: int, sizes: dict[tuple[str, str], float]) -> list[Work]:
    """``count`` trials with a pulse and as many without, for every drive; kinds in turn."""
    return [
        Work(
            seed=seed + number,
            drive=tag,
            kind=(kind := KINDS[number % len(KINDS)]),
            size=OVER_LIMIT * sizes[tag, kind],
            pulse=pulse,
        )
        for number in range(count)
        for tag in DRIVES
        for pulse in (True, False)
    ]


def _limit(work: Work) -> float:
    return just_found(work.drive, work.kind, work.seed)


def main() -> None:
    chosen = options(__doc__ or "", count=40, counts="trials per drive, with a pulse and without")
    clock = Clock()
    asked = [Work(seed=chosen.seed, drive=t, kind=k, size=0.0, pulse=True) for t in DRIVES for k in KINDS]
    limits = spread_out(_limit, asked, workers=chosen.workers)
    sizes = {(work.drive, work.kind): size for work, size in zip(asked, limits, strict=True)}
    for tag in DRIVES:
        print(f"{tag:13}smallest size found: " + ", ".join(f"{kind} {sizes[tag, kind]:.2f}" for kind in KINDS))
    outcomes = list(spread_out(trial, works(chosen.count, chosen.seed, sizes), workers=chosen.workers))
    rows = tabulated(outcomes)
    sound = [
        Work(seed=chosen.seed + k, drive=tag, kind="", size=0.0, pulse=False)
        for k in range(chosen.count)
        for tag in DRIVES
    ]
    chances = np.array([p for given in spread_out(sound_trial, sound, workers=chosen.workers) for p in given])
    for nominal in NOMINAL:
        share = float(np.mean(chances <= nominal))
        rows.append(_row("sound drives", "all", "all", chances.size, f"chance stated {nominal:g} or less", share))
    for row in rows:
        print(
            "{question:16} {drive:13} {kind:11} {trials:5}  {measure:34} {share:7.2%}".format(
                **cast("dict[str, Any]", row)
            )
        )
    print(write_table(chosen.out, "which_pin", rows))
    print(_draw(chosen.out, rows))
    print(f"took {clock}")


if __name__ == "__main__":
    main()
