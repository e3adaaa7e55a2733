"""Days and times as they are typed."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from vibe.core.errors import CallError


def moment(text: str, what: str) -> datetime:
    """A day (its end counts) or a time; without an offset it is that of UTC."""
    try:
        if len(text) <= 10:
            return datetime.combine(date.fromisoformat(text), time(23, 59, 59), UTC)
        when = datetime.fromisoformat(text)
    except ValueError:
        raise CallError(f"{what} {text!r} is no date: write it as 2026-03-04") from None
    return when if when.utcoffset() is not None else when.replace(tzinfo=UTC)
