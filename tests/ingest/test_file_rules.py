"""What names of files say: cut by hand here, never by the code's own pattern."""

from __future__ import annotations

import time
import unicodedata
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibe.core.route.route import Route, folded
from vibe.ingest import Named, name_says
from vibe.ingest.route.name_pattern import RuleError

FOLDER = Path("nowhere") / "round 7"
POINTS = ["input side radial", "output side radial"]
DRIVES: dict[str, dict[str, Any]] = {"TH-01": {}, "TH-02": {"formerly": ["OLD_7"]}, "Rührer_2": {}}
WHEN = datetime(2026, 3, 9, 8, 12, tzinfo=timezone(timedelta(hours=1)))


def route(*rules: dict[str, Any], zone: str | None = "Europe/Vienna", drives: dict[str, Any] | None = None) -> Route:
    stops = [
        {"drive": tag, "point": [{"name": name} for name in POINTS], **more}
        for tag, more in (DRIVES if drives is None else drives).items()
    ]
    return Route.model_validate(
        {"title": "t", "drives": ["x"], "time_zone": zone, "file": list(rules), "stop": stops}, strict=True
    )


def says(name: str, *rules: dict[str, Any], zone: str | None = "Europe/Vienna") -> Named | None:
    return name_says(FOLDER / name, FOLDER, route(*rules, zone=zone))


LOGGER = {"like": "{drive}/{point}_{time}.wav", "point_names": {"P1": POINTS[0], "P2": POINTS[1]}}


@pytest.mark.parametrize(
    ("like", "name", "drive", "point"),
    [
        ("{drive}/{point}_{time}.wav", "TH-01/P1_20260309_081200.wav", "TH-01", POINTS[0]),
        ("{drive}/{point}_{time}.wav", "th-01/p2_20260309_081200.WAV", "TH-01", POINTS[1]),
        ("{drive}/{point}_{time}.wav", "TH-01/OUTPUT SIDE RADIAL_20260309_081200.wav", "TH-01", POINTS[1]),
        # A tag with the divider in it: only one cut gives a drive of the route.
        ("{drive}_{point}_{time}.wav", "Rührer_2_P1_20260309_081200.wav", "Rührer_2", POINTS[0]),
        ("{drive}_{any}_{time}.wav", "Rührer_2_x_y_20260309_081200.wav", "Rührer_2", None),
        ("{any}-{drive}_{time}.wav", "a-TH-01_20260309_081200.wav", "TH-01", None),
        ("{drive}{time}{point}.wav", "TH-0120260309_081200P2.wav", "TH-01", POINTS[1]),
        ("{time}{any}/{drive}.wav", "20260309_081200/TH-02.wav", "TH-02", None),
    ],
)
def test_names_are_cut_where_the_route_knows_both_sides(like: str, name: str, drive: str, point: str | None) -> None:
    for form in ("NFC", "NFD"):
        found = says(unicodedata.normalize(form, name), {**LOGGER, "like": like})
        assert found is not None
        assert (found.drive, found.point, found.measured_at, found.remarks) == (drive, point, WHEN, ())


def test_names_are_folded_without_moving_a_sign() -> None:
    composed, apart = "Rührer \u0130 STRASSE ß", unicodedata.normalize("NFD", "Rührer \u0130 STRASSE ß")
    assert composed != apart
    assert folded(apart) == folded(composed)
    assert len(folded(apart)) == len(composed)
    assert folded("TH-01") == folded("th-01") != folded("th-02")
    assert folded("RÜHRER") == "rührer"


@pytest.mark.parametrize(
    "name",
    [
        "TH-01_P1_20260309_081200.wav",
        "a/TH-01/P1_20260309_081200.wav",
        "TH-01/P1_20260309_081200.wav.bak",
        "TH-01/P1_20260309-081200.wav",
        "TH-01/P1_2026030９_081200.wav",
        "TH-01/_20260309_081200.wav",
        "TH-01/P1_20260309_0812000.wav",
        f"TH-01/{'P' * 81}_20260309_081200.wav",
    ],
)
def test_what_does_not_fit_says_nothing(name: str) -> None:
    assert says(name, LOGGER) is None


def test_without_rules_and_outside_of_the_folder_nothing_is_said() -> None:
    assert says("TH-01/P1_20260309_081200.wav") is None
    assert name_says(Path("elsewhere") / "TH-01" / "P1_20260309_081200.wav", FOLDER, route(LOGGER)) is None


def test_an_absolute_file_below_a_relative_folder() -> None:
    found = name_says(FOLDER.absolute() / "TH-01/P1_20260309_081200.wav", FOLDER, route(LOGGER))
    assert found is not None
    assert found.drive == "TH-01"


