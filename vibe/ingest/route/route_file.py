"""Route files."""

from __future__ import annotations

import difflib
from pathlib import Path

from vibe.core.errors import ConfigError
from vibe.core.route.route import Route, folded
from vibe.ingest.config.drive_file import drive_files, load_drive
from vibe.ingest.config.toml_file import load_model
from vibe.ingest.config.toml_lines import Place, line_of, line_table
from vibe.ingest.route.file_rules import names_of
from vibe.ingest.route.name_pattern import RuleError
from vibe.storage.toml_text import read_text


def load_route(path: Path) -> Route:
    """The route that ``path`` describes, its rules for file names tried.

    Raises:
        ConfigError: with file, line, field and the nearest known key.
    """
    route = load_model(path, Route)
    try:
        names_of(route)
    except RuleError as error:
        raise ConfigError(error.reason, path=path, line=_line(path, error.place)) from None
    return route


def route_drives(route: Route, path: Path) -> dict[str, Path]:
    """Drive file of each stop by its tag, in the order of the walk; ``path`` is the file the route was read from.

    Drives that are not visited may be described too.

    Raises:
        ConfigError: a stop without a drive file (the nearest tag is named), with two, or with a former tag that is
            the tag of a drive today; a drive file that is wrong; a pattern that names nothing.
    """
    base = path.resolve().parent
    wanted = {stop.drive for stop in route.stop}
    found: dict[str, Path] = {}
    for file in drive_files([base / pattern for pattern in route.drives]):
        tag = load_drive(file).tag
        if tag in found and tag in wanted:
            raise ConfigError(f"the tag {tag!r} is already that of {found[tag]}", path=file)
        found.setdefault(tag, file)
    today = {folded(tag): tag for tag in found}
    for index, stop in enumerate(route.stop):
        if stop.drive not in found:
            near = difflib.get_close_matches(folded(stop.drive), today, n=1, cutoff=0.5)
            hint = f"the nearest tag is {today[near[0]]!r}" if near else f"there are {_some(found)}"
            raise ConfigError(
                f"the stop {stop.drive!r} has no drive file among those that `drives` names; {hint}",
                path=path,
                line=_line(path, ("stop", index, "drive")),
            )
        for former in stop.formerly:
            other = today.get(folded(former))
            if other is not None and other != stop.drive:
                raise ConfigError(
                    f"formerly = {former!r} of {stop.drive}: that is today's tag of {found[other]}, captures of the "
                    "two could not be distinguished; remove it here, or give that drive another tag",
                    path=path,
                    line=_line(path, ("stop", index, "formerly")),
                )
    return {stop.drive: found[stop.drive] for stop in route.stop}


def _some(found: dict[str, Path]) -> str:
    tags = sorted(found)
    return ", ".join(tags[:8]) + (f" and {len(tags) - 8} more" if len(tags) > 8 else "")


def _line(path: Path, place: Place) -> int | None:
    """Line of ``place``; None where the file can no longer be read."""
    try:
        return line_of(line_table(read_text(path)), place)
    except ConfigError:
        return None
