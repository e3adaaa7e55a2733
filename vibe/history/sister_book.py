"""What sister drives have to say about a series, kept as small as it is asked for: baselines, growth, state.

For a whole kind at once it is arrays: what each drive gets to know of its sisters costs one pass over them, not one
look at each sister's captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.records.alarms import SisterState
from vibe.core.records.history import SeriesKey
from vibe.history.baseline import Baseline
from vibe.history.limits import Limit, sister_limits_of
from vibe.history.settings import HistorySettings
from vibe.history.trend import Trend

Array = NDArray[np.float64]
NAMED = 6
"""Sisters that are named for a series; the others are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SisterNote:
    """What one drive's series tells its sisters: the unit, a row of numbers for each baseline, growth [dB], state."""

    key: SeriesKey
    unit: str
    baselines: tuple[tuple[float, ...], ...]
    growth_db: float | None
    state: str

    @classmethod
    def of(cls, key: SeriesKey, baselines: Sequence[Baseline], trend: Trend) -> SisterNote:
        """What baselines and a trend come to."""
        return cls(
            key=key, unit=next((one.unit for one in baselines if one.unit), ""),
            baselines=tuple(map(_numbers, baselines)), growth_db=trend.growth_db, state=trend.state,
        )  # fmt: skip

    @property
    def place(self) -> tuple[str, str, str]:
        """The series, whosever it is."""
        return self.key.point, self.key.measure, self.key.subject


@dataclass(slots=True)
class _Rows:
    """One series of all drives of a kind: a row per baseline in ``baselines``, one per drive in ``grown``."""

    unit: str = ""
    drives: list[str] = field(default_factory=list)
    baselines: list[tuple[float, ...]] = field(default_factory=list)
    grown: list[tuple[str, float | None, str]] = field(default_factory=list)
    array: Array | None = None
    growth: Array | None = None


class SisterBook:
    """Baselines and growth of every series of every kind of drive."""

    def __init__(self, settings: HistorySettings) -> None:
        self._settings = settings
        self._rows: dict[tuple[str, str, str, str], _Rows] = {}

    def add(self, kind: str, key: SeriesKey, baselines: Sequence[Baseline], trend: Trend) -> None:
        """Note a series of a drive; drives of no kind have no sisters."""
        self.put(kind, SisterNote.of(key, baselines, trend))

    def put(self, kind: str, note: SisterNote) -> None:
        """Enter what a series of a drive tells; the order of drives is that in which they are entered."""
        if not kind:
            return
        rows = self._rows.setdefault((kind, *note.place), _Rows())
        rows.grown.append((note.key.drive, note.growth_db, note.state))
        rows.array = rows.growth = None
        rows.unit = rows.unit or note.unit
        rows.drives += [note.key.drive] * len(note.baselines)
        rows.baselines += note.baselines

    def rose(self, kind: str, key: SeriesKey, change_db: float, share: float) -> tuple[int, int, list[SisterState]]:
        """How many sisters have a series, on how many it rose by ``share`` of ``change_db`` or more, and those that
        rose most."""
        rows = self._of(kind, key)
        if rows is None:
            return 0, 0, []
        if rows.growth is None:
            rows.growth = np.array([np.nan if change is None else change for _, change, _ in rows.grown])
        others = np.array([drive != key.drive for drive, _, _ in rows.grown], dtype=np.bool_)
        known = others & np.isfinite(rows.growth)
        places = np.flatnonzero(known)
        top = places[np.argsort(-rows.growth[places], kind="stable")][:NAMED].tolist()
        named = [
            SisterState(
                drive=rows.grown[n][0], key=replace(key, drive=rows.grown[n][0]), change_db=rows.grown[n][1],
                state=rows.grown[n][2],
            )
            for n in top
        ]  # fmt: skip
        return int(known.sum()), int((rows.growth[places] >= share * change_db).sum()), named

    def limits(self, kind: str, key: SeriesKey, baseline: Baseline | None) -> tuple[Limit, ...]:
        """Change and alarm from the baselines of sisters in the same condition, the first such of each."""
        rows = self._of(kind, key)
        if rows is None or baseline is None:
            return ()
        if rows.array is None:
            rows.array = np.array(rows.baselines, dtype=np.float64).reshape(-1, 5)
        speed, load, level, spread, count = rows.array.T
        own = np.array([drive == key.drive for drive in rows.drives], dtype=np.bool_)
        alike = ~own & self._alike(speed, load, baseline)
        first = np.zeros(alike.size, dtype=np.bool_)
        taken: set[str] = set()
        for place in np.flatnonzero(alike).tolist():
            if rows.drives[place] not in taken:
                taken.add(rows.drives[place])
                first[place] = True
        first &= np.isfinite(level) & np.isfinite(spread)
        return sister_limits_of(level[first], spread[first], count[first], rows.unit, self._settings)

    def _of(self, kind: str, key: SeriesKey) -> _Rows | None:
        return self._rows.get((kind, key.point, key.measure, key.subject)) if kind else None

    def _alike(self, speed: Array, load: Array, baseline: Baseline) -> NDArray[np.bool_]:
        rules, here = self._settings.condition, baseline.condition
        mine = np.nan if here.speed_hz is None else here.speed_hz
        alike = np.isnan(speed) == np.isnan(mine)
        if here.speed_hz:
            with np.errstate(invalid="ignore"):
                alike &= ~(np.abs(speed / mine - 1.0) > rules.speed_within)
        percent = np.nan if here.load_percent is None else here.load_percent
        alike &= np.isnan(load) == np.isnan(percent)
        if here.load_percent is not None:
            with np.errstate(invalid="ignore"):
                alike &= ~(np.abs(load - percent) > rules.load_within_percent)
        return np.asarray(alike, dtype=np.bool_)


def _numbers(baseline: Baseline) -> tuple[float, ...]:
    here = baseline.condition
    values = (here.speed_hz, here.load_percent, baseline.level_db, baseline.spread_db, baseline.n_effective)
    return tuple(np.nan if value is None else float(value) for value in values)
