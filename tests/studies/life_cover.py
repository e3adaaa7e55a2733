"""Whether days until a limit may be stated: of each life, with intervals set by all the other lives.

Measured lives (PRONOSTIA rig, Nectoux et al., IEEE PHM 2012; two of them lie where ``VIBE_OPEN_DATA`` points)
and simulated ones: levels of four laws of growth, with scatter and wild captures as in ``tests.studies.lives``. At each
look at which the trend is growing, ``time_to_limit`` gives days and an interval. The ratio of true to forecast days of
all *other* lives gives a second interval, from its 5 % to its 95 % point, each life weighing the same. What counts is
the share of looks that hold. ``python -m tests.studies.life_cover --count 8 --seed 30000``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.open_data import OPEN_DATA
from tests.studies.lives import DAY_S, LIMIT_DB, STOP_M_S2, WEEK_S, dated, made_series, noise, rules, snapshots, up_to
from tests.studies.page import Clock, options, write_table
from vibe.core.records.history import Series
from vibe.history.baseline import compare, level_db
from vibe.history.trend import time_to_limit, trend

Array = NDArray[np.float64]
WANTED = 0.85
"""Share of looks that must hold before days are stated."""
WEEKS, ONSET = 78, 20

LAWS: dict[str, Callable[[Array], Array]] = {
    "even": lambda part: part,
    "quickening": lambda part: part**3,
    "end in a jump": lambda part: np.where(part < 0.97, 0.5 * part, 1.0),
    "in steps": lambda part: np.floor(5.0 * part) / 5.0,
}
"""Share of the way to the limit [dB] at a share of the time from onset to the end."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LifeLooks:
    """Looks at one life (m,): days that were left, forecast, soonest and latest (infinite: beyond what is stated)."""

    name: str
    kind: str
    left: Array
    days: Array
    soonest: Array
    latest: Array


def looks(name: str, kind: str, series: Series, end_s: float, limit: float, unit: str) -> LifeLooks:
    """A life, looked at after every capture until its end."""
    found = []
    last = int(np.searchsorted(series.time_s, end_s))
    for n in range(rules().trend.fewest, min(last + 1, series.time_s.size) + 1):
        left = (end_s - series.time_s[n - 1]) / DAY_S
        compared = compare(up_to(series, n), rules())
        usual = compared.baselines[0].level_db
        if usual is None or left <= 0:
            continue
        course = trend(compared.time_s, compared.change_db, compared.sigma_db, rules().trend)
        stated = time_to_limit(course, float(level_db(limit, unit)) - usual, dated())
        if stated.days and stated.soonest is not None:
            found.append((left, stated.days, stated.soonest, np.inf if stated.latest is None else stated.latest))
    rows = np.array(found, dtype=np.float64).reshape(-1, 4).T
    return LifeLooks(name=name, kind=kind, left=rows[0], days=rows[1], soonest=rows[2], latest=rows[3])


def simulated(seed: int, count: int) -> Iterable[LifeLooks]:
    """Lives of weekly captures whose level reaches the limit between the 40th and the last week."""
    for law, part_of in LAWS.items():
        for place in range(count):
            rng = np.random.default_rng([seed + place, *law.encode()])
            end = float(rng.uniform(40.0, WEEKS - 1.0))
            week = np.arange(WEEKS, dtype=np.float64)
            part = np.clip((week - ONSET) / (end - ONSET), 0.0, 1.0)
            level = noise(rng, WEEKS, 0.3) + LIMIT_DB * part_of(part)
            yield looks(f"{law} {place}", law, made_series(week * WEEK_S, level, "dB"), end * WEEK_S, LIMIT_DB, "dB")


def measured() -> Iterable[LifeLooks]:
    for path in sorted((OPEN_DATA / "femto").glob("*.h5")):
        series, end_s = snapshots(path)
        yield looks(path.stem, "measured", series["peak"], end_s, STOP_M_S2, "m/s²")


def bounds(others: Sequence[LifeLooks]) -> tuple[float, float]:
    """The 5 % and 95 % points of true over forecast days, each life weighing the same."""
    ratio = np.concatenate([one.left / one.days for one in others])
    weight = np.concatenate([np.full(one.days.size, 1.0 / one.days.size) for one in others])
    order = np.argsort(ratio)
    share = np.cumsum(weight[order]) / weight.sum()
    low, high = (float(ratio[order][np.searchsorted(share, point)]) for point in (0.05, 0.95))
    return low, high


def table(lives: Sequence[LifeLooks]) -> list[dict[str, Any]]:
    """A row per kind of life: looks, the share of them that the plain and the left-out interval hold, its width."""
    known = [one for one in lives if one.days.size]
    rows = []
    for kind in dict.fromkeys(one.kind for one in lives):
        own = [one for one in known if one.kind == kind]
        plain, other, early, wide = [], [], [], []
        for one in own:
            low, high = bounds([life for life in known if life is not one])
            plain.append(float(np.mean((one.soonest <= one.left) & (one.left <= one.latest))))
            other.append(float(np.mean((low * one.days <= one.left) & (one.left <= high * one.days))))
            early.append(float(np.mean(one.left < low * one.days)))
            wide.append(high / low)
        rows.append(
            {
                "lives": kind, "of": sum(one.kind == kind for one in lives), "with days": len(own),
                "looks": sum(one.days.size for one in own),
                "plain interval holds": _share(plain), "least of one life": _share(plain, least=True),
                "left-out interval holds": _share(other), "least of one life, left out": _share(other, least=True),
                "end before its soonest": _share(early),
                "latest over soonest": round(float(np.median(wide)), 1) if wide else "",
            }
        )  # fmt: skip
    return rows


def _share(values: Sequence[float], *, least: bool = False) -> Any:
    if not values:
        return ""
    return round(float(min(values) if least else np.mean(values)), 2)


def main() -> None:
    asked = options("Lives: may days until a limit be stated?", count=8, counts="simulated lives per law")
    clock = Clock()
    lives = [*measured(), *simulated(asked.seed, asked.count)]
    rows = table(lives)
    for row in rows:
        print(row)
    kinds = [row["left-out interval holds"] for row in rows if row["looks"]]
    stated = bool(kinds) and min(kinds) >= WANTED
    print(f"days may be stated: {'yes' if stated else 'no'} (wanted {WANTED:g} of every kind; {clock})")
    print(write_table(asked.out, "life_cover", rows))


if __name__ == "__main__":
    main()
