"""A practice round: captures as a technician brings them home, with faults of collecting planted in them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from vibe.core.capture import Capture, Channel
from vibe.core.drive import Drive
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.storage.files import write_whole
from vibe.storage.toml_text import toml_tables
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import parse_damage
from vibe.synth.samples.collecting_faults import SampleFault, spoiled
from vibe.synth.samples.demo import shared_folder
from vibe.synth.simulate import simulate
from vibe.synth.toml_text import toml_value
from vibe.synth.writers import write_capture

Planted = Literal[
    "former tag", "settling", "clipped", "point missing", "too short", "delivered twice", "wrong drive", "exchanged",
    "dead", "not running", "speed noted wrongly", "slow", "cut off", "clock put forward",
]  # fmt: skip
MayPlanted = Literal["coarse steps", "radio bursts", "slow amplifier", "floats in m/s^2", "an hour behind"]
Written = Literal["native", "logger A", "logger B"]
WrittenInMay = Literal["native", "floats of logger A", "loggers A and B"]
"""Logger A may write floats, as shares of its full scale; with both, A has the first point and B the second."""
Month = Literal["february", "march", "april", "may"]
MONTHS: tuple[Month, ...] = ("february", "march", "april", "may")
TRUTH = "truth.toml"

POINTS = ("input side radial", "output side radial")
SHORT_S = 10.0
"""What a capture lasts that somebody ended too early."""
NOTED_RPM = 1395.0
"""As it stands on the plate, whatever the drive's real speed."""
FORMER_TAGS = {"LS-01": "IW-3"}
"""As in the route of the water works, like the next two."""
LOGGER_A_NAMES = {"TH-01": "RAKE-N", "TH-02": "RAKE-S"}
LOGGER_A_RANGE_M_S2 = 50.0
"""Of its input; its files hold shares of it."""


SENSOR_FAULT: dict[str, str] = {"settling": "settling", "clipped": "clipped", "dead": "dead"}
"""What is planted, and what the sensor does then."""
NEEDS_POINT = (*SENSOR_FAULT, "point missing", "delivered twice")
NEEDS_LOGGER: dict[str, Written] = {
    "delivered twice": "logger A", "clock put forward": "logger B", "cut off": "native", "former tag": "native",
}  # fmt: skip
"""Faults that are planted where the file is written; so is a noted speed or a channel's name, in every form."""
NEEDS_IN_MAY: dict[str, WrittenInMay] = {
    "floats in m/s^2": "floats of logger A", "an hour behind": "loggers A and B",
}  # fmt: skip
BEHIND = timedelta(hours=1)
"""A clock that still shows winter time."""


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class AprilFault(_Form):
    """What goes wrong with the samples themselves at one drive in April."""

    planted: SampleFault
    verdict: Literal["accepted", "limited", "retake", "missing"] = "retake"
    remedy: str
    note: str


class MayVisit(_Form):
    """What is not as usual at one drive in May: how its file is written, or a fault of the recorder, or both."""

    written: WrittenInMay = "native"
    planted: MayPlanted | None = None
    verdict: Literal["accepted", "limited", "retake"] = "retake"
    remedy: str = ""
    note: str

    @model_validator(mode="after")
    def _plantable(self) -> MayVisit:
        planted = self.planted or ""
        if self.written != (form := NEEDS_IN_MAY.get(planted, self.written)):
            raise ValueError(f"planted {planted!r} needs written = {form!r}")
        return self


