"""Commissioning sets that cannot be: refused, with the place in the set's file, or stated on the certificate."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import ConfigError
from vibe.flow.commissioning.measured_figures import CaptureFigures

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.acceptance import CommissioningSet, Requirements
    from vibe.core.tones import ToneTable
    from vibe.health.acceptance.uncertainty import MeasurementPractice

PLATE_WITHIN = 0.02
"""By how much, relative, a plate may differ from the drive file: plates round (common practice)."""
LOAD_WITHIN = 10.0
"""Per cent of rated load by which a capture's own note may differ from its run's (common practice)."""


def check_set(given: CommissioningSet, path: Path, practice: MeasurementPractice, requirements: Requirements) -> None:
    """Refuse what a set's file alone shows to be impossible.

    Raises:
        ConfigError: a load that does not fit the kind of its run, or a noted value for no requirement.
    """
    low, high = practice.rated_load_percent
    for number, run in enumerate(given.run):
        if run.load_percent is None:
            continue
        if run.kind == "rated load" and not low <= run.load_percent <= high:
            why = f"{run.load_percent:g} % is no rated load ({low:g} to {high:g} %, {practice.load_source})"
            raise wrong(path, ("run", number, "load_percent"), f"{why}; a run at part load is of kind 'load step'")
        if run.kind == "no load" and run.load_percent > practice.no_load_percent:
            why = f"{run.load_percent:g} % is a load (above {practice.no_load_percent:g} %, {practice.load_source})"
            raise wrong(path, ("run", number, "load_percent"), f"{why}; give the run another kind")
    noted = [one.id for one in requirements.requirement if one.kind == "noted"]
    for number, value in enumerate(given.noted):
        if value.requirement not in noted:
            have = ", ".join(noted) or "none"
            why = f"no requirement of kind 'noted' has the id {value.requirement!r}; there are {have}"
            raise wrong(path, ("noted", number, "requirement"), why)


def check_files(runs: Sequence[Sequence[Path]], path: Path) -> None:
    """Refuse one capture under two names.

    Raises:
        ConfigError: files of the same bytes.
    """
    from vibe.ingest.route.duplicates import same_content

    owner = {file: number for number, files in enumerate(runs) for file in files}
    for group in same_content(list(owner)):
        raise wrong(path, ("run", owner[group[1]], "captures"), _twice([file.name for file in group]))


def check_captures(
    given: CommissioningSet, path: Path, drive: Drive, looked: Sequence[CaptureFigures], practice: MeasurementPractice
) -> list[str]:
    """Refuse what captures show to be impossible; remarks on what is merely not as it should be.

    Raises:
        ConfigError: captures of another drive, one recording in several files, a sensor at a point that was not
            measured, a calibration or an issue that does not fit the day of measurement.
    """
    names = {drive.tag, given.serial, *given.captured_as}
    recordings: dict[tuple[str, ...], list[CaptureFigures]] = defaultdict(list)
    for one in looked:
        if one.tag is not None and one.tag not in names:
            why = (
                f"{one.file} was taken of {one.tag}, not of {drive.tag}; if the recorder calls it so, say "
                f'captured_as = ["{one.tag}"]'
            )
            raise wrong(path, ("run", one.run, "captures"), why)
        if one.recording:
            recordings[one.recording].append(one)
    for group in recordings.values():
        if len(group) > 1:
            raise wrong(path, ("run", group[1].run, "captures"), _twice([one.file for one in group]))
    points = sorted({point for one in looked for point in one.channels})
    for number, tool in enumerate(given.instrument):
        if tool.point and points and tool.point not in points:
            why = f"no capture has a channel {tool.point!r}; there are {', '.join(points)}"
            raise wrong(path, ("instrument", number, "point"), why)
    first, last = days(looked)
    if last is not None:
        for number, tool in enumerate(given.instrument):
            if tool.calibrated is not None and tool.calibrated > last:
                why = f"{tool.what} was calibrated on {tool.calibrated}, after it measured ({last})"
                raise wrong(path, ("instrument", number, "calibrated"), why)
        if given.issue.issued is not None and given.issue.issued < last:
            why = f"issued on {given.issue.issued}, before it was measured ({last})"
            raise wrong(path, ("issue", "issued"), why)
    return list(_remarks(given, looked, points, last, practice)) + _span(first, last)


def days(looked: Sequence[CaptureFigures]) -> tuple[date | None, date | None]:
    """First and last day of measurement, by the captures' own clocks."""
    known = [one.measured_at for one in looked if one.measured_at is not None]
    return (min(at.date() for at in known), max(at.date() for at in known)) if known else (None, None)