@pytest.mark.parametrize("special", ["a.c", "x+y", "(TH)", "[a-z]", "^$", "a|b", ".*", "a{any}?"])
def test_all_else_stands_for_itself(special: str) -> None:
    rule = {"like": special + "_{drive}.wav"}
    assert says(special.replace("{any}", "Z") + "_TH-01.wav", rule) is not None
    for other in ("abc", "xxy", "TH", "b", "", "a", "zzzz"):
        assert says(other + "_TH-01.wav", rule) is None


def test_the_first_rule_that_fits_is_taken_even_if_it_takes_all() -> None:
    everything = {"like": "{any}"}
    found = says("TH-01.wav", everything, {"like": "{drive}.wav"})
    assert found is not None
    assert (found.rule.like, found.drive, found.point, found.measured_at) == ("{any}", None, None, None)
    found = says("TH-01.wav", {"like": "{drive}.csv"}, {"like": "{drive}.wav"}, everything)
    assert found is not None
    assert found.drive == "TH-01"


def test_a_catch_all_that_calls_everything_a_drive_is_caught_out() -> None:
    found = says("notes of Monday.wav", {"like": "{drive}.wav"})
    assert found is not None
    assert found.drive == "notes of Monday"
    assert found.remarks == ("the drive 'notes of Monday' is not on the route",)


def test_former_tags_and_the_loggers_own_names() -> None:
    rule = {"like": "{drive}.wav", "drive_names": {"Unit 9": "TH-01", "Unit 10": "old_7"}}
    for name, drive, remarks in (
        ("UNIT 9.wav", "TH-01", ()),
        ("TH-02.wav", "TH-02", ()),
        ("old_7.wav", "TH-02", ("TH-02 was called 'old_7'",)),
        ("Unit 10.wav", "TH-02", ("TH-02 was called 'old_7'",)),
    ):
        found = says(name, rule)
        assert found is not None
        assert (found.drive, found.remarks) == (drive, remarks)


def test_a_point_that_the_stop_has_not() -> None:
    found = says("TH-01/P9_20260309_081200.wav", LOGGER)
    assert found is not None
    assert (found.drive, found.point) == ("TH-01", "P9")
    assert found.remarks == ("its name says point 'P9', TH-01 has none of that name",)


@pytest.mark.parametrize(
    ("form", "text", "expected"),
    [
        ("%Y-%m-%dT%H.%M", "2026-03-09T08.12", WHEN),
        ("%y%j %I%M%p", "26068 0812AM", WHEN),
        ("%d%b%Y-%H%M", "09Mar2026-0812", WHEN),
        ("%Y%m%d%H%M%z", "202603090712Z", WHEN),
        ("%Y%m%d%H%M%z", "202603090312-0400", WHEN),
        ("%Y-%m-%d/%H%M", "2026-03-09/0812", WHEN),
        ("%Y(%m)%d+%H%M", "2026(03)09+0812", WHEN),
    ],
)
def test_clocks_as_loggers_write_them(form: str, text: str, expected: datetime) -> None:
    found = says(f"{text}_TH-01.wav", {"like": "{time}_{drive}.wav", "time_format": form})
    assert found is not None
    assert (found.drive, found.measured_at, found.remarks) == ("TH-01", expected, ())


@pytest.mark.parametrize("text", ["2026-03-09T08x12", "2026-03-09 08.12", "2026-3-9T8.12", "2026-03-09T08.1"])
def test_a_clock_that_looks_otherwise_does_not_fit(text: str) -> None:
    assert says(f"{text}_TH-01.wav", {"like": "{time}_{drive}.wav", "time_format": "%Y-%m-%dT%H.%M"}) is None


def test_times_that_cannot_be_are_not_used() -> None:
    for text, words in (
        ("20261301_000000", "cannot be"),
        ("20260230_120000", "cannot be"),
        ("19040101_000000", "clock"),
    ):
        found = says(f"TH-01/P1_{text}.wav", LOGGER)
        assert found is not None
        assert (found.drive, found.measured_at) == ("TH-01", None)
        assert words in found.remarks[0]


def test_times_in_the_night_of_a_change_and_without_a_zone() -> None:
    doubtful = says("TH-01/P1_20261025_023000.wav", LOGGER)
    assert doubtful is not None
    assert doubtful.measured_at == datetime(2026, 10, 25, 2, 30, tzinfo=timezone(timedelta(hours=2)))
    assert "twice" in doubtful.remarks[0]
    local = says("TH-01/P1_20261025_023000.wav", LOGGER, zone=None)
    assert local is not None
    assert local.measured_at == datetime(2026, 10, 25, 2, 30)
    assert "local time" in local.remarks[0]


