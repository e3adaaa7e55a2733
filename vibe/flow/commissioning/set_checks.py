"""Commissioning sets that cannot be: refused, with the place in the set's file, or stated on the certificate."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import ConfigError
from vibe.flow.commissioning.measured_figures import CaptureFigures, when

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.acceptance import CommissioningSet, Requirements
    from vibe.core.tones import ToneTable
    from vibe.health.acceptance.uncertainty import MeasurementPractice

PLATE_WITHIN = 0.02
"""By how much, relative, a plate may differ from the drive file: plates round (common practice)."""
NEVER_NEGATIVE = ("lost motion", "backlash", "transmission error", "noise", "efficiency")
"""Noted as magnitudes or, as transmission error is, from peak to peak (common practice)."""
CLOCK_S = 1.0
"""To which the time of a capture is commonly noted."""
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
        quantity = next(one.quantity for one in requirements.requirement if one.id == value.requirement)
        if quantity in NEVER_NEGATIVE and value.value < 0:
            why = f"a {quantity} of {value.value:g} cannot be: it is a magnitude, never below zero"
            raise wrong(path, ("noted", number, "value"), why)


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
        ConfigError: captures of another drive, one recording in several files, captures that overlap in time, a load
            that is none of the run's kind, a sensor at a point that was not measured, a day of measurement that is
            still to come, a calibration or an issue that does not fit it.
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
    _check_repeats(looked, path)
    _check_loads(given, looked, path, practice)
    points = sorted({point for one in looked for point in one.channels})
    for number, tool in enumerate(given.instrument):
        if tool.point and points and tool.point not in points:
            why = f"no capture has a channel {tool.point!r}; there are {', '.join(points)}"
            raise wrong(path, ("instrument", number, "point"), why)
    first, last = days(looked)
    if last is not None and first is not None:
        if last > datetime.now(UTC).date() + timedelta(days=1):
            late = next(one for one in looked if one.measured_at is not None and one.measured_at.date() == last)
            why = f"{late.file} is dated {last}, which is still to come: set the recorder's clock, and measure again"
            raise wrong(path, ("run", late.run, "captures"), why)
        for number, tool in enumerate(given.instrument):
            if tool.calibrated is not None and tool.calibrated > first:
                why = f"{tool.what} was calibrated on {tool.calibrated}, after it measured ({first})"
                raise wrong(path, ("instrument", number, "calibrated"), why)
        if given.issue.issued is not None and given.issue.issued < last:
            why = f"issued on {given.issue.issued}, before it was measured ({last})"
            raise wrong(path, ("issue", "issued"), why)
    return list(_remarks(given, looked, points, last, practice)) + _span(first, last)


def _check_repeats(looked: Sequence[CaptureFigures], path: Path) -> None:
    """Refuse captures that were not measured one after the other, each anew.

    Raises:
        ConfigError: two of one point overlap in time, or are one recording, whatever was done to it.
    """
    from vibe.ingest.quality.recording.noise_print import ComparedPrints
    from vibe.ingest.quality.recording.same_recording import ComparedRecordings

    for one, other, gap_s in _followers(looked):
        if gap_s < -CLOCK_S:
            assert other.measured_at is not None
            begins = other.measured_at.isoformat(sep=" ")
            why = f"{other.file} begins at {begins}, while {one.file}, which lasts {one.duration_s:.3g} s, still runs"
            raise wrong(path, ("run", other.run, "captures"), f"{why}: a repeat must be measured again")
    compared = ComparedRecordings([one.polarity for one in looked])
    prints = ComparedPrints([one.noise for one in looked])
    for number, other in enumerate(looked):
        for before in range(number):
            found = compared.same(before, number) or prints.same(before, number)
            if found is not None:
                raise wrong(
                    path, ("run", other.run, "captures"),
                    f"{looked[before].file} and {other.file} are one recording, {found.in_words}: a repeat must be "
                    "measured again",
                )  # fmt: skip


def _followers(looked: Sequence[CaptureFigures]) -> Iterator[tuple[CaptureFigures, CaptureFigures, float]]:
    """Captures of one point that follow each other, and the time [s] between them, where it is known."""
    known = sorted((at, number) for number, one in enumerate(looked) if (at := when(one)) is not None)
    for place, (at, number) in enumerate(known):
        one = looked[number]
        after = ((then, looked[other]) for then, other in known[place + 1 :])
        follows = next(((then, other) for then, other in after if set(one.channels) & set(other.channels)), None)
        if follows is not None and one.duration_s is not None:
            yield one, follows[1], follows[0] - at - one.duration_s


def _check_loads(
    given: CommissioningSet, looked: Sequence[CaptureFigures], path: Path, practice: MeasurementPractice
) -> None:
    """Refuse captures whose own note of the load is none of the kind of their run.

    Raises:
        ConfigError: a capture at part load in a run at rated load, or one under load in a run without.
    """
    low, high = practice.rated_load_percent
    for one in looked:
        own, kind = one.load_percent, given.run[one.run].kind
        if own is None:
            continue
        if (kind == "rated load" and not low <= own <= high) or (kind == "no load" and own > practice.no_load_percent):
            why = f"{one.file} notes a load of {own:g} %, which is no run of kind {kind!r} ({practice.load_source})"
            raise wrong(path, ("run", one.run, "captures"), f"{why}: a load mismatch")


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


def zero_remarks(given: CommissioningSet, practice: MeasurementPractice) -> list[str]:
    """Where the set takes a contribution of common practice out."""
    usual = {one.name: one.percent for one in practice.contribution}
    return [
        f"The set states {one.name} as 0 %{_at(one.points)}, where common practice is {usual[one.name]:g} %; its "
        f"source is: {one.source}."
        for one in given.contribution
        if one.percent == 0 and one.name in usual
    ]


def _at(points: Sequence[str]) -> str:
    return f" at {', '.join(points)}" if points else ""


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
    for one, other, gap_s in _followers(looked):
        if abs(gap_s) <= CLOCK_S:
            yield f"{other.file} begins where {one.file} ends: they are one stay at the machine, and no repeats of it."
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
    if first is not None and last is not None and (last - first).days > 1:
        return [f"The captures span {(last - first).days + 1} days."]
    return []


def _twice(names: Sequence[str]) -> str:
    return f"{' and '.join(names)} are one recording: a repeat must be measured again"


def wrong(path: Path, place: Sequence[str | int], why: str) -> ConfigError:
    """An error of a set's file, with its line."""
    from vibe.ingest.config.toml_lines import line_of, line_table
    from vibe.storage.toml_text import read_text

    line = line_of(line_table(read_text(path)), tuple(place))
    parts = [f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in place]
    return ConfigError(f"{''.join(parts).lstrip('.')}: {why}", path=path, line=line)
