"""A sample history of years, made on demand: captures, events, another system's alarms, and the truth.

``sample_signals/years.toml`` says what happens. Equal arguments give equal samples, however many processes make them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vibe.core.capture import Capture
from vibe.core.errors import CallError, OutputError
from vibe.storage.files import check_folder, write_whole
from vibe.synth.samples.demo import shared_folder
from vibe.synth.samples.years_alarms import ObservedCapture, exceedances, exceedances_csv, levels_of
from vibe.synth.samples.years_plan import PlannedCapture, plan_years
from vibe.synth.samples.years_spec import load_years
from vibe.synth.samples.years_truth import captures_csv, events_text, truth_text
from vibe.synth.simulate import simulate
from vibe.synth.writers import write_capture

AGAIN = "captures/delivered again"
"""Folder of the files that came a second time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureJob:
    """One capture and where it goes."""

    taking: PlannedCapture
    out: Path
    force: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What was made, and where it lies."""

    captures: int
    drives: Path
    folder: Path
    events: Path
    exceedances: Path
    truth: Path
    rows: int


Tell = Callable[[int, int, str], None]
Spread = Callable[
    [Callable[[CaptureJob], ObservedCapture], Sequence[CaptureJob], Callable[[int, ObservedCapture], None]],
    Sequence[ObservedCapture],
]
"""Does a list of jobs, in this process or in several, in whatever order; results in the order of the jobs."""


def one_by_one(
    work: Callable[[CaptureJob], ObservedCapture],
    jobs: Sequence[CaptureJob],
    done: Callable[[int, ObservedCapture], None],
) -> Sequence[ObservedCapture]:
    """All jobs in this process."""
    results: list[ObservedCapture] = []
    for job in jobs:
        results.append(work(job))
        done(len(results), results[-1])
    return results


def capture_of(taking: PlannedCapture) -> Capture:
    """The samples of one capture: the machine, then what each sensor's sensitivity makes of it."""
    capture = simulate(taking.drive, taking.damage, seed=taking.seed, conditions=taking.conditions)
    gain = dict(taking.gain)
    channels = tuple(
        replace(channel, samples=(channel.samples * gain.get(channel.name, 1.0)).astype(np.float32))
        for channel in capture.channels
    )
    return replace(capture, channels=channels)


def make_one(job: CaptureJob) -> ObservedCapture:
    """Write one capture; what another system read off it comes back."""
    capture = capture_of(job.taking)
    write_capture(capture, job.out / job.taking.file, force=job.force)
    taking = job.taking
    return ObservedCapture(tag=taking.drive.tag, week=taking.week, taken_at=taking.taken_at, levels=levels_of(capture))


def make(
    spec: Path | None,
    out: Path,
    *,
    only: Sequence[str] | None = None,
    most: int | None = None,
    weeks: Collection[int] | None = None,
    drives: Path | None = None,
    force: bool = False,
    spread: Spread = one_by_one,
    progress: Tell | None = None,
) -> Made:
    """Make the history that ``spec`` describes (the one of the sample water works unless given) in ``out``.

    Into ``out`` go ``captures/<tag>/``, ``drives/``, ``events.toml``, ``exceedances.csv``, ``truth.toml`` and
    ``truth_captures.csv``. ``only`` names drives by tag; ``most`` thins each drive to so many captures, evenly, first
    and last among them; ``weeks`` names the rounds that are made, all unless given. What is made of a round is the same
    whichever others are. ``drives`` is the folder of drive files. ``spread`` runs the jobs.

    Raises:
        ConfigError: the specification or a drive file is wrong.
        CallError: ``only`` names a drive that is not there, or ``most`` is below 1.
        OutputError: ``out`` holds something and ``force`` is not given, or cannot be written.
    """
    spec = spec or shared_folder("sample_signals") / "years.toml"
    drives = drives or shared_folder("configs") / "drives"
    years, found = load_years(spec, drives)
    tags = {drive.tag for drive in found.values()}
    if unknown := sorted(set(only or ()) - tags):
        raise CallError(f"no drive of the history is called {unknown[0]!r}; there are {', '.join(sorted(tags))}")
    if most is not None and most < 1:
        raise CallError(f"most {most} must be at least 1")
    if only is not None:
        found = {name: drive for name, drive in found.items() if drive.tag in only}
    check_folder(out)
    if not force and out.is_dir() and any(out.iterdir()):
        raise OutputError(f"{out} holds files already; give --force to replace them, or another --out")

    takings = tuple(one for one in plan_years(years, found) if weeks is None or one.week in weeks)
    if most is not None:
        takings = tuple(t for tag in tags for t in _thinned([t for t in takings if t.drive.tag == tag], most))
    jobs = [CaptureJob(taking=taking, out=out, force=force) for taking in takings]

    def tell(done: int, observed: ObservedCapture) -> None:
        if progress is not None:
            progress(done, len(jobs), f"{observed.tag}, {observed.taken_at:%Y-%m-%d}")

    if progress is not None:
        progress(0, len(jobs), "captures")
    observed = spread(make_one, jobs, tell)
    for taking in takings:
        if taking.week in years.delivered_again_weeks:
            again = out / AGAIN / Path(taking.file).name
            write_whole(again, (out / taking.file).read_bytes(), force=force)
    for name in found:
        write_whole(out / "drives" / name, (drives / name).read_bytes(), force=force)
    relearned = {found[e.file].tag: e.limits_learned_anew for e in years.drive if e.file in found}
    rows = exceedances(observed, years.alarms, relearned)
    made = Made(
        captures=len(jobs), drives=out / "drives", folder=out / "captures", events=out / "events.toml",
        exceedances=out / "exceedances.csv", truth=out / "truth.toml", rows=len(rows),
    )  # fmt: skip
    write_whole(made.events, events_text(years, found), force=force)
    write_whole(made.exceedances, exceedances_csv(rows), force=force)
    write_whole(out / "truth_captures.csv", captures_csv(takings), force=force)
    write_whole(made.truth, truth_text(years, found, takings, rows), force=force)
    return made


def _thinned(takings: Sequence[PlannedCapture], most: int) -> list[PlannedCapture]:
    if len(takings) <= most:
        return list(takings)
    places = np.unique(np.round(np.linspace(len(takings) - 1, 0, most)).astype(int))
    return [takings[place] for place in places]
