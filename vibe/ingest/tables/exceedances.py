"""Another system's alarms as CSV: tag, point, time, measure, value, limit.

Names, units, signs between columns, decimal commas and ways to write a time differ from system to system; what means
only one thing is understood, what may mean two is not guessed: such a line is left out and named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path

from vibe.core.errors import ConfigError
from vibe.core.records.alarms import LeftOut, Reported
from vibe.core.records.column_map import ColumnMap
from vibe.ingest.clock import YEARS, in_zone
from vibe.ingest.tables.exceedance_terms import (
    LONGEST_CELL,
    MEASURES,
    column_of,
    in_unit_of_store,
    measure_of,
    number_of,
    slashes_of,
    time_of,
)
from vibe.ingest.tables.table_text import cell_at, row_shown, said_places, table_rows, table_text
from vibe.storage.files import writable

NEEDED = ("tag", "point", "time", "measure", "value")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadExceedances:
    """What a file of alarms holds: rows, and the lines that were left out."""

    rows: tuple[Reported, ...]
    bad: tuple[LeftOut, ...]


def read_exceedances(path: Path, *, time_zone: str | None = None, columns: ColumnMap | None = None) -> ReadExceedances:
    """Read another system's alarms. ``time_zone`` is that of times without an offset from UTC; ``columns`` says which
    column is what where the headers do not.

    Raises:
        ConfigError: not there, no text, empty, or without one of the columns tag, point, time, measure, value; an
            unknown time zone.
    """
    columns = columns or ColumnMap()
    time_zone = time_zone or columns.time_zone
    in_zone(datetime(2000, 1, 1), time_zone)
    places: dict[str, int] | None = None
    unit = ""
    rows: list[Reported] = []
    bad: list[LeftOut] = []
    body: list[tuple[int, list[str]]] = []
    for line, cells in table_rows(table_text(path)):
        if isinstance(cells, str):
            bad.append(LeftOut(line=line, text="", why=cells))
        elif places is None:
            places, unit = _header(cells, path, line, columns)
        else:
            body.append((line, cells))
    if places is None:
        raise ConfigError(f"is empty: a header with {', '.join(NEEDED)} and limit is needed", path=path)
    if columns.day_first is None:
        order = slashes_of(cell_at(cells, places["time"]) for _, cells in body) if "time" in places else None
    else:
        order = "%d/%m/%Y" if columns.day_first else "%m/%d/%Y"
    seen: dict[Reported, int] = {}
    for line, cells in body:
        try:
            row = _row(line, cells, places, columns.fixed, unit, order, time_zone)
        except ValueError as error:
            bad.append(LeftOut(line=line, text=row_shown(cells), why=str(error)))
            continue
        twin = seen.setdefault(_without_line(row), line)
        if twin != line:
            bad.append(LeftOut(line=line, text=row_shown(cells), why=f"repeats line {twin}"))
            continue
        rows.append(row)
    return ReadExceedances(rows=tuple(rows), bad=tuple(sorted(bad, key=lambda one: one.line)))


def _row(
    line: int,
    cells: Sequence[str],
    places: dict[str, int],
    fixed: Mapping[str, str],
    unit: str,
    order: str | None,
    zone: str | None,
) -> Reported:
    """One line. Raises: ValueError with what is wrong, in words."""
    said = {**fixed, **{name: cell_at(cells, place) for name, place in places.items()}}
    for name in NEEDED:
        if not said[name]:
            raise ValueError(f"{name} is empty")
    for name, cell in said.items():
        if len(cell) > LONGEST_CELL:
            raise ValueError(f"{name} has {len(cell):,} signs")
    at, remark = in_zone(time_of(said["time"], order), zone)
    if at.utcoffset() is None:
        raise ValueError(f"the time {said['time']!r} has no offset from UTC, and no time zone is given")
    if not YEARS[0] <= at.year <= YEARS[1]:
        raise ValueError(f"the time {said['time']!r} lies in the year {at.year}")
    del remark  # An hour's doubt does not move a row to another capture.
    measure, named_unit = measure_of(said["measure"])
    value, value_unit = number_of(said["value"], "value")
    limit, limit_unit = number_of(said["limit"], "limit") if said.get("limit") else (None, "")
    stated = said.get("unit") or value_unit or named_unit or unit
    value, kept = in_unit_of_store(value, stated, measure)
    if limit is not None:
        limit, _ = in_unit_of_store(limit, said.get("unit") or limit_unit or stated, measure)
    if not isfinite(value) or (limit is not None and not isfinite(limit)):
        raise ValueError("a number is out of range")
    return Reported(
        line=line, tag=writable(said["tag"]), point=writable(said["point"]), at=at, measure=measure, value=value,
        limit=limit, unit=kept or MEASURES.get(measure, ""),
    )  # fmt: skip


def _header(cells: Sequence[str], path: Path, line: int, columns: ColumnMap) -> tuple[dict[str, int], str]:
    """Columns by what they hold, and the unit that the value's header names."""
    places = said_places(cells, columns, path, line)
    unit = next((column_of(cells[place])[1] for name, place in places.items() if name == "value"), "")
    for place, cell in enumerate(cells):
        name, said = column_of(cell)
        if name is None or name in columns.columns or name in columns.fixed or place in places.values():
            continue
        if name in places:
            raise ConfigError(f"two columns are the {name}: {cells[places[name]]!r} and {cell!r}", path=path, line=line)
        places[name] = place
        unit = said if name == "value" and said else unit
    missing = [name for name in NEEDED if name not in places and not columns.fixed.get(name)]
    if missing:
        raise ConfigError(
            f"has no column {missing[0]!r}; its columns are {', '.join(repr(cell[:40]) for cell in cells[:12])}; "
            "`vibe alarms columns` keeps which of them is what",
            path=path, line=line,
        )  # fmt: skip
    return places, unit or columns.unit


def _without_line(row: Reported) -> Reported:
    from dataclasses import replace

    return replace(row, line=0, at=row.at.astimezone(UTC))
