"""A round of a route, checked in the field: file by file in whatever process, then all of it against the plan."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError
from vibe.core.route.round_check import Completeness, Expected, FileSeen, Missing
from vibe.core.route.route import folded
from vibe.flow.route.copies import Prints, by_place, with_copies
from vibe.flow.route.field_check import Asked, FieldJob, FieldResult, asked_of, look_at, noted_of

if TYPE_CHECKING:
    from vibe.core.route.readings import RoundReadings
    from vibe.ingest.route.field_rules import FieldRules
    from vibe.spectra.identity.point_likeness import Signature

Progress = Callable[[int, int, str], None]
Earlier = Mapping[str, Mapping[str, tuple["Signature", ...]]]
"""Signatures of earlier captures, by drive and point."""
Known = Mapping[str, Path]
"""Files of an earlier round by the hashes of their channels' samples."""
NOT_COMPARED = ("bent", "fading", "gain_step", "pulses_leak", "ran_for_a_part", "slew_limited", "thinned")
"""Codes of reasons by which a point's level in the middle of a capture, or its spectrum, is none of the machine's."""
FEWEST_PER_PROCESS = 8
"""A process takes some three seconds to start; fewer captures are read by then."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WatchResult:
    """One look at a folder that is watched: verdicts that are new, and the roll call as it stands. ``away``: the folder
    is not there just now; ``closed``: folders in it that may not be read; ``trouble``: why the readings of before are
    kept."""

    call: Completeness
    changed: tuple[FileSeen, ...]
    gone: tuple[Path, ...]
    waiting: tuple[Path, ...]
    away: bool = False
    closed: tuple[Path, ...] = ()
    trouble: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Round:
    """A folder of captures of a route. ``earlier``: the folder of an earlier round; ``readings``: a file of what was
    read at the stops."""

    route_path: Path
    folder: Path
    earlier: Path | None = None
    readings: Path | None = None

    @classmethod
    def of(cls, route_path: Path, folder: Path, earlier: Path | None = None, readings: Path | None = None) -> Round:
        """Raises: ConfigError where route, drive files or readings are wrong, CallError where a folder is none."""
        for place in (folder, earlier):
            if place is not None and not place.is_dir():
                what = (
                    "is a file where a folder of captures is needed" if place.exists() else "is no folder of captures"
                )
                raise CallError(f"{place} {what}")
        one = cls(route_path=route_path, folder=folder, earlier=earlier, readings=readings)
        one._ready()
        if readings is not None:
            one._noted(_changed_ns(readings))
        return one

    @property
    def points(self) -> int:
        """Points that the plan wants."""
        return len(_expected(self._ready()))

    def nothing(self) -> Completeness:
        """The roll call of an empty folder."""
        return self.called([], {})

    def checked(
        self, *, workers: int | None = None, cluster: str | None = None, progress: Progress | None = None
    ) -> Completeness:
        """Every capture of the folder, and what is missing.

        Raises:
            CallError: the folder holds nothing that looks like a capture, or the cluster does not answer.
        """
        from vibe.ingest import find_captures

        found = find_captures(self.folder)
        if not found:
            raise CallError(f"{self.folder} holds no capture in a known format")
        before = self._earlier_jobs()
        jobs = [*before, *(self.job(path) for path in found)]
        looks = _fanned_out(jobs, workers, cluster, progress)
        past = looks[: len(before)]
        return self.called(looks[len(before) :], by_point(past), _by_content(past), by_place(past))

    def watched(self) -> Iterator[WatchResult]:
        """Verdicts as files arrive; each ``next`` is one look at the folder."""
        from vibe.ingest.config.sidecar import FOLDER_FILE
        from vibe.ingest.formats.registry import SUFFIXES
        from vibe.storage.settled_files import FolderWatch, arrivals

        past = [look_at(job) for job in self._earlier_jobs()]
        before, known_samples, prints = by_point(past), _by_content(past), by_place(past)
        looks: dict[Path, FieldResult] = {}
        known_files: dict[Path, FileSeen] = {}
        redo: set[Path] = set()
        readings = _Rereading(self)
        was_away = False
        watch = FolderWatch(self.folder, SUFFIXES, FOLDER_FILE, empty=True)
        for step in arrivals(watch, self.folder, redo=redo):
            if step.away or was_away:
                # What could not be read as the card was pulled is read again.
                redo |= {path for path, look in looks.items() if look.seen.error is not None}
                was_away = step.away
            for path in step.gone:
                looks.pop(path, None)
                known_files.pop(path, None)
            drives = readings.changed()
            redo |= {path for path, look in looks.items() if folded(look.seen.drive or "") in drives}
            # One after the other, so that each verdict stands on the screen as soon as it is known.
            for path in step.whole:
                look = look_at(self.job(path, readings_ns=readings.changed_ns))
                if look.seen.error is not None and not path.is_file():
                    redo.add(path)
                    continue
                looks[path] = look
                call = self.called(list(looks.values()), before, known_samples, prints)
                changed = tuple(file for file in call.files if known_files.get(file.path) != file)
                known_files = {file.path: file for file in call.files}
                yield WatchResult(call=call, changed=changed, gone=(), waiting=())
            call = self.called(list(looks.values()), before, known_samples, prints)
            yield WatchResult(
                call=call, changed=(), gone=step.gone, waiting=step.waiting, away=step.away, closed=step.closed,
                trouble=readings.trouble,
            )  # fmt: skip

    def _ready(self) -> Asked:
        return asked_of(self.route_path, _changed_ns(self.route_path))

    def _noted(self, changed_ns: int) -> RoundReadings:
        """Raises: ConfigError where the file of readings is wrong."""
        assert self.readings is not None
        return noted_of(self.readings, changed_ns, self.route_path, _changed_ns(self.route_path))

    def job(self, path: Path, *, folder: Path | None = None, readings_ns: int | None = None) -> FieldJob:
        """What is to be done with one file; ``folder``: of an earlier round."""
        noted = self.readings if folder is None else None
        if readings_ns is None:
            readings_ns = 0 if noted is None else _changed_ns(noted)
        return FieldJob(
            path=path, folder=folder or self.folder, route_path=self.route_path,
            changed_ns=_changed_ns(self.route_path), readings_path=noted, readings_ns=readings_ns,
            like_only=folder is not None, prints=self.earlier is not None,
        )  # fmt: skip

    def _earlier_jobs(self) -> list[FieldJob]:
        from vibe.ingest import find_captures

        if self.earlier is None:
            return []
        # An earlier round may lie around this one, as a year's folder does around a month's.
        here = self.folder.resolve()
        return [
            self.job(path, folder=self.earlier)
            for path in find_captures(self.earlier)
            if not path.resolve().is_relative_to(here)
        ]

    @staticmethod
    def lost(job: FieldJob) -> FieldResult:
        """In place of a look whose process was ended from outside."""
        from vibe.flow.jobs.executor import ENDED_READING, TRY_AGAIN

        seen = FileSeen(path=job.path, error=ENDED_READING, remedy=f"{TRY_AGAIN.capitalize()}.")
        return FieldResult(seen=seen, like={})

    def called(
        self,
        looks: Sequence[FieldResult],
        before: Earlier,
        known: Known | None = None,
        prints: Prints | None = None,
    ) -> Completeness:
        """Looks at all files of a round put together, ``before`` as points used to be, ``known`` what an earlier round
        delivered and ``prints`` its noise."""
        from vibe.ingest.route.completeness import completeness

        asked = self._ready()
        walk = {tag: number for number, tag in enumerate(asked.stops)}

        def place(one: FieldResult) -> tuple[bool, int, str]:
            """Of two alike the first is kept: one that has its place on the walk, by its name."""
            stray = all(point.verdict == "extra" for point in one.seen.points)
            return stray, walk.get(one.seen.drive or "", len(walk)), str(one.seen.path)

        ordered = sorted(looks, key=place)
        files = _with_shifts(ordered, _with_exchanges(ordered, before, asked.rules), before, asked.rules)
        files = with_copies(files, ordered, prints or {}, asked.rules)
        files = _with_old(files, known or {}, asked.rules)
        call = completeness(files, _expected(asked), asked.rules)
        return replace(call, missing=(*call.missing, *_out_of_use(asked)))


class _Rereading:
    """The readings of a round while it is watched: typed meanwhile, they are read again. Of a file that has become
    wrong the readings of before are kept."""

    def __init__(self, round_: Round) -> None:
        self._round, self.trouble = round_, ""
        self.changed_ns = 0 if round_.readings is None else _changed_ns(round_.readings)
        self._seen_ns = self.changed_ns
        self._known = None if round_.readings is None else round_._noted(self.changed_ns)

    def changed(self) -> set[str]:
        """Folded tags of the drives whose readings are others than at the last look."""
        path = self._round.readings
        if path is None or self._known is None:
            return set()
        now_ns = _changed_ns(path)
        if now_ns in (0, self._seen_ns):
            return set()
        self._seen_ns = now_ns
        try:
            fresh = self._round._noted(now_ns)
        except ConfigError as error:
            self.trouble = str(error)
            return set()
        before, self._known, self.changed_ns, self.trouble = self._known, fresh, now_ns, ""
        return {tag for tag in {**before.stops, **fresh.stops} if before.stops.get(tag) != fresh.stops.get(tag)}


def _changed_ns(path: Path) -> int:
    """When a file was changed; 0 where it is not there."""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def _expected(asked: Asked) -> list[Expected]:
    """In the order of the walk."""
    return [
        Expected(
            drive=tag,
            point=plan.name,
            captures=plan.captures,
            speed_to_note="speed" in asked.stops[tag].note,
            load_to_note="load" in asked.stops[tag].note,
        )
        for tag in asked.stops
        for plan in asked.plans[tag].points
        if plan.in_use
    ]


def _out_of_use(asked: Asked) -> list[Missing]:
    return [
        Missing(drive=tag, point=point.name, what="out of use", remedy=point.out_of_use, known=True)
        for tag, stop in asked.stops.items()
        for point in stop.point
        if point.out_of_use
    ]


def by_point(looks: Sequence[FieldResult]) -> Earlier:
    """Signatures by drive and point, in the order of ``looks``."""
    out: dict[str, dict[str, tuple[Signature, ...]]] = {}
    for look in looks:
        for point, like in look.like.items():
            own = out.setdefault(look.seen.drive or "", {})
            own[point] = (*own.get(point, ()), like)
    return out


def _by_content(looks: Sequence[FieldResult]) -> Known:
    """The file of an earlier round that holds each channel's samples; of several the first."""
    known: dict[str, Path] = {}
    for look in looks:
        for point in look.seen.points:
            if point.content is not None:
                known.setdefault(point.content, look.seen.path)
    return known


