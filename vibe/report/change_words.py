"""What changed since an earlier run, in the few words that a row of the index has room for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vibe.core.health import State
from vibe.core.route.run_notes import FindingChange, LevelChange, ReportChanges
from vibe.report import words
from vibe.report.run_rows import IndexRow

_WAYS = {"graver": "graver", "milder": "better", "same": "state as before", "not known": "not comparable"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SinceView:
    """``note`` stands alone where nothing is compared; ``strong`` are lines to look at first, ``quiet`` the others."""

    state_before: State | None
    note: str
    strong: tuple[str, ...]
    quiet: tuple[str, ...]
    as_text: str


def in_words(row: IndexRow) -> SinceView | None:
    """The changes of one drive, None where no earlier run was named."""
    if row.changes is None:
        note = words.sentence_case(row.since)
        return SinceView(state_before=None, note=note, strong=(), quiet=(), as_text=row.since) if row.since else None
    changes = row.changes
    strong = _came_and_went(changes.findings)
    quiet = _stayed(changes.findings)
    for level in changes.levels:
        if level.significant:
            strong.append(_moved(level))
    quiet += _quiet_levels(changes.levels)
    quiet += _speed(changes)
    quiet += [words.sentence_case(remark) for remark in changes.remarks]
    before = f"state {changes.state_before} → {changes.state_now}"
    if changes.state_before == changes.state_now:
        before = f"state {changes.state_now} as before"
    return SinceView(
        state_before=changes.state_before, note="", strong=tuple(strong), quiet=tuple(quiet),
        as_text="; ".join([before, *strong, *quiet]),
    )  # fmt: skip


def tally(rows: Sequence[IndexRow]) -> list[tuple[int, str]]:
    """How many drives went which way, gravest first; empty where nothing is compared."""
    compared = [row.changes for row in rows if row.changes is not None]
    counted = [(sum(one.way == way for one in compared), text) for way, text in _WAYS.items()]
    counted.append((sum(row.changes is None and bool(row.since) for row in rows), "not measured before"))
    return [(count, text) for count, text in counted if count]


def _came_and_went(found: Sequence[FindingChange]) -> list[str]:
    lines = []
    for fate, called in (("new", "New"), ("gone", "Gone"), ("not looked for", "Could not show this time")):
        names = [
            words.heading(one.component, one.defect) + (f" ({one.note})" if one.note and fate == "new" else "")
            for one in found
            if one.fate == fate
        ]
        if names:
            lines.append(f"{called}: {'; '.join(names)}")
    return lines


def _stayed(found: Sequence[FindingChange]) -> list[str]:
    """Their names stand there already, with the state of now."""
    still = [one for one in found if one.fate == "still there"]
    lines = [words.sentence_case(one.note) for one in still if one.note]
    if still:
        lines.insert(0, "Same finding as before" if len(still) == 1 else f"{len(still)} findings as before")
    return lines


def _moved(level: LevelChange) -> str:
    """A point that changed significantly."""
    arrow = "↑" if (level.now or 0.0) > (level.before or 0.0) else "↓"
    zones = ""
    if level.zone_before and level.zone_now and level.zone_before != level.zone_now:
        zones = f", zone {level.zone_before} → {level.zone_now}"
    return f"{arrow} Velocity, {level.point}: {_numbers(level)}{zones}"


def _quiet_levels(levels: Sequence[LevelChange]) -> list[str]:
    """Points that kept their level in one line, where the one that moved most stands for all; then those that cannot be
    compared."""
    lines = []
    steady = [level for level in levels if level.significant is False]
    if steady:
        most = max(steady, key=lambda one: abs((one.now or 0.0) - (one.before or 0.0)))
        where = f", {most.point}" if len(levels) > 1 else ""
        if len(steady) > 1:
            where = f" at {len(steady)} points, most"
        lines.append(f"Velocity{where}: {_numbers(most)}" if where else f"Velocity {_numbers(most)}")
    for note in dict.fromkeys(level.note for level in levels if level.significant is None):
        alike = [level for level in levels if level.significant is None and level.note == note]
        numbers = [f" {_numbers(level)}" for level in alike if level.before is not None and level.now is not None]
        lines.append(f"Velocity, {', '.join(level.point for level in alike)}:{','.join(numbers)} {note}")
    return lines


def _numbers(level: LevelChange) -> str:
    return f"{words.number(level.before, 2)} → {words.number(level.now, 2)} {words.unit(level.unit)}"


def _speed(changes: ReportChanges) -> list[str]:
    if changes.speed_before_hz is None or changes.speed_now_hz is None:
        return []
    before, now = (f"{60 * speed:.0f}" for speed in (changes.speed_before_hz, changes.speed_now_hz))
    return [f"Speed {before} → {now} r/min"]