def plate_remarks(given: CommissioningSet, drive: Drive, table: ToneTable) -> list[str]:
    """Where the plate says other than the drive file."""
    ratio = None if table.ratio is None else float(abs(table.ratio))
    pairs = (
        ("a ratio of", given.plate.ratio, ratio, ""),
        ("an input speed of", given.plate.input_speed_rpm, drive.input.speed_rpm, " r/min"),
        ("a power of", given.plate.power_kw, drive.input.power_kw, " kW"),
    )
    return [
        f"The plate states {what} {plate:g}{unit}, the drive file {own:g}{unit}."
        for what, plate, own, unit in pairs
        if plate is not None and own is not None and abs(plate - own) > PLATE_WITHIN * abs(own)
    ]


def _remarks(
    given: CommissioningSet, looked: Sequence[CaptureFigures], points: Sequence[str], last: date | None,
    practice: MeasurementPractice,
) -> Iterator[str]:  # fmt: skip
    from vibe.health.acceptance.chain import expired, measurand

    for tool in given.instrument:
        what = measurand(tool)
        if what is None:
            yield f"{tool.what}: what it measures is not stated; it is counted in with the vibration chain."
        if expired(tool, last, practice.calibration_valid_days):
            assert last is not None
            assert tool.calibrated is not None
            yield (
                f"{tool.what} was calibrated on {tool.calibrated}, {(last - tool.calibrated).days} days before: its "
                "certificate had run out and is not counted."
            )
        elif tool.calibrated is None and tool.calibration_uncertainty_percent is None:
            yield f"{tool.what}: no calibration is stated."
    sensors = {tool.point for tool in given.instrument if tool.point}
    if sensors and (bare := [point for point in points if point not in sensors]):
        yield f"No sensor is named for {', '.join(bare)}."
    for number, run in enumerate(given.run):
        if run.load_percent is None and run.kind in ("rated load", "load step", "reversed"):
            yield f"Run {number + 1} ({run.kind}): its load was not noted."
        own = [one for one in looked if one.run == number and one.load_percent is not None]
        apart = [one for one in own if run.load_percent is not None and _apart(one.load_percent, run.load_percent)]
        if apart:
            yield (
                f"{apart[0].file} notes a load of {apart[0].load_percent:g} %, its run {run.load_percent:g} %"
                f"{f', and {len(apart) - 1} more like it' if len(apart) > 1 else ''}."
            )


def _apart(own: float | None, noted: float) -> bool:
    return own is not None and abs(own - noted) > LOAD_WITHIN


def _span(first: date | None, last: date | None) -> list[str]:
    if last is not None and last > datetime.now(UTC).date():
        return [f"Captures are dated {last}, which is still to come: the recorder's clock is wrong."]
    if first is not None and last is not None and (last - first).days > 1:
        return [f"The captures span {(last - first).days + 1} days."]
    return []


def _twice(names: Sequence[str]) -> str:
    return f"{' and '.join(names)} are one recording: a repeat must be measured again"


def wrong(path: Path, place: Sequence[str | int], why: str) -> ConfigError:
    """An error of a set's file, with its line."""
    from vibe.ingest.config.toml_file import read_text
    from vibe.ingest.config.toml_lines import line_of, line_table

    line = line_of(line_table(read_text(path)), tuple(place))
    parts = [f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in place]
    return ConfigError(f"{''.join(parts).lstrip('.')}: {why}", path=path, line=line)
