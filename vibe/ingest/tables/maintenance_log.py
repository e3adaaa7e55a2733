"""A maintenance book: what was done to which drive, and when."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from vibe.core.errors import ConfigError
from vibe.core.records.history import Event, EventKind
from vibe.ingest.clock import in_zone
from vibe.ingest.config.toml_file import load_model


class BookEntry(BaseModel):
    """One entry. A time without offset is taken on the clock of the zone that is given when the book is read."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    drive: Annotated[str, Field(min_length=1, max_length=80)]
    at: datetime
    kind: EventKind
    note: str = ""
    by: str = ""
    new_baseline: bool = True


class EventBook(BaseModel):
    """The form of a maintenance book."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    event: Annotated[list[BookEntry], Field(min_length=1, max_length=100_000)]


def load_events(path: Path, zone: str | None = None) -> tuple[Event, ...]:
    """The entries of a maintenance book, in its order.

    Raises:
        ConfigError: the file cannot be read or is wrong; an entry has no offset from UTC and no ``zone`` is given.
    """
    events = []
    for number, entry in enumerate(load_model(path, EventBook).event, start=1):
        when, _ = in_zone(entry.at, zone)
        if when.utcoffset() is None:
            raise ConfigError(
                f"entry {number}: {entry.at} has no offset from UTC; add one, or give a time zone", path=path
            )
        events.append(
            Event(
                drive=entry.drive, at=when, kind=entry.kind, note=entry.note, by=entry.by,
                new_baseline=entry.new_baseline,
            )
        )  # fmt: skip
    return tuple(events)
