from __future__ import annotations

import csv
import tomllib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from vibe.cli.main import main
from vibe.core.capture import Channel
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.flow.samples.years import make_years
from vibe.ingest.read import read_capture
from vibe.synth.samples.demo import shared_folder
from vibe.synth.samples.years import AGAIN, CaptureJob, capture_of, make
from vibe.synth.samples.years_alarms import COLUMNS, ObservedCapture, exceedances, levels, levels_of
from vibe.synth.samples.years_plan import PlannedCapture, at_week, plan_years
from vibe.synth.samples.years_spec import Alarms, DamageGrowth, Years, load_years

SPEC = shared_folder("sample_signals") / "years.toml"
DRIVES = shared_folder("configs") / "drives"

TINY = """
title = "two drives, four weeks"
first = 2024-03-18
weeks = 4
time_zone = "Europe/Vienna"
start_hour = 8
seed = 1
duration_s = 1.0
sample_rate_hz = 12800
points = ["input side radial", "output side radial"]
delivered_again_weeks = [1]
scatter = { load_percent = 0, speed = 0, noise = 0, sensitivity = 0, size = 0 }
alarms = { learned_from = 2, factor = { acceleration_rms = 1.2, acceleration_peak = 1.4 } }

[[drive]]
file = "screw_press_2.toml"
machine_seed = 1
cause = "fault"
urgency = 1
story = "Gets worse."
speed_rpm = 1450
load_percent = 80
every_weeks = 1
[[drive.growth]]
tone = "bearing.eccentric bearing.outer_race"
from_week = 2
size = 3
doubles_in_weeks = 1
[[drive.event]]
week = 1.5
kind = "grease"
new_baseline = false

[[drive]]
file = "screen_conveyor.toml"
machine_seed = 2
cause = "sensor"
story = "Loses a sensor."
speed_rpm = 1430
load_percent = 60
every_weeks = 1
wrong_clock = { week = 1, shows = 2000-01-01T00:14:00+01:00 }
[[drive.stretch]]
from_week = 2
what = "half the sensitivity, and a dead channel"
gain = { "input side radial" = 0.5 }
faults = { "output side radial" = "dead" }
"""


