"""How small a damage is found when eight sound captures of the same drive were taken before.

    python -m tests.studies.past [--count N --seed S --workers W --out DIR]

For every drive of the fleet one machine a seed: eight sound captures as life brings them, and a ninth in which the
damage is bisected as in ``tests.studies.detection``, by the program without the earlier captures, by the program with
them, and by the clairvoyant, which has no past. ``count`` further sound captures of every machine tell how often the
past raises a false alarm.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from scipy.stats import f as fisher_ratio
from scipy.stats import gamma

from tests.studies import detection as study
from tests.studies.confusion import wilson
from tests.studies.fleet import FLEET, life, settings, spread_out, tones
from tests.studies.page import Clock, options, write_table
from vibe.core.capture import Capture
from vibe.core.comb_history import PastCapture
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.diagnose.earlier_captures import accepted
from vibe.synth.conditions import Conditions
from vibe.synth.impacts import part_count
from vibe.synth.machine.damage import Damage
from vibe.synth.scene import set_scene
from vibe.synth.simulate import simulate

EARLIER = 8
LOAD_SCATTER_PERCENT = 5.0
NOISE_SCATTER = 0.1
"""From capture to capture of one machine: load in points, broadband noise as a natural logarithm, one sigma each."""
KINDS_EACH = 3
"""Kinds of damage measured on each machine, drawn by its seed."""


SOUGHT = {"whose place is known, 32 lines in 300 sums": (32, 300.0), "that slips, 12 lines in 20,000": (12, 20_000.0)}
"""Lines of a comb, and how many sums of lines are looked at: sets of lines and groups of bands (7 and some 45 of two
channels), and for what slips some 60 places."""
USUAL_CHANCE = 0.01 / 20
"""The program's rate for a drive, shared by twenty tones."""


