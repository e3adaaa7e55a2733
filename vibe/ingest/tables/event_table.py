"""What was done to the drives, as CSV from a maintenance system: drive, at, kind, note, by."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import get_args

from vibe.core.errors import ConfigError
from vibe.core.records.alarms import LeftOut
from vibe.core.records.column_map import ColumnMap
from vibe.core.records.history import Event, EventKind
from vibe.ingest.clock import YEARS, in_zone
from vibe.ingest.tables.exceedance_terms import LONGEST_CELL, slashes_of, time_of
from vibe.ingest.tables.table_text import cell_at, row_shown, said_places, table_rows, table_text
from vibe.storage.files import writable

NEEDED = ("drive", "at", "kind")
_COLUMNS = {
    "drive": ("drive", "tag", "machine", "asset", "equipment", "unit tag", "drive tag", "machine tag", "antrieb"),
    "at": ("at", "date", "time", "when", "done at", "done on", "finished", "completed", "closed", "datum"),
    "kind": ("kind", "event", "work", "type of work", "activity", "job", "action", "task", "art"),
    "note": ("note", "notes", "text", "comment", "remark", "description", "what was done", "bemerkung"),
    "by": ("by", "name", "who", "done by", "technician", "person", "von"),
}
_COLUMN_OF = {word: name for name, words in _COLUMNS.items() for word in words}
_KINDS: tuple[tuple[tuple[str, ...], EventKind], ...] = (
    (("new drive", "new unit", "drive exchanged", "drive replaced", "replaced drive"), "new drive"),
    (("bearing",), "bearing change"),
    (("greas", "lubric", "relubric", "oil"), "grease"),
    (("align",), "realignment"),
    (("repair", "overhaul", "replaced", "exchanged"), "repair"),
)
"""Parts of words, and the kind that they name; the first that fits (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadEvents:
    """What a table of events holds, and the lines that were left out."""

    events: tuple[Event, ...]
    bad: tuple[LeftOut, ...]


def event_column_of(header: str) -> str | None:
    """What a column of such a table holds; None where that is nothing of ours."""
    return _COLUMN_OF.get(" ".join(re.findall(r"[a-z0-9]+", header[:LONGEST_CELL].lower())))


def read_event_table(path: Path, *, time_zone: str | None = None, columns: ColumnMap | None = None) -> ReadEvents:
    """Events of a CSV file. A kind by another word is understood where it can mean one only; every other is kept as
    ``other``, with its word in the note, and leaves the baseline as it is: a mere remark must not hide what grows.

    Raises:
        ConfigError: not there, no text, empty, without a column for drive, time and kind; an unknown time zone.
    """
    columns = columns or ColumnMap()
    zone = time_zone or columns.time_zone
    in_zone(datetime(2000, 1, 1), zone)
    places: dict[str, int] | None = None
    bad: list[LeftOut] = []
    body: list[tuple[int, list[str]]] = []
    for line, cells in table_rows(table_text(path)):
        if isinstance(cells, str):
            bad.append(LeftOut(line=line, text="", why=cells))
        elif places is None:
            places = said_places(cells, columns, path, line)
            for place, cell in enumerate(cells):
                name = event_column_of(cell)
                if name is not None and name not in columns.fixed and place not in places.values():
                    places.setdefault(name, place)
            missing = [name for name in NEEDED if name not in places and not columns.fixed.get(name)]
            if missing:
                raise ConfigError(f"has no column {missing[0]!r}", path=path, line=line)
        else:
            body.append((line, cells))
    if places is None:
        raise ConfigError(f"is empty: a header with {', '.join(NEEDED)} is needed", path=path)
    order = slashes_of(cell_at(cells, places["at"]) for _, cells in body) if "at" in places else None
    if columns.day_first is not None:
        order = "%d/%m/%Y" if columns.day_first else "%m/%d/%Y"
    found: list[Event] = []
    for line, cells in body:
        said = {**columns.fixed, **{name: cell_at(cells, place) for name, place in places.items()}}
        try:
            found.append(_event(said, order, zone))
        except ValueError as error:
            bad.append(LeftOut(line=line, text=row_shown(cells), why=str(error)))
    return ReadEvents(events=tuple(dict.fromkeys(found)), bad=tuple(sorted(bad, key=lambda one: one.line)))


def _event(said: dict[str, str], order: str | None, zone: str | None) -> Event:
    """One row. Raises: ValueError with what is wrong, in words."""
    for name in NEEDED:
        if not said.get(name):
            raise ValueError(f"{name} is empty")
    if any(len(cell) > 10 * LONGEST_CELL for cell in said.values()):
        raise ValueError("a cell is longer than any note")
    at, _ = in_zone(time_of(said["at"], order), zone)
    if at.utcoffset() is None:
        raise ValueError(f"the time {said['at']!r} has no offset from UTC, and no time zone is given")
    if not YEARS[0] <= at.year <= YEARS[1]:
        raise ValueError(f"the time {said['at']!r} lies in the year {at.year}")
    kind, exact = kind_of_event(said["kind"])
    note = said.get("note", "")
    if not exact:
        note = f"{said['kind']}: {note}" if note else said["kind"]
    return Event(
        drive=writable(said["drive"]), at=at, kind=kind, note=writable(note), by=writable(said.get("by", "")),
        new_baseline=kind != "other",
    )  # fmt: skip


def kind_of_event(word: str) -> tuple[EventKind, bool]:
    """The kind that a word names, and whether it is that word itself."""
    plain = " ".join(re.findall(r"[a-z]+", word.lower()))
    for kind in get_args(EventKind):
        if plain == kind:
            return kind, True
    meant = {kind for parts, kind in _KINDS if any(part in plain for part in parts)}
    return (meant.pop(), False) if len(meant) == 1 else ("other", False)
