"""A capture read as part of a route: its drive, points and time in the route's words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from vibe.core.capture import TURNING, Capture, Channel
from vibe.core.route.readings import RoundReadings
from vibe.core.route.route import FileChannel, Route, RoutePoint, Stop, folded
from vibe.ingest.config.sidecar import RouteSidecar, Sidecar, load_sidecar
from vibe.ingest.read import read_capture
from vibe.ingest.route.file_rules import CompiledRule, Named, RouteNames, name_says, names_of
from vibe.ingest.route.name_pattern import clean, shown
from vibe.ingest.route.noted_readings import with_readings

_SAME_TIME = timedelta(minutes=10)
"""A file is named when its capture begins, ends or is saved; a wrong clock or zone is off by more (common practice)."""


def read_on_route(path: Path, folder: Path, route: Route, readings: RoundReadings | None = None) -> Capture:
    """Read one file of a round collected in ``folder``, once.

    What its sidecar says goes before what the file says, and that before what its name says by the route's rules.
    Where file and name contradict each other, a remark asks to check. The drive gets its tag of today and channels
    the names of the route's points; what the route does not know keeps its name, with a remark. ``readings`` of the
    round are laid upon it.

    Raises:
        CaptureError: the file or its sidecar cannot be read.
        ConfigError: a rule of the route is wrong.
    """
    names = names_of(route)
    named = name_says(path, folder, route)
    rule = names.rule_of(named)
    sidecar = load_sidecar(path) or Sidecar()
    capture = read_capture(path, _route_sidecar(sidecar, names, named, rule))
    remarks = list(capture.remarks)
    drive, stop = _drive(capture.drive, names, named, rule, remarks)
    measured_at = _time(capture.measured_at, named, remarks)
    channels = _channels(capture.channels, stop, named, rule, remarks)
    capture = replace(
        capture,
        drive=drive,
        measured_at=measured_at,
        channels=channels,
        remarks=tuple(dict.fromkeys(remarks)),
    )
    return with_readings(capture, readings)


def _route_sidecar(sidecar: Sidecar, names: RouteNames, named: Named | None, rule: CompiledRule | None) -> RouteSidecar:
    said = sidecar.drive or (None if named is None else named.drive)
    stop = None if said is None else names.present(said, rule)[1]
    stops = names.route.stop if stop is None else [stop]
    pulses = {folded(point.name) for one in stops for point in one.point if point.quantity == "tachometer"}
    pulses -= {folded(point.name) for one in stops for point in one.point if point.quantity != "tachometer"}
    if rule is not None:
        pulses |= {name for name, point in rule.point_names.items() if folded(point) in pulses}
    return RouteSidecar(
        **{key: getattr(sidecar, key) for key in Sidecar.model_fields},
        fill=FileChannel() if rule is None else rule.rule.channel,
        tachometers=frozenset(pulses),
        time_zone=(None if rule is None else rule.rule.time_zone) or names.route.time_zone,
    )


def _drive(
    said: str | None, names: RouteNames, named: Named | None, rule: CompiledRule | None, remarks: list[str]
) -> tuple[str | None, Stop | None]:
    """Tag of today and stop."""
    by_name = None if named is None else named.drive
    if said is None:
        remarks += [named.drive_remark] if named is not None and named.drive_remark is not None else []
        return by_name, None if by_name is None else names.stops.get(folded(by_name))
    drive, stop, remark = names.present(said, rule)
    remarks += [remark] if remark is not None else []
    if by_name is not None and folded(by_name) != folded(drive):
        remarks.append(
            f"the file's name says drive {shown(by_name)}, the file itself {shown(drive)}: {drive} is taken; "
            "check on which drive it was measured"
        )
    return drive, stop


def _time(said: datetime | None, named: Named | None, remarks: list[str]) -> datetime | None:
    if named is None:
        return said
    by_name = named.measured_at
    if said is None:
        remarks += [named.time_remark] if named.time_remark is not None else []
        return by_name
    if by_name is None:
        return said
    both_aware = said.tzinfo is not None and by_name.tzinfo is not None
    apart = said - by_name if both_aware else said.replace(tzinfo=None) - by_name.replace(tzinfo=None)
    if abs(apart) > _SAME_TIME:
        remarks.append(
            f"the file's name says {by_name.isoformat(' ')}, the file itself {said.isoformat(' ')}, which is taken: "
            "check the logger's clock and the route's time_zone"
        )
    return said


def _channels(
    channels: Sequence[Channel],
    stop: Stop | None,
    named: Named | None,
    rule: CompiledRule | None,
    remarks: list[str],
) -> tuple[Channel, ...]:
    """The channels under the names of the stop's points."""
    points = {} if stop is None else {folded(point.name): point for point in stop.point}
    translated = {} if rule is None else rule.point_names
    taken = _taken(channels, points, translated)
    if named is not None and named.point is not None:
        _by_file_name(channels, points, named.point, taken, remarks)
    _only_tachometer(channels, points, taken)
    if named is not None and named.point_remark is not None:
        remarks.append(named.point_remark)
    names = {index: name for name, index in taken.items()}
    for index, channel in enumerate(channels):
        if index in names:
            continue
        # What is not known keeps its own name; two channels of one name would be no capture.
        name, again = channel.name, 2
        while name in taken:
            name, again = f"{channel.name} ({again})", again + 1
        names[index], taken[name] = name, index
        if stop is not None:
            there = ", ".join(point.name for point in stop.point)
            remarks.append(f"channel {shown(name)} is none of the points of {stop.drive} left to name ({there})")
    return tuple(
        channel if channel.name == names[index] else replace(channel, name=names[index])
        for index, channel in enumerate(channels)
    )