@pytest.fixture(scope="module")
def works() -> tuple[Years, tuple[PlannedCapture, ...]]:
    years, drives = load_years(SPEC, DRIVES)
    return years, plan_years(years, drives)


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The spec; the history of it lies next to it in ``out``."""
    folder = tmp_path_factory.mktemp("years")
    (folder / "years.toml").write_text(TINY, encoding="utf-8")
    make(folder / "years.toml", folder / "out")
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_works_have_the_fates_that_were_promised(works: tuple[Years, tuple[PlannedCapture, ...]]) -> None:
    years, takings = works
    assert Counter(e.cause for e in years.drive) == {
        "fault": 5, "load or speed": 3, "sensor": 2, "repaired": 1, "sound": 3,
    }  # fmt: skip
    assert {e.file for e in years.drive} == {p.name for p in DRIVES.glob("*.toml")}
    assert 350 <= len(takings) <= 450
    for entry in years.drive:
        own = [t for t in takings if t.conditions.machine_seed == entry.machine_seed]
        assert own[-1].week == years.weeks - 1
        damaged = [t.week for t in own if t.damage]
        if entry.cause == "fault":
            assert damaged
            assert own[-1].damage[0].size >= 1
            # At least a year's start without damage: something to compare with.
            assert sum(t.week < min(damaged) for t in own) >= 8
        elif entry.cause == "repaired":
            assert max(damaged) < entry.event[0].week < own[-4].week
        else:
            assert not damaged


def test_speeds_stay_in_range_and_missing_weeks_are_missing(works: tuple[Years, tuple[PlannedCapture, ...]]) -> None:
    years, takings = works
    assert {t.week for t in takings}.isdisjoint(years.missing_weeks)
    for taking in takings:
        low_hz, high_hz = taking.drive.input.speed_range_hz
        assert taking.conditions.speed_rpm is not None
        assert low_hz < taking.conditions.speed_rpm / 60 < high_hz
    assert len({t.file for t in takings}) == len({t.seed for t in takings}) == len(takings)
    wrong = [t for t in takings if t.conditions.measured_at != t.taken_at]
    assert [t.drive.tag for t in wrong] == ["TH-01"]


def test_load_and_speed_change_where_the_story_says_so(works: tuple[Years, tuple[PlannedCapture, ...]]) -> None:
    _, takings = works

    def loads(tag: str, weeks: range) -> float:
        return float(np.mean([t.conditions.load_percent for t in takings if t.drive.tag == tag and t.week in weeks]))

    def rpm(tag: str, weeks: range) -> float:
        return float(np.mean([t.conditions.speed_rpm or 0 for t in takings if t.drive.tag == tag and t.week in weeks]))

    assert loads("SM-02", range(40, 50)) > loads("SM-02", range(14, 24)) + 35  # winter, summer
    assert loads("AE-01", range(86, 95)) < loads("AE-01", range(95, 104)) - 35
    assert rpm("FT-01", range(62, 104)) > 1.02 * rpm("FT-01", range(62))
    assert abs(loads("SC-01", range(52)) - loads("SC-01", range(52, 104))) < 5


def test_a_drive_remains_the_same_machine(works: tuple[Years, tuple[PlannedCapture, ...]]) -> None:
    """Pitch errors and resonances stay; noise and load, which may change, are taken out here."""
    _, takings = works
    own = [t for t in takings if t.drive.tag == "SC-01"]
    quiet = {"noise": 0.0, "sensor_noise": 0.0, "speed_rpm": 1430.0, "load_percent": 60.0, "duration_s": 2.0}

    def level(taking: PlannedCapture, **more: object) -> float:
        conditions = replace(taking.conditions, **quiet, **more)  # type: ignore[arg-type]
        capture = capture_of(replace(taking, conditions=conditions, gain=()))
        return levels_of(capture)["output side radial"]["acceleration_rms"]

    first, last = level(own[0]), level(own[-1])
    assert last == pytest.approx(first, rel=0.02)
    assert abs(level(own[-1], machine_seed=7) / first - 1) > 0.05


def test_damage_doubles_hurries_and_ends() -> None:
    growth = DamageGrowth(tone="t", from_week=10, size=0.2, doubles_in_weeks=5)
    assert growth.size_at(9.9) == 0
    assert [growth.size_at(week) for week in (10, 15, 20)] == pytest.approx([0.2, 0.4, 0.8])
    faster = growth.model_copy(update={"faster_from_week": 15.0, "faster_doubles_in_weeks": 1.0, "until_week": 18.0})
    assert [faster.size_at(week) for week in (14, 15, 17)] == pytest.approx([growth.size_at(14), 0.4, 1.6])
    assert faster.size_at(18) == 0


def test_rounds_keep_the_clock_of_the_plant() -> None:
    years, _ = load_years(SPEC, DRIVES)
    winter, summer = at_week(years, 2), at_week(years, 16)
    assert (winter.hour, summer.hour) == (8, 8)
    assert summer - winter == timedelta(weeks=14, hours=-1)  # put forward between them
    assert (winter.utcoffset(), summer.utcoffset()) == (timedelta(hours=1), timedelta(hours=2))


def test_what_was_made_is_what_the_truth_tells(tiny: Path) -> None:
    out = tiny / "out"
    truth = {entry["tag"]: entry for entry in tomllib.loads((out / "truth.toml").read_text(encoding="utf-8"))["drive"]}
    assert {tag: entry["captures"] for tag, entry in truth.items()} == {"SP-02": 4, "SC-01": 4}
    assert truth["SP-02"]["damage"][0]["size_in_last_capture"] == 6
    files = sorted((out / "captures" / "SP-02").glob("*.h5"))
    peaks = [levels(read_capture(file).channels[0])["acceleration_peak"] for file in files]
    assert peaks[3] > 1.5 * peaks[2] > 2 * peaks[1]
    assert peaks[1] == pytest.approx(peaks[0], rel=0.3)
    events = tomllib.loads((out / "events.toml").read_text(encoding="utf-8"))["event"]
    assert [(e["drive"], e["kind"], e["new_baseline"]) for e in events] == [("SP-02", "grease", False)]


def test_sensors_fail_where_they_should_and_nowhere_else(tiny: Path) -> None:
    files = sorted((tiny / "out" / "captures" / "SC-01").glob("*.h5"))
    captures = [read_capture(file) for file in files]
    rms = [[levels(channel)["acceleration_rms"] for channel in capture.vibration] for capture in captures]
    assert rms[1] == pytest.approx(rms[0], rel=0.1)
    assert rms[3][0] == pytest.approx(0.5 * rms[0][0], rel=0.1)
    assert rms[3][1] < 0.01 * rms[0][1]
    times = [capture.measured_at for capture in captures]
    assert times[1] is not None
    assert times[1].year == 2000
    assert [t.date().isoformat() for t in times if t is not None and t.year > 2000] == [
        file.stem.removeprefix("SC-01_") for file in (files[0], *files[2:])
    ]


def test_one_round_came_twice_byte_for_byte(tiny: Path) -> None:
    again = sorted((tiny / "out" / AGAIN).iterdir())
    assert [path.name for path in again] == ["SC-01_2024-03-25.h5", "SP-02_2024-03-25.h5"]
    for path in again:
        assert path.read_bytes() == (tiny / "out" / "captures" / path.name[:5] / path.name).read_bytes()


def test_exceedances_are_those_of_the_written_samples(tiny: Path) -> None:
    with (tiny / "out" / "exceedances.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows
    assert tuple(rows[0]) == COLUMNS
    assert {row["tag"] for row in rows} == {"SP-02"}  # half the level, or none, exceeds nothing
    for row in rows:
        day = datetime.fromisoformat(row["time"]).date().isoformat()
        capture = read_capture(tiny / "out" / "captures" / row["tag"] / f"{row['tag']}_{day}.h5")
        value = levels_of(capture)[row["point"]][row["measure"]]  # type: ignore[index]
        assert float(row["value"]) == pytest.approx(value, rel=0.006)  # three figures
        assert float(row["value"]) > float(row["limit"])


def test_the_same_every_time_however_the_work_is_spread(tiny: Path, tmp_path: Path) -> None:
    def backwards(
        work: Callable[[CaptureJob], ObservedCapture],
        jobs: Sequence[CaptureJob],
        done: Callable[[int, ObservedCapture], None],
    ) -> Sequence[ObservedCapture]:
        return [work(job) for job in reversed(jobs)][::-1]

    make(tiny / "years.toml", tmp_path / "again", spread=backwards)
    assert contents(tmp_path / "again") == contents(tiny / "out")


def test_several_processes_make_the_same_and_tell_how_far_they_are(tiny: Path, tmp_path: Path) -> None:
    stated: list[tuple[int, int]] = []
    made = make_years(
        tmp_path / "out",
        spec=tiny / "years.toml",
        workers=2,
        progress=lambda done, total, _: stated.append((done, total)),
    )
    assert contents(tmp_path / "out") == contents(tiny / "out")
    assert stated == [(done, 8) for done in range(9)]
    assert made.captures == 8


def test_a_part_of_it_is_the_same_part(tiny: Path, tmp_path: Path) -> None:
    made = make(tiny / "years.toml", tmp_path, only=["SP-02"], most=2)
    assert made.captures == 2
    whole = contents(tiny / "out" / "captures" / "SP-02")
    part = contents(tmp_path / "captures" / "SP-02")
    assert list(part) == [min(whole), max(whole)]
    assert all(whole[name] == content for name, content in part.items())


def test_rounds_that_are_named_are_the_same_as_among_all(tiny: Path, tmp_path: Path) -> None:
    years, drives = load_years(tiny / "years.toml", shared_folder("configs") / "drives")
    planned = plan_years(years, drives)
    named = {max(one.week for one in planned)}
    made = make(tiny / "years.toml", tmp_path, weeks=named)
    assert made.captures == len([one for one in planned if one.week in named]) > 0
    whole, part = contents(tiny / "out" / "captures"), contents(tmp_path / "captures")
    assert part.items() <= whole.items()
    assert 0 < len(part) < len(whole)


def test_levels_of_a_known_motion() -> None:
    time_s = np.arange(12_800) / 12_800
    wave = 2.0 * np.sin(2 * np.pi * 100 * time_s) + 0.5 * np.sin(2 * np.pi * 5 * time_s) + 3.0

    def channel(samples: np.ndarray) -> Channel:
        return Channel(
            name="p", samples=samples.astype(np.float32), sample_rate_hz=12_800.0, quantity="acceleration",
            recorded_unit="m/s^2",
        )  # fmt: skip

    found = levels(channel(wave))
    assert found["velocity_rms"] == pytest.approx(1e3 * 2.0 / np.sqrt(2) / (2 * np.pi * 100), rel=1e-4)
    assert found["acceleration_rms"] == pytest.approx(np.sqrt((2.0**2 + 0.5**2) / 2), rel=1e-4)
    assert found["acceleration_peak"] == pytest.approx(2.5, rel=0.02)
    wave[:10] = np.nan
    assert np.isfinite(list(levels(channel(wave)).values())).all()


def detected(tag: str, week: int, value: float) -> ObservedCapture:
    when = datetime(2024, 1, 1, tzinfo=UTC) + timedelta(weeks=week)
    return ObservedCapture(tag=tag, week=week, taken_at=when, levels={"p": {"acceleration_rms": value}})


def test_limits_are_learned_once_and_anew_only_where_asked() -> None:
    alarms = Alarms(learned_from=2, factor={"acceleration_rms": 1.5})
    both = [detected(tag, week, value) for tag in "AB" for week, value in enumerate((1, 1, 1.4, 1.6, 2, 2, 2.9, 3.1))]
    plain = exceedances(both, alarms, {})
    assert [(row.tag, row.value) for row in plain if row.tag == "A"] == [("A", v) for v in (1.6, 2, 2, 2.9, 3.1)]
    anew = exceedances(both, alarms, {"A": [4]})
    assert [(row.value, row.limit) for row in anew if row.tag == "A"] == [(1.6, 1.5), (3.1, 3.0)]
    assert [row for row in anew if row.tag == "B"] == [row for row in plain if row.tag == "B"]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("machine_seed = 1\n", "machine_sed = 1\n", "machine_sed"),
        ("outer_race", "outer_ring", "unknown damage"),
        ("speed_rpm = 1450", "speed_rpm = 1550", "outside the range"),
        ('gain = { "input side radial"', 'gain = { "input side"', "no point 'input side'"),
        ('"dead"', '"deaf"', "unknown sensor fault 'deaf'"),
        ("Europe/Vienna", "Europe/Nowhere", "time zone"),
        ("urgency = 1\n", "urgency = 2\n", "count 1, 2, 3"),
        ("urgency = 1\n", "", "has an urgency"),
        ('"screen_conveyor.toml"', '"screw_press_2.toml"', "twice"),
        ("weeks = 4", "weeks = ", "is no TOML"),
    ],
)
def test_a_wrong_specification_is_reported_with_its_file(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in TINY
    path = tmp_path / "wrong.toml"
    path.write_text(TINY.replace(old, new), encoding="utf-8")
    with pytest.raises(ConfigError, match=says) as stated:
        make(path, tmp_path / "out")
    assert "wrong.toml" in str(stated.value)
    assert not (tmp_path / "out").exists()


def test_nothing_is_written_over_or_guessed(tiny: Path) -> None:
    before = contents(tiny / "out")
    with pytest.raises(OutputError, match="holds files already"):
        make(tiny / "years.toml", tiny / "out")
    with pytest.raises(CallError, match="'SP-99'; there are SC-01, SP-02"):
        make(tiny / "years.toml", tiny / "else", only=["SP-99"])
    with pytest.raises(CallError, match="at least 1"):
        make(tiny / "years.toml", tiny / "else", most=0)
    assert contents(tiny / "out") == before
    assert not (tiny / "else").exists()


def test_the_command_says_what_it_made(tiny: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["years", "--out", str(tmp_path / "out"), "--spec", str(tiny / "years.toml"), "--workers", "1"]
    with pytest.raises(SystemExit) as end:
        main([*call, "--drive", "SC-01"])
    assert not end.value.code
    lines = [line.split("\t") for line in capsys.readouterr().out.splitlines()]
    assert lines[:2] == [["what", "where", "count"], ["captures", str(tmp_path / "out" / "captures"), "4"]]
    assert all(Path(line[1]).exists() for line in lines[1:])


@pytest.mark.slow
def test_the_whole_history_is_small_and_its_alarms_are_mixed(tmp_path: Path) -> None:
    make_years(tmp_path)
    captures = list((tmp_path / "captures").rglob("*.h5"))
    assert len(captures) <= 460
    assert sum(path.stat().st_size for path in captures) < 250e6
    stated = tomllib.loads((tmp_path / "truth.toml").read_text(encoding="utf-8"))
    rows: Counter[str] = Counter()
    for entry in stated["drive"]:
        rows[entry["cause"]] += entry["exceedances"]
        assert entry["exceedances"] > 0 or entry["cause"] == "sound"
    assert sum(rows.values()) >= 40
    assert all(rows[cause] >= 10 for cause in ("fault", "load or speed", "sensor", "repaired", "sound"))
    assert stated["order_of_urgency"][0] == "SP-02"
