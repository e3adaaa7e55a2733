from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol, get_args
from zoneinfo import ZoneInfo

import h5py
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.io import wavfile

from vibe.core.capture import Capture
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.flow.samples.route_round import make_practice
from vibe.synth.samples.collecting_faults import SAMPLE_FAULTS, SampleFault, spoiled
from vibe.synth.samples.demo import shared_folder
from vibe.synth.samples.route_round import (
    LOGGER_A_RANGE_M_S2,
    MONTHS,
    NEEDS_IN_MAY,
    NOTED_RPM,
    POINTS,
    SHORT_S,
    MayPlanted,
    MayVisit,
    Planted,
    PracticeDrive,
    PracticeVisit,
    load_practice,
    take,
    takings,
)

INPUT, OUTPUT = POINTS
SPEC = shared_folder("sample_signals") / "practice.toml"
Array = NDArray[np.float64]


class Visit(Protocol):
    """Files of the visit in which a fault was planted, in a month of the practice."""

    def __call__(self, planted: str, month: str = "march") -> tuple[Path, ...]: ...


def quick(taking: PracticeVisit, **changes: object) -> PracticeVisit:
    """The same visit at a lower rate, and no longer than what is planted needs."""
    seconds = SHORT_S + 1 if taking.entry.planted == "too short" else 3.0
    update = {"seconds": seconds, "rate_hz": 12_800.0, **changes}
    return replace(taking, entry=taking.entry.model_copy(update=update))


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], PracticeVisit]:
    """By planted fault and month."""
    folder = tmp_path_factory.mktemp("practice")
    return {(one.entry.planted or "", one.month): quick(one) for one in takings(folder)}


@pytest.fixture(scope="module")
def visit(planned: dict[tuple[str, str], PracticeVisit]) -> Visit:
    """Files of a visit, made once, when a test first asks for them."""
    made: dict[tuple[str, str], tuple[Path, ...]] = {}

    def files(planted: str, month: str = "march") -> tuple[Path, ...]:
        key = (planted, month)
        if key not in made:
            made[key] = take(planned[key])
        return made[key]

    return files


def samples(path: Path, point: str) -> Array:
    with h5py.File(path) as file:
        node = file["channels"][point]
        return np.asarray(node[:] * node.attrs["scale"], dtype=np.float64)


def said(path: Path, key: str) -> object:
    with h5py.File(path) as file:
        return file.attrs.get(key)


def spread(path: Path, point: str) -> float:
    return float(np.std(samples(path, point)))


def at_the_end(path: Path, point: str) -> float:
    """Share of samples at the recorder's full scale."""
    with h5py.File(path) as file:
        node = file["channels"][point]
        counts = np.abs(node[:].astype(np.int32))
        full = node.attrs["full_scale"] / node.attrs["scale"]
    return float(np.mean(counts >= round(full)))


def test_the_shipped_round_plants_each_fault_at_a_drive_of_its_own() -> None:
    practice, _ = load_practice()
    planted = [entry.planted for entry in practice.drive if entry.planted is not None]
    assert sorted(planted) == sorted(get_args(Planted))
    assert len(practice.drive) >= 10
    assert practice.february.month == 2
    assert practice.march.month == 3
    damaged = [entry for entry in practice.drive if entry.damage]
    assert damaged
    assert all(entry.verdict in ("accepted", "twice") for entry in damaged)


def test_a_settling_sensor_starts_far_off_and_comes_down_exponentially(visit: Visit) -> None:
    (march,), (february,) = visit("settling"), visit("settling", "february")

    def zero_line(path: Path, point: str) -> Array:
        return np.array([np.mean(block) for block in np.array_split(samples(path, point), 12)])

    line = zero_line(march, INPUT)
    # An exponential falls by the same share from block to block.
    shares = line[1:6] / line[:5]
    assert line[0] > 40.0
    assert np.ptp(shares) < 0.02
    assert 0.5 < np.mean(shares) < 0.95
    for path, point in ((march, OUTPUT), (february, INPUT)):
        assert np.ptp(zero_line(path, point)) < 0.3 * spread(path, point)


def test_a_clipped_input_stands_at_the_recorder_s_full_scale(visit: Visit) -> None:
    (march,), (february,) = visit("clipped"), visit("clipped", "february")
    assert at_the_end(march, OUTPUT) > 0.01
    assert at_the_end(march, INPUT) == at_the_end(february, OUTPUT) == 0.0


def test_a_stopped_drive_leaves_electronic_noise_and_no_speed(visit: Visit) -> None:
    (march,), (february,) = visit("not running"), visit("not running", "february")
    assert said(march, "speed_rpm") is None
    assert said(february, "speed_rpm") is not None
    for point in POINTS:
        still = samples(march, point)
        spectrum = np.abs(np.fft.rfft((still - still.mean()) * np.hanning(still.size)))
        assert 20 * spread(march, point) < spread(february, point)
        # No line: the strongest bin of so many bins of noise is about four times their middle.
        assert np.max(spectrum[500:]) < 8 * np.median(spectrum[500:])


