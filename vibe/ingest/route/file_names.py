"""What a logger's files of one stop will be called: the ``[[file]]`` rules of a route read the other way round."""

from __future__ import annotations

import re

from vibe.core.route.route import FileRule, Route, RoutePoint, Stop, folded
from vibe.core.route.route_plan import FileName

_LETTERS = {
    "Y": "YYYY", "y": "YY", "m": "MM", "d": "DD", "j": "DDD", "b": "Mon", "H": "hh", "I": "hh", "p": "AM", "M": "mm",
    "S": "ss", "f": "ffffff", "z": "+hhmm", "%": "%",
}  # fmt: skip
ANYTHING = "*"


def file_names(route: Route, stop: Stop) -> tuple[FileName, ...]:
    """Names by which ``route`` knows captures of ``stop``, one for each file that its loggers write; none where no
    rule is for it.

    A rule that has a name for the drive is its logger's; where none has, every rule that takes any drive may be.
    """
    tags = {folded(tag) for tag in (stop.drive, *stop.formerly)}
    named = [(rule, name) for rule in route.file if (name := _name_of(rule.drive_names, tags)) is not None]
    rules = named or [(rule, stop.drive) for rule in route.file if not rule.drive_names]
    names: dict[str, FileName] = {}
    for rule, drive in rules:
        for file in _of_rule(rule, drive, [point for point in stop.point if not point.out_of_use]):
            names.setdefault(file.path, file)
    return tuple(names.values())


def _of_rule(rule: FileRule, drive: str, points: list[RoutePoint]) -> list[FileName]:
    plain = rule.like.replace("{drive}", drive).replace("{any}", ANYTHING).replace("{time}", clock_letters(rule))
    if "{point}" not in plain:
        return [FileName(path=plain, points=tuple(point.name for point in points))]
    found = []
    for point in points:
        said = _name_of(rule.point_names, {folded(point.name)}) or point.name
        found.append(FileName(path=plain.replace("{point}", said), points=(point.name,)))
    return found


def clock_letters(rule: FileRule) -> str:
    """``time_format`` as a person reads it: ``YYYYMMDD_hhmmss``."""
    return re.sub(r"%(.)", lambda match: _LETTERS.get(match[1], match[0]), rule.time_format)


def _name_of(names: dict[str, str], meant: set[str]) -> str | None:
    """The logger's own name of what the route calls one of ``meant``."""
    return next((name for name, meaning in names.items() if folded(meaning) in meant), None)