def _with_old(files: Sequence[FileSeen], known: Known, rules: FieldRules) -> list[FileSeen]:
    """Points whose samples an earlier round delivered already: whatever else is to be said of them is not of today."""
    from vibe.ingest.route import field_rules

    out = []
    for file in files:
        points = []
        for point in file.points:
            before = known.get(point.content or "")
            if before is not None and point.verdict != "extra":
                reason = field_rules.delivered_before(before.name)
                point = field_rules.with_reason(replace(point, reasons=()), reason, rules)
            points.append(point)
        out.append(replace(file, points=tuple(points)))
    return out


def _with_exchanges(looks: Sequence[FieldResult], before: Earlier, rules: FieldRules) -> list[FileSeen]:
    """Points of one drive that sound like one another's earlier captures are reported as such."""
    from vibe.ingest.route import field_rules
    from vibe.spectra.identity.point_likeness import exchanged

    swapped: dict[tuple[str, str], str] = {}
    alike: dict[str, list[tuple[str, str]]] = {}
    for drive, own in before.items():
        now: dict[str, Signature] = {}
        good: dict[str, str] = {}
        for look in looks:
            if look.seen.drive == drive:
                now |= look.like
                good |= {folded(p.point): p.point for p in look.seen.points if p.verdict in ("accepted", "limited")}
        compared = exchanged(now, own)
        for pair in compared.exchanged:
            swapped |= {(drive, pair.first): pair.second, (drive, pair.second): pair.first}
        alike[drive] = [(good[one], good[two]) for one, two in compared.alike if one in good and two in good]
    files = []
    for look in looks:
        points = []
        for point in look.seen.points:
            other = swapped.get((look.seen.drive or "", folded(point.point)))
            if other is not None and point.verdict != "extra":
                reason = field_rules.exchanged(point.point, other, "in the earlier round")
                point = field_rules.with_reason(point, reason, rules)
            points.append(point)
        # Once for each drive, at its first file.
        said = [field_rules.too_much_alike(*pair) for pair in alike.pop(look.seen.drive or "", [])]
        files.append(replace(look.seen, points=tuple(points), remarks=(*look.seen.remarks, *said)))
    return files


