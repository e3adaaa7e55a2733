"""Running hours and failures of drives: from a store, or from a table that somebody kept."""

from __future__ import annotations

import csv
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise
from math import isfinite
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vibe.core.errors import CallError
from vibe.core.records.history import Event, EventKind
from vibe.core.records.reliability import Life
from vibe.history.store.decisions import DecisionBook

Array = NDArray[np.float64]
RUNNING_HOURS = "running_hours"
"""Measure of the store that holds the reading of a drive's counter of running hours [h]."""
FAILURES: tuple[EventKind, ...] = ("bearing change", "repair", "new drive")
"""Events that count as failures unless others are named. What was changed for prudence counts too: to the safe side."""
ONE_FAILURE_S = 86400.0
"""Events no further apart are the same failure: a repair and the bearing that was changed in it."""
_YES, _NO = {"yes", "true", "1", "failed"}, {"no", "false", "0", "running", ""}
_COLUMNS = {"drive", "hours", "failed", "age_known", "what"}


def lives_of(
    store: DecisionBook, drives: Sequence[str], *, failures: Collection[str] = FAILURES, duty: float | None = None,
    new_at_first: bool = False,
) -> tuple[list[Life], list[str]]:  # fmt: skip
    """The lives of these drives, and what must be said of them.

    A drive is observed from its first capture, or from the ``new drive`` that came before it, to its last capture or
    failure. Between, a counter of running hours shows the hours where it is kept, else ``duty``, the share of calendar
    time that drives run. ``new_at_first``: drives were new at their first capture; else only a life that an event began
    has an age.

    Raises:
        CallError: a drive without captures or times, or without a counter while no ``duty`` is given.
    """
    lives: list[Life] = []
    remarks: list[str] = []
    counted, backwards = 0, []
    for tag in drives:
        captures = store.captures(tag)
        if not captures:
            remarks.append(f"{tag} has no capture, and counts no hours")
            continue
        events = store.events(tag)
        first, last = captures[0].time_s, captures[-1].time_s
        new = [event.at.timestamp() for event in events if event.kind == "new drive" and event.at.timestamp() <= first]
        start = max(new) if new else first
        ended = _failures(events, start, failures)
        times = [start, *ended, *([last] if not ended or last > ended[-1] else [])]
        clock = _Clock.of(store, tag)
        counted += clock is not None
        if clock is not None and clock.backwards:
            backwards.append(tag)
        if clock is None and duty is None:
            raise CallError(
                f"{tag}: no counter of running hours is kept ({RUNNING_HOURS}); say with --duty which share of time "
                "drives run, for example --duty 0.7"
            )
        for place, (begun, end) in enumerate(pairwise(times)):
            hours = clock.between(begun, end) if clock is not None else (duty or 0.0) * (end - begun) / 3600.0
            failed = place < len(ended)
            lives.append(
                Life(
                    drive=tag, hours=hours, failed=failed, age_known=place > 0 or bool(new) or new_at_first,
                    what=_what(events, end) if failed else "",
                )
            )  # fmt: skip
    if counted:
        remarks.append(f"running hours of {counted} drives are those of their counters, between captures by proportion")
    if backwards:
        remarks.append(f"counters that ran backwards, where steps back add nothing: {', '.join(backwards[:5])}")
    return lives, remarks


def read_lives(path: Path) -> list[Life]:
    """Lives from a CSV file with the columns drive, hours, failed (yes or no) and, if wanted, age_known and what.

    Raises:
        CallError: it cannot be read, or a row is wrong; says which and why.
    """
    if path.exists() and not path.is_file():
        raise CallError(f"{path}: is no ordinary file")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise CallError(f"{path}: is no text: give a table as CSV, in UTF-8") from error
    except OSError as error:
        raise CallError(f"{path}: cannot be read: {error.strerror or error}") from error
    delimiter = ";" if ";" in text.partition("\n")[0] else ","
    rows = csv.DictReader(text.splitlines(), delimiter=delimiter, strict=True)
    try:
        names = [(name or "").strip().lower() for name in rows.fieldnames or ()]
    except csv.Error as error:
        raise CallError(f"{path}: is no table ({error})") from error
    rows.fieldnames = names
    missing = [name for name in ("drive", "hours", "failed") if name not in names]
    if missing:
        raise CallError(f"{path}: the first line needs the columns drive, hours, failed; {missing[0]} is missing")
    if strange := [name for name in names if name not in _COLUMNS]:
        raise CallError(f"{path}: there is no column {strange[0]!r}; there are {', '.join(sorted(_COLUMNS))}")
    try:
        lives = list(_rows(path, rows))
    except csv.Error as error:
        raise CallError(f"{path}: is no table ({error})") from error
    if not lives:
        raise CallError(f"{path}: holds no life")
    return lives


def _rows(path: Path, rows: csv.DictReader[str]) -> Iterator[Life]:
    for number, row in enumerate(rows, start=2):
        cells = {name: (value or "").strip() for name, value in row.items() if isinstance(name, str)}
        where = f"{path}, line {number}"
        try:
            hours = float(cells["hours"])
        except ValueError:
            raise CallError(f"{where}: hours {cells['hours']!r} is no number") from None
        if not isfinite(hours) or hours < 0 or not cells["drive"]:
            raise CallError(f"{where}: needs a drive and hours that are not negative")
        yield Life(
            drive=cells["drive"], hours=hours, failed=_said(cells["failed"], f"{where}: failed"),
            age_known=_said(cells.get("age_known") or "yes", f"{where}: age_known"), what=cells.get("what", ""),
        )  # fmt: skip


def _said(text: str, what: str) -> bool:
    if text.lower() in _YES | _NO:
        return text.lower() in _YES
    raise CallError(f"{what} {text!r} is neither yes nor no")


def _failures(events: Sequence[Event], start: float, kinds: Collection[str]) -> list[float]:
    """Times of failures after the start, oldest first; events of one day are one."""
    found: list[float] = []
    for event in events:
        at = event.at.timestamp()
        if event.kind in kinds and at > start and (not found or at - found[-1] > ONE_FAILURE_S):
            found.append(at)
    return found


def _what(events: Sequence[Event], at: float) -> str:
    return next((event.kind for event in events if event.at.timestamp() == at), "")


class _Clock:
    """Running hours by time, from readings of a counter: by proportion between them, nothing beyond them."""

    def __init__(self, time_s: Array, reading: Array) -> None:
        steps = np.diff(reading)
        self.backwards = bool((steps < 0).any())
        self._time_s, self._hours = time_s, np.concatenate([[0.0], np.cumsum(np.maximum(steps, 0.0))])

    @classmethod
    def of(cls, store: DecisionBook, tag: str) -> _Clock | None:
        for key in store.keys(tag, RUNNING_HOURS):
            series = store.series(key)
            time_s, places = np.unique(series.time_s, return_index=True)
            if time_s.size >= 2:
                return cls(time_s, series.value[places])
        return None

    def between(self, begun_s: float, end_s: float) -> float:
        begun, end = np.interp([begun_s, end_s], self._time_s, self._hours).tolist()
        return float(end - begun)
