"""What the name of a file says: the ``[[file]]`` rules of a route, made ready once and asked for every file.

Where a name can be cut in several ways (``name_pattern.py``), the cut that gives names of the route is taken.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from vibe.core.route.route import FileRule, Route, RoutePoint, Stop, folded
from vibe.core.units import TO_SI, VOLTS, plain_unit
from vibe.ingest.clock import YEARS, in_zone
from vibe.ingest.route.name_pattern import (
    LONGEST_PATH,
    Known,
    PatternPiece,
    RuleError,
    clean,
    clock_format,
    cut,
    parts_of,
    shown,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What a file's name says.

    ``drive`` is the present tag and ``point`` the route's name where the route knows them, else as the file says,
    with a remark. ``measured_at`` carries its offset from UTC wherever the name or the route gives it.
    """

    rule: FileRule
    drive: str | None = None
    point: str | None = None
    measured_at: datetime | None = None
    drive_remark: str | None = None
    point_remark: str | None = None
    time_remark: str | None = None

    @property
    def remarks(self) -> tuple[str, ...]:
        return tuple(r for r in (self.drive_remark, self.point_remark, self.time_remark) if r is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class CompiledRule:
    """A rule made ready."""

    rule: FileRule
    parts: tuple[PatternPiece, ...]
    slashes: int
    drive_names: Mapping[str, str]
    """By folded name."""
    point_names: Mapping[str, str]
    passes: tuple[Mapping[str, Known], ...]
    """Names to insist on, strictest first."""

    def places(self, text: str) -> dict[str, tuple[int, int]] | None:
        """Where each placeholder begins and ends in the folded path ``text``, None where the rule does not fit."""
        if text.count("/") != self.slashes or len(text) > LONGEST_PATH:
            return None
        end = self.parts[-1]
        if end.kind == "text" and not text.endswith(end.text):
            return None
        return next((found for known in self.passes if (found := cut(self.parts, text, known)) is not None), None)


@dataclass(frozen=True, slots=True)
class RouteNames:
    """All names of a route, made ready."""

    route: Route
    stops: Mapping[str, Stop]
    """By folded tag, former ones too."""
    points: Mapping[str, Mapping[str, RoutePoint]]
    """By tag as the stop writes it, then by folded name of the point."""
    rules: tuple[CompiledRule, ...]

    def present(self, said: str, rule: CompiledRule | None) -> tuple[str, Stop | None, str | None]:
        """(tag of today, its stop, remark) of a drive called ``said`` by a file or its name."""
        said = clean(said)
        tag = said if rule is None else rule.drive_names.get(folded(said), said)
        stop = self.stops.get(folded(tag))
        if stop is None:
            return tag, None, f"the drive {shown(tag)} is not on the route"
        renamed = folded(tag) != folded(stop.drive)
        return stop.drive, stop, f"{stop.drive} was called {shown(tag)}" if renamed else None

    def rule_of(self, named: Named | None) -> CompiledRule | None:
        return None if named is None else next(rule for rule in self.rules if rule.rule is named.rule)


_ready: tuple[Route, RouteNames] | None = None
"""The last route asked for: a folder is asked file by file with one route. A route is never changed once made."""


def names_of(route: Route) -> RouteNames:
    """The names and rules of ``route``, made ready once.

    Raises:
        RuleError: a rule is wrong.
    """
    global _ready
    if _ready is None or _ready[0] is not route:
        _ready = (route, _prepared(route))
    return _ready[1]


def name_says(path: Path, folder: Path, route: Route) -> Named | None:
    """What the name of ``path``, seen from ``folder``, says by the first rule that fits; the file is not opened.

    None where no rule fits, or the file does not lie below ``folder``.
    """
    names = names_of(route)
    text = _below(path, folder)
    if text is None or not names.rules:
        return None
    text = unicodedata.normalize("NFC", text)
    plain = folded(text)
    for rule in names.rules:
        places = rule.places(plain)
        if places is not None:
            return _named(names, rule, {kind: text[start:end] for kind, (start, end) in places.items()})
    return None


def drive_in_path(path: Path, folder: Path, route: Route) -> str | None:
    """The one drive whose tag, or whose name of a logger, stands by itself in the path of a file that no rule fits and
    that cannot be read; None where there is none, or more than one."""
    text = folded(_below(path, folder) or path.name)
    names = names_of(route)
    tags = {tag: stop.drive for tag, stop in names.stops.items()}
    for rule in names.rules:
        tags |= {
            name: names.stops[folded(tag)].drive for name, tag in rule.drive_names.items() if folded(tag) in names.stops
        }
    found = {drive for tag, drive in tags.items() if re.search(rf"(?<![^\W_]){re.escape(tag)}(?![^\W_])", text)}
    return found.pop() if len(found) == 1 else None


def _below(path: Path, folder: Path) -> str | None:
    for file, base in ((path, folder), (path.absolute(), folder.absolute())):
        if file.is_relative_to(base):
            return file.relative_to(base).as_posix()
    return None


def _named(names: RouteNames, rule: CompiledRule, said: Mapping[str, str]) -> Named:
    drive = stop = drive_remark = point = point_remark = None
    if "drive" in said:
        drive, stop, drive_remark = names.present(said["drive"], rule)
    if "point" in said:
        point = clean(said["point"])
        point = rule.point_names.get(folded(point), point)
        if stop is not None:
            known = names.points[stop.drive].get(folded(point))
            point_remark = None if known else f"its name says point {shown(point)}, {stop.drive} has none of that name"
            point = known.name if known else point
    measured_at, time_remark = _time(said.get("time"), rule.rule, rule.rule.time_zone or names.route.time_zone)
    return Named(
        rule=rule.rule,
        drive=drive,
        point=point,
        measured_at=measured_at,
        drive_remark=drive_remark,
        point_remark=point_remark,
        time_remark=time_remark,
    )


def _time(said: str | None, rule: FileRule, zone: str | None) -> tuple[datetime | None, str | None]:
    if said is None:
        return None, None
    try:
        when = datetime.strptime(said, clock_format(rule))
    except ValueError:
        return None, f"the time {shown(said)} in its name cannot be: it is not used"
    if not YEARS[0] <= when.year <= YEARS[1]:
        return None, f"the time {shown(said)} in its name cannot be, set the logger's clock: it is not used"
    return in_zone(when, zone)


def _prepared(route: Route) -> RouteNames:
    stops = {folded(tag): stop for stop in route.stop for tag in (stop.drive, *stop.formerly)}
    points = {stop.drive: {folded(point.name): point for point in stop.point} for stop in route.stop}
    rules = tuple(_compiled(rule, index, stops, points) for index, rule in enumerate(route.file))
    return RouteNames(route, stops, points, rules)


def _compiled(
    rule: FileRule, index: int, stops: Mapping[str, Stop], points: Mapping[str, Mapping[str, RoutePoint]]
) -> CompiledRule:
    place = ("file", index)
    drive_names = _folded_names(rule.drive_names, (*place, "drive_names"))
    for name, tag in rule.drive_names.items():
        if folded(tag) not in stops:
            near = _near(tag, (stop.drive for stop in stops.values()))
            raise RuleError(f"drive_names: no stop is called {tag!r}{near}", (*place, "drive_names", name))
    here = {name: point.name for own in points.values() for name, point in own.items()}
    point_names = _folded_names(rule.point_names, (*place, "point_names"))
    for name, point in rule.point_names.items():
        if folded(point) not in here:
            near = _near(point, here.values())
            raise RuleError(f"point_names: no stop has a point called {point!r}{near}", (*place, "point_names", name))
    _check_channel(rule, place)
    parts = parts_of(rule, place)
    text = "".join(part.text for part in parts)
    times = any(part.kind == "time" for part in parts)
    strict = {"drive": Known.of({*stops, *drive_names}), "point": Known.of({*here, *point_names})}
    # A name that the route does not know must still be distinguished from one that no rule fits.
    orders = (("drive", "point"), ("point",), ("drive",), ())
    kept = dict.fromkeys(tuple(kind for kind in order if any(part.kind == kind for part in parts)) for order in orders)
    passes = tuple({kind: strict[kind] for kind in order} for order in kept)
    return CompiledRule(
        rule=rule,
        parts=parts,
        slashes=text.count("/") + (rule.time_format.count("/") if times else 0),
        drive_names=drive_names,
        point_names=point_names,
        passes=passes,
    )


def _near(name: str, known: Iterable[str]) -> str:
    import difflib

    by_fold = {folded(other): other for other in known}
    found = difflib.get_close_matches(folded(name), by_fold, n=1, cutoff=0.6)
    return f"; did you mean {by_fold[found[0]]!r}?" if found else ""


def _folded_names(names: Mapping[str, str], place: tuple[str | int, ...]) -> dict[str, str]:
    out: dict[str, str] = {}
    for name, meaning in names.items():
        if folded(out.setdefault(folded(name), meaning)) != folded(meaning):
            raise RuleError(f"{place[-1]}: {name!r} is given twice, with two meanings", (*place, name))
    return out


def _check_channel(rule: FileRule, place: tuple[str | int, ...]) -> None:
    unit, scale = rule.channel.unit, rule.channel.scale
    if unit is not None and plain_unit(unit) not in {*TO_SI, *VOLTS}:
        known = ", ".join([*TO_SI, *VOLTS])
        raise RuleError(
            f"channel.unit {unit!r} is not a unit of vibration (known: {known})", (*place, "channel", "unit")
        )
    if scale == 0:
        raise RuleError("channel.scale must not be 0: every sample would be", (*place, "channel", "scale"))
