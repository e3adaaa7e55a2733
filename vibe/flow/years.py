"""A sample history of years, its captures made in several processes."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError
from vibe.flow.workers import Lost, each

if TYPE_CHECKING:
    from vibe.synth.years import Job, Made
    from vibe.synth.years_alarms import Heard


def make_years(
    out: Path,
    *,
    spec: Path | None = None,
    only: Sequence[str] | None = None,
    workers: int | None = None,
    force: bool = False,
    progress: Callable[[int, int, str], None] | None = None,
) -> Made:
    """Make the history in ``out`` on ``workers`` processes, as many as cores unless given.

    Raises:
        As ``vibe.synth.years.make``; also CallError where processes were ended from outside.
    """
    from vibe.synth.years import make

    count = workers or os.cpu_count() or 1

    def spread(
        work: Callable[[Job], Heard], jobs: Sequence[Job], done: Callable[[int, Heard], None]
    ) -> Sequence[Heard]:
        def take(number: int, result: Heard | Lost) -> None:
            if not isinstance(result, Lost):
                done(number, result)

        results = each(work, jobs, workers=count, again=_again, done=take)
        heard = [result for result in results if not isinstance(result, Lost)]
        if len(heard) < len(results):
            raise CallError(
                f"a process that made captures was ended from outside; try again with --workers 1 --out {out}"
            )
        return heard

    return make(spec, out, only=only, force=force, spread=spread, progress=progress)


def _again(job: Job) -> Job:
    """What a process had begun, or ended without telling, may be replaced."""
    from dataclasses import replace

    return replace(job, force=True)
