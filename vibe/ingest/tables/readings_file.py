"""The readings of a round, typed once per stop: a table as spreadsheets save it, or TOML.

Typed by hand, often with gloves on: signs between columns, decimal commas and units in a header or behind a number are
understood; what may mean two things is refused, with its line.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from vibe.core.errors import ConfigError
from vibe.core.route.readings import ReadingsFile, RoundReadings, StopReadings
from vibe.core.route.route import folded
from vibe.ingest.config.toml_file import load_model, plainly_wrong
from vibe.ingest.config.toml_lines import line_of, line_table
from vibe.ingest.tables.exceedance_terms import number_of
from vibe.ingest.tables.table_text import delimiter_of, table_text
from vibe.storage.toml_text import read_text

MOST_SAID = 4
"""Mistakes of a file that are listed; more are counted (our choice)."""
FAR = 2.0
"""A speed beyond twice, or below half, what the drive file allows is another shaft's, in another unit, or a slip (our
choice): drives on a converter declare their whole range."""

_COLUMNS: dict[str, tuple[str, ...]] = {
    "drive": ("drive", "tag"),
    "speed_rpm": ("speed rpm", "speed hz", "speed", "rpm", "input speed"),
    "load_percent": ("load percent", "load"),
    "oil_temperature_c": ("oil temperature c", "oil temperature", "oil"),
    "housing_temperature_c": ("housing temperature c", "housing temperature", "housing"),
    "direction": ("direction", "direction of rotation"),
    "note": ("note", "notes", "remark", "remarks", "comment"),
}
IGNORED = ("stop", "name", "where", "expected rpm", "taken")
"""Columns that help whoever types, and say nothing here."""
_UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "speed_rpm": {
        **dict.fromkeys(("rpm", "r/min", "1/min", "min-1", "min^-1", "u/min", "rev/min"), (1.0, 0.0)),
        **dict.fromkeys(("hz", "1/s", "s-1", "r/s", "rps"), (60.0, 0.0)),
    },
    "load_percent": dict.fromkeys(("%", "percent"), (1.0, 0.0)),
    "oil_temperature_c": {},
    "housing_temperature_c": {},
}
"""Factor and what is added, to come to the column's own unit."""
for _name in ("oil_temperature_c", "housing_temperature_c"):
    _UNITS[_name] = {
        **dict.fromkeys(("°c", "c", "degc", "deg c"), (1.0, 0.0)),
        **dict.fromkeys(("°f", "f", "degf", "deg f"), (1 / 1.8, -32 / 1.8)),
        "k": (1.0, -273.15),
    }