class PracticeDrive(_Form):
    """What happens at one drive."""

    drive: str
    seed: Annotated[int, Field(ge=0)]
    minute: Annotated[float, Field(ge=0)]
    seconds: Annotated[float, Field(gt=0, le=600)] = 10.0
    rate_hz: Annotated[float, Field(gt=0)] = 25_600.0
    speed_rpm: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    load_percent: Annotated[list[float], Field(min_length=2, max_length=2)] = Field(
        default_factory=lambda: [70.0, 80.0]
    )
    tachometer: bool = False
    damage: list[str] = Field(default_factory=list)
    written: tuple[Written, Written] = ("native", "native")
    planted: Planted | None = None
    at: str | None = None
    other: str | None = None
    clock_showed: datetime | None = None
    verdict: Literal["accepted", "limited", "retake", "missing", "twice"] = "accepted"
    remedy: str = ""
    note: str
    april: AprilFault | None = None
    may: MayVisit | None = None

    @model_validator(mode="after")
    def _plantable(self) -> PracticeDrive:
        """A fault that lacks what it needs would be a label on a good capture."""
        planted = self.planted or ""
        if planted in NEEDS_POINT and self.at not in POINTS:
            raise ValueError(f"planted {planted!r} needs at = one of {', '.join(POINTS)}")
        if (planted == "wrong drive") != (self.other is not None):
            raise ValueError("planted 'wrong drive' and other, the drive that was measured, belong together")
        if planted == "too short" and self.seconds <= SHORT_S:
            raise ValueError(f"planted 'too short' leaves {SHORT_S:g} s; seconds must be more")
        if planted == "slow" and self.speed_rpm is None:
            raise ValueError("planted 'slow' needs speed_rpm")
        shown = self.clock_showed
        if (planted == "clock put forward") != (shown is not None) or (shown is not None and shown.tzinfo is not None):
            raise ValueError("planted 'clock put forward' and clock_showed, a time without offset, belong together")
        if self.written[1] != (form := NEEDS_LOGGER.get(planted, self.written[1])):
            raise ValueError(f"planted {planted!r} needs written = [..., {form!r}]")
        return self


class PracticeForm(_Form):
    """The form of ``practice.toml``."""

    february: AwareDatetime
    march: AwareDatetime
    april: AwareDatetime | None = None
    may: AwareDatetime | None = None
    drive: Annotated[list[PracticeDrive], Field(min_length=1)]

    @model_validator(mode="after")
    def _once_each(self) -> PracticeForm:
        files = [entry.drive for entry in self.drive]
        if twice := next((file for file in files if files.count(file) > 1), None):
            raise ValueError(f"drive {twice} stands there twice")
        return self


AS_USUAL = MayVisit(verdict="accepted", note="All is well.")


def _of_samples(planted: MayPlanted) -> SampleFault:
    """A fault of May that is one of the samples."""
    if planted == "floats in m/s^2" or planted == "an hour behind":
        raise ValueError(f"{planted} is planted where the file is written")
    return planted


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeVisit:
    """One visit to one drive."""

    entry: PracticeDrive
    drive: Drive
    other: Drive | None
    month: Month
    at: datetime
    folder: Path
    force: bool

    @property
    def planted(self) -> Planted | None:
        """What people do wrong, in March; in April it is the samples that are."""
        return self.entry.planted if self.month == "march" else None

    @property
    def spoiled(self) -> SampleFault | None:
        """What is wrong with the samples of this visit."""
        if self.month == "april" and self.entry.april is not None:
            return self.entry.april.planted
        planted = self.in_may.planted
        return None if planted is None or planted in NEEDS_IN_MAY else _of_samples(planted)

    @property
    def in_may(self) -> MayVisit:
        """What is not as usual in May; nothing in another month."""
        return self.entry.may if self.month == "may" and self.entry.may is not None else AS_USUAL

    @property
    def truth(self) -> tuple[str, str, str, str]:
        """What was planted in this visit, the verdict and the remedy that a check ought to give, and a note."""
        said = {"february": None, "march": self.entry, "april": self.entry.april, "may": self.entry.may}[self.month]
        if said is None:
            return "", "accepted", "", "All is well."
        return said.planted or "", said.verdict, said.remedy, said.note

    @property
    def written(self) -> Written:
        """How this visit's capture comes home; later as in February."""
        return self.entry.written[self.month == "march"]


def load_practice(path: Path | None = None) -> tuple[PracticeForm, Path]:
    """The practice round that the file describes, the shipped one unless given; and where it lies.

    Raises:
        ConfigError: the file cannot be read, or is wrong.
    """
    path = path or shared_folder("sample_signals") / "practice.toml"
    try:
        return PracticeForm.model_validate(toml_tables(path)), path
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ConfigError(f"{where}: {first['msg']}" if where else first["msg"], path=path) from None


