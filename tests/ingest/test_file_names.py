"""What a logger's files will be called: what the sheet asks for is what the route then understands."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from vibe.core.route.route import FileRule, Route, RoutePoint, Stop
from vibe.ingest.route.file_names import file_names
from vibe.ingest.route.file_rules import name_says

STOPS = [
    Stop(drive="TH-01", formerly=["T-7"], point=[RoutePoint(name="in"), RoutePoint(name="out")]),
    Stop(drive="SP-01", point=[RoutePoint(name="in"), RoutePoint(name="gone", out_of_use="cable cut")]),
]


def route(*rules: FileRule) -> Route:
    return Route(title="Walk", time_zone="Europe/Vienna", drives=["*.toml"], stop=STOPS, file=list(rules))


A = FileRule(like="{drive}/{point}_{time}.wav", drive_names={"RAKE-N": "T-7"}, point_names={"P1": "in"})
B = FileRule(like="{drive} {time} {any}.csv", time_format="%y-%m-%dT%H.%M")


def test_the_loggers_own_names_stand_on_the_sheet() -> None:
    first, second = (file_names(route(A, B), stop) for stop in STOPS)
    assert [(name.path, name.points) for name in first] == [
        ("RAKE-N/P1_YYYYMMDD_hhmmss.wav", ("in",)),
        ("RAKE-N/out_YYYYMMDD_hhmmss.wav", ("out",)),
    ]
    assert [(name.path, name.points) for name in second] == [("SP-01 YY-MM-DDThh.mm *.csv", ("in",))]
    assert file_names(route(), STOPS[0]) == ()


@pytest.mark.parametrize("stop", STOPS)
def test_a_file_of_that_name_is_understood(stop: Stop) -> None:
    when = datetime(2026, 3, 9, 8, 12, 30)
    for name in file_names(route(A, B), stop):
        filled = name.path.replace("*", "007")
        for letters, sign in (("YYYY", "%Y"), ("YY", "%y"), ("MM", "%m"), ("DD", "%d"), ("hh", "%H"), ("mm", "%M"),
                              ("ss", "%S")):  # fmt: skip
            filled = filled.replace(letters, when.strftime(sign))
        said = name_says(Path("round") / filled, Path("round"), route(A, B))
        assert said is not None
        assert (said.drive, said.point_remark, said.time_remark) == (stop.drive, None, None)
        assert said.point is None or (said.point,) == name.points
        assert said.measured_at is not None
        assert said.measured_at.replace(second=0, tzinfo=None) == when.replace(second=0)
