"""How small a damage is found: the program compared with a detector that knows everything and with a textbook recipe.

    python -m tests.studies.detection [--count N --seed S --workers W --out DIR]

For every drive of the fleet, every kind of local damage and every seed the damage size is bisected, in decibels
against size 1 (a clear mid-life spall). A simulated hit grows in proportion to its size and nothing else of the
capture changes, so a capture of any size is the sound one plus a multiple of the damage alone. The limit of a kind is
the size found with 90 % probability: mean plus 1.28 standard deviations of the seeds' thresholds.

False alarms are held to the program's own rate of 1 % per drive; the references share that out over as many tones as
the program searches. The references know which tone to look at; the program does not.
"""

from __future__ import annotations

import functools
import statistics
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.studies import references as ref
from tests.studies.fleet import FLEET, judged, life, settings, spread_out, tones
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
from vibe.synth.conditions import Conditions
from vibe.synth.impacts import SMOOTH, damage_impacts, machine_damages, part_count, possible_damages
from vibe.synth.machine.damage import Damage
from vibe.synth.machine.sensors import full_scale
from vibe.synth.machine.structure import Structure, casing, pulse_table
from vibe.synth.scene import Scene, set_scene
from vibe.synth.simulate import simulate

SMALLEST_DB, LARGEST_DB = -60.0, 20.0
STEP_DB = 6.0
"""First strides of the search, from the clairvoyant's threshold on."""
EXACT_DB = 1.5
"""Width to which a threshold is bisected."""
SOUND_CAPTURES = 16
"""Sound captures of each drive from which the references learn what its sound parts show."""
NINETY = 1.2816
"""Standard deviations over the mean that 90 % of a normal law lie below."""
FEW_DECOYS = 20
"""With fewer decoys no comb can be sure, however strong."""
SHARES = {
    "outer_race": "outer race",
    "inner_race": "inner race",
    "rolling_element": "rolling element",
    "cage": "cage",
    "cage_past_load": "cage",
    "cage_past_inner": "cage",
    "cage_past_housing": "cage",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One damage in one capture: smallest sizes found [dB], None where even the largest was not."""

    drive: str
    kind: str
    seed: int
    observable: bool
    vibe_db: float | None = None
    clairvoyant_db: float | None = None
    ideal_db: float | None = None
    textbook_db: float | None = None
    named_first: bool = False
    blocked_by: str = ""
    """What kept the program from finding the largest size that it did not find."""


def local_kinds(drive: Drive) -> list[str]:
    """Damage that sits in one part and impacts."""
    smooth = (*SMOOTH, *machine_damages(drive))
    return [kind for kind in possible_damages(drive) if kind.rpartition(".")[2] not in smooth]


def names_of(kind: str) -> tuple[str, ...]:
    """Tones by which a damage may be named: a disc's bore has none of its own and speaks as lobe and output pin do."""
    stage, _, part = kind.rpartition(".")
    return (f"{stage}.lobe", f"{stage}.output_pin") if part == "disc_bore" else _cage_names(kind)


def _cage_names(kind: str) -> tuple[str, ...]:
    """A cage is named by its own tone, whatever it strikes; its comb bears the name of what it strikes."""
    whole, past, _ = kind.partition(".cage_past_")
    return (kind, f"{whole}.cage") if past else (kind,)


def conditions_of(seed: int) -> Conditions:
    return life(seed, of="detection")


# --- captures of any size ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Mixer:
    """A sound capture and the damage alone, (channels, n) at size 1."""

    sound: Capture
    rows: NDArray[np.float64]
    damage: NDArray[np.float64]

    @classmethod
    def of(cls, drive: Drive, damage: Damage, seed: int, sound: Capture) -> Mixer:
        impact = simulate(drive, [damage], seed=seed, conditions=conditions_of(seed))
        rows = rows_of(sound)
        return cls(sound, rows, (rows_of(impact) - rows) / damage.size)

    def capture(self, size_db: float) -> Capture:
        """The capture with damage of that size."""
        mixed = self.rows + 10 ** (size_db / 20) * self.damage
        channels = tuple(
            replace(channel, samples=row.astype(np.float32), full_scale=full_scale(float(np.abs(row).max())))
            for channel, row in zip(self.sound.vibration, mixed, strict=True)
        )
        return replace(self.sound, channels=channels)


def rows_of(capture: Capture) -> NDArray[np.float64]:
    return np.stack([channel.samples.astype(np.float64) for channel in capture.vibration])


# --- the program -------------------------------------------------------------------------------------------------


def found(result: CaptureDiagnosis, kind: str) -> bool:
    """Whether any finding names the damage, alone or among what it cannot be distinguished from."""
    wanted = set(names_of(kind))
    return any(wanted & {finding.tone, *finding.cannot_be_told_from} for finding in result.findings)


def found_first(result: CaptureDiagnosis, kind: str) -> bool:
    """Whether the first finding names it by its own tone."""
    return bool(result.findings) and result.findings[0].tone in names_of(kind)


def blocked_by(result: CaptureDiagnosis, kind: str, drive: Drive, true_hz: float) -> str:
    """Which test kept a damage from being found."""
    if result.reading is None:
        return "no channel fit"
    if abs(result.reading.speed.input_hz / true_hz - 1) > 5e-4:
        return f"speed wrong ({result.reading.speed.method})"
    comb = next((result.combs[name] for name in names_of(kind) if name in result.combs), None)
    if comb is None:
        return "not searched"
    rules = settings().diagnosis.comb
    alarm = settings().judgement.false_alarm.rate_per_drive / searched(result)
    named = next((f.tone for f in result.findings if f.tone), None)
    if comb.false_alarm_probability > alarm:
        if comb.decoys < FEW_DECOYS:
            return "no decoys left"
        # Another comb that took the lines need not have become a finding.
        sure = [other for other in result.combs.values() if other.false_alarm_probability <= alarm]
        taker = named or max(sure, key=lambda other: other.score, default=comb).tone
        if taker != comb.tone:
            return f"comb behind {_short(taker)}"
        return (
            "comb behind an outside comb"
            if any(one.per_turn is None for one in result.reading.outside_combs)
            else "comb"
        )
    if comb.localisation is not None and comb.localisation.false_alarm_probability > alarm:
        return "localisation"
    of_bearing = kind.startswith("bearing")
    faintest = rules.faintest_sure_bearing_hit_over_floor_db if of_bearing else rules.faintest_hit_over_floor_db
    if comb.hit_over_floor_db < faintest:
        return "faintest hit"
    if of_bearing and comb.hit_over_floor_db < rules.faintest_bearing_hit_over_floor_db and not named:
        return "faint, and not sure enough"
    if of_bearing:
        if ".cage" in kind:
            stricter = comb.false_alarm_probability > alarm / rules.inferred_stricter_by
            if not named:
                return "cage surer" if stricter else "cage clear"
        return f"named {_short(named)}" if named else "choice of element"
    if comb.localisation is None and comb.hit_over_floor_db < rules.clear_hit_over_floor_db:
        return "no turn to lay it on, and not clear"
    return f"named {_short(named)}" if named else "another rule"


def _short(tone: str | None) -> str:
    return (tone or "").removeprefix("bearing.")


def searched(result: CaptureDiagnosis) -> int:
    """Tones over which the false-alarm rate is shared out."""
    return max(1, len({comb.tone for comb in result.combs.values()}))


# --- the references ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """What the references learn from one sound capture: whitened transforms, angle, textbook lines, true speed."""

    white: ref.Complex
    turns: NDArray[np.float64]
    textbook: NDArray[np.float64]
    mean_hz: float


def _sound(capture: Capture, scene: Scene) -> Sound:
    rows = rows_of(capture)
    turns = scene.motion.input_turns[-rows.shape[1] :]
    rate = scene.conditions.sample_rate_hz
    white = ref.whitened(rows, ref.noise_power(np.fft.rfft(rows, axis=1).astype(np.complex64), rate))
    mean_hz = float(np.mean(scene.motion.input_hz[-rows.shape[1] :]))
    return Sound(white, turns, ref.textbook_lines(ref.dyadic_bands(rows)), mean_hz)


@functools.lru_cache(maxsize=1)
def _sound_fleet(tag: str) -> tuple[Sound, ...]:
    """Sound captures of other machines of one type; their seeds serve nothing else."""
    made = []
    for seed in range(500_000, 500_000 + SOUND_CAPTURES):
        conditions = conditions_of(seed)
        capture = simulate(FLEET[tag], seed=seed, conditions=conditions)
        made.append(_sound(capture, set_scene(FLEET[tag], seed, conditions)))
    return tuple(made)


def _true_order(scene: Scene, damage: Damage, turns: NDArray[np.float64], nominal: float) -> float:
    """Mean repeats per input turn, counted from the impacts themselves."""
    time_s = scene.motion.time_s[-turns.size :]
    times = max((train.times_s for train in damage_impacts(scene, damage)), key=len)
    times = np.sort(times[(times >= 0) & (times <= time_s[-1])])
    if times.size < 3:
        return nominal
    first, last = np.interp(times[[0, -1]], time_s, turns)
    order = (times.size - 1) / float(last - first)
    # A damaged ball strikes both races each turn.
    return order / round(order / nominal) if order > 1.5 * nominal else order


def _impact_power(scene: Scene, damage: Damage, n: int) -> NDArray[np.float64]:
    """Power spectrum of a mean hit at each sensor (channels, n // 2 + 1): the casing's true response to its pulse."""
    conditions = scene.conditions
    rate, axis_hz = conditions.sample_rate_hz, np.fft.rfftfreq(n, 1.0 / conditions.sample_rate_hz)
    structure = Structure(casing(conditions.points, scene.streams), n, rate)
    total = np.zeros((len(conditions.points), axis_hz.size))
    for train in damage_impacts(scene, damage):
        pulse = np.abs(np.fft.rfft(pulse_table(train.pulse_s, rate)[0], 4096)) ** 2
        pulse = np.interp(axis_hz, np.fft.rfftfreq(4096, 1.0 / rate), pulse)
        for row, heights in enumerate(train.heights):
            detected = np.abs(structure.path_of_impact(row, train.source, scene.streams) * structure.recorder) ** 2
            total[row] += float((heights**2).sum()) * pulse * np.interp(axis_hz, structure.axis_hz, detected)
    return total


def clairvoyant(
    mixer: Mixer, own: Sound, scene: Scene, tag: str, kind: str, damage: Damage, chance: float
) -> tuple[Callable[[float], bool], Callable[[float], bool]]:
    """Two detectors, true where they find a damage of a size [dB]: one is given bands, angle and order, the other (the
    ideal one) also how the damage shares its power among its lines."""
    rate, n = scene.conditions.sample_rate_hz, own.turns.size
    tone = tones(tag).tone(names_of(kind)[0])
    slip = tone.slip != (0.0, 0.0)
    order = _true_order(scene, damage, own.turns, tone.order)
    known = ref.Known(own.turns, rate, order, tuple(side.order for side in tone.sidebands)[:2], slip)
    noise = ref.noise_power(np.fft.rfft(mixer.rows, axis=1).astype(np.complex64), rate)
    damage_white = ref.whitened(mixer.damage, noise)
    ears = ref.ears_for(_impact_power(scene, damage, n), noise)
    sound, damaged_ears = ref.analytic(own.white, ears, n), ref.analytic(damage_white, ears, n)
    lines = ref.angle_lines(sound, own.turns)
    plain = ref.floor_of(np.abs(lines) ** 2)
    nobody = _free(tag, lines.size, own, "")
    excess = np.ones(lines.size)
    others: list[NDArray[np.float64]] = []
    if not slip:
        # Sound parts differ and show at these very orders: what they show on average counts as noise there.
        others = [_detected_as(other, own, ears, n) for other in _sound_fleet(tag)]
        excess = np.where(nobody, 1.0, np.maximum(1.0, np.mean(others, axis=0)))
    floor = plain * excess
    clean = ref.angle_lines(damaged_ears, own.turns, cut=False)
    own_free = _free(tag, lines.size, own, kind)

    def detector(template: ref.Template) -> Callable[[float], bool]:
        rng = np.random.default_rng(scene.streams.capture_seed)
        threshold = ref.decoy_threshold(lines, template, floor, nobody, chance, rng)
        if others:
            shown = [float((template.weights * (over / excess)[template.bins]).sum()) for over in others]
            threshold = max(threshold, ref.sound_threshold(shown, chance))

        def finds(size_db: float) -> bool:
            mixed = ref.angle_lines(sound + np.float32(10 ** (size_db / 20)) * damaged_ears, own.turns)
            return ref.comb_statistic(mixed, template, floor) > threshold

        return finds

    stated = detector(ref.flat_template(known, floor, excess, own_free))
    return stated, detector(ref.template_of(clean, known, floor, own_free))


def _detected_as(other: Sound, own: Sound, ears: ref.Ears, n: int) -> NDArray[np.float64]:
    """Envelope lines over their floor of another sound capture, at the orders of ``own``'s bins."""
    power = np.abs(ref.angle_lines(ref.analytic(other.white, ears, n), other.turns)) ** 2
    ratio = (other.turns[-1] - other.turns[0]) / (own.turns[-1] - own.turns[0])
    same_order = np.round(np.arange(power.size) * ratio).astype(np.int64)
    return np.asarray((power / ref.floor_of(power))[np.minimum(same_order, power.size - 1)])


def _free(tag: str, size: int, own: Sound, kind: str) -> NDArray[np.bool_]:
    """Bins where no sound part speaks, those of the ``kind``'s own order excepted."""
    free = np.ones(size, dtype=bool)
    covered = float(own.turns[-1] - own.turns[0])
    own_order = tones(tag).tone(names_of(kind)[0]).order if kind else 0.0
    for tone in tones(tag).tones:
        if tone.slip != (0.0, 0.0) or tone.family in ("electrical", "hunting") or tone.order * covered < 8:
            continue
        if kind and abs(tone.order / own_order - 1) < 1e-9:
            continue
        for harmonic in range(1, ref.MOST_HARMONICS + 1):
            middle = round(harmonic * tone.order * covered)
            if middle < size:
                free[max(0, middle - 1) : middle + 2] = False
    return free


def textbook(
    mixer: Mixer, own: Sound, scene: Scene, tag: str, kind: str, chance: float
) -> Callable[[float], bool]:  # fmt: skip
    """The recipe: band of greatest kurtosis, envelope spectrum against time, peak over the local median."""
    duration = scene.conditions.duration_s
    order = tones(tag).tone(names_of(kind)[0]).order
    detected = [
        ref.peak_over_median(other.textbook, duration, order * other.mean_hz) for other in _sound_fleet(tag)
    ]  # fmt: skip
    places = 2 * ref.WITHIN * order * own.mean_hz * duration + 1
    threshold = ref.textbook_threshold([value for value in detected if value > 0] or [1.0, 1.0], places, chance)
    sound, damaged_ears = ref.dyadic_bands(mixer.rows), ref.dyadic_bands(mixer.damage)

    def finds(size_db: float) -> bool:
        share = np.float32(10 ** (size_db / 20))
        power = ref.textbook_lines([a + share * b for a, b in zip(sound, damaged_ears, strict=True)])
        return ref.peak_over_median(power, duration, order * own.mean_hz) > threshold

    return finds


# --- thresholds --------------------------------------------------------------------------------------------------


def threshold_db(finds: Callable[[float], bool], start_db: float, *, exact_db: float = EXACT_DB) -> float | None:
    """Smallest size found, to ``exact_db``: strides from ``start_db``, then halves; None where the largest is not."""
    high = min(max(start_db, SMALLEST_DB + exact_db), LARGEST_DB)
    if finds(high):
        low = high - STEP_DB
        while low > SMALLEST_DB and finds(low):
            high, low = low, low - STEP_DB
        low = max(low, SMALLEST_DB)
    else:
        low, high = high, min(high + STEP_DB, LARGEST_DB)
        while not finds(high):
            if high >= LARGEST_DB:
                return None
            low, high = high, min(high + STEP_DB, LARGEST_DB)
    while high - low > exact_db:
        middle = (low + high) / 2
        low, high = (low, middle) if finds(middle) else (middle, high)
    return (low + high) / 2


def measure(work: tuple[str, int, tuple[str, ...]]) -> list[Threshold]:
    """Thresholds of the given kinds (all when none is given) of one drive in the capture of one seed."""
    tag, seed, kinds = work
    drive, conditions = FLEET[tag], conditions_of(seed)
    sound = simulate(drive, seed=seed, conditions=conditions)
    scene = set_scene(drive, seed, conditions)
    own = _sound(sound, scene)
    healthy = judged(sound, drive)
    seen = {visible.tone for visible in healthy.visibility if visible.seen}
    chance = settings().judgement.false_alarm.rate_per_drive / searched(healthy)
    rows = []
    for kind in kinds or local_kinds(drive):
        if not set(names_of(kind)) & seen:
            rows.append(Threshold(drive=tag, kind=kind, seed=seed, observable=False))
            continue
        rng = np.random.default_rng([seed, *kind.encode()])
        damage = Damage(kind, 1.0, int(rng.integers(part_count(drive, kind))))
        mixer = Mixer.of(drive, damage, seed, sound)
        stated, ideal = clairvoyant(mixer, own, scene, tag, kind, damage, chance)
        best = threshold_db(stated, -12.0, exact_db=0.5)
        plain = threshold_db(textbook(mixer, own, scene, tag, kind, chance), 0.0, exact_db=1.0)
        tried: dict[float, CaptureDiagnosis] = {}

        def finds(
            size_db: float, tried: dict[float, CaptureDiagnosis] = tried, mixer: Mixer = mixer, kind: str = kind
        ) -> bool:
            tried[size_db] = judged(mixer.capture(size_db), drive)
            return found(tried[size_db], kind)

        reached = threshold_db(finds, (best if best is not None else 0.0) + 4.0)
        shown = [size for size, result in tried.items() if found(result, kind)]
        missed = [size for size in tried if size not in shown]
        rows.append(
            Threshold(
                drive=tag,
                kind=kind,
                seed=seed,
                observable=True,
                vibe_db=reached,
                clairvoyant_db=best,
                ideal_db=threshold_db(ideal, -18.0, exact_db=0.5),
                textbook_db=plain,
                named_first=bool(shown) and found_first(tried[min(shown)], kind),
                blocked_by=blocked_by(tried[max(missed)], kind, drive, own.mean_hz) if missed else "",
            )
        )
    return rows


# --- limits ------------------------------------------------------------------------------------------------------


def limit_db(values: Sequence[float | None]) -> float | None:
    """Size found with 90 % probability; None when more than one in ten was never found."""
    reached = [value for value in values if value is not None]
    if len(values) - len(reached) > 0.1 * len(values):
        return None
    return statistics.fmean(reached) + NINETY * (statistics.stdev(reached) if len(reached) > 1 else 0.0)


def limits(thresholds: Sequence[Threshold]) -> list[dict[str, Any]]:
    """One row per drive and kind. A gap to something never found is counted up to the largest size: at least that."""
    rows = []
    for key in dict.fromkeys((t.drive, t.kind) for t in thresholds):
        own = [t for t in thresholds if (t.drive, t.kind) == key]
        seen = [t for t in own if t.observable]
        row: dict[str, Any] = {"drive": key[0], "kind": key[1], "seeds": len(own), "observable": len(seen)}
        vibe, best, ideal, plain = (
            limit_db([getattr(t, name) for t in seen]) if seen else None
            for name in ("vibe_db", "clairvoyant_db", "ideal_db", "textbook_db")
        )
        row |= {
            "vibe_db": _one(vibe), "clairvoyant_db": _one(best), "ideal_db": _one(ideal), "textbook_db": _one(plain)
        }  # fmt: skip
        for name, value in (("gap_db", vibe), ("textbook_gap_db", plain), ("ideal_gap_db", ideal)):
            row[name] = None if best is None or not seen else _one((LARGEST_DB if value is None else value) - best)
        row["never_found"] = sum(t.vibe_db is None for t in seen)
        row["named_first"] = sum(t.named_first for t in seen)
        causes = Counter(t.blocked_by for t in seen if t.blocked_by)
        row["blocked_by"] = "; ".join(f"{cause} ({count})" for cause, count in causes.most_common())
        rows.append(row)
    return rows


def _one(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def summary(rows: Sequence[dict[str, Any]]) -> str:
    """The figures in a few lines."""
    stated = [row for row in rows if row["gap_db"] is not None]
    gaps = sorted(row["gap_db"] for row in stated)
    plain = [row["textbook_gap_db"] for row in stated]
    hidden = sum(row["observable"] == 0 for row in rows)
    lines = [
        f"{len(rows)} drives and kinds, {hidden} of them not observable in these captures, {len(stated)} measured",
        f"gap to the clairvoyant: median {statistics.median(gaps):.1f} dB, nine in ten below "
        f"{gaps[int(0.9 * (len(gaps) - 1))]:.1f} dB, worst {gaps[-1]:.1f} dB; "
        f"{sum(row['never_found'] for row in stated)} of {sum(row['observable'] for row in stated)} captures "
        "never found",
        f"textbook recipe: median {statistics.median(plain):.1f} dB, worst {max(plain):.1f} dB "
        f"(at least, where never found up to {LARGEST_DB:+.0f} dB)",
        f"ideal detector, which knows the powers of the lines too: median "
        f"{-statistics.median(row['ideal_gap_db'] for row in stated):.1f} dB below the clairvoyant",
        f"named first at the limit: {sum(row['named_first'] for row in stated)} of "
        f"{sum(row['observable'] for row in stated)}",
    ]
    return "\n".join(lines)


def table(rows: Sequence[dict[str, Any]]) -> str:
    """Limits, one line per drive and kind."""
    lines = [f"{'drive':14}{'kind':36}{'vibe':>7}{'clairv.':>9}{'textb.':>8}{'gap':>7}  blocked by (just below)"]
    for row in rows:
        if row["observable"] == 0:
            lines.append(f"{row['drive']:14}{row['kind']:36}   not observable")
            continue
        vibe, best, plain = (
            ">20" if row[name] is None else f"{row[name]:.1f}" for name in ("vibe_db", "clairvoyant_db", "textbook_db")
        )
        gap = "" if row["gap_db"] is None else f"{'' if row['vibe_db'] is not None else '>'}{row['gap_db']:.1f}"
        lines.append(f"{row['drive']:14}{row['kind']:36}{vibe:>7}{best:>9}{plain:>8}{gap:>7}  {row['blocked_by']}")
    return "\n".join(lines)


def _group(kind: str) -> str:
    head, _, part = kind.rpartition(".")
    return f"{head.removeprefix('bearing.')}: {SHARES[part]}" if part in SHARES else f"{part.replace('_', ' ')}"


def draw(rows: Sequence[dict[str, Any]], folder: Path) -> Path:
    """Limits by kind, one mark per drive and detector."""
    stated = [row for row in rows if row["gap_db"] is not None]
    groups = sorted({_group(row["kind"]) for row in stated}, key=lambda g: (":" in g, g))
    figure, axes = new_figure(8.5, 1.5 + 0.36 * len(groups))
    for name, label, marker, colour, shift in (
        ("ideal_db", "ideal: knows line powers too", "|", "#999999", 0.3),
        ("clairvoyant_db", "clairvoyant: knows bands, angle, tone", "|", "#000000", 0.22),
        ("vibe_db", "vibe", "o", "#0072b2", 0.0),
        ("textbook_db", "textbook recipe", "x", "#d55e00", -0.22),
    ):
        places = [groups.index(_group(row["kind"])) + shift for row in stated]
        sizes = [LARGEST_DB + 1.5 if row[name] is None else row[name] for row in stated]
        axes.scatter(sizes, places, marker=marker, color=colour, s=36, label=label, linewidths=1.3)
    axes.axvline(LARGEST_DB + 0.75, color="#777777", linewidth=0.8, linestyle=":")
    axes.set_yticks(range(len(groups)), groups)
    axes.invert_yaxis()
    axes.grid(axis="x", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel("size found in 90 % of captures [dB re a clear spall]\nbeyond the dotted line: not found")
    axes.set_title("Smallest damage found at 1 % false alarms per drive, one mark per drive", loc="left", fontsize=10)
    axes.legend(loc="upper center", bbox_to_anchor=(0.35, -0.08), ncols=2, frameon=False)
    return write_figure(folder, "detection", figure)


def main() -> None:
    chosen = options(__doc__.splitlines()[0], count=4, counts="captures per drive and kind")
    clock = Clock()
    work = [(tag, seed, ()) for tag in FLEET for seed in range(chosen.seed, chosen.seed + chosen.count)]
    thresholds = [row for rows in spread_out(measure, work, workers=chosen.workers) for row in rows]
    rows = limits(thresholds)
    write_table(chosen.out, "detection", rows)
    write_table(chosen.out, "detection_captures", [asdict(t) for t in thresholds])
    draw(rows, chosen.out)
    print(f"{table(rows)}\n{summary(rows)}\ncaptures from seed {chosen.seed} on, {clock}")


if __name__ == "__main__":
    main()