def _taken(
    channels: Sequence[Channel], points: Mapping[str, RoutePoint], translated: Mapping[str, str]
) -> dict[str, int]:
    """Channel by the name of the point that its own name means, the plainer meaning first."""
    wishes: list[tuple[int, int, str]] = []
    for index, channel in enumerate(channels):
        stated = translated.get(folded(channel.name))
        point = points.get(folded(channel.name if stated is None else stated))
        if point is not None:
            wishes.append((0 if stated is not None else 1 if point.name == channel.name else 2, index, point.name))
        elif stated is not None and not points:
            wishes.append((0, index, stated))
    taken: dict[str, int] = {}
    for _, index, name in sorted(wishes):
        taken.setdefault(name, index)
    return taken


def _by_file_name(
    channels: Sequence[Channel],
    points: Mapping[str, RoutePoint],
    said: str,
    taken: dict[str, int],
    remarks: list[str],
) -> None:
    """A file whose name says the point, and that holds one channel to which it can belong."""
    point = points.get(folded(said))
    if points and point is None:
        return
    pulses = point is not None and point.quantity == "tachometer"
    name = clean(said) if point is None else point.name
    alike = [index for index, channel in enumerate(channels) if (channel.quantity in TURNING) == pulses]
    open_ones = [index for index in alike if index not in taken.values()]
    if name in taken:
        return
    if len(alike) == 1 and open_ones:
        taken[name] = alike[0]
    elif not open_ones and alike:
        inside = ", ".join(shown(held) for held, index in taken.items() if index in alike)
        remarks.append(
            f"the file's name says point {shown(name)}, the file itself holds {inside}, which is taken; check where "
            "the sensor was"
        )


def _only_tachometer(channels: Sequence[Channel], points: Mapping[str, RoutePoint], taken: dict[str, int]) -> None:
    """The one pulse channel of a file belongs to the one pulse sensor of a stop."""
    sensors = [point.name for point in points.values() if point.quantity == "tachometer" and point.name not in taken]
    open_ones = [
        index for index, channel in enumerate(channels) if channel.quantity in TURNING and index not in taken.values()
    ]
    if len(sensors) == 1 and len(open_ones) == 1:
        taken[sensors[0]] = open_ones[0]
