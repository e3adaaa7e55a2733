"""The sample commissioning sets, their captures made in several processes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from vibe.flow.samples.parallel_writing import counting, made
from vibe.storage.files import check_folder


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSets:
    """Files of the sets, and what is really in them."""

    files: tuple[Path, ...]
    truth: Path
    captures: int


def make_commissioning(
    out: Path,
    *,
    spec: Path | None = None,
    only: Sequence[str] | None = None,
    workers: int | None = None,
    force: bool = False,
    progress: Callable[[int, int, str], None] | None = None,
) -> SampleSets:
    """Make the sample sets in ``out``, the shipped ones unless ``spec`` is given; ``only`` some, by name.

    What an interrupted call has left is completed.

    Raises:
        ConfigError: the description is wrong. CallError: a set that is not there; a process ended from outside.
        OutputError: they are there already and ``force`` is not given, or cannot be written.
    """
    from vibe.synth.samples.commissioning import TRUTH, take, takings, write_sets

    check_folder(out)
    given, jobs = takings(out, spec=spec, only=only, force=force)
    missing = [job for job in jobs if force or not job.file.exists()]
    made(take, missing, workers=workers, done=counting(progress, len(missing)), again="--workers 1 --force")
    files = write_sets(out, given, jobs, force=force)
    return SampleSets(files=files, truth=out / TRUTH, captures=len(jobs))
