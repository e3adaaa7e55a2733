"""What a limit would have raised in the past, and how those cases were decided: to be tried before it is set."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

TrialClass = Literal["confirmed", "not a fault", "undecided", "no case"]
CLASSES: tuple[TrialClass, ...] = ("confirmed", "not a fault", "undecided", "no case")
"""How the case was decided in whose time a limit was exceeded; ``no case``: nothing was open then."""
AROUND = timedelta(days=45)
"""How far a case may lie from an exceedance and be of the same trouble: one and a half monthly rounds (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialPoint:
    """A comparable value of a series; ``like`` as it would be in the baseline's condition, which statistics judge."""

    at: datetime
    value: float
    like: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialCase:
    """A case that was open on a drive; ``ended`` is None while it is."""

    id: str
    drive: str
    begun: datetime
    ended: datetime | None
    verdict: TrialClass


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialEpisode:
    """A time in which a limit would have raised an alarm: from the capture that raises it to the first one that no
    longer does, None where it still would. ``case`` is what was open then, "" for nothing."""

    drive: str
    point: str
    begun: datetime
    ended: datetime | None
    limit: float
    unit: str
    highest: float
    verdict: TrialClass
    case: str = ""


def episodes(
    points: Sequence[TrialPoint],
    broken: Callable[[TrialPoint], bool],
    *,
    of_last: int,
    at_least: int,
    fewest: int,
    since: datetime,
) -> list[tuple[datetime, datetime | None, float]]:
    """Begin, end and highest value of every time in which a rule raises: ``at_least`` of the ``of_last`` latest points
    are broken, and there are ``fewest`` of them. ``points`` are in order of time; times before ``since`` do not count.
    """
    found: list[tuple[datetime, datetime | None, float]] = []
    open_from: datetime | None = None
    highest = 0.0
    for number, point in enumerate(points):
        last = points[max(0, number + 1 - of_last) : number + 1]
        raised = number + 1 >= fewest and sum(map(broken, last)) >= min(at_least, len(last))
        if raised and point.at >= since:
            open_from = open_from or point.at
            highest = max(highest, *(one.value for one in last))
        elif not raised and open_from is not None:
            found.append((open_from, point.at, highest))
            open_from, highest = None, 0.0
    if open_from is not None:
        found.append((open_from, None, highest))
    return found


def case_of(drive: str, begun: datetime, ended: datetime | None, cases: Sequence[TrialCase]) -> TrialCase | None:
    """The case that was open on a drive in a time, or near it; of several the one that shows most: confirmed, then no
    fault, then undecided."""
    near = [
        case
        for case in cases
        if case.drive == drive
        and (ended is None or case.begun <= ended + AROUND)
        and (case.ended is None or case.ended >= begun - AROUND)
    ]
    return min(near, key=lambda case: (CLASSES.index(case.verdict), case.begun, case.id), default=None)
