"""How small a damage is found when eight sound captures of the same drive were taken before.

    python -m tests.studies.past [--count N --seed S --workers W --out DIR]

For every drive of the fleet one machine a seed: eight sound captures as life brings them, and a ninth in which the
damage is bisected as in ``tests.studies.detection``, by the program without the earlier captures, by the program with
them, and by the clairvoyant, which has no past. *Found* is a damage that a finding names, by its own tone or among what
it cannot be distinguished from; a drive with a finding is not called sound. The clairvoyant knows the bands in which
the damage rings, at 8 Hz, the true angle and the true order, and is held to the same rate of false alarms per tone.
``count`` further sound captures of every machine tell how often the past raises a false alarm.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ive
from scipy.stats import f as fisher_ratio
from scipy.stats import gamma, ncx2

from tests.studies import detection as study
from tests.studies.confusion import wilson
from tests.studies.fleet import FLEET, life, settings, spread_out, tones
from tests.studies.page import Clock, options, write_table
from tests.studies.references import noise_power
from vibe.core.capture import Capture
from vibe.core.comb_history import PastCapture
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.diagnose.earlier_captures import accepted, alike
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.quiet_bands import PARTS
from vibe.synth.conditions import Conditions
from vibe.synth.impacts import part_count
from vibe.synth.machine.damage import Damage
from vibe.synth.scene import set_scene
from vibe.synth.simulate import simulate

Array = NDArray[np.float64]
EARLIER = 8
LOAD_SCATTER_PERCENT = 5.0
NOISE_SCATTER = 0.1
"""From capture to capture of one machine: load in points, broadband noise as a natural logarithm, one sigma each."""
KINDS_EACH = 3
"""Kinds of damage measured on each machine, drawn by its seed."""
EXACT_DB = 0.25
"""Width to which a threshold with the past is bisected; a threshold is the middle of it."""

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


def best_gap_db(lines: int, cells: int, chance: float, *, drawn: int = 1_000, seed: int = 0) -> float:
    """What a search among ``cells`` independent places costs whatever test is taken [dB], with the floor known: the
    least by which a damage must exceed what one finds who knows its place, found half of the time.

    By Neyman and Pearson no test finds more than the likelihood ratio averaged over the places. With the phase unknown
    a line of power x over the floor, of a comb that adds l to each, has the ratio exp(-l) I0(2 sqrt(l x)). Its false
    alarms are too rare to be counted; drawn with damage they are the mean of 1 / A where A exceeds the threshold, since
    A is the ratio of the two laws (importance sampling). A sum over a known place is taken as the best there.
    """
    rng = np.random.default_rng(seed)
    noise = rng.standard_exponential((20_000 + 5 * cells, lines))
    normal = (rng.standard_normal((drawn, lines)) + 1j * rng.standard_normal((drawn, lines))) / np.sqrt(2)
    others = rng.integers(0, len(noise), (drawn, cells - 1), dtype=np.int32)

    def false_alarms(added: float) -> float:
        quiet = _ratio(noise, added)
        rest = np.array([quiet[row].sum() for row in others])
        average = (_ratio(np.abs(np.sqrt(added) + normal) ** 2, added) + rest) / cells
        return float(np.mean((average > np.median(average)) / average))

    known = _added(lines, chance)
    low, high = known / 2, 2 * _added(lines, chance / cells)
    for _ in range(9):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if false_alarms(middle) > chance else (low, middle)
    return float(5 * np.log10(np.sqrt(low * high) / known))


def _ratio(power: Array, added: float) -> Array:
    """Likelihood ratio (n,) of combs (n, lines), to each line of which a damage adds so much."""
    root = np.linspace(0.0, 2 * float(np.sqrt(added * power.max())), 4_000)
    logarithm = np.interp(2 * np.sqrt(added * power), root, np.log(ive(0, root)) + root - added)
    return np.asarray(np.exp(logarithm.sum(axis=1)))


def _added(lines: int, chance: float) -> float:
    """What a damage must add to each of ``lines`` for their sum to reach the threshold of a chance half of the time."""
    limit = 2 * gamma.isf(chance, lines)
    return float(brentq(lambda added: ncx2.sf(limit, 2 * lines, 2 * lines * added) - 0.5, 1e-3, 100.0))


def filter_losses_db(power: Array, noise: Array, rate_hz: float, bands: Sequence[BandEnvelopes]) -> tuple[float, float]:
    """What a damage must be larger to stand as high in the best group of the program's bands as behind the
    clairvoyant's filter [dB], in closed form: of the plain bands, and of those or the quiet ones, whichever is better.

    ``power`` and ``noise`` (channels, m) are power spectra of an impact and of all else up to half the rate. Behind
    weights w of whitened power a weak impact makes lines of mean sum(w S / N) in noise of scatter root sum(w^2): best
    are w = S / N, the clairvoyant's; plain bands have w = 1, quiet ones w = 1 / N, each band with the same mean. That
    ratio grows with the fourth power of the damage's size. Lines are taken to lie well below a band's width.
    """
    ratio = power / noise
    best = float(np.sqrt((ratio**2).sum()))
    axis_hz = np.linspace(0.0, rate_hz / 2, power.shape[1])
    plain = _best_group(ratio, np.ones_like(noise), axis_hz, bands, 1)
    quiet = max(_best_group(ratio, 1.0 / noise, axis_hz, bands, parts) for parts in PARTS)
    return 5.0 * float(np.log10(best / plain)), 5.0 * float(np.log10(best / max(plain, quiet)))


def _best_group(ratio: Array, weight: Array, axis_hz: Array, bands: Sequence[BandEnvelopes], parts: int) -> float:
    """The largest mean over scatter in any dyadic group of bands, each cut into ``parts``, of a channel or of all."""
    sums = []
    for row, (own, w) in enumerate(zip(ratio, weight, strict=True)):
        low = bands[row].centre_hz[0] - bands[row].width_hz / 2
        edges = low + bands[row].width_hz / parts * np.arange(parts * bands[row].centre_hz.size + 1)
        cuts = np.searchsorted(axis_hz, edges)
        signal, square, total = (np.add.reduceat(v, cuts[:-1])[: cuts.size - 1] for v in (w * own, w * w, w))
        sums.append(np.stack([signal / total, square / total**2]))
    best = 0.0
    for signal, square in (*sums, sum(sums)):
        size = 1
        while size <= signal.size:
            groups = [v.reshape(-1, size).sum(axis=1) for v in (signal, square)]
            best = max(best, float((groups[0] / np.sqrt(groups[1])).max()))
            size *= 2
    return best


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Smallest sizes found of one damage [dB], None where even the largest was not; ``filter_db`` and
    ``quiet_filter_db``: what is lost by bands against the clairvoyant's filter, of the plain ones and of all."""

    drive: str
    kind: str
    seed: int
    alone_db: float | None
    past_db: float | None
    clairvoyant_db: float | None
    filter_db: float = 0.0
    quiet_filter_db: float = 0.0
    compared: int = EARLIER
    """How many of the earlier captures are alike in speed, load and length."""


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
    compared = 0 if healthy.past is None else len(alike(healthy.past, earlier, settings().diagnosis.past))
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
        best = study.threshold_db(stated, -12.0, exact_db=0.1)
        noise = noise_power(np.fft.rfft(mixer.rows, axis=1).astype(np.complex64), scene.conditions.sample_rate_hz)
        assert healthy.reading is not None
        plain, quiet = filter_losses_db(
            study._impact_power(scene, damage, mixer.rows.shape[1]), noise.astype(np.float64),
            scene.conditions.sample_rate_hz, healthy.reading.looks[0].bands,
        )  # fmt: skip

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
                past_db=study.threshold_db(past, start + 1.0, exact_db=EXACT_DB),
                clairvoyant_db=best,
                filter_db=plain,
                quiet_filter_db=quiet,
                compared=compared,
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
    if stated:
        plain, quiet = (
            statistics.median(getattr(one, name) for one in stated) for name in ("filter_db", "quiet_filter_db")
        )
        lines.append(
            f"of which by bands instead of the clairvoyant's filter, in closed form: median {plain:.1f} dB plain, "
            f"{quiet:.1f} dB with the quiet ones"
        )
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
    lines: list[Any] = [
        f"{'drive':14}{'kind':44}{'alone':>7}{'past':>7}{'clairv.':>9}{'bands':>7}{'quiet':>7}{'alike':>6}"
    ]
    for one in found:
        sizes = (one.alone_db, one.past_db, one.clairvoyant_db)
        texts = [">20" if size is None else f"{size:.1f}" for size in sizes]
        lost = f"{one.filter_db:7.1f}{one.quiet_filter_db:7.1f}{one.compared:6d}"
        lines.append(f"{one.drive:14}{one.kind:44}{texts[0]:>7}{texts[1]:>7}{texts[2]:>9}{lost}")
    print("\n".join(lines))
    for what, (count, trials) in SOUGHT.items():
        least = least_gap_db(count, trials, USUAL_CHANCE, earlier=EARLIER)
        floor = best_gap_db(count, int(trials), USUAL_CHANCE)
        print(
            f"least that {EARLIER} captures allow for a part {what}: {least:+.1f} dB; "
            f"that any test needs, floor known: {floor:+.1f} dB"
        )
    print(f"{summary(found, detected)}\nmachines from seed {chosen.seed} on, {clock}")


if __name__ == "__main__":
    main()
