"""Clock times of a plant.

Offsets and the nights of the changes are written out by hand: the EU changes at 01:00 UTC on the last Sundays of March
and October (Directive 2000/84/EC).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from vibe.core.errors import ConfigError
from vibe.ingest.clock import in_zone

VIENNA = "Europe/Vienna"
WINTER, SUMMER = timezone(timedelta(hours=1)), timezone(timedelta(hours=2))


@pytest.mark.parametrize(
    ("naive", "utc"),
    [
        (datetime(2026, 1, 15, 12), datetime(2026, 1, 15, 11, tzinfo=UTC)),
        (datetime(2026, 7, 15, 12), datetime(2026, 7, 15, 10, tzinfo=UTC)),
        (datetime(2026, 3, 29, 1, 59, 59), datetime(2026, 3, 29, 0, 59, 59, tzinfo=UTC)),
        (datetime(2026, 3, 29, 3, 0), datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        (datetime(2026, 10, 25, 1, 59, 59), datetime(2026, 10, 24, 23, 59, 59, tzinfo=UTC)),
        (datetime(2026, 10, 25, 3, 0), datetime(2026, 10, 25, 2, 0, tzinfo=UTC)),
    ],
)
def test_a_time_that_was_once_is_settled_without_remark(naive: datetime, utc: datetime) -> None:
    when, remark = in_zone(naive, VIENNA)
    assert when == utc
    assert when.replace(tzinfo=None) == naive
    assert remark is None


@pytest.mark.parametrize("fold", [0, 1])
def test_an_hour_that_was_twice_is_the_first(fold: int) -> None:
    when, remark = in_zone(datetime(2026, 10, 25, 2, 30, fold=fold), VIENNA)
    assert when.isoformat() == "2026-10-25T02:30:00+02:00"
    assert when.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert remark is not None
    assert "twice" in remark
    assert "one hour later" in remark


def test_an_hour_that_never_was_is_that_of_a_clock_left_behind() -> None:
    when, remark = in_zone(datetime(2026, 3, 29, 2, 30), VIENNA)
    assert when.isoformat() == "2026-03-29T03:30:00+02:00"
    assert when.astimezone(UTC) == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert remark is not None
    assert "never showed 2026-03-29 02:30:00" in remark
    assert "one hour behind" in remark


def test_only_the_two_hours_of_a_year_are_remarked() -> None:
    """Every quarter of an hour of a year; the others come back as the zone's own clock shows them."""
    zone = ZoneInfo(VIENNA)
    remarked: list[datetime] = []
    for quarter in range(365 * 96):
        naive = datetime(2026, 1, 1) + timedelta(minutes=15) * quarter
        when, remark = in_zone(naive, VIENNA)
        if remark is None:
            assert when.astimezone(zone).replace(tzinfo=None) == naive
        else:
            remarked.append(naive)
    nights = (datetime(2026, 3, 29, 2), datetime(2026, 10, 25, 2))
    assert remarked == [night + timedelta(minutes=15 * k) for night in nights for k in range(4)]


def test_a_change_of_half_an_hour() -> None:
    """Lord Howe Island puts its clock by 30 minutes (time zone database, ``australasia``)."""
    _, remark = in_zone(datetime(2026, 4, 5, 1, 45), "Australia/Lord_Howe")
    assert remark is not None
    assert "30 minutes later" in remark


def test_differences_are_true_across_a_change() -> None:
    before, _ = in_zone(datetime(2026, 3, 29, 1, 30), VIENNA)
    after, _ = in_zone(datetime(2026, 3, 29, 3, 30), VIENNA)
    assert after - before == timedelta(hours=1)


@pytest.mark.parametrize("zone", [VIENNA, "UTC", None])
def test_a_time_that_knows_its_offset_stays(zone: str | None) -> None:
    for own in (UTC, timezone(timedelta(hours=-5)), ZoneInfo("Asia/Tokyo")):
        when = datetime(2026, 10, 25, 2, 30, tzinfo=own)
        assert in_zone(when, zone) == (when, None)
        assert in_zone(when, zone)[0].tzinfo is own


def test_utc_never_doubts() -> None:
    for naive in (datetime(2026, 3, 29, 2, 30), datetime(2026, 10, 25, 2, 30)):
        assert in_zone(naive, "UTC") == (naive.replace(tzinfo=UTC), None)


def test_without_a_zone_the_time_stays_local_and_says_so() -> None:
    when, remark = in_zone(datetime(2026, 10, 25, 2, 30), None)
    assert (when, when.tzinfo) == (datetime(2026, 10, 25, 2, 30), None)
    assert remark == "measured_at 2026-10-25T02:30:00 has no offset from UTC: taken as local time of the plant"


@pytest.mark.parametrize("zone", ["Europe/Vienne", "Europe", "../passwd", "", "a" * 5000])
def test_a_zone_that_nobody_knows(zone: str) -> None:
    with pytest.raises(ConfigError, match="tzdata"):
        in_zone(datetime(2026, 1, 1), zone)
