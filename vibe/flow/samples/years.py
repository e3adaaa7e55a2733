"""A sample history of years, its captures made in several processes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.flow.samples.parallel_writing import made

if TYPE_CHECKING:
    from vibe.synth.samples.years import CaptureJob, Made
    from vibe.synth.samples.years_alarms import ObservedCapture


def make_years(
    out: Path,
    *,
    spec: Path | None = None,
    only: Sequence[str] | None = None,
    weeks: Collection[int] | None = None,
    workers: int | None = None,
    force: bool = False,
    progress: Callable[[int, int, str], None] | None = None,
) -> Made:
    """Make the history in ``out`` on ``workers`` processes, as many as cores unless given; ``weeks`` are
    the rounds that are made, all unless named.

    Raises:
        As ``vibe.synth.samples.years.make``; also CallError where processes were ended from outside.
    """
    from vibe.synth.samples.years import make

    def spread(
        work: Callable[[CaptureJob], ObservedCapture],
        jobs: Sequence[CaptureJob],
        done: Callable[[int, ObservedCapture], None],
    ) -> Sequence[ObservedCapture]:
        return made(work, jobs, workers=workers, done=done, again=f"--workers 1 --out {out}")

    return make(spec, out, only=only, weeks=weeks, force=force, spread=spread, progress=progress)
