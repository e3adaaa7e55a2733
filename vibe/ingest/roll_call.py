"""A round against its plan: what came twice, what is of another time, what is still missing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import median

from vibe.core.round import Expected, FileSeen, Missing, PointSeen, RollCall
from vibe.core.route import folded
from vibe.ingest.on_the_spot import SpotRules, unusual_time, verdict

AT_LEAST = 5
"""Captures with a time from which on their middle says when the round was."""


def roll_call(files: Sequence[FileSeen], expected: Sequence[Expected], rules: SpotRules) -> RollCall:
    """Every file with its final verdicts, and what the plan still wants.

    A capture that came before is set aside and counts for nothing; one that must be taken again counts for nothing
    either. ``files`` come in the order in which they are believed: of two that are alike the first is kept.
    """
    seen = _in_its_time(_once(files), rules)
    there = Counter(
        (file.drive, folded(point.point))
        for file in seen
        for point in file.points
        if point.verdict in ("accepted", "limited")
    )
    again = {(file.drive, folded(point.point)) for file in seen for point in file.points if point.verdict == "retake"}
    missing: list[Missing] = []
    for want in expected:
        key = (want.drive, folded(want.point))
        short = want.captures - there[key]
        if short > 0:
            missing.append(_missing(want, short, again=key in again))
    return RollCall(files=tuple(seen), missing=(*missing, *_notes(seen, expected)))


def _missing(want: Expected, short: int, *, again: bool) -> Missing:
    if again:
        what = (
            "no good capture yet" if want.captures == 1 else f"{short} of {want.captures} good captures still to come"
        )
        return Missing(
            drive=want.drive, point=want.point, what=what, remedy="Take it again as said at the file.", taken=True
        )
    what = "no capture" if want.captures == 1 else f"{short} of {want.captures} captures still to come"
    return Missing(
        drive=want.drive, point=want.point, what=what, remedy="Take it, or copy it over if the logger holds it."
    )


def _notes(files: Sequence[FileSeen], expected: Sequence[Expected]) -> list[Missing]:
    """Speed and load that should have been written down at drives that were measured."""
    notes = []
    for drive in dict.fromkeys(want.drive for want in expected):
        own = [
            file
            for file in files
            if file.drive == drive and any(point.verdict in ("accepted", "limited") for point in file.points)
        ]
        wanted = [want for want in expected if want.drive == drive]
        open_notes = [
            what
            for what, asked, given in (
                ("speed", any(w.speed_to_note for w in wanted), any(f.speed_noted for f in own)),
                ("load", any(w.load_to_note for w in wanted), any(f.load_noted for f in own)),
            )
            if own and asked and not given
        ]
        if open_notes:
            what = f"{' and '.join(open_notes)} not noted"
            notes.append(Missing(drive=drive, point=None, what=what, remedy="Write it into the sidecar."))
    return notes


def _once(files: Sequence[FileSeen]) -> list[FileSeen]:
    """Files and channels that hold what another held before are set aside."""
    whole: dict[str, FileSeen] = {}
    samples: dict[str, tuple[FileSeen, PointSeen]] = {}
    out = []
    for file in files:
        if file.content is not None and file.points and file.content in whole:
            first = whole[file.content]
            aside = tuple(replace(point, verdict="twice", reasons=()) for point in file.points)
            remark = f"the same file as {first.path.name}; set aside"
            out.append(replace(file, points=aside, remarks=(*file.remarks, remark)))
            continue
        if file.content is not None:
            whole[file.content] = file
        points, remarks = [], list(file.remarks)
        for point in file.points:
            first_with = samples.get(point.content) if point.content is not None else None
            if first_with is None:
                if point.content is not None:
                    samples[point.content] = (file, point)
                points.append(point)
                continue
            of_file, of_point = first_with
            same = of_file.drive == file.drive and folded(of_point.point) == folded(point.point)
            where = of_file.path.name if same else f"{of_file.drive or '?'}, {of_point.point} ({of_file.path.name})"
            remarks.append(f"{point.point}: the same samples as {where}; set aside")
            points.append(replace(point, verdict="twice", reasons=()))
        out.append(replace(file, points=tuple(points), remarks=tuple(remarks)))
    return out


def _in_its_time(files: Sequence[FileSeen], rules: SpotRules) -> list[FileSeen]:
    """Captures whose clock stands far from the middle of the round are told so."""
    times = [_utc(file.measured_at).timestamp() for file in files if file.measured_at is not None]
    if len(times) < AT_LEAST:
        return list(files)
    middle = datetime.fromtimestamp(median(times), UTC)
    out = []
    for file in files:
        off = timedelta(0) if file.measured_at is None else _utc(file.measured_at) - middle
        days = off / timedelta(days=1)
        if abs(days) <= rules.time.round_days:
            out.append(file)
            continue
        points = tuple(
            point
            if point.verdict in ("twice", "extra")
            else replace(
                point, reasons=(reasons := (*point.reasons, unusual_time(days))), verdict=verdict(reasons, rules)
            )
            for point in file.points
        )
        out.append(replace(file, points=points))
    return out


def _utc(when: datetime) -> datetime:
    """On one clock; a time without offset counts as universal time."""
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)
