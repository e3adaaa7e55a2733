"""A route's sheet in words: everything that its forms, on paper and on a screen, show, and nothing of how they look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from vibe import __version__
from vibe.core.route.route_plan import PointPlan, RoutePlan, StopPlan
from vibe.report import words
from vibe.storage.files import safe_name

ROUND = "round"
"""Folder that takes one round's captures, one folder in it for each drive."""
MOST_BOXES = 4
"""Boxes to tick in one row; more captures than that are written as a number next to them."""

SENT_BACK_TWICE = (
    "Do what the check asks for, one thing at a time: first the cable, then the sensor, then the logger's input.",
    "Measure the next point with the same sensor. If that is sent back too, the fault is in sensor, cable or logger; "
    "if it is accepted, it is in the place: clean it, mount the sensor anew, or move it by a hand's breadth.",
    "After the second try go on. Keep both captures, write down what was tried, and report the point; what cannot be "
    "mended is set out_of_use in the route, with the reason.",
)
"""What to do at a point whose second capture is no better (common practice)."""

_MOUNTINGS = {"stud": "stud", "adhesive": "thin adhesive", "magnet": "magnet", "probe": "hand-held probe"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PointLine:
    """One point in the words of the sheet."""

    plan: PointPlan
    boxes: int
    mounting: str
    warning: str
    """What the mounting costs, and which would not; empty: nothing."""
    files: tuple[str, ...]
    """Names of files that hold this point alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unseen:
    """What one drive keeps to itself at these settings, sorted by what would show it."""

    longer: tuple[tuple[str, str], ...]
    """Seconds, and the tones that this length shows."""
    other: tuple[tuple[str, str], ...]
    """What is needed, and the tones that it shows."""
    out_of_reach: str
    by_mounting: tuple[tuple[str, str], ...]
    """Point, and the tones that its mounting costs."""
    shared: str
    """Tones in band whose lines lie exactly on those of others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopSheet:
    """One stop in the words of the sheet."""

    number: int
    stop: StopPlan
    arrival: str
    here: str
    captures: int
    points: tuple[PointLine, ...]
    files: tuple[str, ...]
    """Names of files that hold several points; none where the route has no rule for them."""
    folder: str
    """Takes captures of this stop under any name."""
    seen: int
    """Tones that stand clear of all others."""
    together: int
    """Tones that can only be seen together with another."""
    unseen: Unseen


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteSheet:
    """The whole sheet, its stops in the order of the walk."""

    title: str
    note: str
    stops: tuple[StopSheet, ...]
    points: int
    """In use."""
    budget: tuple[tuple[str, str], ...]
    """What time is spent on, and how much as on a clock."""
    total: str
    cautions: tuple[str, ...]
    sent_back_twice: tuple[str, ...]
    software: str


def route_sheet(plan: RoutePlan, cautions: Sequence[str]) -> RouteSheet:
    """The sheet of a route."""
    times = plan.budget
    return RouteSheet(
        title=plan.title,
        note=plan.note,
        stops=tuple(_stops(plan)),
        points=sum(point.in_use for stop in plan.stops for point in stop.points),
        budget=(
            ("start", hours(times.start_s)),
            ("walking", hours(times.walking_s)),
            ("mounting", hours(times.mounting_s)),
            ("capturing", hours(times.capturing_s)),
            ("noting", hours(times.noting_s)),
            ("repeats", hours(times.repeats_s)),
        ),
        total=hours(times.total_s),
        cautions=tuple(cautions),
        sent_back_twice=SENT_BACK_TWICE,
        software=f"vibe {__version__}",
    )


def stop_folders(plan: RoutePlan) -> dict[str, str]:
    """Folder of each drive in ``round``, by its tag: safe on any system, whatever the tag holds."""
    return {stop.drive: safe_name(stop.drive) for stop in plan.stops}


def hours(seconds: float) -> str:
    """Hours and minutes as on a clock: ``1:05``."""
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _stops(plan: RoutePlan) -> Iterator[StopSheet]:
    passed = plan.budget.start_s
    folders = stop_folders(plan)
    for number, stop in enumerate(plan.stops, start=1):
        arrival = passed + stop.time.walking_s
        passed += stop.time.total_s
        yield StopSheet(
            number=number,
            stop=stop,
            arrival=hours(arrival),
            here=f"{(passed - arrival) / 60:.0f} min here",
            captures=stop.captures,
            points=tuple(_line(point, stop) for point in stop.points),
            files=tuple(file.path for file in stop.files if len(file.points) != 1),
            folder=f"{ROUND}/{folders[stop.drive]}",
            seen=sum(view.alone for view in stop.visibility),
            together=sum(view.seen and not view.alone for view in stop.visibility),
            unseen=_unseen(stop),
        )


def _line(point: PointPlan, stop: StopPlan) -> PointLine:
    warning = ""
    if point.in_use and point.better_mounting is not None and point.good_to_hz is not None:
        good_to = words.frequency(float(f"{point.good_to_hz:.2g}"))
        warning = f"good to {good_to} only: {_MOUNTINGS[point.better_mounting]} if you can"
    pulses = point.quantity == "tachometer"
    return PointLine(
        plan=point,
        boxes=0 if not point.in_use else 1 if pulses else min(point.captures, MOST_BOXES),
        mounting="pulse sensor" if pulses else _MOUNTINGS[point.mounting],
        warning=warning,
        files=tuple(file.path for file in stop.files if file.points == (point.name,)),
    )


def _unseen(stop: StopPlan) -> Unseen:
    by_length: dict[float, list[str]] = {}
    by_need: dict[str, list[str]] = {}
    for view in stop.visibility:
        if view.reach == "longer" and view.needs_duration_s is not None:
            by_length.setdefault(view.needs_duration_s, []).append(view.tone)
        elif view.reach == "other settings":
            by_need.setdefault(view.needs or view.why, []).append(view.tone)
    # What all points lose is said once, with what would show it; here only what one point loses against another.
    common = {view.tone for view in stop.visibility if not view.seen}
    return Unseen(
        longer=tuple((_length(seconds), tone_list(tones)) for seconds, tones in sorted(by_length.items())),
        other=tuple((need, tone_list(tones)) for need, tones in by_need.items()),
        out_of_reach=tone_list([view.tone for view in stop.visibility if view.reach == "out of reach"]),
        by_mounting=tuple(
            (f"{point.name}, {_MOUNTINGS[point.mounting]}", tone_list(lost))
            for point in stop.points
            if point.in_use and (lost := [tone for tone in point.loses if tone not in common])
        ),
        shared=_shared(stop),
    )


def _shared(stop: StopPlan) -> str:
    """``lobe = output pin; roller on input shaft``: groups of one order, and what lies on lines of another."""
    seen = {view.tone: view.shares for view in stop.visibility if view.seen and view.shares}
    said: list[str] = []
    done: set[str] = set()
    for tone, others in seen.items():
        equal = [other for other in others if tone in seen.get(other, ())]
        if equal and tone not in done:
            done |= {tone, *equal}
            said.append(" = ".join(words.component(one) for one in (tone, *equal)))
        elif not equal:
            said.append(f"{words.component(tone)} on lines of {words.component(others[0])}")
    return "; ".join(said)


def _length(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds <= 120 else f"{seconds / 60:.0f} min"


def tone_list(tones: Sequence[str]) -> str:
    """Tones in plain words, those of one bearing taken together."""
    parts: dict[str, list[str]] = {}
    for tone in tones:
        owner, _, part = tone.rpartition(".") if tone.startswith("bearing.") else ("", "", tone)
        parts.setdefault(owner or tone, []).append(part.replace("_", " ") if owner else words.component(tone))
    return "; ".join(
        f"{words.component(owner)}: {', '.join(names)}" if owner.startswith("bearing.") else names[0]
        for owner, names in parts.items()
    )
