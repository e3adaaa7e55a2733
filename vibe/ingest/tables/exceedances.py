"""Another system's alarms as CSV: tag, point, time, measure, value, limit.

Names, units, signs between columns, decimal commas and ways to write a time differ from system to system; what means
only one thing is understood, what may mean two is not guessed: such a line is left out and named.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path

from vibe.core.errors import ConfigError
from vibe.core.records.alarms import LeftOut, Reported
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
from vibe.storage.files import writable

MOST_BYTES = 200_000_000
"""Some millions of lines: more is no list of alarms (our choice)."""
NEEDED = ("tag", "point", "time", "measure", "value")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadExceedances:
    """What a file of alarms holds: rows, and the lines that were left out."""

    rows: tuple[Reported, ...]
    bad: tuple[LeftOut, ...]


def read_exceedances(path: Path, *, time_zone: str | None = None) -> ReadExceedances:
    """Read another system's alarms. ``time_zone`` is that of times without an offset from UTC.

    Raises:
        ConfigError: not there, no text, empty, or without one of the columns tag, point, time, measure, value; an
            unknown time zone.
    """
    in_zone(datetime(2000, 1, 1), time_zone)
    text = _text(path)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text))
    places: dict[str, int] | None = None
    unit = ""
    rows: list[Reported] = []
    bad: list[LeftOut] = []
    body: list[tuple[int, list[str]]] = []
    before = 0
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            bad.append(LeftOut(line=before + 1, text="", why=f"cannot be taken apart: {error}"))
            before = reader.line_num
            continue
        line, before = before + 1, reader.line_num
        if not any(cell.strip() for cell in cells) or (places is None and cells[0].lstrip().startswith("#")):
            continue
        if places is None:
            places, unit = _header(cells, path, line)
        else:
            body.append((line, cells))
    if places is None:
        raise ConfigError(f"is empty: a header with {', '.join(NEEDED)} and limit is needed", path=path)
    order = slashes_of(_cell(cells, places["time"]) for _, cells in body)
    seen: dict[Reported, int] = {}
    for line, cells in body:
        try:
            row = _row(line, cells, places, unit, order, time_zone)
        except ValueError as error:
            bad.append(LeftOut(line=line, text=_shown(cells), why=str(error)))
            continue
        twin = seen.setdefault(_without_line(row), line)
        if twin != line:
            bad.append(LeftOut(line=line, text=_shown(cells), why=f"repeats line {twin}"))
            continue
        rows.append(row)
    return ReadExceedances(rows=tuple(rows), bad=tuple(sorted(bad, key=lambda one: one.line)))


def _row(
    line: int, cells: Sequence[str], places: dict[str, int], unit: str, order: str | None, zone: str | None
) -> Reported:
    """One line. Raises: ValueError with what is wrong, in words."""
    said = {name: _cell(cells, place) for name, place in places.items()}
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


def _header(cells: Sequence[str], path: Path, line: int) -> tuple[dict[str, int], str]:
    """Columns by what they hold, and the unit that the value's header names."""
    places: dict[str, int] = {}
    unit = ""
    for place, cell in enumerate(cells):
        name, said = column_of(cell)
        if name is None:
            continue
        if name in places:
            raise ConfigError(f"two columns are the {name}: {cells[places[name]]!r} and {cell!r}", path=path, line=line)
        places[name] = place
        unit = said if name == "value" and said else unit
    missing = [name for name in NEEDED if name not in places]
    if missing:
        raise ConfigError(
            f"has no column {missing[0]!r}; its columns are {', '.join(repr(cell[:40]) for cell in cells[:12])}",
            path=path, line=line,
        )  # fmt: skip
    return places, unit


def _text(path: Path) -> str:
    try:
        if path.is_dir():
            raise ConfigError("is a folder where a CSV file is needed", path=path)
        if path.exists() and not path.is_file():
            raise ConfigError("is not an ordinary file", path=path)
        if path.stat().st_size > MOST_BYTES:
            raise ConfigError(f"is {path.stat().st_size / 1e6:.0f} MB large: no list of alarms", path=path)
        raw = path.read_bytes()
    except FileNotFoundError:
        raise ConfigError("there is no such file", path=path) from None
    except OSError as error:
        raise ConfigError(f"cannot be read: {(error.strerror or str(error)).lower()}", path=path) from None
    # The last is that of older systems in the West.
    encodings = ["utf-16"] if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise ConfigError("is no text: export the alarms as CSV", path=path)


def _delimiter(text: str) -> str:
    """What parts the columns of the first line that says something."""
    head = next((row for row in text.splitlines() if row.strip() and not row.lstrip().startswith("#")), "")
    counts = {sign: len(re.split(re.escape(sign), head)) for sign in (";", "\t", "|", ",")}
    return max(counts, key=lambda sign: counts[sign])


def _cell(cells: Sequence[str], place: int) -> str:
    return cells[place].strip() if place < len(cells) else ""


def _shown(cells: Sequence[str]) -> str:
    return writable(", ".join(cells))[:160]


def _without_line(row: Reported) -> Reported:
    from dataclasses import replace

    return replace(row, line=0, at=row.at.astimezone(UTC))