def least_gap_db(lines: int, trials: float, chance: float, *, earlier: int) -> float:
    """The least by which a damage must exceed what the clairvoyant finds [dB], to be found by its growth over some
    ``earlier`` captures, in closed form.

    Where nothing is, the powers of lines over the floor are exponential. The mean of ``lines`` of them now, over the
    mean in n captures before, follows Fisher's F with 2K and 2Kn degrees of freedom: a prediction interval. The
    clairvoyant knows the floor, the place and the band: its mean is Gamma(K) / K. One who does not know which of T sums
    damage will show in must hold each to the T-th part of the chance. Found half of the time is what raises the mean to
    the threshold, and a line's power grows with the fourth power of the damage: 5 dB of size per tenfold power.

        5 lg((F(1 - p / T; 2K, 2Kn) - 1) / (Gamma(1 - p; K) / K - 1))
    """
    sought = fisher_ratio.isf(chance / trials, 2 * lines, 2 * lines * earlier) - 1
    known = gamma.isf(chance, lines) / lines - 1
    return float(5 * np.log10(sought / known))


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Smallest sizes found of one damage [dB], None where even the largest was not."""

    drive: str
    kind: str
    seed: int
    alone_db: float | None
    past_db: float | None
    clairvoyant_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """A further sound capture of a machine: what was found without and with the past."""

    drive: str
    seed: int
    number: int
    alone: tuple[str, ...]
    past: tuple[str, ...]
    least_chance: float
    tones: int


def of_machine(tag: str, seed: int, number: int, *, surrounded: bool = False) -> tuple[int, Conditions]:
    """Capture seed and conditions of the ``number``-th capture of a machine.

    Pitch errors, unbalance, usual load and what stands around it are the machine's; speed, drift, shocks, neighbours'
    lines and some load and noise the capture's.
    """
    # One casing would serve all drives otherwise.
    machine_seed = seed + 10_000 * list(FLEET).index(tag)
    machine = life(machine_seed, of="past", surrounded=tag if surrounded else "")
    capture_seed = 1_000 * seed + number
    own = life(capture_seed, of="past capture")
    rng = np.random.default_rng([capture_seed, 77])
    return capture_seed, replace(
        machine,
        machine_seed=machine_seed,
        speed_wander=own.speed_wander,
        speed_drift=own.speed_drift,
        stray_shocks=own.stray_shocks,
        neighbours=own.neighbours,
        load_percent=float(np.clip(machine.load_percent + rng.normal(0.0, LOAD_SCATTER_PERCENT), 20.0, 120.0)),
        noise=float(machine.noise * np.exp(rng.normal(0.0, NOISE_SCATTER))),
    )


def judged(capture: Capture, tag: str, earlier: Sequence[PastCapture] = ()) -> CaptureDiagnosis:
    return diagnose_samples(capture, FLEET[tag], tones(tag), settings(), earlier=earlier, traced=True)


def earlier_of(tag: str, seed: int, *, surrounded: bool = False) -> list[PastCapture]:
    """What eight sound captures of a machine leave."""
    results = []
    for number in range(EARLIER):
        capture_seed, conditions = of_machine(tag, seed, number, surrounded=surrounded)
        results.append(judged(simulate(FLEET[tag], seed=capture_seed, conditions=conditions), tag))
    return accepted(results)


def mixer_of(tag: str, seed: int, damage: Damage) -> study.Mixer:
    """The ninth capture of a machine with the damage in any size."""
    capture_seed, conditions = of_machine(tag, seed, EARLIER)
    sound = simulate(FLEET[tag], seed=capture_seed, conditions=conditions)
    impact = simulate(FLEET[tag], [damage], seed=capture_seed, conditions=conditions)
    rows = study.rows_of(sound)
    return study.Mixer(sound, rows, (study.rows_of(impact) - rows) / damage.size)


def measure(work: tuple[str, int, tuple[str, ...]]) -> list[Found]:
    """Thresholds of the given kinds of damage (some, drawn by the seed, when none is given) in one machine."""
    tag, seed, kinds = work
    drive = FLEET[tag]
    earlier = earlier_of(tag, seed)
    capture_seed, conditions = of_machine(tag, seed, EARLIER)
    sound = simulate(drive, seed=capture_seed, conditions=conditions)
    scene = set_scene(drive, capture_seed, conditions)
    own = study._sound(sound, scene)
    healthy = judged(sound, tag)
    seen = {visible.tone for visible in healthy.visibility if visible.seen}
    chance = settings().judgement.false_alarm.rate_per_drive / study.searched(healthy)
    if not kinds:
        known = [kind for kind in study.local_kinds(drive) if set(study.names_of(kind)) & seen]
        rng = np.random.default_rng([seed, *tag.encode()])
        kinds = tuple(known[k] for k in sorted(rng.choice(len(known), min(KINDS_EACH, len(known)), replace=False)))
    rows = []
    for kind in kinds:
        part = int(np.random.default_rng([seed, *kind.encode()]).integers(part_count(drive, kind)))
        damage = Damage(kind, 1.0, part)
        mixer = mixer_of(tag, seed, damage)
        stated, _ = study.clairvoyant(mixer, own, scene, tag, kind, damage, chance)
        best = study.threshold_db(stated, -12.0, exact_db=0.5)

        def alone(size_db: float, mixer: study.Mixer = mixer, kind: str = kind) -> bool:
            return study.found(judged(mixer.capture(size_db), tag), kind)

        def past(size_db: float, mixer: study.Mixer = mixer, kind: str = kind) -> bool:
            return study.found(judged(mixer.capture(size_db), tag, earlier), kind)

        start = best if best is not None else 0.0
        rows.append(
            Found(
                drive=tag,
                kind=kind,
                seed=seed,
                alone_db=study.threshold_db(alone, start + 4.0),
                past_db=study.threshold_db(past, start + 1.0),
                clairvoyant_db=best,
            )
        )
    return rows


def listen(work: tuple[str, int, int]) -> list[Quiet]:
    """``count`` further sound captures of one machine; half of the machines have others around them."""
    tag, seed, count = work
    surrounded = seed % 2 == 1
    earlier = earlier_of(tag, seed, surrounded=surrounded)
    detected = []
    for number in range(EARLIER, EARLIER + count):
        capture_seed, conditions = of_machine(tag, seed, number, surrounded=surrounded)
        capture = simulate(FLEET[tag], seed=capture_seed, conditions=conditions)
        past = judged(capture, tag, earlier)
        # The past takes nothing away: what is quiet with it is quiet without.
        alone = judged(capture, tag) if past.findings else past
        detected.append(
            Quiet(
                drive=tag, seed=seed, number=number, alone=_names(alone), past=_names(past),
                least_chance=min((one.chance for one in past.growths.values()), default=1.0),
                tones=len(past.growths),
            )
        )  # fmt: skip
    return detected


def _names(result: CaptureDiagnosis) -> tuple[str, ...]:
    return tuple(finding.tone or f"{finding.component} {finding.defect}" for finding in result.findings)


def summary(found: Sequence[Found], detected: Sequence[Quiet]) -> str:
    """The figures in a few lines."""
    lines = []
    stated = [one for one in found if one.clairvoyant_db is not None]
    for name, what in (("alone_db", "without the past"), ("past_db", "with it")):
        gaps = sorted(
            (study.LARGEST_DB if getattr(one, name) is None else getattr(one, name)) - (one.clairvoyant_db or 0.0)
            for one in stated
        )
        if gaps:
            lines.append(
                f"gap to the clairvoyant {what}: median {statistics.median(gaps):+.1f} dB, nine in ten below "
                f"{gaps[int(0.9 * (len(gaps) - 1))]:+.1f} dB; never found "
                f"{sum(getattr(o, name) is None for o in stated)} of {len(gaps)}"
            )
    for name, what in (("alone", "without the past"), ("past", "with it")):
        if detected:
            successes = sum(bool(getattr(one, name)) for one in detected)
            share, low, high = wilson(successes, len(detected))
            lines.append(
                f"sound captures with a finding {what}: {successes} of {len(detected)}, {100 * share:.1f} % "
                f"({100 * low:.1f} to {100 * high:.1f})"
            )
    if detected:
        more = sum(bool(set(one.past) - set(one.alone)) for one in detected)
        lines.append(f"sound captures in which the past alone raised a finding: {more} of {len(detected)}")
    return "\n".join(lines)


def main() -> None:
    chosen = options(__doc__.splitlines()[0], count=4, counts="machines per drive, and further sound captures of each")
    clock = Clock()
    seeds = range(chosen.seed, chosen.seed + chosen.count)
    work = [(tag, seed, ()) for tag in FLEET for seed in seeds]
    found = [row for rows in spread_out(measure, work, workers=chosen.workers) for row in rows]
    quiet = [(tag, seed, chosen.count) for tag in FLEET for seed in seeds]
    detected = [row for rows in spread_out(listen, quiet, workers=chosen.workers) for row in rows]
    write_table(chosen.out, "past", [asdict(one) for one in found])
    write_table(chosen.out, "past_sound", [asdict(one) for one in detected])
    lines: list[Any] = [f"{'drive':14}{'kind':36}{'alone':>7}{'past':>7}{'clairv.':>9}"]
    for one in found:
        sizes = (one.alone_db, one.past_db, one.clairvoyant_db)
        texts = [">20" if size is None else f"{size:.1f}" for size in sizes]
        lines.append(f"{one.drive:14}{one.kind:36}{texts[0]:>7}{texts[1]:>7}{texts[2]:>9}")
    print("\n".join(lines))
    for what, (count, trials) in SOUGHT.items():
        least = least_gap_db(count, trials, USUAL_CHANCE, earlier=EARLIER)
        print(f"least that {EARLIER} captures allow for a part {what}: {least:+.1f} dB")
    print(f"{summary(found, detected)}\nmachines from seed {chosen.seed} on, {clock}")


if __name__ == "__main__":
    main()
