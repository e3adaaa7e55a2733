"""How small an impact of each part a set's captures would have shown: tried, by adding such impacts to them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.flow.diagnose.added_impacts import FirstLook, findings_with, first_look
from vibe.flow.diagnose.capture_diagnosis import diagnose_samples

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.drive import Drive
    from vibe.core.health import Finding
    from vibe.core.tones import Tone, ToneTable
    from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
    from vibe.flow.settings import Settings

STEP = 1.5
"""From one size that is tried to the next: 3.5 dB."""
MOST_STEPS = 8
"""Sizes tried at most: a factor of 17."""
TRIALS = 3
"""Of one size, that must all be found: with low, middle and high resonances, each third of their range once."""
MARGIN = 1.5
"""By how much more is stated than was found in all trials: of other captures 92 % showed what three of three had shown,
94 % what is stated (``python -m tests.studies.shown_size``)."""
FIRST = 4.0
"""Size of the first trial over what lines would show in their band alone: impacts ring beyond it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlantJob:
    """Tones to be tried in one capture, beginning with impacts of ``first`` [m/s²]."""

    path: Path
    tones: tuple[str, ...]
    first: float
    drive: Drive
    table: ToneTable
    settings: Settings
    seed: int = 0


def plant(job: PlantJob) -> dict[str, float | None]:
    """The size stated for each tone, None where even large impacts were not found; in whatever process."""
    from vibe.ingest import read_capture

    capture = read_capture(job.path)
    plain = first_look(capture, diagnosed(capture, job), job.drive, job.table)
    found: dict[str, float | None] = {}
    size = job.first
    for tone in job.tones:
        shown = _smallest(capture, plain, job, tone, size)
        found[tone] = None if shown is None else shown * MARGIN
        # The next part is probably shown by about as much; had it been less, nobody would have asked.
        size = size if shown is None else max(shown / STEP, job.first)
    return found


def diagnosed(capture: Capture, job: PlantJob) -> CaptureDiagnosis:
    """As the set's captures were."""
    return diagnose_samples(capture, job.drive, job.table, job.settings)


def with_impacts(
    capture: Capture, plain: CaptureDiagnosis, tone: Tone, size_m_s2: float, seed: int, third: int
) -> Capture | None:
    """The capture with impacts of that peak in every channel that was analysed, each ringing at a resonance of its own
    in that ``third`` of their range; None where it has no speed or no channel of acceleration."""
    from vibe.spectra.evidence.planted_impacts import requested, with_planted

    reading = plain.reading
    if reading is None:
        return None
    request = requested(tone.order, tone.slip, [side.order for side in tone.sidebands])
    part = (third / TRIALS, (third + 1) / TRIALS)
    channels = [
        replace(
            channel,
            samples=with_planted(
                channel.samples, channel.sample_rate_hz, reading.law, request, size_m_s2=size_m_s2, seed=seed,
                channel=number, part=part,
            ),
        )
        if channel.name in reading.samples and channel.quantity == "acceleration"
        else channel
        for number, channel in enumerate(capture.channels)
    ]  # fmt: skip
    changed = any(new is not old for new, old in zip(channels, capture.channels, strict=True))
    return replace(capture, channels=tuple(channels), longer=None) if changed else None


def shows(capture: Capture, look: FirstLook, job: PlantJob, tone: str, size_m_s2: float, seed: int, third: int) -> bool:
    """Whether such impacts of a tone are found as damage of the drive, as more than a weak sign."""
    from vibe.health.state.weak_signs import is_weak

    more = with_impacts(capture, look.plain, job.table.tone(tone), size_m_s2, seed, third)
    if more is None:
        return False
    found = findings_with(more, look, tone, job.drive, job.table, job.settings)
    return any(is_damage(one, job.table) and not is_weak(one, job.settings.judgement) for one in found)


def is_damage(finding: Finding, table: ToneTable) -> bool:
    """Local damage of a part: not wear of all, nor what lies outside the reducer."""
    return finding.defect == "local damage" or any(tone.id == finding.tone and tone.damage for tone in table.tones)


def _smallest(capture: Capture, look: FirstLook, job: PlantJob, tone: str, size: float) -> float | None:
    """The first size of which all trials are found."""
    for step in range(MOST_STEPS):
        seed = job.seed + 10 * step
        if all(shows(capture, look, job, tone, size, seed + third, third) for third in range(TRIALS)):
            return size
        size *= STEP
    return None


def jobs_of(
    paths: Sequence[Path], tones: Sequence[str], first: float, drive: Drive, table: ToneTable, settings: Settings
) -> Iterator[PlantJob]:
    """Tones dealt out to captures in turn."""
    count = min(len(paths), len(tones))
    for number in range(count):
        yield PlantJob(
            path=paths[number], tones=tuple(tones[number::count]), first=first, drive=drive, table=table,
            settings=settings, seed=1000 * number,
        )  # fmt: skip
