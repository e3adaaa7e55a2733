"""Requirements and commissioning sets: TOML files that people write, checked beyond their form."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path

from vibe.core.errors import CallError, ConfigError
from vibe.core.records.acceptance import CommissioningSet, Requirement, Requirements
from vibe.ingest.config.toml_file import load_model
from vibe.ingest.config.toml_lines import line_of, line_table
from vibe.ingest.formats.registry import SUFFIXES
from vibe.storage.toml_text import read_text

SET_NAME = "commissioning.toml"
NEEDS: dict[str, tuple[str, ...]] = {
    "level": ("measure", "limit", "unit"),
    "zone": ("standard",),
    "tone": ("tone", "limit", "unit"),
    "no damage": ("false_alarm_rate",),
    "phasing line": ("harmonic", "limit", "unit"),
    "spread": ("measure",),
    "temperature": ("limit", "unit"),
    "run-in": ("measure", "limit", "unit"),
    "identity": (),
    "noted": ("quantity", "limit", "unit"),
    "golden": ("measure",),
    "over speed": ("measure", "limit", "unit"),
}
"""Keys that a requirement of each kind cannot do without."""
UNITS = {
    "velocity_rms": "mm/s", "displacement_rms": "um", "acceleration_rms": "m/s^2", "acceleration_peak": "m/s^2",
    "acceleration_rms_high": "m/s^2", "crest_factor": "", "kurtosis": "", "kurtosis_typical": "",
    "kurtosis_lasting": "",
}  # fmt: skip
"""Measures that levels give, and their units."""
OVER_SPEED = ("velocity_rms", "once per turn")
"""Measures that run-ups and coast-downs give against speed, in mm/s."""
STANDARDS = ("gear_units", "coupled_machines", "small_machines")
LINE_UNITS = ("mm/s", "m/s^2")
INPUT_SHAFT = "input.shaft"
_MULTIPLE = re.compile(r"\d+(\.\d+)?x")
"""Multiples of the input, ``1x`` or ``0.5x``, as figures name its lines."""
MOST_HARMONIC = 3
"""Lines of a mesh that captures are read at."""


def load_requirements(path: Path) -> Requirements:
    """The requirements in ``path``.

    Raises:
        ConfigError: the file is wrong, a requirement lacks what its kind needs, or two have one id; with line and
            field.
    """
    found = load_model(path, Requirements)
    seen: set[str] = set()
    rates: set[float] = set()
    for number, one in enumerate(found.requirement):
        wrong = _wrong(one)
        if one.id in seen:
            wrong = "id", f"two requirements have the id {one.id!r}"
        if one.kind == "no damage" and one.false_alarm_rate is not None:
            rates.add(one.false_alarm_rate)
            if len(rates) > 1:
                wrong = "false_alarm_rate", "all requirements of kind 'no damage' must state one and the same rate"
        if wrong is not None:
            raise _error(path, number, *wrong)
        seen.add(one.id)
    return found


def check_names(found: Requirements, path: Path, *, lines: Collection[str], damage: Collection[str]) -> None:
    """Refuse requirements on lines or damage that the drive does not have.

    ``lines`` are names such as ``1x`` or ``stage1.mesh 2``, ``damage`` ids of tones.

    Raises:
        ConfigError: with line and field.
    """
    for number, one in enumerate(found.requirement):
        if one.kind in ("tone", "phasing line") and line_name(one) not in lines:
            names = sorted({INPUT_SHAFT, *(re.sub(r" \d+$", "", name) for name in lines)})
            raise _error(path, number, "tone", f"the drive has no line {line_name(one)!r}; it has {', '.join(names)}")
        if one.kind == "no damage" and one.tone is not None and not any(covers(one.tone, tone) for tone in damage):
            raise _error(
                path, number, "tone", f"the drive has no tone {one.tone!r}; it has {', '.join(sorted(damage))}"
            )


def line_name(one: Requirement) -> str:
    """The line that a requirement is about: that of a tone has its harmonic behind it, one of the input before it."""
    tone = one.tone or "stage1.mesh"
    if tone == INPUT_SHAFT:
        return f"{one.harmonic or 1}x"
    if tone == "motor.twice_line":
        return "twice line"
    return f"{tone} {one.harmonic or 1}" if "." in tone and not _MULTIPLE.fullmatch(tone) else tone


def covers(asked: str | None, tone: str) -> bool:
    """Whether a tone belongs to what was asked for: all, itself, or a part before a point such as a bearing."""
    return asked is None or tone == asked or tone.startswith(f"{asked}.")


def load_set(path: Path) -> CommissioningSet:
    """The commissioning set in ``path``.

    Raises:
        ConfigError: the file is wrong.
    """
    return load_model(path, CommissioningSet)


def find_sets(place: Path) -> tuple[Path, ...]:
    """Files of sets: ``place`` itself, the one in that folder, or those in the folders just below it.

    Raises:
        CallError: there is none.
    """
    if place.is_file():
        return (place,)
    if not place.is_dir():
        raise CallError(f"{place}: there is no such file or folder of a commissioning set")
    if (place / SET_NAME).is_file():
        return (place / SET_NAME,)
    below = tuple(sorted(folder / SET_NAME for folder in place.iterdir() if (folder / SET_NAME).is_file()))
    if not below:
        raise CallError(f"{place} holds no {SET_NAME}, nor do the folders in it")
    return below


def run_captures(found: CommissioningSet, path: Path) -> tuple[tuple[Path, ...], ...]:
    """Files of each run, in the order of the set; patterns are sorted.

    Raises:
        ConfigError: a name or pattern that no file fits, or a capture in two runs.
    """
    base = path.resolve().parent
    runs: list[tuple[Path, ...]] = []
    owner: dict[Path, int] = {}
    for number, run in enumerate(found.run):
        files: list[Path] = []
        for pattern in run.captures:
            fitting = _fitting(base, pattern, path, number)
            if not fitting:
                raise _error(path, number, "captures", f"no capture fits {pattern!r}", table="run")
            for file in fitting:
                if owner.setdefault(file, number) != number:
                    why = f"{file.name} belongs to run {owner[file] + 1} already"
                    raise _error(path, number, "captures", why, table="run")
                if file not in files:
                    files.append(file)
        runs.append(tuple(files))
    return tuple(runs)


def _fitting(base: Path, pattern: str, path: Path, number: int) -> list[Path]:
    plain = base / pattern
    if plain.is_file():
        return [plain]
    try:
        found = sorted(base.glob(pattern))
    except (ValueError, NotImplementedError):
        raise _error(
            path, number, "captures", f"{pattern!r} is no pattern of files below the set's folder", table="run"
        ) from None
    return [file for file in found if file.is_file() and file.suffix.lower() in SUFFIXES]


def _wrong(one: Requirement) -> tuple[str, str] | None:
    """(field, why) of the first thing that a requirement lacks or has wrongly."""
    for key in NEEDS[one.kind]:
        if getattr(one, key) is None:
            return key, f"a requirement of kind {one.kind!r} needs the key {key!r}"
    if one.kind == "over speed":
        if one.measure not in OVER_SPEED:
            return "measure", f"over speed there are {' and '.join(OVER_SPEED)}, not {one.measure!r}"
        return None if one.unit == "mm/s" else ("unit", f"{one.measure} over speed is in 'mm/s', not {one.unit!r}")
    if one.measure is not None and one.measure not in UNITS:
        return "measure", f"no measure is called {one.measure!r}; there are {', '.join(UNITS)}"
    if one.kind == "level" and one.measure is not None and one.unit != UNITS[one.measure]:
        return "unit", f"{one.measure} is in {UNITS[one.measure]!r}, not {one.unit!r}"
    if one.kind in ("tone", "phasing line") and one.unit not in LINE_UNITS:
        return "unit", f"a line is in {' or '.join(LINE_UNITS)}, not {one.unit!r}"
    if one.kind == "temperature" and one.unit not in ("°C", "C"):
        return "unit", f"a temperature is in °C, not {one.unit!r}"
    if one.kind == "run-in" and one.unit != "%":
        return "unit", f"a change over the end of a run-in is in %, not {one.unit!r}"
    if one.harmonic is not None and one.harmonic > MOST_HARMONIC:
        return "harmonic", f"captures are read at harmonics 1 to {MOST_HARMONIC} of a mesh, not {one.harmonic}"
    if one.standard is not None and one.standard.split(" class ")[0] not in STANDARDS:
        return "standard", f"no table is called {one.standard!r}; there are {', '.join(STANDARDS)}"
    if one.kind == "zone" and one.measure not in (None, "velocity_rms", "acceleration_peak", "displacement_rms"):
        return "measure", f"no standard has zones for {one.measure}"
    return None


def _error(path: Path, number: int, field: str, why: str, *, table: str = "requirement") -> ConfigError:
    line = line_of(line_table(read_text(path)), (table, number, field))
    return ConfigError(f"{table}[{number + 1}].{field}: {why}", path=path, line=line)
