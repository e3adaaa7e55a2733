"""How early growth is distinguished from what is usual, how often a steady level seems to grow, and whether ends are
forecast.

Parts: steady and growing series of noise whose truth is known; the two measured run-to-failure lives of the PRONOSTIA
rig (Nectoux et al., IEEE PHM 2012); drives of the fleet in which one damage grows from a known onset, next to their
healthy twins. ``python -m tests.studies.lives --count 200 --seed 10000``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import scipy.signal
from numpy.typing import NDArray

from tests.open_data import OPEN_DATA
from tests.studies.fleet import FLEET, judged, life, spread_out
from tests.studies.page import Clock, options, write_figure, write_table
from vibe.core.records.history import Series, SeriesKey
from vibe.flow.settings import share_dir
from vibe.history.baseline import compare, level_db
from vibe.history.limits import own_limits
from vibe.history.settings import HistorySettings, TrendSettings
from vibe.history.trend import Trend, time_to_limit, trend
from vibe.ingest import load_model
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate

Array = NDArray[np.float64]
DAY_S, WEEK_S = 86400.0, 7 * 86400.0
STARTED = ("growing", "stepped up")

STEADY = ((12, 0.3), (26, 0.5), (52, 0.0), (52, 0.3), (52, 0.6))
"""Captures per year and correlation of neighbours."""
NOISE_DB, WILD = 1.0, 0.02
"""Standard deviation of a level, and the share of captures that are off by 6 dB more."""
GROWTH_DB_PER_MONTH, LIMIT_DB, ONSET = 2.0, 12.0, 20

STOP_M_S2 = 20.0 * 9.80665
"""The rig was stopped when the acceleration passed 20 g: rule of the challenge, from memory."""
SNAPSHOT_S = 4 * 3600.0
"""Ten seconds of the rig count as four hours, so that its 2.5 to 8 hours are a year or less of a drive."""

CASES = (
    ("ratio-6", "stage1.lobe"),
    ("ratio-17", "bearing.eccentric bearing.outer_race"),
    ("ratio-29", "stage1.ring_pin"),
    ("difference-2", "stage1.output_pin"),
)
CAPTURES, FIRST_DAMAGED, FIRST_SIZE, DOUBLES_IN = 30, 15, 0.1, 3.0
"""Weekly captures; the first with damage; its size there, and the captures in which it doubles."""
MEASURES = ("velocity_rms", "acceleration_rms", "acceleration_peak", "acceleration_rms_high", "kurtosis")


@lru_cache(maxsize=1)
def rules() -> HistorySettings:
    """The default rules, as a user has them."""
    return load_model(share_dir() / "configs" / "history.toml", HistorySettings)


def dated() -> TrendSettings:
    """The same with days to a limit, which users are given only once this study shows that they hold."""
    return rules().trend.model_copy(update={"dated": True})


# ------------------------------------------------------------------------------------------------ series of noise
def noise(rng: np.random.Generator, n: int, alike: float) -> Array:
    """Levels (n,) [dB]: first-order correlated, with wild captures."""
    kicks = rng.normal(size=n) * np.sqrt(1.0 - alike**2)
    kicks[0] = rng.normal()
    level = scipy.signal.lfilter([1.0], [1.0, -alike], kicks) * NOISE_DB
    return np.asarray(level + np.where(rng.random(n) < WILD, rng.normal(0.0, 6.0, n), 0.0))


def made_series(
    time_s: Array, value: Array, unit: str, load: Array | None = None, speed: Array | None = None
) -> Series:
    n = time_s.size
    nothing = np.full(n, np.nan)
    return Series(
        key=SeriesKey(drive="D", point="P", measure="m"), unit=unit, time_s=time_s, value=value,
        speed_hz=nothing if speed is None else speed, load_percent=nothing if load is None else load,
        accepted=np.ones(n, dtype=np.bool_), content=tuple(map(str, range(n))),
    )  # fmt: skip


def up_to(series: Series, n: int) -> Series:
    """The series as it was when its n-th capture had come in."""
    return Series(
        key=series.key, unit=series.unit, time_s=series.time_s[:n], value=series.value[:n],
        speed_hz=series.speed_hz[:n], load_percent=series.load_percent[:n], accepted=series.accepted[:n],
        content=series.content[:n],
    )  # fmt: skip


def trend_of(series: Series) -> Trend:
    found = compare(series, rules())
    return trend(found.time_s, found.change_db, found.sigma_db, rules().trend)


def first_start(series: Series) -> int | None:
    """Index of the capture with which the series first seemed to grow, looked at after each capture."""
    for n in range(rules().trend.fewest, series.time_s.size + 1):
        if trend_of(up_to(series, n)).state in STARTED:
            return n - 1
    return None


def steady(work: tuple[int, int, float]) -> bool:
    """Whether a steady series seems to grow at some time of its year."""
    seed, n, alike = work
    rng = np.random.default_rng([seed, *b"steady"])
    time_s = np.arange(n) * 365.25 / n * DAY_S
    return first_start(made_series(time_s, noise(rng, n, alike), "dB")) is not None


@dataclass(frozen=True, slots=True)
class Growth:
    """One growing series: weeks from onset to its start, and of the forecast times to the limit, those that held."""

    weeks: int | None
    early: bool
    stated: int
    held: int
    ratios: tuple[float, ...]


def growing(work: tuple[int, float]) -> Growth:
    """A year of weekly captures; from ``ONSET`` on the level grows exponentially until it reaches the limit."""
    seed, alike = work
    rng = np.random.default_rng([seed, *b"growing"])
    n = 52
    time_s = np.arange(n, dtype=np.float64) * WEEK_S
    per_week = GROWTH_DB_PER_MONTH * 7 * 12 / 365.25
    rise = np.maximum(np.arange(n) - ONSET, 0) * per_week
    end_s = (ONSET + LIMIT_DB / per_week) * WEEK_S
    series = made_series(time_s, noise(rng, n, alike) + rise, "dB")
    start, stated, held, ratios = None, 0, 0, []
    for count in range(rules().trend.fewest, n + 1):
        left = (end_s - time_s[count - 1]) / DAY_S
        if left <= 0:
            break
        compared = compare(up_to(series, count), rules())
        found = trend(compared.time_s, compared.change_db, compared.sigma_db, rules().trend)
        if start is None and found.state in STARTED:
            start = count - 1
        usual = compared.baselines[0].level_db
        if usual is None:
            continue
        foretold = time_to_limit(found, LIMIT_DB - usual, dated())
        if foretold.days and foretold.soonest is not None:
            stated += 1
            held += foretold.soonest <= left <= (foretold.latest if foretold.latest is not None else np.inf)
            ratios.append(foretold.days / left)
    early = start is not None and start < ONSET
    return Growth(None if start is None else start - ONSET, early, stated, held, tuple(ratios))


# ------------------------------------------------------------------------------------------------- measured lives
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """A life: series by name, the snapshot that ended it (time), and what was forecast of the peak.

    ``foretold`` (m, 4): time, days left as forecast, soonest, latest (infinite: beyond what is stated).
    """

    name: str
    series: dict[str, Series]
    end_s: float
    starts: dict[str, float | None]
    alarms: dict[str, float | None]
    foretold: Array
    looks: int


def snapshots(path: Path) -> tuple[dict[str, Series], float]:
    """Levels along a life, and when the peak first passed the stop rule."""
    with h5py.File(path) as file:
        samples = file["acceleration"][:].astype(np.float64) * 9.80665
        rate = float(file.attrs["sample_rate_hz"])
        time_s = file["snapshot_number"][:].astype(np.float64) * SNAPSHOT_S
    samples -= samples.mean(axis=1, keepdims=True)
    high = scipy.signal.sosfiltfilt(scipy.signal.butter(4, 5000.0, "high", fs=rate, output="sos"), samples, axis=1)
    envelope = np.abs(scipy.signal.hilbert(high, axis=1))
    found = {}
    for column, way in enumerate(("horizontal", "vertical")):
        found[f"r.m.s. {way}"] = samples[:, :, column].std(axis=1)
        found[f"hit {way}"] = np.percentile(envelope[:, :, column], 99, axis=1)
    found["peak"] = np.abs(samples).max(axis=(1, 2))
    ended = np.flatnonzero(found["peak"] >= STOP_M_S2)
    end_s = float(time_s[ended[0]]) if ended.size else float(time_s[-1])
    return {name: made_series(time_s, value, "m/s²") for name, value in found.items()}, end_s


def second_alarm(series: Series, *, after: int = 0) -> int | None:
    """Index of the second capture in a row beyond this drive's own alarm limit as it stood before both."""
    beyond = 0
    for index in range(max(after, rules().baseline.wanted), series.time_s.size):
        compared = compare(up_to(series, index + 1), rules())
        latest = compared.latest
        alarm = [limit for limit in own_limits(latest, rules()) if limit.kind == "alarm"] if latest else []
        if not alarm or latest is None or latest.level_db is None:
            beyond = 0
            continue
        over = float(level_db(alarm[0].value, series.unit)) - latest.level_db
        beyond = beyond + 1 if compared.change_db[-1] > over else 0
        if beyond >= 2:
            return index
    return None


