"""Records of new drives, one after another, of which only the figures are kept."""

from __future__ import annotations

import json
import os
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import isfinite, nan
from pathlib import Path
from typing import Any

from vibe.core.errors import CallError
from vibe.core.records.population import FigureKey
from vibe.storage.digest import SEAL, seal_of
from vibe.storage.regular import read_regular

ACCEPTANCE, HEALTH = "vibe.acceptance/1", "vibe.health/1"
MOST_BYTES = 20_000_000
"""A record is some hundred kilobytes; what is a hundred times that is none."""
MOST_FIGURES = 3000
"""Different figures of a type: a drive has some tens of tones at a few points. Keeps memory within bounds."""
_NO_SIZE = ("no damage", "identity", "run-in")
"""Kinds of requirement whose measured value is a probability, a count or a change and no size of the drive's own."""
_MEASURE = {"zone": "velocity_rms", "tone": "line", "phasing line": "line"}
"""What such a requirement measures where it names nothing else."""


@dataclass(slots=True)
class PopulationFigures:
    """Figures by drive: ``rows[key]`` holds (numbers of drives, values), ``serial``, ``file``, ``time_s`` the drives.

    ``time_s`` is NaN where a record says none. ``replaced`` are drives measured again later.
    """

    serial: list[str] = field(default_factory=list)
    file: list[str] = field(default_factory=list)
    ratio: list[str] = field(default_factory=list)
    time_s: array[float] = field(default_factory=lambda: array("d"))
    rows: dict[FigureKey, tuple[array[int], array[float]]] = field(default_factory=dict)
    replaced: set[int] = field(default_factory=set)
    too_many: int = 0
    _latest: dict[str, int] = field(default_factory=dict)

    def add(self, serial: str, file: str, ratio: str, time_s: float, figures: list[tuple[FigureKey, float]]) -> None:
        """One record; of two of one serial number the later counts, the one read last where a time is missing."""
        number = len(self.serial)
        self.serial.append(serial)
        self.file.append(file)
        self.ratio.append(ratio)
        self.time_s.append(time_s)
        before = self._latest.get(serial)
        if before is not None and self.time_s[before] > time_s:
            self.replaced.add(number)
        else:
            self._latest[serial] = number
            if before is not None:
                self.replaced.add(before)
        for key, value in dict(figures).items():
            if key not in self.rows:
                if len(self.rows) >= MOST_FIGURES:
                    self.too_many += 1
                    continue
                self.rows[key] = (array("l"), array("d"))
            numbers, values = self.rows[key]
            numbers.append(number)
            values.append(value)


@dataclass(slots=True)
class Read:
    """What lay in a folder. Acceptance records and plain health reports are kept apart: their figures differ."""

    acceptance: PopulationFigures = field(default_factory=PopulationFigures)
    health: PopulationFigures = field(default_factory=PopulationFigures)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    others: int = 0
    """JSON files that are no such record."""


def read_records(folder: Path) -> Read:
    """Read every ``*.json`` in a folder and below, one at a time; what cannot be read is named and left out.

    Raises:
        CallError: there is no such folder, or it holds no record.
    """
    if not folder.is_dir():
        what = "is a file where a folder is needed" if folder.exists() else "there is no such folder"
        raise CallError(f"{folder}: {what}")
    read = Read()
    for path in _json_files(folder):
        name = path.relative_to(folder).as_posix()
        try:
            record = _loaded(path)
            _unchanged(record)
        except (OSError, ValueError, RecursionError) as error:
            read.left_out.append((name, _why(error)))
            continue
        schema = record.get("schema") if isinstance(record, dict) else None
        if schema not in (ACCEPTANCE, HEALTH):
            read.others += 1
            continue
        try:
            if schema == ACCEPTANCE:
                read.acceptance.add(*_accepted(record, name))
            else:
                read.health.add(*_reported(record, name))
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
            read.left_out.append((name, f"does not fit its schema ({_why(error)})"))
    if not read.acceptance.serial and not read.health.serial:
        why = f": {read.left_out[0][0]}: {read.left_out[0][1]}" if read.left_out else ""
        raise CallError(f"{folder} holds no acceptance record (schema {ACCEPTANCE}) and no health report{why}")
    return read


