"""Numbers of rounds, names and tables: each is met from both sides of its limit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.ingest.test_completeness import file
from vibe.core.capture import Channel
from vibe.core.records.acceptance import Requirement
from vibe.core.route.readings import RoundReadings, StopReadings
from vibe.core.route.round_check import Completeness, Expected, FileSeen
from vibe.core.route.route import FileRule
from vibe.ingest import load_model
from vibe.ingest.commissioning_set import _wrong
from vibe.ingest.read import read_capture
from vibe.ingest.route.completeness import _set_clocks, completeness
from vibe.ingest.route.duplicates import samples_hash
from vibe.ingest.route.field_rules import FieldRules, Setting, scaled, settings
from vibe.ingest.route.name_pattern import PatternPiece, RuleError, _ends, parts_of
from vibe.ingest.route.noted_readings import with_readings
from vibe.ingest.route.route_capture import _time
from vibe.ingest.tables.event_table import _event
from vibe.ingest.tables.exceedance_terms import in_unit_of_store
from vibe.ingest.tables.readings_file import KnownStops, _Column, _speed_wrong, _value

RULES = load_model(Path(__file__).resolve().parents[2] / "configs" / "on_the_spot.toml", FieldRules)
MORNING = datetime(2026, 3, 9, 8, 0, tzinfo=UTC)


def checked(files: Sequence[FileSeen], expected: Sequence[Expected] = ()) -> Completeness:
    return completeness(files, expected, RULES, now=MORNING)


# ── a round against its plan ──────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("count", "known"), [(4, False), (5, True)])
def test_five_times_say_when_a_round_was(count: int, known: bool) -> None:
    files = [file(f"{k}.h5", f"D{k}", "a", minutes=k) for k in range(count - 1)]
    files.append(file("late.h5", "L", "a", minutes=200 * 1440))
    last = checked(files).files[-1].points[0]
    assert ("unusual_time" in [one.code for one in last.reasons]) is known


@pytest.mark.parametrize(("tries", "given_up"), [(1, False), (2, True)])
def test_who_sent_a_point_back_twice_writes_down_what_was_tried(tries: int, given_up: bool) -> None:
    files = [file(f"{k}.h5", "A", "a", verdict="retake") for k in range(tries)]
    (missing,) = checked(files, [Expected(drive="A", point="a")]).missing
    assert ("write down" in missing.remedy) is given_up


@pytest.mark.parametrize("year", [1970, 1980, 1990, 2000])
@pytest.mark.parametrize(("days", "kept"), [(5, False), (350, False), (380, True)])
def test_a_clock_that_lost_its_battery_begins_anew_and_lasts_a_year(year: int, days: int, kept: bool) -> None:
    seen = file("a.h5", "A", "a", measured_at=datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=days))
    (found,) = _set_clocks([seen], MORNING)
    assert (found.measured_at is not None) is kept


def two_loggers(gaps_s: Sequence[float]) -> bool:
    """Whether their clocks are said to stand apart, by so much at each drive."""
    files = []
    for number, gap_s in enumerate(gaps_s):
        files.append(file(f"a{number}.h5", f"D{number}", "a", minutes=10 * number, logger="one"))
        files.append(file(f"b{number}.h5", f"D{number}", "b", minutes=10 * number + gap_s / 60, logger="two"))
    return any("two loggers" in remark for one in checked(files).files for remark in one.remarks)


@pytest.mark.parametrize(("stops", "stated"), [(2, False), (3, True)])
def test_clocks_of_two_loggers_are_compared_at_three_drives(stops: int, stated: bool) -> None:
    assert two_loggers([3600.0] * stops) is stated


@pytest.mark.parametrize(("minutes", "stated"), [(12, True), (18, False)])
def test_two_loggers_are_started_within_a_quarter_of_an_hour(minutes: float, stated: bool) -> None:
    assert two_loggers([3600.0, 3600.0 + 60 * minutes, 3600.0 - 60 * minutes]) is stated


@pytest.mark.parametrize(("size", "known"), [(240, False), (272, True)])
def test_rows_of_four_samples_a_block_can_be_known_again(size: int, known: bool) -> None:
    row = np.random.default_rng(1).standard_normal(size).astype(np.float32)
    channel = Channel(name="a", samples=row, sample_rate_hz=1000.0, quantity="acceleration", recorded_unit="m/s^2")
    assert bool(samples_hash(channel)) is known


@pytest.mark.parametrize(("taken_s", "short"), [(9.6, False), (9.4, True)])
def test_a_logger_may_stop_a_twentieth_early(taken_s: float, short: bool) -> None:
    planned = Setting(taken=2560.0, planned=2560.0, lost=(), promised=3)
    found = settings(Setting(taken=taken_s, planned=10.0, lost=(), promised=3), planned, RULES)
    assert bool(found) is short


@pytest.mark.parametrize(
    ("factor", "name"),
    [
        (10.05, "ten times wrong"), (30.0, "another sensor"), (100.0, "a hundred times"), (1000.0, "mV for V"),
        (9.80665, "g where"), (9806.65, "mg where"), (33.0, "another sensor"), (1090.0, "mV for V"), (1e-3, "mV for V"),
    ],
)  # fmt: skip
def test_slips_that_happen_are_called_by_their_names(factor: float, name: str) -> None:
    assert name in scaled(factor, "March").text.partition(", as by ")[2]


@pytest.mark.parametrize("factor", [6.0, 11.9, 20.0, 35.0, 60.0, 114.0, 200.0, 1150.0, 2000.0, 5000.0, 20_000.0])
def test_other_factors_have_none(factor: float) -> None:
    """1 dB off it is another one."""
    assert "as by" not in scaled(factor, "March").text


# ── names ─────────────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("kind", "longest"), [("drive", 80), ("any", 255)])
def test_a_name_has_80_signs_and_what_is_free_as_many_as_a_file_system_allows(kind: str, longest: int) -> None:
    assert max(_ends(PatternPiece(kind), "x" * 400, 0, {})) == longest


def test_a_rule_has_four_free_parts() -> None:
    assert sum(part.kind == "any" for part in parts_of(FileRule(like="{any}a{any}b{any}c{any}"), ())) == 4
    with pytest.raises(RuleError, match="more than 4"):
        parts_of(FileRule(like="{any}a{any}b{any}c{any}d{any}"), ())


@pytest.mark.parametrize(("minutes", "differs"), [(8, False), (12, True)])
def test_a_name_may_be_ten_minutes_off_what_the_file_says(minutes: float, differs: bool) -> None:
    remarks: list[str] = []
    named: Any = SimpleNamespace(measured_at=MORNING, time_remark=None)
    _time(MORNING + timedelta(minutes=minutes), named, remarks)
    assert bool(remarks) is differs


# ── readings and tables ───────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("noted", "differs"), [(1445.0, False), (1446.2, True)])
def test_readings_that_differ_by_less_than_a_thousandth_are_one(tmp_path: Path, noted: float, differs: bool) -> None:
    path = tmp_path / "a.csv"
    rows = "".join(f"{k / 1000},{k % 7 - 3}\n" for k in range(300))
    path.write_text(f"# drive = TH-02\n# speed_rpm = 1444\ntime_s,P1 [m/s^2]\n{rows}", encoding="utf-8")
    readings = RoundReadings(file="r.csv", stops={"th-02": StopReadings(drive="TH-02", speed_rpm=noted)})
    assert any("speed: " in remark for remark in with_readings(read_capture(path), readings).remarks) is differs


@pytest.mark.parametrize(("rpm", "another_shafts"), [(740, False), (700, True), (2950, False), (3050, True)])
def test_a_speed_twice_what_is_allowed_is_another_shafts(rpm: float, another_shafts: bool) -> None:
    known = KnownStops(tags={"a": "A"}, speeds_rpm={"A": (1450.0, 1500.0)})
    assert bool(_speed_wrong(StopReadings(drive="A", speed_rpm=rpm), "A", known)) is another_shafts


@pytest.mark.parametrize(
    ("text", "column", "value"),
    [
        ("1440 r/min", "speed_rpm", 1440.0), ("24 Hz", "speed_rpm", 1440.0), ("80 %", "load_percent", 80.0),
        ("50 °C", "oil_temperature_c", 50.0), ("122 °F", "oil_temperature_c", 50.0),
        ("323.15 K", "housing_temperature_c", 50.0),
    ],
)  # fmt: skip
def test_units_come_to_the_columns_own(text: str, column: str, value: float) -> None:
    assert _value(text, _Column(column, "", "")) == pytest.approx(value)


def test_an_inch_has_25_4_millimetres() -> None:
    assert in_unit_of_store(1.0, "in/s", "velocity_rms") == (pytest.approx(25.4), "mm/s")


@pytest.mark.parametrize(("year", "fits"), [(1940, False), (1960, True), (2190, True), (2210, False)])
def test_rows_of_a_list_lie_between_1950_and_2200(year: int, fits: bool) -> None:
    said = {"drive": "A", "at": f"{year}-03-09T08:00:00+00:00", "kind": "bearing replaced"}
    if fits:
        assert _event(said, None, None).at.year == year
    else:
        with pytest.raises(ValueError, match="in the year"):
            _event(said, None, None)


@pytest.mark.parametrize(("harmonic", "read"), [(3, True), (4, False)])
def test_captures_are_read_at_three_harmonics_of_a_mesh(harmonic: int, read: bool) -> None:
    limit = {"tone": "stage1.mesh", "harmonic": harmonic, "unit": "mm/s", "limit": 1.0}
    wanted = Requirement.model_validate({"id": "r", "kind": "tone", "text": "t", "source": "s", **limit})
    assert ((_wrong(wanted) or ("",))[0] != "harmonic") is read