def measured(path: Path) -> Measured:
    """A measured life, looked at after every snapshot until its end."""
    series, end_s = snapshots(path)
    time_s = series["peak"].time_s
    last = int(np.searchsorted(time_s, end_s))
    alive = {name: up_to(row, last + 1) for name, row in series.items()}
    first = {name: first_start(row) for name, row in alive.items()}
    second = {name: second_alarm(row) for name, row in alive.items()}
    foretold = []
    for n in range(rules().trend.fewest, last + 1):
        compared = compare(up_to(series["peak"], n), rules())
        usual = compared.baselines[0].level_db
        found = trend(compared.time_s, compared.change_db, compared.sigma_db, rules().trend)
        stated = time_to_limit(found, float(level_db(STOP_M_S2, "m/s²")) - float(usual or 0.0), dated())
        if stated.days is not None and stated.soonest is not None:
            foretold.append(
                (time_s[n - 1], stated.days, stated.soonest, np.inf if stated.latest is None else stated.latest)
            )
    return Measured(
        name=path.stem, series=series, end_s=end_s,
        starts={name: None if at is None else float(time_s[at]) for name, at in first.items()},
        alarms={name: None if at is None else float(time_s[at]) for name, at in second.items()},
        foretold=np.array(foretold, dtype=np.float64).reshape(-1, 4), looks=last + 1 - rules().trend.fewest,
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------ simulated lives
@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lived:
    """A drive's captures as series, by point, measure and subject."""

    drive: str
    tone: str
    damaged: bool
    series: dict[tuple[str, str, str], Series]


def size_at(capture: int) -> float:
    return FIRST_SIZE * 2.0 ** ((capture - FIRST_DAMAGED) / DOUBLES_IN)


def lived(work: tuple[int, str, str, bool]) -> Lived:
    """Weekly captures of 4 s of one machine, whose load swings by 20 % over half a year."""
    seed, tag, tone, damaged = work
    rows: dict[tuple[str, str, str], list[tuple[float, float, float, float]]] = {}
    for week in range(CAPTURES):
        rng = np.random.default_rng([seed, week, *b"lives"])
        load = float(70.0 + 20.0 * np.sin(2 * np.pi * week / 26.0) + rng.normal(0.0, 5.0))
        conditions = life(
            seed * 1000 + week, of="lives", duration_s=4.0, load_percent=load, machine_seed=seed, pitch_errors=1.0,
            residual_unbalance=1.0, noise=float(np.exp(rng.normal(0.0, 0.1))),
        )  # fmt: skip
        damage = [Damage(tone, size_at(week))] if damaged and week >= FIRST_DAMAGED else []
        one = judged(simulate(FLEET[tag], damage, seed=seed * 1000 + week, conditions=conditions), FLEET[tag])
        if one.reading is None:
            continue
        speed = one.reading.speed.input_hz
        values = {(row.point, row.measure, ""): row.value for row in one.reading.levels if row.measure in MEASURES}
        values |= {("", "hit_over_floor", name): comb.hit_over_floor_db for name, comb in one.combs.items()}
        for key, value in values.items():
            rows.setdefault(key, []).append((week * WEEK_S, value, speed, load))
    made = {}
    for key, found in rows.items():
        time_s, value, speed_hz, load_percent = np.array(found, dtype=np.float64).T
        made[key] = made_series(time_s, value, "dB" if key[2] else "m/s²", load_percent, speed_hz)
    return Lived(drive=tag, tone=tone, damaged=damaged, series=made)


def week_of_start(series: Series) -> int | None:
    at = first_start(series)
    return None if at is None else round(series.time_s[at] / WEEK_S)


# ---------------------------------------------------------------------------------------------------------- tables
def row(part: str, case: str, what: str, value: Any, of: Any = "") -> dict[str, Any]:
    return {"part": part, "case": case, "what": what, "value": value, "of": of}


def noise_rows(seed: int, count: int, workers: int) -> Iterable[dict[str, Any]]:
    for n, alike in STEADY:
        false = sum(spread_out(steady, [(seed + i, n, alike) for i in range(count)], workers=workers))
        yield row("noise", f"{n} captures a year, correlation {alike}", "steady series that seem to grow", false, count)
    for alike in (0.0, 0.5):
        found = list(spread_out(growing, [(seed + i, alike) for i in range(count // 4)], workers=workers))
        case = f"{GROWTH_DB_PER_MONTH:g} dB a month, correlation {alike}"
        weeks = [g.weeks for g in found if g.weeks is not None and not g.early]
        yield row("noise", case, "growth found", len(weeks), len(found))
        yield row("noise", case, "weeks from onset, median", float(np.median(weeks)))
        yield row("noise", case, "weeks from onset, nine in ten", round(float(np.percentile(weeks, 90)), 1))
        yield row(
            "noise",
            case,
            "time to limit: interval of 90 % holds",
            sum(g.held for g in found),
            sum(g.stated for g in found),
        )
        ratios = np.concatenate([np.array(g.ratios) for g in found if g.ratios])
        yield row("noise", case, "foretold over true, median", round(float(np.median(ratios)), 2))


def measured_rows(lives: Sequence[Measured]) -> Iterable[dict[str, Any]]:
    for one in lives:
        per_rig = 10.0 / SNAPSHOT_S  # seconds of the rig per second of the time axis
        yield row("measured", one.name, "end by the stop rule [s]", round(one.end_s * per_rig))
        for name, at in one.starts.items():
            for what, when in ((f"growth of {name}", at), (f"{name} twice over its own alarm", one.alarms[name])):
                yield row(
                    "measured",
                    one.name,
                    f"{what} [% of life]",
                    "never" if when is None else round(100 * when / one.end_s, 1),
                )
        left = (one.end_s - one.foretold[:, 0]) / DAY_S
        held = (one.foretold[:, 2] <= left) & (left <= one.foretold[:, 3])
        yield row("measured", one.name, "looks at which an end was foretold", one.foretold.shape[0], one.looks)
        yield row("measured", one.name, "interval of 90 % holds", int(held.sum()), held.size)
        for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.0)):
            inside = (one.foretold[:, 0] >= low * one.end_s) & (one.foretold[:, 0] < high * one.end_s)
            case = f"{one.name}, {100 * low:.0f} to {100 * high:.0f} % of life"
            yield row("measured", case, "interval holds", int(held[inside].sum()), int(inside.sum()))
            if inside.any():
                ratio = np.median(one.foretold[inside, 1] / left[inside])
                yield row("measured", case, "foretold over true, median", round(float(ratio), 2))


def lived_rows(lives: Sequence[Lived]) -> Iterable[dict[str, Any]]:
    searched = false = 0
    for one in lives:
        starts = {key: week_of_start(series) for key, series in one.series.items()}
        case = f"{one.drive}, {one.tone}"
        if not one.damaged:
            searched += len(starts)
            false += sum(week is not None for week in starts.values())
            for key, week in starts.items():
                if week is not None:
                    yield row(
                        "simulated", case, f"healthy twin: {' '.join(filter(None, key))} seems to grow, week", week
                    )
            continue
        before = [week for week in starts.values() if week is not None and week < FIRST_DAMAGED]
        yield row("simulated", case, "series that seem to grow before onset", len(before), len(starts))
        own = starts.get(("", "hit_over_floor", one.tone))
        levels = {k: w for k, w in starts.items() if not k[2] and w is not None and w >= FIRST_DAMAGED}
        yield row(
            "simulated", case, "weeks from onset, hits of its tone", "never" if own is None else own - FIRST_DAMAGED
        )
        yield row("simulated", case, "size then", "" if own is None else round(size_at(own), 2))
        first = min(levels, key=lambda k: levels[k]) if levels else None
        yield row(
            "simulated",
            case,
            "weeks from onset, first level",
            "never" if first is None else levels[first] - FIRST_DAMAGED,
        )
        yield row("simulated", case, "size then", "" if first is None else round(size_at(levels[first]), 2))
        yield row("simulated", case, "which level", "" if first is None else f"{first[1]} at {first[0]}")
    yield row("simulated", "healthy twins", "series that seem to grow", false, searched)


# --------------------------------------------------------------------------------------------------------- figure
def draw(folder: Path, lives: Sequence[Measured]) -> Path:
    """Above: the peak along each measured life with its limits; below: time left as forecast and as it was."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 7), layout="constrained")
    axes = figure.subplots(2, len(lives), squeeze=False, sharex="col")
    hours = 10.0 / SNAPSHOT_S / 3600.0
    for column, one in enumerate(lives):
        peak = one.series["peak"]
        top, below = axes[0][column], axes[1][column]
        top.semilogy(peak.time_s * hours, peak.value, "k.-", ms=3, lw=0.6, label="peak, either direction")
        top.axhline(STOP_M_S2, color="k", ls="--", label="stop rule, 20 g")
        baseline = compare(peak, rules()).baselines[0]
        if baseline.alarm is not None:
            top.axhline(baseline.alarm[1], color="k", ls=":", label="alarm from its own baseline")
        for when, style, name in ((one.starts["peak"], "-.", "growth is found"), (one.end_s, "-", "end")):
            if when is not None:
                top.axvline(when * hours, color="0.5", ls=style, label=name)
        top.set(title=one.name, ylabel="acceleration [m/s²]")
        day = DAY_S * hours
        stated = one.foretold
        below.fill_between(
            stated[:, 0] * hours, np.maximum(stated[:, 2] * day, 1e-3), np.minimum(stated[:, 3], 1e4) * day,
            color="0.85", label="interval of 90 %",
        )  # fmt: skip
        below.plot(stated[:, 0] * hours, stated[:, 1] * day, "kx", ms=4, label="foretold from the peak")
        x = np.linspace(0.0, one.end_s * 0.9995, 300)
        below.plot(x * hours, (one.end_s - x) * hours, "k-", lw=1, label="true")
        below.set(yscale="log", ylim=(2e-3, 100), xlabel="running time [h]", ylabel="time left [h]")
        below.legend(fontsize=7, loc="lower left")
    figure.legend(*axes[0][0].get_legend_handles_labels(), fontsize=8, loc="outside upper center", ncols=5)
    return write_figure(folder, "lives", figure)


def main() -> None:
    asked = options("Lives: growth, false starts, time to a limit.", count=200, counts="series of noise per case")
    clock = Clock()
    rows = list(noise_rows(asked.seed, asked.count, asked.workers))
    print(f"noise done ({clock})")
    paths = sorted((OPEN_DATA / "femto").glob("*.h5"))
    rigs = [measured(path) for path in paths]
    if rigs:
        rows += measured_rows(rigs)
        print(draw(asked.out, rigs), f"({clock})")
    work = [(asked.seed + place, tag, tone, bad) for place, (tag, tone) in enumerate(CASES) for bad in (False, True)]
    rows += lived_rows(list(spread_out(lived, work, workers=asked.workers)))
    for one in rows:
        print("  ".join(str(value) for value in one.values() if value != ""))
    print(write_table(asked.out, "lives", rows), f"({clock})")


if __name__ == "__main__":
    main()