def _with_shifts(
    looks: Sequence[FieldResult], files: Sequence[FileSeen], before: Earlier, rules: FieldRules
) -> list[FileSeen]:
    """Points all of whose bands moved alike since the earlier round are reported as such; ``files`` run parallel to
    ``looks``."""
    from vibe.ingest.route import field_rules
    from vibe.spectra.identity.level_shift import fallen_db, shift, unchanged

    out = []
    for look, file in zip(looks, files, strict=True):
        earlier = before.get(file.drive or "", {})
        points = []
        for point in file.points:
            name = folded(point.point)
            moved = shift(look.like[name], earlier.get(name, ())) if name in look.like else None
            known = {reason.code for reason in point.reasons}
            settled = moved is None and name in look.like and unchanged(look.like[name], earlier.get(name, ()))
            if settled and "loose_mount" in known:
                point = field_rules.as_before(point, "loose_mount", rules)
            if moved is not None and point.verdict != "extra" and not known & {"exchanged", *NOT_COMPARED}:
                since = "in the earlier round"
                if moved.kind == "scale":
                    reason = field_rules.scaled(moved.factor, since)
                elif moved.rings_hz is not None:
                    reason = field_rules.softer_mount(moved.rings_hz, since)
                else:
                    reason = field_rules.other_quantity(moved.kind, "the earlier round")
                point = field_rules.with_reason(point, reason, rules)
            elif (
                moved is None
                and name in look.like
                and point.verdict != "extra"
                and not known & {"at_rest", "exchanged", *NOT_COMPARED}
                # A cable that is dead, or a machine that stands, is said already, and with its own remedy.
                and not any(reason.verdict == "rejected" for reason in point.reasons)
            ):
                fell_db = fallen_db(look.like[name], earlier.get(name, ()))
                if fell_db is not None:
                    point = field_rules.with_reason(point, field_rules.fallen(fell_db, "in the earlier round"), rules)
            points.append(point)
        out.append(replace(file, points=tuple(points)))
    return out


def _fanned_out(
    jobs: Sequence[FieldJob], workers: int | None, cluster: str | None, progress: Progress | None
) -> list[FieldResult]:
    from vibe.flow.jobs.executor import JobExecutor, WorkerDied

    def tell(done: int, result: FieldResult | WorkerDied) -> None:
        if progress is not None:
            progress(done, len(jobs), result.seen.drive or "" if isinstance(result, FieldResult) else "")

    count = workers if workers is not None else (min(len(jobs) // FEWEST_PER_PROCESS, os.cpu_count() or 1) or 1)
    places = {place for job in jobs for place in (job.folder, job.route_path, job.readings_path)}
    sees = sorted(place for place in places if place is not None)
    with JobExecutor(min(count, len(jobs)), cluster=cluster, sees=sees) as executor:
        looks = executor.each(look_at, jobs, done=tell)
    return [
        Round.lost(job) if isinstance(result, WorkerDied) else result
        for job, result in zip(jobs, looks, strict=True)
    ]  # fmt: skip