_NOT_READ = {"", "-", "–", "—"}
_DIRECTIONS = {
    **dict.fromkeys(("clockwise", "cw"), "clockwise"),
    **dict.fromkeys(("counterclockwise", "counter-clockwise", "anticlockwise", "anti-clockwise", "ccw"),
                    "counterclockwise"),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownStops:
    """The drives that a file of readings may name: ``tags`` by every folded name that they go by, the speeds that each
    may have in r/min."""

    tags: Mapping[str, str]
    speeds_rpm: Mapping[str, tuple[float, float]] = field(default_factory=dict)


def load_readings(path: Path, known: KnownStops) -> RoundReadings:
    """The readings that ``path`` holds: TOML where its name ends so, else a table.

    Raises:
        ConfigError: not there, no text, a column or key, a tag, a unit or a number that is not understood, a stop that
            is given twice, a speed that the drive cannot have. All of them are named, with their lines.
    """
    rows = list(_toml_rows(path) if path.suffix.lower() == ".toml" else _table_rows(path))
    problems = [(line, one) for line, one in rows if isinstance(one, str)]
    stops: dict[str, StopReadings] = {}
    lines: dict[str, int] = {}
    for line, one in rows:
        if isinstance(one, str):
            continue
        tag = known.tags.get(folded(one.drive))
        if tag is None:
            problems.append((line, _no_such(one.drive, known)))
            continue
        if one.is_empty:
            continue
        if folded(tag) in stops:
            problems.append((line, f"{tag} is given a second time; line {lines[folded(tag)]} has it already"))
            continue
        wrong = _speed_wrong(one, tag, known)
        if wrong:
            problems.append((line, wrong))
        stops[folded(tag)], lines[folded(tag)] = one.model_copy(update={"drive": tag}), line
    if problems:
        problems.sort()
        (line, first), others = problems[0], problems[1:MOST_SAID]
        also = [f"line {number}: {said}" for number, said in others]
        also += [f"and {len(problems) - MOST_SAID} more"] if len(problems) > MOST_SAID else []
        raise ConfigError(first + (f" (also {'; '.join(also)})" if also else ""), path=path, line=line)
    remarks = () if stops else (f"{path.name} holds no reading yet",)
    return RoundReadings(file=path.name, stops=stops, remarks=remarks)


def _no_such(tag: str, known: KnownStops) -> str:
    near = difflib.get_close_matches(folded(tag), known.tags, n=1, cutoff=0.5)
    if near:
        return f"there is no drive {tag[:80]!r}; did you mean {known.tags[near[0]]!r}?"
    tags = sorted(set(known.tags.values()))
    more = f" and {len(tags) - 8} more" if len(tags) > 8 else ""
    return f"there is no drive {tag[:80]!r}; there are {', '.join(tags[:8])}{more}"


def _speed_wrong(one: StopReadings, tag: str, known: KnownStops) -> str:
    allowed = known.speeds_rpm.get(tag)
    if one.speed_rpm is None or allowed is None or allowed[0] / FAR <= one.speed_rpm <= allowed[1] * FAR:
        return ""
    return (
        f"the speed of {tag} is given as {one.speed_rpm:g} r/min, its input turns {allowed[0]:.0f} to "
        f"{allowed[1]:.0f} r/min: write the input's speed, and look for a slip of the decimal sign or the unit"
    )


# ── TOML ──────────────────────────────────────────────────────────────────────────────────────────────────────────


def _toml_rows(path: Path) -> Iterator[tuple[int, StopReadings]]:
    read = load_model(path, ReadingsFile)
    lines = line_table(read_text(path))
    for number, one in enumerate(read.stop):
        yield line_of(lines, ("stop", number, "drive")), one


# ── a table ───────────────────────────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    unit: str
    title: str


def _table_rows(path: Path) -> Iterator[tuple[int, StopReadings | str]]:
    text = table_text(path)
    delimiter = delimiter_of(text)
    columns: list[_Column | None] | None = None
    for line, cells in _lines(text, delimiter, path):
        if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
            continue
        if columns is None:
            columns = _header(cells, path, line)
            continue
        yield line, _row(cells, columns, delimiter)
    if columns is None:
        raise ConfigError("is empty: a header with drive, speed_rpm and load_percent is needed", path=path)


def _lines(text: str, delimiter: str, path: Path) -> Iterator[tuple[int, list[str]]]:
    """Cells with the line on which they begin."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    before = 0
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            raise ConfigError("a quotation mark is not closed, or stands in the middle of a cell",
                              path=path, line=before + 1) from None  # fmt: skip
        yield before + 1, cells
        before = reader.line_num


def _header(cells: Sequence[str], path: Path, line: int) -> list[_Column | None]:
    known = {title: name for name, titles in _COLUMNS.items() for title in titles}
    columns: list[_Column | None] = []
    for cell in cells:
        found = re.fullmatch(r"\s*(.*?)\s*(?:[\[(]\s*(.*?)\s*[\])])?\s*", cell, re.DOTALL)
        title = " ".join((found[1] if found else cell).replace("_", " ").lower().split())
        unit = (found[2] or "") if found else ""
        name = known.get(title)
        if name is None:
            if title and title not in IGNORED:
                near = difflib.get_close_matches(title, [*known, *IGNORED], n=1, cutoff=0.7)
                hint = f"did you mean {near[0].replace(' ', '_')!r}?" if near else f"known are {', '.join(_COLUMNS)}"
                raise ConfigError(f"unknown column {cell.strip()[:60]!r}; {hint}", path=path, line=line)
            columns.append(None)
            continue
        if any(one is not None and one.name == name for one in columns):
            raise ConfigError(f"has two columns for {name}", path=path, line=line)
        unit = "hz" if title == "speed hz" else unit
        if unit and _UNITS.get(name) is not None and _plain(unit) not in _UNITS[name]:
            raise ConfigError(_unit_wrong(unit, name), path=path, line=line)
        columns.append(_Column(name, unit, cell.strip()))
    if not any(one is not None and one.name == "drive" for one in columns):
        titles = ", ".join(repr(cell.strip()[:40]) for cell in cells[:12])
        raise ConfigError(f"has no column 'drive'; its columns are {titles}", path=path, line=line)
    return columns


def _row(cells: Sequence[str], columns: Sequence[_Column | None], delimiter: str) -> StopReadings | str:
    """The readings of a line, or what is wrong with it."""
    filled = len(cells)
    while filled > len(columns) and not cells[filled - 1].strip():
        filled -= 1
    if filled > len(columns):
        comma = " (does a decimal comma part a number? write 1460.5, or put it in quotes)" if delimiter == "," else ""
        return f"has {filled} cells where the header has {len(columns)}{comma}"
    if len(cells) < len(columns):
        return f"has {len(cells)} cells where the header has {len(columns)}: leave a cell empty, not out"
    said: dict[str, Any] = {}
    for cell, column in zip(cells, columns, strict=False):
        # An apostrophe guards text that a spreadsheet would take for a formula.
        text = re.sub(r"^'(?=\s*[=+\-@])", "", cell.strip())
        if column is None or text in _NOT_READ:
            continue
        try:
            said[column.name] = _value(text, column)
        except ValueError as error:
            return f"{column.name}: {error}"
    if "drive" not in said:
        return "has readings and names no drive" if said else "names no drive"
    try:
        return StopReadings(**said)
    except ValidationError as error:
        return plainly_wrong(error, said, StopReadings)


def _value(text: str, column: _Column) -> Any:
    if column.name in ("drive", "note"):
        return text
    if column.name == "direction":
        word = _DIRECTIONS.get(text.lower())
        if word is None:
            raise ValueError(f"{text[:40]!r} is neither clockwise nor counterclockwise")
        return word
    value, unit = number_of(text, "number")
    unit = unit or column.unit
    if not unit:
        return value
    if _plain(unit) not in _UNITS[column.name]:
        raise ValueError(_unit_wrong(unit, column.name))
    factor, added = _UNITS[column.name][_plain(unit)]
    return round(value * factor + added, 6)


def _plain(unit: str) -> str:
    return " ".join(unit.lower().replace("⁻¹", "-1").replace("min.", "min").split())


def _unit_wrong(unit: str, name: str) -> str:
    allowed = {"speed_rpm": "r/min or Hz", "load_percent": "%"}.get(name, "°C, °F or K")
    return f"the unit {unit[:20]!r} is not known here; write {allowed}"
