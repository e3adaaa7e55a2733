"""Which drives of a kind another baseline or another growth of one of them concerns."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

from vibe.history.settings import HistorySettings
from vibe.history.sister_book import Place, SisterBook, SisterNote, SisterTable


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerned:
    """Whom a change concerns: drives to ``judge`` again; and the series of which drives have other ``limits`` now that
    raise nothing, nor did before."""

    judge: frozenset[str]
    limits: Mapping[str, frozenset[Place]]


def concerned_by(
    first: Collection[str], before: SisterBook, after: SisterBook, kind: str, asks: Mapping[str, Collection[Place]],
    history: HistorySettings, *, share: float, least_db: float,
) -> Concerned:  # fmt: skip
    """Which sisters of a kind are concerned by what the drives of ``first`` said before and say now.

    Another baseline moves the limits of all: a sister is judged again where one raises something, or did. Another
    growth is counted by sisters that ask how many rose as one of their own series did (``asks``), by ``share`` of that
    at least, where it rose by ``least_db`` or more. Which of them rose most is named on the page of a case, as of when
    the case itself was judged: else every capture of the most risen drive would concern all of its kind.
    """
    judge: set[str] = set()
    limits: dict[str, set[Place]] = {}
    asked = {place for tag, places in asks.items() if tag not in first for place in places}
    was, now = before.notes(kind), after.notes(kind)
    for place in was.keys() & now.keys():  # elsewhere nobody else is
        said = {tag: (was[place].get(tag), now[place].get(tag)) for tag in first}
        others_limits = any(_baselines(one) != _baselines(other) for one, other in said.values())
        grew = {tag: (_growth(one), _growth(other)) for tag, (one, other) in said.items()}
        grew = {tag: both for tag, both in grew.items() if place in asked and repr(both[0]) != repr(both[1])}
        if not (others_limits or grew):
            continue
        new = after.table(kind, place)
        others = [tag for tag in new.row_of if tag not in first]
        if others_limits:
            moved, raises = _moved(before.table(kind, place), new, others, history)
            judge |= {tag for tag, one in zip(others, (moved & raises).tolist(), strict=True) if one}
            for tag, one in zip(others, moved.tolist(), strict=True):
                if one:
                    limits.setdefault(tag, set()).add(place)
        grown = new.growth_db[[new.row_of[tag] for tag in others]]
        bar = share * grown
        for before_db, after_db in grew.values():
            counts = (grown >= least_db) & (
                (isfinite(before_db) != isfinite(after_db)) | ((before_db >= bar) != (after_db >= bar))
            )  # fmt: skip
            judge |= {
                sister for sister, does in zip(others, counts.tolist(), strict=True)
                if does and place in asks.get(sister, ())
            }  # fmt: skip
    return Concerned(judge=frozenset(judge), limits={tag: frozenset(found) for tag, found in limits.items()})


def _moved(
    old: SisterTable, new: SisterTable, drives: Sequence[str], history: HistorySettings
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Of drives in both tables: whether their limits are others now, and whether one raises something or did."""
    then, here = (np.array([table.row_of[tag] for tag in drives], dtype=np.int64) for table in (old, new))
    was, now = old.intervals, new.intervals
    moved = np.zeros(here.size, dtype=np.bool_)
    for name in (field.name for field in fields(was) if field.name != "unit"):
        one, other = getattr(was, name)[then], getattr(now, name)[here]
        moved |= ~((one == other) | (np.isnan(one) & np.isnan(other)))
    below = new.raised_below[here]  # of a drive to which nothing was added: as before
    return moved, (was.alarms(history)[then] < below) | (now.alarms(history)[here] < below)


def _baselines(note: SisterNote | None) -> str:
    # As text: what is not known is no number and equals nothing, itself neither.
    return "" if note is None or not note.baselines else repr((note.unit, note.baselines))


def _growth(note: SisterNote | None) -> float:
    return nan if note is None or note.growth_db is None else note.growth_db