def test_a_dead_channel_is_dead_alone(visit: Visit) -> None:
    (march,), (february,) = visit("dead"), visit("dead", "february")
    assert spread(march, OUTPUT) < 1e-3
    assert spread(march, INPUT) > 0.1
    assert spread(february, OUTPUT) > 0.1


def test_exchanged_points_hold_each_other_s_samples(
    visit: Visit, planned: dict[tuple[str, str], PracticeVisit], tmp_path: Path
) -> None:
    (march,) = visit("exchanged")
    (right,) = take(replace(quick(planned["exchanged", "march"], planted=None), folder=tmp_path))
    assert np.array_equal(samples(march, INPUT), samples(right, OUTPUT))
    assert np.array_equal(samples(march, OUTPUT), samples(right, INPUT))
    assert not np.array_equal(samples(march, INPUT), samples(right, INPUT))


def over_floor_db(path: Path, order: int) -> float:
    """Height of the line at ``order`` of the noted speed over the spectrum around it."""
    x = samples(path, INPUT)
    spectrum = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(x.size))) ** 2
    bin_hz = 12_800.0 / x.size
    place = round(order * float(said(path, "speed_rpm")) / 60.0 / bin_hz)  # type: ignore[arg-type]
    next_to = np.r_[spectrum[place - 60 : place - 8], spectrum[place + 9 : place + 61]]
    return float(10 * np.log10(spectrum[place - 4 : place + 5].max() / np.median(next_to)))


def test_the_wrong_drive_speaks_at_its_own_mesh(visit: Visit, planned: dict[tuple[str, str], PracticeVisit]) -> None:
    taking = planned["wrong drive", "march"]
    assert taking.drive.tag == "SM-01"
    assert taking.other is not None
    assert taking.other.tag == "DP-01"
    (march,), (february,) = visit("wrong drive"), visit("wrong drive", "february")
    assert said(march, "drive") == said(february, "drive") == "SM-01"
    # The mixer has 12 ring pins, the dosing pump 44: the lobes meet so many of them in a turn of the input.
    assert over_floor_db(february, 12) > 20.0 > 15.0 > over_floor_db(february, 44)
    assert over_floor_db(march, 44) > 20.0 > 15.0 > over_floor_db(march, 12)


def test_a_missing_point_is_not_in_the_file(visit: Visit) -> None:
    for path, there in ((visit("point missing")[0], False), (visit("point missing", "february")[0], True)):
        with h5py.File(path) as file:
            assert (OUTPUT in file["channels"], INPUT in file["channels"]) == (there, True)


def test_a_short_capture_is_shorter_than_its_plan(visit: Visit, planned: dict[tuple[str, str], PracticeVisit]) -> None:
    for month, seconds in (("march", SHORT_S), ("february", planned["too short", "february"].entry.seconds)):
        for path in visit("too short", month):
            rate, data = wavfile.read(path)
            assert data.size / rate == pytest.approx(seconds)
            assert np.abs(data.astype(int)).max() < 32_767  # its range is wide enough


def test_what_is_delivered_twice_is_the_same_to_the_byte(visit: Visit) -> None:
    assert len(visit("delivered twice", "february")) == 2
    first, copy, other = visit("delivered twice")
    assert first.read_bytes() == copy.read_bytes() != other.read_bytes()
    assert first.name != copy.name


def test_a_wrong_note_contradicts_the_pulses(visit: Visit) -> None:
    for month, noted_right in (("march", False), ("february", True)):
        (path,) = visit("speed noted wrongly", month)
        pulses = samples(path, "tachometer")
        edges = np.flatnonzero(np.diff((pulses > pulses.max() / 2).astype(int)) > 0)
        rpm = 60.0 * 12_800.0 * (edges.size - 1) / (edges[-1] - edges[0])
        off = abs(float(said(path, "speed_rpm")) / rpm - 1.0)  # type: ignore[arg-type]
        assert (off < 0.001) if noted_right else (off > 0.02)
    assert said(path, "speed_rpm") != NOTED_RPM


def test_a_slow_drive_is_three_to_five_percent_under_its_plate(
    visit: Visit, planned: dict[tuple[str, str], PracticeVisit]
) -> None:
    plate_rpm = 60.0 * planned["slow", "march"].drive.input.speed_hz
    assert 0.03 < 1.0 - float(said(visit("slow")[0], "speed_rpm")) / plate_rpm < 0.05  # type: ignore[arg-type]
    assert abs(1.0 - float(said(visit("slow", "february")[0], "speed_rpm")) / plate_rpm) < 0.02  # type: ignore[arg-type]