@pytest.mark.parametrize(
    ("rule", "place", "words"),
    [
        ({"like": "{drvie}.wav"}, "like", "{drvie} is not known"),
        ({"like": "{}.wav"}, "like", "{} is not known"),
        ({"like": "{drive}_{drive}.wav"}, "like", "once only"),
        ({"like": "{drive}{point}.wav"}, "like", "it is not clear where one ends"),
        ({"like": "{any}{any}.wav"}, "like", "it is not clear where one ends"),
        ({"like": "{drive.wav"}, "like", "brace"),
        ({"like": "{any}a{any}a{any}a{any}a{any}"}, "like", "more than 4"),
        ({"like": "{drive}\\{point}.wav"}, "like", "write /"),
        ({"like": "/{drive}.wav"}, "like", "begins below"),
        ({"like": "../{drive}.wav"}, "like", "begins below"),
        ({"like": "{drive}\x07.wav"}, "like", "cannot be printed"),
        ({"like": "{time}", "time_format": "%Y%m%d"}, "time_format", "time of day"),
        ({"like": "{time}", "time_format": "%H%M"}, "time_format", "must give the day"),
        ({"like": "{time}", "time_format": "%Q%Y%m%d%H%M"}, "time_format", "%Q is not known"),
        ({"like": "{time}", "time_format": "%Y%m%d%H%M%"}, "time_format", "% is not known"),
        ({"like": "{time}", "time_format": "%Y%Y%m%d%H%M"}, "time_format", "twice"),
        ({"like": "{drive}", "drive_names": {"a": "TH-03"}}, "drive_names", "did you mean 'TH-0"),
        ({"like": "{drive}", "point_names": {"a": "input side axial"}}, "point_names", f"did you mean '{POINTS[0]}'"),
        ({"like": "{drive}", "drive_names": {"a": "TH-01", "A": "TH-02"}}, "drive_names", "two meanings"),
        ({"like": "{drive}", "channel": {"unit": "furlong"}}, "channel", "not a unit of vibration"),
        ({"like": "{drive}", "channel": {"scale": 0.0}}, "channel", "must not be 0"),
    ],
)
def test_rules_that_are_wrong_are_refused_at_once(rule: dict[str, Any], place: str, words: str) -> None:
    with pytest.raises(RuleError) as caught:
        says("x", {"like": "{drive}.csv"}, rule)
    assert caught.value.place[:3] == ("file", 1, place)
    assert words in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_whole_round_is_distinguished_at_once_and_no_file_is_opened() -> None:
    """200 drives of 4 points; none of the files is there."""
    names = {f"P{k}": f"point {k}" for k in range(4)}
    stops = {f"D_{k:03d}": {"point": [{"name": name} for name in names.values()]} for k in range(200)}
    rules: list[dict[str, Any]] = [{"like": f"logger {k}/{{any}}_{{drive}}.h5"} for k in range(5)]
    rules.append({"like": "{any}_{drive}_{point}_{time}.wav", "point_names": names})
    plan = route(*rules, drives=stops)
    files = [FOLDER / f"run_1_{tag}_{name}_20260309_081200.wav" for tag in stops for name in names]
    begin = time.process_time()
    found = [name_says(file, FOLDER, plan) for file in files]
    assert time.process_time() - begin < 1.0
    assert [(one.drive, one.point) for one in found if one] == [
        (tag, point) for tag in stops for point in names.values()
    ]


@pytest.mark.parametrize("like", ["{any}_{any}_{any}_{any}_{drive}_{point}x", "{any}a{any}a{drive}a{point}a{any}ab"])
@pytest.mark.parametrize("sign", ["_", "a"])
def test_no_name_keeps_a_rule_busy(like: str, sign: str) -> None:
    begin = time.process_time()
    assert says(sign * 254 + "y", {"like": like}) is None
    says(sign * 900 + like[-1], {"like": like})
    assert says(sign * 100_000 + like[-1], {"like": like}) is None
    assert time.process_time() - begin < 3.0


def test_a_name_that_is_no_text() -> None:
    found = says("TH\udcff\x1b[31m\n9.wav", {"like": "{drive}.wav"})
    assert found is not None
    assert found.drive == "TH\ufffd\ufffd[31m\ufffd9"
    assert found.remarks == ("the drive 'TH\ufffd\ufffd[31m\ufffd9' is not on the route",)


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet=st.characters(blacklist_characters="/\0"), min_size=1, max_size=60))
def test_any_name_at_all_can_be_said_again(name: str) -> None:
    """Whatever a disk calls its files, lone surrogates and control signs too, comes out fit to print and write."""
    if name in (".", ".."):
        return
    for like in ("{drive}_{any}", "{drive}", "{any}/{point}", "{any}"):
        found = says(name, {"like": like})
        if found is not None:
            for text in (found.drive or "", found.point or "", *found.remarks):
                assert text.isprintable()
                text.encode("utf-8")
