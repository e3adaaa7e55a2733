"""What was read off at the stops of one round: speed, load and what else a technician writes down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field, field_validator

from vibe.core.route.route import folded
from vibe.core.strict import Positive, StrictModel
from vibe.core.text import printable

Direction = Literal["clockwise", "counterclockwise"]
Temperature = Annotated[float, Field(ge=-60, le=300, allow_inf_nan=False)]
"""°C. What a housing or its oil can have; keeps slips of the decimal point out (our choice)."""


class StopReadings(StrictModel):
    """What was read at one stop. What was not read is left out."""

    drive: Annotated[str, Field(min_length=1, max_length=80)]
    """Tag, as in the drive file; a former one that the route knows will do."""
    speed_rpm: Positive | None = None
    """Of the input."""
    load_percent: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] | None = None
    """Of the rated load."""
    oil_temperature_c: Temperature | None = None
    housing_temperature_c: Temperature | None = None
    direction: Direction | None = None
    """Of the input, seen from the motor."""
    note: Annotated[str, Field(max_length=2000)] = ""

    @field_validator("note")
    @classmethod
    def _on_one_line(cls, note: str) -> str:
        return printable(" ".join(note.split()))

    @property
    def is_empty(self) -> bool:
        """Nothing was read."""
        return self == StopReadings(drive=self.drive)

    @property
    def other_readings(self) -> str:
        """What was read besides speed and load, in words; empty: nothing."""
        parts = []
        if self.oil_temperature_c is not None:
            parts.append(f"oil {self.oil_temperature_c:g} °C")
        if self.housing_temperature_c is not None:
            parts.append(f"housing {self.housing_temperature_c:g} °C")
        if self.direction is not None:
            parts.append(f"input turns {self.direction}, seen from the motor")
        if self.note:
            parts.append(self.note)
        return "; ".join(parts)


class ReadingsFile(StrictModel):
    """The readings of a round as TOML."""

    title: Annotated[str, Field(max_length=200)] = ""
    stop: Annotated[list[StopReadings], Field(max_length=5000)] = Field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundReadings:
    """All readings of a round, by the folded tag of today. ``file`` is the name of the file that they stand in."""

    file: str
    stops: Mapping[str, StopReadings] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def of(self, drive: str | None) -> StopReadings | None:
        """What was read at a drive; None: nothing."""
        return None if drive is None else self.stops.get(folded(drive))
