"""Clock times without an offset from UTC, put into the time zone of the plant."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from vibe.core.errors import ConfigError

YEARS = (1950, 2200)
"""A time outside is a clock that was never set, or a slip."""


def in_zone(when: datetime, zone: str | None) -> tuple[datetime, str | None]:
    """``when`` with its offset from UTC, and a remark where that had to be assumed.

    A time that carries its offset comes back as it is. Without ``zone`` a time that carries none stays so, with a
    remark. With ``zone`` (a name in the time zone database):

    * An hour that the clock showed twice, when it was put back, is taken as the first of the two, the one before the
      change; the remark says that it may be one change later.
    * An hour that the clock never showed, when it was put forward, is taken as read off a clock that was not put
      forward: 02:30 becomes 03:30. (These are the two readings of ``fold=0`` in PEP 495, Belopolsky and Peters 2015.)

    The result carries a fixed offset, because two times of one ``ZoneInfo`` are compared and subtracted by their wall
    clocks, which is wrong across a change.

    Raises:
        ConfigError: this machine does not know the zone.
    """
    if when.tzinfo is not None and when.utcoffset() is not None:
        return when, None
    when = when.replace(tzinfo=None, fold=0)
    if zone is None:
        return when, f"measured_at {when.isoformat()} has no offset from UTC: taken as local time of the plant"
    place = _zone(zone)
    first = when.replace(tzinfo=place).utcoffset() or timedelta(0)
    second = when.replace(tzinfo=place, fold=1).utcoffset() or timedelta(0)
    settled = when.replace(tzinfo=timezone(first))
    if first == second:
        return settled, None
    if first > second:
        return settled, (
            f"the clock of {zone} showed {when.isoformat(' ')} twice, because it was put back: the first is taken, "
            f"the capture may be {_span(first - second)} later"
        )
    real = settled.astimezone(UTC).astimezone(place)
    real = real.replace(tzinfo=timezone(second))
    return real, (
        f"the clock of {zone} never showed {when.isoformat(' ')}, because it was put forward: the logger's clock is "
        f"taken as {_span(second - first)} behind, which makes it {real.isoformat(' ')}; set that clock"
    )


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ConfigError(
            f"this machine knows no time zone {name!r}; where the system has no time zone database (Windows), "
            "install the Python package tzdata"
        ) from None


def _span(gap: timedelta) -> str:
    minutes = round(gap.total_seconds() / 60)
    return "one hour" if minutes == 60 else f"{minutes} minutes"
