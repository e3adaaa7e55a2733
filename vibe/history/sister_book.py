"""What sister drives have to say about a series, kept as small as it is asked for: baselines, growth, state.

For a whole kind at once it is arrays: the limits that each drive gets from all others are worked out together, so that
a kind of many drives costs one product of matrices a series, not a look at all of them for each of them. What comes of
it depends on what the sisters tell alone, not on the order in which that was entered.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import nan

import numpy as np
from numpy.typing import NDArray

from vibe.core.records.alarms import SisterState
from vibe.core.records.history import SeriesKey
from vibe.history.baseline import Baseline
from vibe.history.limits import Limit, SisterIntervals, sister_intervals
from vibe.history.settings import ConditionSettings, HistorySettings
from vibe.history.trend import Trend

Array = NDArray[np.float64]
Place = tuple[str, str, str]
"""Point, measure and subject: a series, whosever it is."""
NAMED = 6
"""Sisters that are named for a series; the others are counted."""
_MOST_AT_ONCE = 4_000_000
"""Pairs of drives that are held at once: 32 MB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SisterNote:
    """What one drive's series tells its sisters: the unit, a row of numbers for each baseline, growth [dB], state.

    ``current`` is the place of the baseline that counts now, -1 where there is none; a limit below ``raised_below``
    [unit of the series] is broken by the latest captures, NaN where none is.
    """

    key: SeriesKey
    unit: str
    baselines: tuple[tuple[float, ...], ...]
    growth_db: float | None
    state: str
    current: int = -1
    raised_below: float = nan

    @classmethod
    def of(
        cls, key: SeriesKey, baselines: Sequence[Baseline], trend: Trend, current: Baseline | None = None,
        raised_below: float = nan,
    ) -> SisterNote:  # fmt: skip
        """What baselines and a trend come to; ``current`` is one of the baselines."""
        return cls(
            key=key, unit=next((one.unit for one in baselines if one.unit), ""),
            baselines=tuple(map(_numbers, baselines)), growth_db=trend.growth_db, state=trend.state,
            current=next((place for place, one in enumerate(baselines) if one is current), -1),
            raised_below=raised_below,
        )  # fmt: skip

    @property
    def place(self) -> Place:
        """The series, whosever it is."""
        return self.key.point, self.key.measure, self.key.subject


