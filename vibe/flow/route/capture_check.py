"""Captures in the field: is each good, must it be taken again, and what of the route is still missing?"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CaptureError
from vibe.flow.diagnose.segments import Tell, assessed, silent
from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.core.capture import Capture, ChannelQuality
    from vibe.core.tones import PlannedSettings


FEWEST_PER_PROCESS = 20
"""Files that pay for the start of one more process: a check takes some 40 ms, a process one second to begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    path: Path
    tag: str | None
    speed_hz: float | None
    planned: PlannedSettings | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedCapture:
    """The verdict on one file; ``error`` when it cannot be read."""

    path: Path
    error: str | None
    quality: tuple[ChannelQuality, ...]
    remarks: tuple[str, ...] = ()


def check_files(
    captures: Sequence[Path],
    drive_path: Path | None,
    *,
    workers: int | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> tuple[CheckedCapture, ...]:
    """Quality verdicts, file by file; a file that cannot be read does not stop the rest. ``workers`` None: as many
    processes as are worth their start. ``progress`` counts the files, or the segments of a single long one.

    Raises:
        ConfigError: the drive file is wrong.
    """
    from vibe.flow.jobs.executor import ENDED_READING, WorkerDied, each

    tag, speed_hz, planned = None, None, None
    if drive_path is not None:
        from vibe.kinematics.planning.capture_plan import capture_plan

        drive, table = tones_of(drive_path)
        tag, speed_hz, planned = drive.tag, drive.input.speed_hz, capture_plan(drive, table).settings
    jobs = [_Job(path=path, tag=tag, speed_hz=speed_hz, planned=planned) for path in captures]
    if len(jobs) == 1:
        return (_checked(jobs[0], _of_segments(progress, jobs[0].path.name)),)
    count = workers if workers is not None else min(len(jobs) // FEWEST_PER_PROCESS, os.cpu_count() or 1)

    def tell(done: int, result: CheckedCapture | WorkerDied) -> None:
        if progress is not None:
            progress(done, len(jobs), result.path.name if isinstance(result, CheckedCapture) else "")

    return tuple(
        CheckedCapture(path=job.path, error=ENDED_READING, quality=()) if isinstance(result, WorkerDied) else result
        for job, result in zip(jobs, each(_checked, jobs, workers=max(1, count), done=tell), strict=True)
    )


def _of_segments(progress: Callable[[int, int, str], None] | None, name: str) -> Tell:
    """Is called with the segments of one file. They are read twice where a diagnosis follows, and once here."""

    def tell(done: int, twice: int) -> None:
        if progress is not None:
            progress(done, twice // 2, name)

    return tell


def _checked(job: _Job, tell: Tell = silent) -> CheckedCapture:
    from vibe.ingest import read_capture

    try:
        return check_capture(read_capture(job.path), tag=job.tag, speed_hz=job.speed_hz, planned=job.planned, tell=tell)
    except CaptureError as error:
        return CheckedCapture(path=job.path, error=error.reason, quality=())


def check_capture(
    capture: Capture,
    *,
    tag: str | None = None,
    speed_hz: float | None = None,
    planned: PlannedSettings | None = None,
    tell: Tell = silent,
) -> CheckedCapture:
    """The verdict on one capture that is in memory; the speed of its drive ``tag`` sharpens it, and remedies name the
    settings ``planned`` for it.

    Raises:
        CaptureError: a long recording cannot be read to its end.
    """
    quality = assessed(capture, speed_hz, tell=tell, planned=planned).quality
    remarks = list(capture.remarks)
    if tag is not None and capture.drive not in (None, tag):
        remarks.append(f"the file says drive {str(capture.drive)[:80]!r}, the check is for {tag!r}")
    return CheckedCapture(path=capture.source, error=None, quality=quality, remarks=tuple(remarks))
