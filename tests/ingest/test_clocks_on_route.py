"""Clocks of loggers: a zone of their own, UTC in the name, never set, hours apart."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from vibe.core.route.round_check import FileSeen, PointSeen
from vibe.core.route.route import FileRule, Route, RoutePoint, Stop
from vibe.ingest import load_model
from vibe.ingest.route.completeness import completeness
from vibe.ingest.route.field_rules import FieldRules
from vibe.ingest.route.file_rules import name_says

RULES = load_model(Path(__file__).parents[2] / "configs" / "on_the_spot.toml", FieldRules)
START = datetime(2026, 3, 2, 9, tzinfo=UTC)


def route(**rule: str) -> Route:
    return Route(
        title="Walk",
        drives=["drives"],
        time_zone="Europe/Vienna",
        file=[FileRule(like="{drive}_{time}.wav", **rule)],  # type: ignore[arg-type]
        stop=[Stop(drive="TH-01", where="hall", point=[RoutePoint(name="in", place="motor side", axis="radial")])],
    )


@pytest.mark.parametrize(
    ("rule", "name", "utc_hour"),
    [
        ({}, "TH-01_20260302_100000.wav", 9),
        ({"time_zone": "America/New_York"}, "TH-01_20260302_100000.wav", 15),
        ({"time_format": "%Y%m%dT%H%M%SZ"}, "TH-01_20260302T100000Z.wav", 10),
        ({"time_format": "%Y%m%dT%H%M%S%z"}, "TH-01_20260302T100000+0500.wav", 5),
        ({"time_format": "%Y%m%dT%H%M%S%z"}, "TH-01_20260302T100000Z.wav", 10),
    ],
)
def test_each_logger_has_its_clock(tmp_path: Path, rule: dict[str, str], name: str, utc_hour: int) -> None:
    named = name_says(tmp_path / name, tmp_path, route(**rule))
    assert named is not None
    assert named.measured_at is not None
    assert named.measured_at.astimezone(UTC).hour == utc_hour


def test_an_unknown_zone_of_a_logger_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        route(time_zone="Europe/Atlantis")


def seen(drive: str, when: datetime, logger: str = "a") -> FileSeen:
    return FileSeen(
        path=Path(f"{logger}_{drive}.wav"), drive=drive, logger=logger, measured_at=when,
        points=(PointSeen(point="in", verdict="accepted"),),
    )  # fmt: skip


@pytest.mark.parametrize("year", [1970, 1980, 2000, 2080])
def test_a_clock_that_was_never_set_is_reported_and_not_used(year: int) -> None:
    files = [seen(f"D{k}", START + timedelta(minutes=10 * k)) for k in range(6)]
    files[2] = seen("D2", datetime(year, 1, 1, 3, 12, tzinfo=UTC))
    call = completeness(files, [], RULES, now=START + timedelta(days=1))
    assert [file.measured_at is None for file in call.files] == [k == 2 for k in range(6)]
    assert any(str(year) in remark and "not set" in remark for remark in call.files[2].remarks)
    assert not any(file.remarks for k, file in enumerate(call.files) if k != 2)


@pytest.mark.parametrize("hours", [-1, 1, 2])
def test_two_loggers_hours_apart_are_reported_once(hours: int) -> None:
    def both(off: float) -> list[FileSeen]:
        files = []
        for k in range(5):
            at = START + timedelta(minutes=12 * k)
            files += [seen(f"D{k}", at, "a"), seen(f"D{k}", at + timedelta(minutes=3 * (k % 3), hours=off), "b")]
        return files

    stated = [r for file in completeness(both(hours), [], RULES, now=START).files for r in file.remarks]
    assert len(stated) == 1
    assert f"{abs(hours)} h apart" in stated[0]
    assert not any(file.remarks for file in completeness(both(0), [], RULES, now=START).files)


def test_two_walks_on_one_day_are_no_clocks_apart() -> None:
    # The second logger went round in another order, two and a half hours later.
    files = [seen(f"D{k}", START + timedelta(minutes=12 * k), "a") for k in range(5)]
    files += [seen(f"D{k}", START + timedelta(minutes=150 + 25 * (4 - k)), "b") for k in range(5)]
    assert not any(file.remarks for file in completeness(files, [], RULES, now=START).files)