class SisterTable:
    """One series of all drives of a kind, by tag: ``growth_db`` and ``raised_below`` (n,), NaN where not known."""

    def __init__(self, notes: Sequence[SisterNote], settings: HistorySettings, masks: _Masks) -> None:
        self._settings, self._masks = settings, masks
        self.notes = tuple(sorted(notes, key=lambda note: note.key.drive))
        self.row_of = {note.key.drive: row for row, note in enumerate(self.notes)}
        self.unit = next((note.unit for note in self.notes if note.unit), "")
        self.growth_db = np.array([nan if note.growth_db is None else note.growth_db for note in self.notes])
        self.raised_below = np.array([note.raised_below for note in self.notes])
        self._current = np.array([note.current for note in self.notes], dtype=np.int64)
        counts = np.array([len(note.baselines) for note in self.notes], dtype=np.int64)
        most = int(counts.max(initial=0))
        # Drives, places of baselines, numbers; NaN where there is no such baseline.
        none = ((nan,) * 5,)
        rows = [(*note.baselines, *none * (most - len(note.baselines))) for note in self.notes]
        self._numbers = np.array(rows, dtype=np.float64).reshape(len(self.notes), most, 5)
        self._there = np.arange(most)[None, :] < counts[:, None]

    @cached_property
    def intervals(self) -> SisterIntervals:
        """The limits that each drive gets in the condition of its current baseline."""
        rows = np.arange(len(self.notes))
        here = self._numbers[rows, self._current, :2] if self._numbers.shape[1] else np.full((rows.size, 2), nan)
        found = self._between(here, rows)
        return found.without(self._current < 0)

    def interval_of(self, drive: str, baseline: Baseline) -> tuple[SisterIntervals, int]:
        """Those of one drive in the condition of a baseline, and their place."""
        row, numbers = self.row_of.get(drive, -1), _numbers(baseline)
        if row >= 0 and self._current[row] >= 0:
            mine = self._numbers[row, self._current[row]]
            if np.array_equal(mine[:2], numbers[:2], equal_nan=True):
                return self.intervals, row
        return self._between(np.array([numbers[:2]]), np.array([row])), 0

    def _between(self, here: Array, own: NDArray[np.int64]) -> SisterIntervals:
        """Limits in conditions ``here`` (q, 2) from all drives but ``own`` (q,)."""
        level, spread, count = (self._numbers[:, :, place] for place in (2, 3, 4))
        known = np.isfinite(level) & np.isfinite(spread)
        # Levels from the middle of all: what is squared is then as small as what is asked for.
        middle = float(level[known].mean()) if known.any() else 0.0
        level, spread, count = (np.where(known, one, 0.0) for one in (level - middle, spread, count))
        with np.errstate(divide="ignore"):
            inverse = np.where(known, 1.0 / count, 0.0)
        freedom = np.where(known, count - 1.0, 0.0)
        said = np.stack([known.astype(float), level, level**2, freedom, freedom * spread**2, inverse], axis=2)
        sums = np.zeros((len(here), 6))
        for start, first in self._masks.of(self._numbers[:, :, :2], self._there, here, own):
            for place, mask in enumerate(first):
                sums[start : start + len(mask)] += mask @ said[:, place]
        return sister_intervals(sums, middle, self.unit, self._settings)