def takings(
    folder: Path,
    *,
    spec: Path | None = None,
    only: Sequence[str] | None = None,
    months: Sequence[Month] | None = None,
    force: bool = False,
) -> tuple[PracticeVisit, ...]:
    """Every visit of all rounds, or those to the drives whose tags are in ``only``, in ``months``.

    Raises:
        ConfigError: the description or a drive file is wrong. CallError: a tag that is not in the round.
        OutputError: a round is there already and ``force`` is not given.
    """
    practice, path = load_practice(spec)
    drives = {entry.drive: _drive(entry.drive) for entry in practice.drive}
    tags = {drive.tag for drive in drives.values()}
    if unknown := [tag for tag in only or () if tag not in tags]:
        raise CallError(f"{path.name} has no drive {unknown[0]!r}; there are {', '.join(sorted(tags))}")
    for entry in practice.drive:
        _check_tag(entry, drives[entry.drive].tag, path)
    for name in (*MONTHS, TRUTH):
        # Long work is done for them: what is in the way is reported before it.
        if not force and (folder / name).exists():
            raise OutputError(f"{folder / name} exists already; give --force to replace it, or another --out")
    begun = {month: when for month in MONTHS if (when := getattr(practice, month)) is not None}
    return tuple(
        PracticeVisit(
            entry=entry,
            drive=drives[entry.drive],
            other=None if entry.other is None else _drive(entry.other),
            month=month,
            at=begun[month] + timedelta(minutes=entry.minute),
            folder=folder / month,
            force=force,
        )
        for month in MONTHS
        if month in begun and (months is None or month in months)
        for entry in practice.drive
        if only is None or drives[entry.drive].tag in only
    )


def _check_tag(entry: PracticeDrive, tag: str, path: Path) -> None:
    """Refuse a former tag or a logger's name that nobody has given."""
    if entry.planted == "former tag" and tag not in FORMER_TAGS:
        raise ConfigError(f"{entry.drive}: {tag} has no former tag; {', '.join(FORMER_TAGS)} has", path=path)
    if "logger A" in entry.written and tag not in LOGGER_A_NAMES:
        names = ", ".join(LOGGER_A_NAMES)
        raise ConfigError(f"{entry.drive}: logger A has no name for {tag}; it has for {names}", path=path)


def _drive(name: str) -> Drive:
    path = shared_folder("configs") / "drives" / name
    try:
        return Drive.model_validate(toml_tables(path))
    except ValidationError as error:
        raise ConfigError(error.errors()[0]["msg"], path=path) from None


def take(taking: PracticeVisit) -> tuple[Path, ...]:
    """Measure one drive and write what comes of it."""
    return _write(taking, _collected(taking, _measured(taking)))


def _measured(taking: PracticeVisit) -> Capture:
    """The capture as sensors and recorder give it."""
    entry, planted = taking.entry, taking.planted
    drive = taking.other if planted == "wrong drive" and taking.other is not None else taking.drive
    march = taking.month == "march"
    conditions = Conditions(
        duration_s=SHORT_S if planted == "too short" else entry.seconds,
        sample_rate_hz=entry.rate_hz,
        speed_rpm=None if entry.speed_rpm is None else entry.speed_rpm[march],
        load_percent=entry.load_percent[march],
        points=POINTS,
        tachometer=entry.tachometer and taking.spoiled != "at rest",
        running=planted != "not running",
        sensor_faults=((entry.at, SENSOR_FAULT[planted]),) if planted in SENSOR_FAULT and entry.at else (),
        tell_speed=planted != "not running",
        measured_at=taking.at,
        machine_seed=entry.seed if drive is taking.drive else entry.seed + 1,
    )
    damage = [parse_damage(text) for text in entry.damage] if march else []
    seed = entry.seed + 1000 * MONTHS.index(taking.month)
    capture = replace(simulate(drive, damage, seed=seed, conditions=conditions), drive=taking.drive.tag)
    if taking.spoiled is None:
        return capture
    return spoiled(capture, taking.spoiled, np.random.default_rng(seed))


def _collected(taking: PracticeVisit, capture: Capture) -> Capture:
    """What people do to a good capture."""
    planted, at = taking.planted, taking.entry.at
    if capture.speed_rpm is not None:
        # Read off a display that shows whole turns.
        capture = replace(capture, speed_rpm=float(round(capture.speed_rpm)))
    if planted == "former tag":
        return replace(capture, drive=FORMER_TAGS[taking.drive.tag])
    if planted == "exchanged":
        swapped = dict(zip(POINTS, reversed(POINTS), strict=True))
        channels = (replace(c, name=swapped.get(c.name, c.name)) for c in capture.channels)
        return replace(capture, channels=tuple(channels))
    if planted == "point missing":
        return replace(capture, channels=tuple(c for c in capture.channels if c.name != at))
    if planted == "speed noted wrongly":
        return replace(capture, speed_rpm=NOTED_RPM)
    return capture


