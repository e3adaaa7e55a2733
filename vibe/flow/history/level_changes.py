"""What changed at each point of a drive since its baseline: shares of owners, and what explains it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from vibe.core.records.alarms import PointChange

if TYPE_CHECKING:
    from vibe.core.records.alarm_case import CaptureSeen
    from vibe.core.records.level_change import Shift
    from vibe.flow.history.series import At, SeriesGatherer, SeriesView
    from vibe.history.store.decisions import DecisionBook

_MEASURES = (("share", "acceleration_rms"), ("velocity_share", "velocity_rms"))
"""Shares, and the level of which they are shares."""
LOAD_MOVED, SPEED_MOVED = 10.0, 0.02
"""Points of load and share of speed from which a move is mentioned (common practice)."""
_NOW = 3
"""Captures whose mean counts as now: one alone may be an outlier."""


def changes_of(
    tag: str, store: DecisionBook, looker: SeriesGatherer, captures: Sequence[CaptureSeen]
) -> list[PointChange]:
    """The change of each level whose shares are kept: captures of the baseline against the latest three.

    What sister drives did is said once, by the queue, and not again here.
    """
    from vibe.core.records.history import SeriesKey
    from vibe.core.records.level_change import Circumstances
    from vibe.health.alarms.explanation import explain
    from vibe.history.change_attribution import rise_of

    seen = {capture.content: capture for capture in captures}
    found = []
    for share, level in _MEASURES:
        points = _shares(store, looker, tag, share)
        for point, by_capture in points.items():
            key = SeriesKey(drive=tag, point=point, measure=level)
            before, now = _sides(looker.look(key), by_capture)
            if not before or not now:
                continue
            rise = rise_of([by_capture[at.content] for at in before], [by_capture[at.content] for at in now])
            trouble = seen[now[-1].content].troubled.get(point) if now[-1].content in seen else None
            known = Circumstances(
                shifts=_shifts(looker.look(key), before, now, seen),
                other_points=_grown(
                    [looker.look(replace(key, point=other)) for other in points if other != point],
                    lambda one: one.key.point,
                ),
                troubles=() if trouble is None else (trouble,),
            )
            found.append(PointChange(point=point, measure=level, explanation=explain(rise, known)))
    return sorted(found, key=lambda change: (change.measure, -abs(change.explanation.rise_db)))


def _shares(
    store: DecisionBook, looker: SeriesGatherer, tag: str, measure: str
) -> dict[str, dict[str, dict[str, float]]]:
    """Mean squares by point, capture and owner."""
    points: dict[str, dict[str, dict[str, float]]] = {}
    for key in store.keys(tag, measure):
        series = looker.series(key)
        for content, value in zip(series.content, series.value.tolist(), strict=True):
            points.setdefault(key.point, {}).setdefault(content, {})[key.subject] = value
    return points


def _sides(whole: SeriesView, kept: Mapping[str, object]) -> tuple[list[At], list[At]]:
    base, usable = whole.baseline, [at for at in whole.comparable if at.content in kept]
    before = [] if base is None else [at for at in usable if base.first_s <= at.time_s <= base.last_s]
    return before, [at for at in usable[-_NOW:] if at not in before]


def _grown(looked: Sequence[SeriesView], name: Callable[[SeriesView], str]) -> dict[str, float]:
    return {name(one): one.trend.growth_db for one in looked if one.trend.growth_db is not None}


def _shifts(
    looked: SeriesView, before: Sequence[At], now: Sequence[At], seen: Mapping[str, CaptureSeen]
) -> tuple[Shift, ...]:
    """Speed and load, where they are not those of the baseline; what they do to the level is stated of both
    together."""
    from vibe.core.records.level_change import Shift

    found: list[Shift] = []
    made = None
    if looked.compared.dependence is not None:
        rows = [at.raw_db - at.change_db for at in now if at.raw_db is not None and at.change_db is not None]
        first = [at.raw_db - at.change_db for at in before if at.raw_db is not None and at.change_db is not None]
        made = median(rows) - median(first) if rows and first else None
    load = [_median([seen[at.content].load_percent for at in side if at.content in seen]) for side in (before, now)]
    speed = [_median([seen[at.content].speed_hz for at in side if at.content in seen]) for side in (before, now)]
    if load[0] is not None and load[1] is not None and abs(load[1] - load[0]) >= LOAD_MOVED:
        found.append(Shift(what="load", moved=f"from {load[0]:.0f} to {load[1]:.0f} %", db=made))
        made = None if made is None else 0.0
    if speed[0] and speed[1] and abs(speed[1] / speed[0] - 1) >= SPEED_MOVED:
        found.append(Shift(what="speed", moved=f"from {speed[0]:.2f} to {speed[1]:.2f} Hz", db=made))
    return tuple(found)


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
