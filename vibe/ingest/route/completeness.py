"""A round against its plan: what came twice, what is of another time, what is still missing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence, Set
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import median

from vibe.core.route.round_check import Cause, Completeness, Expected, FileSeen, Missing, PointSeen
from vibe.core.route.route import folded
from vibe.ingest.route.field_rules import FieldRules, unusual_time, with_reason

AT_LEAST = 5
"""Captures with a time from which on their middle says when the round was."""


def completeness(
    files: Sequence[FileSeen], expected: Sequence[Expected], rules: FieldRules, *, now: datetime | None = None
) -> Completeness:
    """Every file with its final verdicts, and what the plan still wants.

    A capture that came before is set aside and counts for nothing; one that must be taken again counts for nothing
    either. ``files`` come in the order in which they are believed: of two that are alike the first is kept. ``now``
    is the time of this machine unless given.
    """
    seen = _one_clock(_in_its_time(_set_clocks(_once(files), now or datetime.now(UTC)), rules), rules)
    there = Counter(
        (file.drive, folded(point.point))
        for file in seen
        for point in file.points
        if point.verdict in ("accepted", "limited")
    )
    missing: list[Missing] = []
    for want in expected:
        key = (want.drive, folded(want.point))
        short = want.captures - there[key]
        if short > 0:
            missing.append(_missing(want, short, seen))
    settled = {(want.drive, folded(want.point)) for want in expected if there[want.drive, folded(want.point)]
               >= want.captures}  # fmt: skip
    files = tuple(_replaced(file, seen, settled) for file in seen)
    return Completeness(files=files, missing=(*missing, *_notes(seen, expected)), wanted=len(expected))


def _replaced(file: FileSeen, files: Sequence[FileSeen], settled: Set[tuple[str | None, str]]) -> FileSeen:
    """``file`` with those points marked that need no repeat, since a good capture of them is there."""
    points = tuple(
        replace(point, replaced_by=_good_file(file.drive, point.point, files))
        if point.verdict == "retake" and (file.drive, folded(point.point)) in settled
        else point
        for point in file.points
    )
    return file if points == file.points else replace(file, points=points)


def _good_file(drive: str | None, point: str, files: Sequence[FileSeen]) -> str:
    return next(
        file.path.name
        for file in files
        if file.drive == drive
        and any(folded(one.point) == folded(point) and one.verdict in ("accepted", "limited") for one in file.points)
    )


def _missing(want: Expected, short: int, files: Sequence[FileSeen]) -> Missing:
    """A point that lacks ``short`` good captures, with what is there of it."""
    own = [file for file in files if file.drive == want.drive]
    points = [(file, point) for file in own for point in file.points]
    sent_back = [file for file, one in points if folded(one.point) == folded(want.point) and one.verdict == "retake"]
    cause: Cause = "no capture"
    what = "no capture" if want.captures == 1 else f"{short} of {want.captures} captures still to come"
    remedy = "Take it, or copy it over if the logger holds it."
    broken = [
        file for file in own
        if file.error is not None and (file.named_point is None or folded(file.named_point) == folded(want.point))
    ]  # fmt: skip
    unnamed = [(file, one) for file, one in points if one.verdict == "extra"]
    copies = [file for file, one in points if folded(one.point) == folded(want.point) and one.verdict == "twice"]
    if sent_back:
        cause = "repeat"
        what = (
            "no good capture yet" if want.captures == 1 else f"{short} of {want.captures} good captures still to come"
        )
        remedy = "Repeat the measurement as stated for the file."
        if len(sent_back) >= MOST_TRIES:
            remedy = (
                f"Repeat it once more as stated for the files. {len(sent_back)} were sent back: if the next one is "
                "too, go on, write down what was tried and report the point."
            )
    elif copies and short == want.captures:
        cause, what = "repeat", f"its channel in {copies[0].path.name} holds the samples of another capture"
        remedy = "Connect each sensor to its own input, and repeat the measurement."
    elif broken:
        cause, what = "unreadable", _in_broken([file.path.name for file in broken])
        remedy = broken[0].remedy or "Do as stated for the file."
    elif unnamed:
        file = unnamed[0][0]
        names = [repr(one.point) for of, one in unnamed if of is file]
        several = len(names) > 1
        held = (
            f"{', '.join(names[:-1])} and {names[-1]}, which are no points" if several else f"{names[0]}, which is none"
        )
        cause, what = "unnamed", f"no channel is called so; {file.path.name} holds {held}"
        remedy = (
            f"If {'one of them' if several else 'that'} is it, call it {want.point!r} in the file's sidecar, or say so "
            "under point_names in the route: no new capture is needed."
        )
    return Missing(drive=want.drive, point=want.point, what=what, remedy=remedy, cause=cause)


def _in_broken(names: Sequence[str]) -> str:
    """Files that cannot be read and do not name their point may hold any of their drive."""
    if len(names) == 1:
        return f"its file {names[0]} cannot be read"
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f"it may be in a file that cannot be read: {', '.join(names[:MOST_NAMED])}{more}"


MOST_NAMED = 3
"""Files named in a sentence; more are counted."""
MOST_TRIES = 2
"""Captures of one point that were sent back, from which on another try alone is hardly worth its time (common
practice)."""


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
            notes.append(
                Missing(
                    drive=drive, point=None, what=what, remedy="Write it into the readings of the round, or a sidecar."
                )
            )
    return notes


def _once(files: Sequence[FileSeen]) -> list[FileSeen]:
    """Files and channels that hold what another held before are set aside."""
    whole: dict[str, FileSeen] = {}
    samples: dict[str, tuple[FileSeen, PointSeen]] = {}
    out = []
    for file in files:
        if file.content is not None and file.points and file.content in whole:
            first = whole[file.content]
            repeated = tuple(replace(point, verdict="twice", reasons=()) for point in file.points)
            remark = f"the same file as {first.path.name}; ignored"
            out.append(replace(file, points=repeated, remarks=(*file.remarks, remark)))
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
            remarks.append(f"{point.point}: the same samples as {where}; ignored")
            points.append(replace(point, verdict="twice", reasons=()))
        out.append(replace(file, points=tuple(points), remarks=tuple(remarks)))
    return out


def _in_its_time(files: Sequence[FileSeen], rules: FieldRules) -> list[FileSeen]:
    """Captures whose clock stands far from the middle of the round are reported as such."""
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
            point if point.verdict in ("twice", "extra") else with_reason(point, unusual_time(days), rules)
            for point in file.points
        )
        out.append(replace(file, points=points))
    return out


UNSET_YEARS = (1970, 1980, 1990, 2000)
"""Years at whose beginning clocks start that lost their battery (common practice)."""
UNSET_DAYS = 366
"""So long after such a beginning a clock is one that was not set: a battery lasted a year at most (our choice)."""
FUTURE_DAYS = 730
"""So far ahead of this machine's clock only a logger's can be wrong; this machine's may itself be off by a year."""