def test_a_former_tag_stands_in_the_file(visit: Visit) -> None:
    assert said(visit("former tag")[0], "drive") == "IW-3"
    assert said(visit("former tag", "february")[0], "drive") == "LS-01"


def test_half_of_a_file_cannot_be_opened(visit: Visit) -> None:
    with pytest.raises(OSError, match="truncated"):
        h5py.File(visit("cut off")[0])
    assert spread(visit("cut off", "february")[0], INPUT) > 0.1


def test_a_clock_that_was_not_put_forward_shows_an_hour_that_never_was(visit: Visit) -> None:
    (path,) = visit("clock put forward")
    shown = datetime.strptime(path.name.split()[1], "%Y-%m-%dT%H-%M")
    zone = ZoneInfo("Europe/Vienna")
    there_and_back = shown.replace(tzinfo=zone).astimezone(ZoneInfo("UTC")).astimezone(zone)
    assert there_and_back.replace(tzinfo=None) != shown
    with path.open(encoding="utf-8") as lines:
        assert not any("measured_at" in line for line in lines)
    assert str(said(visit("clock put forward", "february")[0], "measured_at")).endswith("+01:00")


@pytest.mark.parametrize("planted", ["settling", "delivered twice", "clock put forward"])
def test_two_runs_are_equal_to_the_byte(
    planted: str, visit: Visit, planned: dict[tuple[str, str], PracticeVisit], tmp_path: Path
) -> None:
    again = take(replace(planned[planted, "march"], folder=tmp_path))
    assert [path.read_bytes() for path in again] == [path.read_bytes() for path in visit(planted)]


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A round of one drive, short."""
    spec = tmp_path / "small.toml"
    spec.write_text(
        "february = 2026-02-27T08:00:00+01:00\nmarch = 2026-03-27T08:00:00+01:00\n"
        '[[drive]]\ndrive = "sludge_mixer_2.toml"\nseed = 1\nminute = 5\nseconds = 1\nrate_hz = 12800\n'
        'planted = "exchanged"\nverdict = "retake"\nremedy = "cables"\nnote = "Exchanged."\n',
        encoding="utf-8",
    )
    return spec


def test_the_truth_tells_each_file(small: Path, tmp_path: Path) -> None:
    made = make_practice(tmp_path / "out", spec=small, workers=1)
    stated = tomllib.loads(made.truth.read_text(encoding="utf-8"))["file"]
    assert [(one["file"], one["planted"], one["verdict"]) for one in stated] == [
        ("february/SM-02_2026-02-27.h5", "", "accepted"),
        ("march/SM-02_2026-03-27.h5", "exchanged", "retake"),
    ]
    assert all((tmp_path / "out" / one["file"]).is_file() for one in stated)
    assert made.captures == 2


@pytest.mark.parametrize("name", [*MONTHS, "truth.toml"])
def test_nothing_is_replaced_unasked(name: str, small: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    mine = out / "truth.toml" if name == "truth.toml" else out / name / "mine.txt"
    mine.parent.mkdir(exist_ok=True)
    mine.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="--force"):
        make_practice(out, spec=small, workers=1)
    assert [path for path in out.rglob("*") if path.is_file()] == [mine]
    make_practice(out, spec=small, workers=1, force=True)
    assert (out / "march" / "SM-02_2026-03-27.h5").is_file()


def test_a_drive_that_is_not_in_the_round_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="no drive 'XX-1'; there are AE-01"):
        takings(tmp_path, only=["XX-1"])


@pytest.mark.parametrize(
    ("old", "new", "stated"),
    [
        ("seed = 1", "seeds = 1", r"drive\.0\.seed"),
        ('"exchanged"', '"clipped"', "needs at = one of"),
        ('"exchanged"', '"clipped"\nat = "lid"', "needs at = one of"),
        ('"exchanged"', '"wrong drive"', "other"),
        ('"exchanged"', '"too short"', "seconds must be more"),
        ('"exchanged"', '"slow"', "needs speed_rpm"),
        ('"exchanged"', '"delivered twice"\nat = "input side radial"', "logger A"),
        ('"exchanged"', '"clock put forward"\nwritten = ["native", "logger B"]', "clock_showed"),
        ('"exchanged"', '"former tag"', "no former tag"),
        ('note = "Exchanged."', 'note = ""\n[drive.may]\nplanted = "an hour behind"\nnote = ""', "loggers A and B"),
        ('"exchanged"', '"exchanged"\nwritten = ["native", "logger A"]', "no name for SM-02"),
        ("sludge_mixer_2.toml", "nothing.toml", "there is no such file"),
        ("minute = 5", "minute = ", "is no TOML"),
    ],
)  # fmt: skip
def test_a_wrong_description_is_reported_in_one_sentence(
    old: str, new: str, stated: str, small: Path, tmp_path: Path
) -> None:
    text = small.read_text(encoding="utf-8")
    assert text.count(old) == 1
    small.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(ConfigError, match=stated) as caught:
        takings(tmp_path / "out", spec=small)
    assert "\n" not in str(caught.value)
    assert ".toml" in str(caught.value)


def test_a_drive_cannot_be_visited_twice(small: Path, tmp_path: Path) -> None:
    text = small.read_text(encoding="utf-8")
    small.write_text(text + text[text.index("[[drive]]") :], encoding="utf-8")
    with pytest.raises(ConfigError, match="stands there twice"):
        takings(tmp_path / "out", spec=small)


def test_each_fault_of_the_samples_is_planted_once() -> None:
    practice, _ = load_practice()
    april = [entry.april.planted for entry in practice.drive if entry.april is not None]
    may = [entry.may.planted for entry in practice.drive if entry.may is not None and entry.may.planted is not None]
    assert set(may) == set(get_args(MayPlanted))
    of_samples = [one for one in may if one not in NEEDS_IN_MAY]
    assert sorted([*april, *of_samples]) == sorted(SAMPLE_FAULTS)
    # Clocks are compared where both loggers were used, at three drives and more.
    assert may.count("an hour behind") == 3


def test_loggers_of_may_write_what_they_are_said_to_write(
    planned: dict[tuple[str, str], PracticeVisit], tmp_path: Path
) -> None:
    by_tag = {one.drive.tag: replace(one, folder=tmp_path) for (_, month), one in planned.items() if month == "may"}
    shares, sizes = by_tag["TH-01"], by_tag["TH-02"]
    for visit, unit in ((shares, LOGGER_A_RANGE_M_S2), (sizes, 1.0)):
        path = take(quick(visit, seconds=1.0))[0]
        _, floats = wavfile.read(path)
        assert floats.dtype == np.float32
        whole = take(replace(quick(visit, seconds=1.0, may=None), folder=tmp_path / "whole"))[0]
        counts = wavfile.read(whole)[1]
        assert unit * floats == pytest.approx(counts * LOGGER_A_RANGE_M_S2 / 32_767, abs=2e-3)
    first, second = (path.name for path in take(quick(by_tag["SM-01"], seconds=1.0)))
    right = by_tag["SM-01"].entry.model_copy(update={"may": MayVisit(written="loggers A and B", note="")})
    set_right = take(quick(replace(by_tag["SM-01"], entry=right, folder=tmp_path / "right"), seconds=1.0))
    assert first.split("_")[2][:4] == "0906"
    assert second.split()[1].endswith("T08-06")
    assert set_right[1].name.split()[1].endswith("T09-06")


@pytest.mark.parametrize("fault", SAMPLE_FAULTS)
def test_a_fault_of_the_samples_is_there_and_its_twin_is_whole(fault: SampleFault) -> None:
    rows = np.random.default_rng(4).standard_normal((2, 12_800)).astype(np.float32)
    whole = Capture.from_arrays(
        dict(zip(POINTS, rows, strict=True)),
        sample_rate_hz=12_800.0,
        unit="m/s^2",
        measured_at=datetime(2026, 4, 24, 8, tzinfo=UTC),
    )
    made = spoiled(whole, fault, np.random.default_rng(5))
    same = {name: getattr(made, name) == getattr(whole, name) for name in ("measured_at", "drive", "speed_rpm")}
    assert same == {"measured_at": fault != "clock not set", "drive": True, "speed_rpm": True}
    alike = [
        (one.name, one.sample_rate_hz, one.samples.size) == (two.name, two.sample_rate_hz, two.samples.size)
        and bool(np.array_equal(one.samples, two.samples))
        for one, two in zip(made.channels, whole.channels, strict=True)
    ]
    first = fault in ("clock not set", "one sensor twice")
    assert alike == [first, fault == "clock not set"]


def test_faults_are_planted_in_march_only(planned: dict[tuple[str, str], PracticeVisit]) -> None:
    entries: list[PracticeDrive] = [one.entry for (_, month), one in planned.items() if month == "february"]
    assert all(one.spoiled is None for (_, month), one in planned.items() if month in ("february", "march"))
    assert all(one.spoiled is not None for (_, month), one in planned.items() if month == "april")
    assert sum(one.spoiled is not None for (_, month), one in planned.items() if month == "may") == 3
    assert all(entry.planted is not None for entry in entries)
    assert all(one.planted is None for (_, month), one in planned.items() if month != "march")


@pytest.mark.slow
def test_the_whole_round_stays_small(tmp_path: Path) -> None:
    make_practice(tmp_path / "out", workers=2)
    assert sum(path.stat().st_size for path in (tmp_path / "out").rglob("*") if path.is_file()) < 145e6
