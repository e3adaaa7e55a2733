"""A practice round, its captures made in several processes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.flow.samples.parallel_writing import counting, made
from vibe.storage.files import check_folder, write_whole

if TYPE_CHECKING:
    from vibe.synth.samples.route_round import Month


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeOutcome:
    """The rounds, and what is really in them. ``april``, ``may``: None where the description has none."""

    february: Path
    march: Path
    april: Path | None
    may: Path | None
    truth: Path
    captures: int


def make_practice(
    out: Path,
    *,
    spec: Path | None = None,
    only: Sequence[str] | None = None,
    months: Sequence[Month] | None = None,
    workers: int | None = None,
    force: bool = False,
    progress: Callable[[int, int, str], None] | None = None,
) -> PracticeOutcome:
    """Make the practice round in ``out``, the shipped one unless ``spec`` is given; ``only`` some drives, by tag, and
    ``months`` some rounds.

    Raises:
        ConfigError: the description is wrong.
        OutputError: it is there already and ``force`` is not given, or cannot be written.
        CallError: a tag that is not in the round; processes that were ended from outside.
    """
    from vibe.synth.samples.route_round import TRUTH, take, takings, truth_text

    check_folder(out)
    jobs = takings(out, spec=spec, only=only, months=months, force=force)

    # Long captures first, so that no process is left alone with one at the end.
    ordered = sorted(jobs, key=lambda job: -job.entry.seconds * job.entry.rate_hz)
    results = made(take, ordered, workers=workers, done=counting(progress, len(jobs)), again="--workers 1 --force")
    paths = {(job.month, job.drive.tag): result for job, result in zip(ordered, results, strict=True)}
    pairs = [(job, paths[job.month, job.drive.tag]) for job in jobs]
    truth = write_whole(out / TRUTH, truth_text(pairs, out), force=force)
    return PracticeOutcome(
        february=out / "february",
        march=out / "march",
        april=out / "april" if any(job.month == "april" for job in jobs) else None,
        may=out / "may" if any(job.month == "may" for job in jobs) else None,
        truth=truth,
        captures=sum(len(written) for _, written in pairs),
    )
