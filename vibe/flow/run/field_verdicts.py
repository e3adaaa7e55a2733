"""A run carries the verdicts of the check in the field: every file of the round, looked at as ``vibe check`` does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import VibeError
from vibe.flow.run.preparation import Plant, round_files

if TYPE_CHECKING:
    from vibe.core.drive_report import DriveReport
    from vibe.core.route.round_check import Completeness, FileSeen
    from vibe.core.route.run_notes import Retake
    from vibe.flow.jobs.executor import JobExecutor
    from vibe.flow.route.field_check import FieldJob, FieldResult
    from vibe.flow.settings import Settings
    from vibe.spectra.identity.point_likeness import Signature


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldVerdicts:
    """What the check says of a run's captures. ``likeness``: signatures of the points that were accepted, for the next
    round to be compared with."""

    call: Completeness | None = None
    likeness: Mapping[str, Mapping[str, Sequence[float | None]]] = field(default_factory=dict)

    def of(self, tag: str) -> tuple[FileSeen, ...]:
        """The files of one drive, as they were judged."""
        return () if self.call is None else tuple(file for file in self.call.files if file.drive == tag)

    def retakes(self) -> list[Retake]:
        """All that is to be repeated."""
        from vibe.health.state.sent_back import sent_back

        return [] if self.call is None else sent_back(self._open(self.call.files))

    def retakes_of(self, tag: str) -> list[Retake]:
        """What is to be repeated at one drive."""
        return [one for one in self.retakes() if one.drive == tag]

    def _open(self, files: Sequence[FileSeen]) -> list[FileSeen]:
        """Files that cannot be read are no loss where all points of their drive have good captures."""
        lacking = set() if self.call is None else {one.drive for one in self.call.missing if not one.known}
        return [file for file in files if file.error is None or file.drive is None or file.drive in lacking]


@dataclass(frozen=True, slots=True, kw_only=True)
class _KeptJob:
    path: Path
    tag: str


def field_verdicts(
    plant: Plant, target: Path, executor: JobExecutor, past: Mapping[str, Sequence[Path]]
) -> FieldVerdicts:
    """The verdicts on all files of a run whose recipe has a route; nothing where it has none.

    ``past``: files of earlier captures in a store, by drive, oldest first. They and what an earlier run left say how
    points used to be.
    """
    from vibe.core.route.route import folded
    from vibe.flow.jobs.executor import WorkerDied
    from vibe.flow.route.round import Round, by_point
    from vibe.spectra.identity.point_likeness import LATEST

    if plant.route is None or plant.route_path is None:
        return FieldVerdicts()
    round_ = Round.of(plant.route_path, plant.folder, readings=plant.readings_path)
    jobs = [round_.job(path) for path in round_files(plant, target)]
    looks = executor.each(_look, jobs)
    kept = [_KeptJob(path=path, tag=tag) for tag, files in past.items() for path in files[-LATEST:]]
    before = _earlier(plant)
    for job, like in zip(kept, executor.each(_likeness, kept), strict=True):
        own = before.setdefault(job.tag, {})
        for point, one in ({} if isinstance(like, WorkerDied) else like).items():
            own[point] = (*own.get(point, ()), one)
    seen = [round_.lost(job) if isinstance(look, WorkerDied) else look for job, look in zip(jobs, looks, strict=True)]
    call = round_.called(seen, before)
    accepted = {
        (file.drive, folded(point.point))
        for file in call.files for point in file.points if point.verdict in ("accepted", "limited")
    }  # fmt: skip
    likeness = {
        drive: {point: like[-1].plain() for point, like in own.items() if (drive, point) in accepted}
        for drive, own in by_point(seen).items()
    }
    return FieldVerdicts(call=call, likeness={drive: own for drive, own in likeness.items() if own})


def checked_report(
    report: DriveReport,
    files: Sequence[FileSeen],
    back: Sequence[Retake],
    settings: Settings,
    captures: int | None = None,
) -> DriveReport:
    """A drive's report with what the check says of its captures, and with as many of them as the route wants next."""
    from vibe.health.state.sent_back import with_check
    from vibe.kinematics.planning.capture_plan import capture_plan

    service = report.drive.service
    consequence = None if service is None else service.consequence
    if captures is not None:
        report = replace(report, plan=capture_plan(report.drive, report.tones, captures=captures))
    return replace(report, health=with_check(report.health, files, back, settings.judgement, consequence))


def _look(job: FieldJob, _: object) -> FieldResult:
    from vibe.flow.route.field_check import look_at

    return look_at(job)


def _likeness(job: _KeptJob, _: object) -> dict[str, Signature]:
    from vibe.flow.capture_folder import plain_reader
    from vibe.flow.route.field_check import signatures

    try:
        return signatures(plain_reader(job.path))
    except VibeError:
        return {}  # What is wrong with a store is said where its captures are compared.


def _earlier(plant: Plant) -> dict[str, dict[str, tuple[Signature, ...]]]:
    """What an earlier run left, under today's tags."""
    from vibe.core.route.route import folded
    from vibe.spectra.identity.point_likeness import Signature

    if plant.earlier is None or plant.route is None:
        return {}
    left = {folded(tag): own for tag, own in plant.earlier.likeness.items()}
    found: dict[str, dict[str, tuple[Signature, ...]]] = {}
    for stop in plant.route.stop:
        for tag in (*stop.formerly, stop.drive):
            for point, values in left.get(folded(tag), {}).items():
                found.setdefault(stop.drive, {})[folded(point)] = (Signature.of_plain(values),)
    return found