def _set_clocks(files: Sequence[FileSeen], now: datetime) -> list[FileSeen]:
    """Files whose clock was never set say so, and count as files without a time."""
    out = []
    for file in files:
        when = file.measured_at
        if when is not None and (
            any(timedelta(0) <= _utc(when) - datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=1)
                <= timedelta(days=UNSET_DAYS) for year in UNSET_YEARS)
            or (_utc(when) - now) > timedelta(days=FUTURE_DAYS)
        ):  # fmt: skip
            remark = (
                f"its clock says {when:%Y-%m-%d}, so it was not set: the time is not used; set the logger's clock, and "
                "write measured_at into the sidecar"
            )
            file = replace(file, measured_at=None, remarks=(*file.remarks, remark))
        out.append(file)
    return out


FEWEST_STOPS = 3
"""Drives at which both loggers were used, from which on the difference of their clocks is stated."""
WALK_S = 900.0
"""Two loggers at one drive are started within a quarter of an hour of each other (common practice)."""


def _one_clock(files: Sequence[FileSeen], rules: FieldRules) -> list[FileSeen]:
    """Two loggers whose clocks stand whole hours apart at the same drives are reported as such, once at the first
    file."""
    usual: dict[str, dict[str, float]] = {}
    for logger in {file.logger for file in files if file.logger is not None}:
        own: dict[str, list[float]] = {}
        for file in files:
            if file.logger == logger and file.drive is not None and file.measured_at is not None:
                own.setdefault(file.drive, []).append(_utc(file.measured_at).timestamp())
        usual[logger] = {drive: median(times) for drive, times in own.items()}
    out = list(files)
    names = sorted(usual)
    for place, first in enumerate(names):
        for second in names[place + 1 :]:
            shared = [usual[second][drive] - usual[first][drive] for drive in usual[first] if drive in usual[second]]
            if len(shared) < FEWEST_STOPS:
                continue
            hours = round(median(shared) / 3600)
            if hours == 0 or abs(hours) > 24 * rules.time.round_days:
                continue
            if sum(abs(gap - 3600 * hours) < WALK_S for gap in shared) < 0.8 * len(shared):
                continue
            at = next(drive for drive in usual[first] if drive in usual[second])
            index, other = (
                next(index for index, file in enumerate(out) if file.logger == logger and file.drive == at)
                for logger in (second, first)
            )
            remark = (
                f"the clocks of two loggers stand {abs(hours)} h apart at {len(shared)} drives: at {at} this one says "
                f"{out[index].measured_at:%H:%M}, that of {out[other].path.name} {out[other].measured_at:%H:%M}; set "
                "the clock that is wrong (summer time?), or give each logger its time_zone in the route"
            )
            out[index] = replace(out[index], remarks=(*out[index].remarks, remark))
    return out


def _utc(when: datetime) -> datetime:
    """On one clock; a time without offset counts as universal time."""
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)
