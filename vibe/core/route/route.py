"""A route: which drives are visited in which order, at which points, and how the files of the logger are named."""

from __future__ import annotations

import unicodedata
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from vibe.core.strict import Positive, StrictModel

Mounting = Literal["stud", "adhesive", "magnet", "probe"]
"""How the sensor is fixed: stud, thin adhesive or wax, magnet, a probe held by hand."""
SignalAnalysis = Literal["speed", "load"]
READINGS: tuple[SignalAnalysis, ...] = ("speed", "load")
Seconds = Annotated[float, Field(ge=0, le=86_400, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, max_length=200)]


def _printable(text: str) -> str:
    if not text.isprintable() or text != text.strip():
        raise ValueError(f"{text!r} must be printable, without spaces at its ends")
    return text


def folded(name: str) -> str:
    """``name`` as tags and points are compared: composed letters, no difference of case.

    It has as many signs as the composed name (NFC), so that a place found in the one holds in the other.
    """
    composed = unicodedata.normalize("NFC", name)
    if composed.isascii():
        return composed.lower()
    # A letter whose folded form is longer ("ß") stays as it is.
    return "".join(fold if len(fold := sign.casefold()) == 1 else sign for sign in composed)


class RoutePoint(StrictModel):
    """A place on a drive where a sensor is put, or a pulse sensor that is read."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    """As the channel of a capture is called."""
    place: str = ""
    """In words that somebody who was never there can follow."""
    axis: str = ""
    mounting: Mounting = "stud"
    quantity: Literal["acceleration", "tachometer"] = "acceleration"
    out_of_use: str = ""
    """Why nothing is to be expected from this point (cable cut, sensor gone). Empty: it is in use."""

    _name = field_validator("name")(_printable)


class Stop(StrictModel):
    """One drive of the walk."""

    drive: Annotated[str, Field(min_length=1, max_length=80)]
    """Tag, as in the drive file."""
    where: str = ""
    formerly: list[Text] = Field(default_factory=list, max_length=20)
    """Tags under which the drive's captures may still come."""
    walk_s: Seconds | None = None
    """Way to it from the stop before; that of the route unless given."""
    note: list[SignalAnalysis] = Field(default_factory=lambda: list(READINGS))
    """What to read off and write down."""
    captures: Annotated[int, Field(ge=1, le=100)] | None = None
    """Per point; that of the route, else of the plan unless given."""
    point: Annotated[list[RoutePoint], Field(min_length=1, max_length=40)]

    @model_validator(mode="after")
    def _points_differ(self) -> Stop:
        names = [folded(point.name) for point in self.point]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"stop {self.drive!r} has two points called {twice!r}")
        if all(point.quantity == "tachometer" for point in self.point):
            raise ValueError(f"stop {self.drive!r} has no point where vibration is measured")
        return self


class Walk(StrictModel):
    """Times that the walk takes besides the captures. The figures are common practice; put yours here."""

    start_s: Seconds = 600.0
    """Signing in, protective gear, a look at the cautions."""
    between_s: Seconds = 180.0
    mounting_s: Seconds = 90.0
    """Per point: clean the spot, mount, let the sensor settle."""
    channels_at_once: Annotated[int, Field(ge=1, le=1000)] = 1
    """Vibration points that the logger records at the same time."""
    note_s: Seconds = 60.0
    """Per stop: speed, load, temperature, what is noticed."""
    repeat_share: Annotated[float, Field(ge=0, le=1)] = 0.1
    """Of all points, those that must be taken again: their time is kept free."""


class FileChannel(StrictModel):
    """What the files of a logger cannot say of their channels."""

    sample_rate_hz: Positive | None = None
    unit: str | None = None
    scale: Annotated[float, Field(allow_inf_nan=False)] | None = None
    sensitivity_mv_per_g: Positive | None = None
    full_scale: Positive | None = None


def _known_zone(name: str | None) -> str | None:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

    if name is not None:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            lacking = "" if available_timezones() else ": it knows none at all, install the Python package tzdata"
            raise ValueError(
                f"{name!r} is no time zone that this machine knows{lacking or '; e.g. Europe/Vienna'}"
            ) from None
    return name


class FileRule(StrictModel):
    """How a logger names its files. Of several rules the first that fits a file is taken."""

    like: Annotated[str, Field(min_length=1, max_length=300)]
    """Path below the folder of captures; ``{drive}``, ``{point}``, ``{time}``, ``{any}`` are its changing parts."""
    time_format: str = "%Y%m%d_%H%M%S"
    """Of ``{time}``, in the signs of strftime. ``%z`` stands for an offset from UTC such as +0100 or Z, and a plain Z
    behind a sign of the clock for UTC; without either it is the clock of ``time_zone``, here or in the route."""
    drive_names: dict[str, str] = Field(default_factory=dict)
    """The logger's name of a drive, and its tag."""
    point_names: dict[str, str] = Field(default_factory=dict)
    """The logger's name of a point, or of a channel in the file, and the point's name in this route."""
    channel: FileChannel = Field(default_factory=FileChannel)
    time_zone: str | None = None
    """Of this logger's clock, where it is not the route's."""

    _known_zone = field_validator("time_zone")(_known_zone)


class Route(StrictModel):
    """One route. ``drives`` is relative to the route file."""

    title: Text
    note: str = ""
    drives: Annotated[list[str], Field(min_length=1, max_length=1000)]
    """Drive files, folders or patterns; they may describe more drives than are visited."""
    time_zone: str | None = None
    """Name in the time zone database, for captures whose clock does not say its offset from UTC."""
    captures: Annotated[int, Field(ge=1, le=100)] | None = None
    """Per point, for all stops; as many as the plan says unless given."""
    walk: Walk = Field(default_factory=Walk)
    file: list[FileRule] = Field(default_factory=list, max_length=100)
    stop: Annotated[list[Stop], Field(min_length=1, max_length=5000)]

    _known_zone = field_validator("time_zone")(_known_zone)

    @model_validator(mode="after")
    def _names_are_settled(self) -> Route:
        owners: dict[str, str] = {}
        for stop in self.stop:
            for tag, written in {folded(tag): tag for tag in (*stop.formerly, stop.drive)}.items():
                if tag in owners:
                    raise ValueError(f"the tag {written!r} stands for two stops, {owners[tag]!r} and {stop.drive!r}")
                owners[tag] = stop.drive
        return self