class _Masks:
    """Which baselines of which drives were taken in the same condition as others, the first such of each drive: kept
    from one series to the next, since those of one capture share their conditions."""

    def __init__(self, rules: ConditionSettings) -> None:
        self._rules = rules
        self._known: dict[bytes, list[tuple[int, list[Array]]]] = {}

    def of(
        self, conditions: Array, there: NDArray[np.bool_], here: Array, own: NDArray[np.int64]
    ) -> Iterator[tuple[int, list[Array]]]:
        """For some of the rows of ``here`` at a time: the first one's place, and a mask (rows, drives) of ones and
        zeros for each place of baselines."""
        pairs = len(here) * there.size
        if pairs > _MOST_AT_ONCE:
            step = max(1, _MOST_AT_ONCE // max(there.size, 1))
            for start in range(0, len(here), step):
                yield start, self._first(conditions, there, here[start : start + step], own[start : start + step])
            return
        key = b"|".join(one.tobytes() for one in (conditions, there, here, own))
        if key not in self._known:
            if len(self._known) >= 4:
                self._known.pop(next(iter(self._known)))
            self._known[key] = [(0, self._first(conditions, there, here, own))]
        yield from self._known[key]

    def _first(
        self, conditions: Array, there: NDArray[np.bool_], here: Array, own: NDArray[np.int64]
    ) -> list[Array]:  # fmt: skip
        taken = np.arange(there.shape[0])[None, :] == own[:, None]
        found = []
        for place in range(there.shape[1]):
            alike = self._alike(conditions[:, place], here) & there[:, place] & ~taken
            taken |= alike
            found.append(alike.astype(np.float64))
        return found

    def _alike(self, others: Array, here: Array) -> NDArray[np.bool_]:
        speed, load, mine, percent = others[:, 0], others[:, 1], here[:, :1], here[:, 1:]
        alike = np.isnan(speed) == np.isnan(mine)
        with np.errstate(invalid="ignore", divide="ignore"):
            # What is not known, and a speed of nothing, bounds nothing.
            alike &= ~((np.abs(speed / mine - 1.0) > self._rules.speed_within) & (mine != 0.0))
            alike &= np.isnan(load) == np.isnan(percent)
            alike &= ~(np.abs(load - percent) > self._rules.load_within_percent)
        return np.asarray(alike, dtype=np.bool_)


@dataclass(slots=True)
class _Kind:
    masks: _Masks
    notes: dict[Place, dict[str, SisterNote]] = field(default_factory=dict)
    tables: dict[Place, SisterTable] = field(default_factory=dict)


class SisterBook:
    """Baselines and growth of every series of every kind of drive."""

    def __init__(self, settings: HistorySettings) -> None:
        self._settings = settings
        self._kinds: dict[str, _Kind] = {}

    def put(self, kind: str, note: SisterNote) -> None:
        """Enter what a series of a drive says, in the place of what it said before; drives of no kind have no
        sisters."""
        self.put_all(kind, (note,))

    def put_all(self, kind: str, notes: Iterable[SisterNote]) -> None:
        """Enter what several series say."""
        if not kind:
            return
        if kind not in self._kinds:
            self._kinds[kind] = _Kind(_Masks(self._settings.condition))
        of = self._kinds[kind]
        known = of.notes
        for note in notes:
            key = note.key
            place = (key.point, key.measure, key.subject)
            if place not in known:
                known[place] = {}
            known[place][key.drive] = note
            if of.tables:
                of.tables.pop(place, None)

    def notes(self, kind: str) -> Mapping[Place, Mapping[str, SisterNote]]:
        """What was entered of a kind, by series and drive."""
        return self._kinds[kind].notes if kind in self._kinds else {}

    def table(self, kind: str, place: Place) -> SisterTable:
        """One series of a kind. Raises: KeyError: nothing was entered of it."""
        of = self._kinds[kind]
        if place not in of.tables:
            of.tables[place] = SisterTable(list(of.notes[place].values()), self._settings, of.masks)
        return of.tables[place]

    def _of(self, kind: str, key: SeriesKey) -> SisterTable | None:
        place = (key.point, key.measure, key.subject)
        return self.table(kind, place) if kind in self._kinds and place in self._kinds[kind].notes else None

    def rose(self, kind: str, key: SeriesKey, change_db: float, share: float) -> tuple[int, int, list[SisterState]]:
        """How many sisters have a series, on how many it rose by ``share`` of ``change_db`` or more, and those that
        rose most."""
        table = self._of(kind, key)
        if table is None:
            return 0, 0, []
        growth = table.growth_db
        known = np.isfinite(growth)
        own = table.row_of.get(key.drive)
        if own is not None:
            known[own] = False
        places = np.flatnonzero(known)
        named = []
        for row in places[_greatest(growth[places], NAMED)].tolist():
            note = table.notes[row]
            named.append(
                SisterState(
                    drive=note.key.drive, key=replace(key, drive=note.key.drive), change_db=note.growth_db,
                    state=note.state,
                )
            )  # fmt: skip
        return places.size, int((growth[places] >= share * change_db).sum()), named

    def limits(self, kind: str, key: SeriesKey, baseline: Baseline | None) -> tuple[Limit, ...]:
        """Change and alarm from the baselines of sisters in the same condition, the first such of each."""
        table = self._of(kind, key)
        if table is None or baseline is None:
            return ()
        found, row = table.interval_of(key.drive, baseline)
        return found.limits(row, self._settings)


def _greatest(values: Array, count: int) -> NDArray[np.int64]:
    """Places of the greatest, in their order; of equal ones the first."""
    if values.size > 4 * count:  # all that are as great as the last one wanted, at least
        least = np.partition(values, values.size - count)[values.size - count]
        some = np.flatnonzero(values >= least)
        return np.asarray(some[np.argsort(-values[some], kind="stable")][:count])
    return np.asarray(np.argsort(-values, kind="stable")[:count])


def _numbers(baseline: Baseline) -> tuple[float, ...]:
    here = baseline.condition
    values = (here.speed_hz, here.load_percent, baseline.level_db, baseline.spread_db, baseline.n_effective)
    return tuple(nan if value is None else float(value) for value in values)
