"""What a sample history is made from: rounds over the years, and for each drive what happens to it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from vibe.core.drive import Drive
from vibe.core.errors import CallError, ConfigError
from vibe.core.records.history import EventKind
from vibe.storage.toml_text import toml_tables
from vibe.synth.conditions import SENSOR_FAULTS
from vibe.synth.impacts import check_damage
from vibe.synth.machine.damage import Damage

Cause = Literal["fault", "load or speed", "sensor", "repaired", "sound"]
"""What explains the exceedances of a drive."""
AlarmMeasure = Literal["velocity_rms", "acceleration_rms", "acceleration_peak"]

M = TypeVar("M", bound=BaseModel)
Week = Annotated[float, Field(ge=0, le=1000)]
WholeWeek = Annotated[int, Field(ge=0, le=1000)]
Positive = Annotated[float, Field(gt=0, le=1e6)]
Share = Annotated[float, Field(ge=0, le=1)]


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class DamageGrowth(_Form):
    """Damage that grows exponentially from ``from_week`` on, perhaps faster later, until it is repaired."""

    tone: str
    part: int = Field(default=0, ge=0)
    from_week: Week
    size: Positive
    doubles_in_weeks: Positive
    faster_from_week: Week | None = None
    faster_doubles_in_weeks: Positive | None = None
    until_week: Week | None = None

    @model_validator(mode="after")
    def _ordered(self) -> DamageGrowth:
        if (self.faster_from_week is None) != (self.faster_doubles_in_weeks is None):
            raise ValueError("faster_from_week and faster_doubles_in_weeks belong together")
        if self.faster_from_week is not None and self.faster_from_week < self.from_week:
            raise ValueError("faster_from_week must not come before from_week")
        return self

    def size_at(self, week: float) -> float:
        """Size in ``week``, 0 before it begins and after the repair."""
        if week < self.from_week or (self.until_week is not None and week >= self.until_week):
            return 0.0
        turn = week if self.faster_from_week is None else min(week, self.faster_from_week)
        size: float = self.size * 2.0 ** ((turn - self.from_week) / self.doubles_in_weeks)
        if self.faster_doubles_in_weeks is not None:
            size *= 2.0 ** ((week - turn) / self.faster_doubles_in_weeks)
        return size


class Stretch(_Form):
    """Weeks in which something is different; what is left out stays as it was. ``share``: of the captures."""

    from_week: Week
    to_week: Week | None = None
    what: str
    share: Share = 1.0
    load_percent: float | None = Field(default=None, ge=0, le=200)
    speed_rpm: Positive | None = None
    noise: Positive = 1.0
    residual_unbalance: Positive = 1.0
    stray_shocks: int = Field(default=0, ge=0, le=20)
    gain: dict[str, Positive] = {}
    faults: dict[str, str] = {}

    def holds(self, week: float) -> bool:
        return self.from_week <= week and (self.to_week is None or week < self.to_week)


class Denser(_Form):
    """From ``from_week`` on a capture every so many weeks."""

    from_week: WholeWeek
    every_weeks: int = Field(ge=1, le=52)


class Done(_Form):
    """Something was done to the drive."""

    week: Week
    kind: EventKind
    note: str = ""
    by: str = ""
    new_baseline: bool = True


class WrongClock(_Form):
    """The first capture in or after ``week`` carries a time that never was."""

    week: WholeWeek
    shows: AwareDatetime


class DriveYears(_Form):
    """One drive over the years. Season: load swings by ``season_percent`` and is highest at ``season_week``."""

    file: str
    machine_seed: int = Field(ge=0)
    cause: Cause
    urgency: int | None = Field(default=None, ge=1)
    component: str | None = None
    defect: str | None = None
    story: str
    speed_rpm: Positive
    load_percent: float = Field(ge=0, le=200)
    season_percent: float = Field(default=0.0, ge=0, le=100)
    season_week: Week = 0.0
    pitch_errors: Positive = 1.0
    tachometer: bool = False
    every_weeks: int = Field(default=4, ge=1, le=52)
    denser: tuple[Denser, ...] = ()
    growth: tuple[DamageGrowth, ...] = ()
    stretch: tuple[Stretch, ...] = ()
    event: tuple[Done, ...] = ()
    limits_learned_anew: tuple[WholeWeek, ...] = ()
    wrong_clock: WrongClock | None = None

    @model_validator(mode="after")
    def _faults_have_an_urgency(self) -> DriveYears:
        if (self.cause == "fault") != (self.urgency is not None):
            raise ValueError("a fault, and nothing else, has an urgency")
        return self

    def every(self, week: int) -> int:
        """Weeks from one capture to the next at ``week``."""
        return [self.every_weeks, *(d.every_weeks for d in self.denser if d.from_week <= week)][-1]


class Scatter(_Form):
    """From day to day, standard deviations: load in points, the rest relative."""

    load_percent: float = Field(ge=0, le=50)
    speed: Share
    noise: Share
    sensitivity: Share
    size: Share


class Alarms(_Form):
    """How another system set its limits: so many times the mean of the first captures, per measure."""

    learned_from: int = Field(ge=1)
    factor: dict[AlarmMeasure, Positive]


class Years(_Form):
    """A sample history."""

    title: str
    first: date
    weeks: int = Field(ge=1, le=1000)
    time_zone: str
    start_hour: int = Field(ge=0, le=22)
    seed: int = Field(ge=0)
    duration_s: Positive
    sample_rate_hz: Positive
    points: tuple[str, ...] = Field(min_length=1)
    missing_weeks: tuple[WholeWeek, ...] = ()
    missing_share: Share = 0.0
    delivered_again_weeks: tuple[WholeWeek, ...] = ()
    scatter: Scatter
    alarms: Alarms
    drive: tuple[DriveYears, ...] = Field(min_length=1)

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    @model_validator(mode="after")
    def _fits(self) -> Years:
        try:
            self.zone  # noqa: B018
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f"this machine knows no time zone {self.time_zone!r}") from None
        for drive in self.drive:
            for stretch in drive.stretch:
                if unknown := sorted({*stretch.gain, *stretch.faults} - {*self.points}):
                    raise ValueError(f"{drive.file}: there is no point {unknown[0]!r}")
                if wrong := sorted({*stretch.faults.values()} - {*SENSOR_FAULTS}):
                    raise ValueError(f"{drive.file}: unknown sensor fault {wrong[0]!r}")
        urgencies = sorted(drive.urgency for drive in self.drive if drive.urgency is not None)
        if urgencies != list(range(1, len(urgencies) + 1)):
            raise ValueError("urgencies must count 1, 2, 3 and so on, none twice")
        return self


def load_years(path: Path, drives: Path) -> tuple[Years, dict[str, Drive]]:
    """The history that ``path`` describes, and its drives by file name, read from the folder ``drives``.

    Raises:
        ConfigError: one of the files cannot be read or does not fit.
    """
    years = _checked(Years, path)
    found: dict[str, Drive] = {}
    for entry in years.drive:
        if entry.file in found:
            raise ConfigError(f"names {entry.file} twice", path=path)
        drive = found[entry.file] = _checked(Drive, drives / entry.file)
        low_hz, high_hz = drive.input.speed_range_hz
        for rpm in (entry.speed_rpm, *(s.speed_rpm for s in entry.stretch if s.speed_rpm is not None)):
            if not low_hz <= rpm / 60.0 <= high_hz:
                raise ConfigError(f"{entry.file}: {rpm:g} r/min lies outside the range of the drive", path=path)
        try:
            for growth in entry.growth:
                check_damage(drive, Damage(growth.tone, growth.size, growth.part))
        except CallError as error:
            raise ConfigError(f"{entry.file}: {error}", path=path) from None
    return years, found


def _checked(form: type[M], path: Path) -> M:
    try:
        return form.model_validate(toml_tables(path))
    except ValidationError as error:
        # A misspelt key comes as two errors: the key that is missing, and the one that is not known, which says more.
        first = min(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
        place = ".".join(str(piece) for piece in first["loc"])
        if first["type"] == "extra_forbidden":
            raise ConfigError(f"unknown key {place!r}", path=path) from None
        if first["type"] == "missing":
            raise ConfigError(f"the key {place!r} is missing", path=path) from None
        raise ConfigError(f"{place}: {first['msg']}" if place else first["msg"], path=path) from None
