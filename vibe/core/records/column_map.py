"""Which column of another system's table is what: said once for a source, and remembered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """``columns``: header of the column, by what it holds (tag, point, time, measure, value, limit, unit; for events
    drive, at, kind, note, by). ``fixed``: a word that is true of every row, for what the table has no column of.
    ``time_zone`` of times without an offset; ``day_first`` of dates such as 11/04/2024, None to find out."""

    columns: Mapping[str, str] = field(default_factory=dict)
    fixed: Mapping[str, str] = field(default_factory=dict)
    time_zone: str | None = None
    day_first: bool | None = None
    unit: str = ""
    """Of values that come without any."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableHead:
    """The first rows of a table, so that somebody can say what its columns are. ``source`` is equal for tables with
    the same header; ``guessed`` is what the headers say by themselves."""

    source: str
    header: tuple[str, ...]
    first_rows: tuple[tuple[str, ...], ...]
    rows: int
    guessed: Mapping[str, str]
    missing: tuple[str, ...]