def _json_files(folder: Path) -> Iterator[Path]:
    for place, folders, files in os.walk(folder):
        folders.sort()
        for file in sorted(files):
            if file.endswith(".json") and not file.startswith("."):
                yield Path(place) / file


def _loaded(path: Path) -> Any:
    return json.loads(read_regular(path, MOST_BYTES))


def _unchanged(record: Any) -> None:
    """Refuse a record whose content is not what its seal was put on."""
    if isinstance(record, dict) and isinstance(record.get(SEAL), str) and seal_of(record) != record[SEAL]:
        raise ValueError("was changed after it was sealed")


def _why(error: Exception) -> str:
    if isinstance(error, json.JSONDecodeError | UnicodeDecodeError):
        return "is not a complete JSON file"
    if isinstance(error, RecursionError):
        return "is nested too deep"
    if isinstance(error, KeyError):
        return f"{error.args[0]!r} is missing"
    return str(error) if not isinstance(error, OSError) else (error.strerror or str(error)).lower()


def _accepted(record: dict[str, Any], file: str) -> tuple[str, str, str, float, list[tuple[FigureKey, float]]]:
    """Figures of an acceptance record: those it lists as ``figures``, else the measured values of its requirements."""
    figures = []
    for one in record.get("figures") or ():
        key = FigureKey(
            measure=_text(one["measure"]), point=_text(one.get("point") or ""), unit=_text(one.get("unit") or ""),
            subject=_text(one.get("subject") or one.get("tone") or ""),
        )  # fmt: skip
        figures.append((key, _number(one["value"])))
    if not figures:
        for outcome in record["outcomes"]:
            wanted, measured = outcome["requirement"], outcome.get("measured")
            if measured is None or wanted["kind"] in _NO_SIZE:
                continue
            figures.append((_required(wanted, measured, {key for key, _ in figures}), _number(measured["value"])))
    serial = _text(record["serial"])
    if not serial:
        raise ValueError("the serial number is empty")
    return serial, file, _text(record.get("ratio_ordered") or ""), _time(record.get("measured_from")), figures


def _required(wanted: dict[str, Any], measured: dict[str, Any], there: set[FigureKey]) -> FigureKey:
    """The figure that a requirement measured. Which point decided differs from drive to drive: it is no part of it."""
    subject = _text(wanted.get("tone") or wanted["id"])
    if wanted.get("harmonic"):
        subject += f" × {wanted['harmonic']}"
    kind = _text(wanted["kind"])
    key = FigureKey(
        measure=_text(wanted.get("measure") or _MEASURE.get(kind, kind)), point="", subject=subject,
        unit=_text(measured.get("unit") or ""),
    )  # fmt: skip
    # A tone that is asked for in several runs is a figure of each.
    return replace(key, subject=f"{subject}, {_text(wanted['id'])}") if key in there else key


def _reported(record: dict[str, Any], file: str) -> tuple[str, str, str, float, list[tuple[FigureKey, float]]]:
    """Broad-band levels of a health report; its drive's tag stands for the serial number."""
    figures = [
        (
            FigureKey(
                measure=_text(level["measure"]), point=_text(level["point"]), subject="", unit=_text(level["unit"])
            ),
            _number(level["value"]),
        )
        for level in record["levels"]
    ]
    times = [time for capture in record["captures"] if isfinite(time := _time(capture.get("measured_at")))]
    return _text(record["drive"]), file, "", min(times, default=nan), figures


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is no text")
    return value[:200]


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise ValueError(f"{value!r:.40} is no number")
    return float(value)


def _time(value: Any) -> float:
    """Seconds since 1970; NaN without a time or without its offset from UTC, which could move it by a day."""
    if value is None:
        return nan
    when = datetime.fromisoformat(_text(value))
    return when.timestamp() if when.utcoffset() is not None else nan
