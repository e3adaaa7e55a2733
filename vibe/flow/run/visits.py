"""A run against its route: where nobody was."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.health import Health
    from vibe.core.route.round_check import Missing
    from vibe.core.route.route import Route


def not_visited(route: Route, reports: Mapping[str, Health], failed: Collection[str]) -> list[Missing]:
    """Drives and points of the route without a capture, in the order of the walk; points out of use are not expected.

    Of drives in ``failed`` no report could be made, so nobody knows which of their points were measured.
    """
    from vibe.core.route.round_check import Missing
    from vibe.core.route.route import folded

    missing: list[Missing] = []
    for stop in route.stop:
        wanted = [point for point in stop.point if not point.out_of_use]
        if stop.drive in failed or not wanted:
            continue
        report = reports.get(stop.drive)
        if report is None:
            missing.append(
                Missing(drive=stop.drive, point=None, what="no capture of this drive", remedy=stop.where)
            )  # fmt: skip
            continue
        seen = {folded(channel.name) for capture in report.captures for channel in capture.channels}
        missing += [
            Missing(drive=stop.drive, point=point.name, what="no capture of this point", remedy=point.place)
            for point in wanted
            if folded(point.name) not in seen
        ]
    return missing