def _write(taking: PracticeVisit, capture: Capture) -> tuple[Path, ...]:
    tag, planted = taking.drive.tag, taking.planted
    if taking.in_may.written == "loggers A and B":
        first, second = ((c,) for c in capture.vibration)
        return (*_logger_a(taking, replace(capture, channels=first)), _logger_b(taking, second))
    if taking.in_may.written == "floats of logger A" or taking.written == "logger A":
        return _logger_a(taking, capture)
    if taking.written == "logger B":
        return (_logger_b(taking, capture.channels),)
    path = write_capture(capture, taking.folder / f"{tag}_{taking.at:%Y-%m-%d}.h5", force=taking.force)
    if planted == "cut off":
        whole = path.read_bytes()
        write_whole(path, whole[: len(whole) // 2], force=True)
    return (path,)


def _logger_b(taking: PracticeVisit, channels: Sequence[Channel]) -> Path:
    """One table with the recorder's names and a clock without an offset."""
    names = dict(zip(POINTS, ("ch1", "ch2"), strict=True))
    plain = Capture(
        source=Path("b.csv"), sha256="",
        channels=tuple(replace(channel, name=names.get(channel.name, channel.name)) for channel in channels),
    )  # fmt: skip
    shown: datetime = taking.at
    if taking.planted == "clock put forward" and taking.entry.clock_showed is not None:
        shown = taking.entry.clock_showed
    if taking.in_may.planted == "an hour behind":
        shown -= BEHIND
    path = taking.folder / f"{taking.drive.tag} {shown:%Y-%m-%dT%H-%M} 007.csv"
    return write_capture(plain, path, force=taking.force)


def _logger_a(taking: PracticeVisit, capture: Capture) -> tuple[Path, ...]:
    """One file per point in a folder per drive, and nothing said with it but speed and load."""
    tag = taking.drive.tag
    folder = taking.folder / LOGGER_A_NAMES.get(tag, tag)
    written = []
    for number, channel in enumerate(capture.channels):
        at = taking.at + timedelta(minutes=number)
        path = folder / f"P{number + 1}_{at:%Y%m%d_%H%M%S}.wav"
        written.append(write_whole(path, _wav(channel, taking.in_may), force=taking.force))
        if taking.planted == "delivered twice" and channel.name == taking.entry.at:
            written.append(write_whole(folder / f"Copy of {path.name}", path.read_bytes(), force=taking.force))
    said = f"speed_rpm = {capture.speed_rpm}\nload_percent = {capture.load_percent}\n"
    write_whole(folder / "folder.toml", said, force=taking.force)
    return tuple(written)


def _wav(channel: Channel, in_may: MayVisit) -> bytes:
    """16 bits of the range that the logger is set to; or floats, which are shares of it unless it was set to write
    m/s²."""
    import io

    from scipy.io import wavfile

    share = np.clip(channel.samples / LOGGER_A_RANGE_M_S2, -1, 1)
    rows = np.rint(share * 32_767).astype(np.int16)
    if in_may.written == "floats of logger A":
        rows = np.asarray(channel.samples if in_may.planted == "floats in m/s^2" else share, dtype=np.float32)
    buffer = io.BytesIO()
    wavfile.write(buffer, round(channel.sample_rate_hz), rows)
    return buffer.getvalue()


def truth_text(made: Iterable[tuple[PracticeVisit, tuple[Path, ...]]], folder: Path) -> str:
    """``truth.toml``: per file what was planted, and what a check ought to say."""
    lines = ["# What is really in each file of the practice round, and what a check ought to say of it."]
    for taking, paths in made:
        planted, verdict, remedy, note = taking.truth
        for path in paths:
            fields = {
                "file": path.relative_to(folder).as_posix(),
                "drive": taking.drive.tag,
                "planted": planted,
                "at": taking.entry.at or "" if taking.month == "march" else "",
                "verdict": verdict,
                "remedy": remedy,
                "note": note,
            }
            lines += ["", "[[file]]", *(f"{key} = {toml_value(value)}" for key, value in fields.items())]
    return "\n".join(lines) + "\n"
