"""What the program says of a world's captures, and whether that is right."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import h5py
import numpy as np

from tests.studies.fleet import settings, spread_out
from tests.worlds.case import WorldCase
from vibe.core.drive import Drive
from vibe.core.health import Health
from vibe.core.tones import ToneTable
from vibe.flow.diagnose.capture_diagnosis import diagnose_capture
from vibe.flow.diagnose.drive_diagnosis import health_of
from vibe.flow.settings import tones_of

ACCUSED_FROM = 0.5
"""Probability from which a finding on a part of the reducer counts as an accusation."""
PARTS = ("stage", "bearing")

Maker = Callable[[int], WorldCase]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was said of one capture."""

    name: str
    kind: str
    truth: str
    right: bool
    state: str
    why: str
    """The rule that set the state, or what was named."""
    probability: float | None
    speed_error: float | None
    """Relative, of the stated speed."""
    speed_sigmas: float | None
    """The same in stated standard deviations."""
    detected: float | None = None
    """Stated probability that the drive was detected."""

    def row(self) -> dict[str, object]:
        return asdict(self)


def written(case: WorldCase, folder: Path) -> tuple[Path, Path]:
    """Capture and drive file, as a user would have them."""
    drive = folder / "drive.toml"
    drive.write_text(case.drive_toml, encoding="utf-8")
    path = folder / "capture.h5"
    with h5py.File(path, "w") as file:
        if case.noted_rpm is not None:
            file.attrs["speed_rpm"] = case.noted_rpm
        for name, samples in case.channels.items():
            data = file.create_dataset(f"channels/{name}", data=np.asarray(samples, dtype=np.float32))
            data.attrs.update(sample_rate_hz=case.sample_rate_hz, unit="m/s^2", quantity="acceleration")
        if case.pulses is not None:
            data = file.create_dataset("channels/pulses", data=np.asarray(case.pulses, dtype=np.float32))
            data.attrs.update(sample_rate_hz=case.sample_rate_hz, unit=case.pulses_unit)
            data.attrs["quantity"] = case.pulses_quantity
            data.attrs["pulses_per_rev"] = case.pulses_per_rev
    return drive, path


def tones_in(case: WorldCase) -> tuple[Drive, ToneTable]:
    """Drive and tones of a case, from its drive file."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "drive.toml"
        path.write_text(case.drive_toml, encoding="utf-8")
        return tones_of(path)


def health_from(case: WorldCase) -> Health:
    """The report on one capture, through files and the program's own steps."""
    with tempfile.TemporaryDirectory() as name:
        drive_file, path = written(case, Path(name))
        drive, table = tones_of(drive_file)
        return health_of(drive, table, [diagnose_capture(path, drive, table, settings())], settings())


def scored(case: WorldCase, health: Health) -> Answer:
    """Right of an unusable capture is ``unknown``; of a sound drive any state but ``unknown``, with no part accused; of
    a damaged one its part named, the first of the reducer's findings."""
    accused = [f for f in health.findings if f.component.startswith(PARTS) and f.probability >= ACCUSED_FROM]
    first = accused[0] if accused else None
    why = health.state_rule if first is None else f"{first.tone or first.component}: {first.why}"
    if case.truth == "unusable":
        right = health.state == "unknown" and first is None
    elif case.truth == "sound":
        right = health.state != "unknown" and first is None
    else:
        wanted = {*case.damaged, *(tone.rpartition(".")[0] for tone in case.damaged if tone.startswith("bearing."))}
        right = first is not None and (first.tone or first.component) in wanted
    speed, error, sigmas = health.speed, None, None
    if case.speed_hz and speed.input_hz:
        error = speed.input_hz / case.speed_hz - 1
        sigmas = abs(speed.input_hz - case.speed_hz) / speed.uncertainty_hz if speed.uncertainty_hz else None
    return Answer(
        name=case.name, kind=case.kind, truth=case.truth, right=right, state=health.state, why=why,
        probability=None if first is None else first.probability,
        detected=health.captures[0].heard_probability, speed_error=error, speed_sigmas=sigmas,
    )  # fmt: skip


def _tried(work: tuple[Maker, int]) -> Answer:
    make, number = work
    case = make(number)
    return scored(case, health_from(case))


def tried(make: Maker, numbers: Iterable[int], *, workers: int = 2) -> Iterator[Answer]:
    """Answers for the captures ``make(number)``, in order. ``make`` must be a function of a module."""
    yield from spread_out(_tried, [(make, number) for number in numbers], workers=workers)
