"""Captures as loggers leave them, read in the words of a route."""

from __future__ import annotations

import struct
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from vibe.core.capture import Capture, Channel
from vibe.core.errors import CaptureError
from vibe.core.route.route import Route
from vibe.ingest import read_on_route, write_hdf5

G = 9.80665
WINTER = timezone(timedelta(hours=1))
COUNTS = np.random.default_rng(3).integers(-20_000, 20_000, (4000, 2)).astype("<i2")

IN, OUT, PULSES = "input side radial", "output side radial", "pulses"
RULE: dict[str, Any] = {
    "like": "{drive}/{point}_{time}.{any}",
    "point_names": {"P1": IN, "P2": OUT, "track 1": PULSES},
    "channel": {"unit": "g", "full_scale": 50.0},
}


def route(*rules: dict[str, Any], zone: str | None = "Europe/Vienna", south: tuple[str, ...] = (IN, OUT)) -> Route:
    points = [{"name": IN}, {"name": OUT}, {"name": PULSES, "quantity": "tachometer"}]
    stops = [
        {"drive": "TH-01", "formerly": ["RAKE"], "point": points},
        {"drive": "TH-02", "point": [{"name": name} for name in south]},
    ]
    return Route.model_validate(
        {"title": "t", "drives": ["x"], "time_zone": zone, "file": list(rules), "stop": stops}, strict=True
    )


def wav(path: Path, tracks: int = 1) -> Path:
    body = np.ascontiguousarray(COUNTS[:, :tracks]).tobytes()
    shape = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, tracks, 12_800, 12_800 * 2 * tracks, 2 * tracks, 16)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"RIFF" + struct.pack("<I", 0) + b"WAVE" + shape + struct.pack("<4sI", b"data", len(body)) + body)
    return path


def native(path: Path, *names: str, drive: str | None = "TH-01", when: datetime | None = None) -> Path:
    channels = tuple(
        Channel(
            name=name,
            samples=COUNTS[:, 0].astype(np.float32),
            sample_rate_hz=12_800,
            quantity="tachometer" if "puls" in name or "tacho" in name else "acceleration",
            recorded_unit="m/s^2",
        )
        for name in names
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    return write_hdf5(Capture(source=path, sha256="", channels=channels, drive=drive, measured_at=when), path)


def next_to(path: Path, text: str) -> None:
    path.with_name(path.name + ".toml").write_text(text, encoding="utf-8")


def names(capture: Capture) -> list[str]:
    return [channel.name for channel in capture.channels]


def test_a_wav_file_lives_by_its_name_and_the_rule_alone(tmp_path: Path) -> None:
    capture = read_on_route(wav(tmp_path / "th-01/p2_20260309_081200.wav"), tmp_path, route(RULE))
    assert (capture.drive, names(capture)) == ("TH-01", [OUT])
    assert capture.measured_at == datetime(2026, 3, 9, 8, 12, tzinfo=WINTER)
    assert capture.remarks == ()
    channel = capture.channels[0]
    assert (channel.quantity, channel.sample_rate_hz, channel.recorded_unit) == ("acceleration", 12_800, "g")
    assert channel.full_scale == pytest.approx(50 * G)
    assert_allclose(channel.samples, COUNTS[:, 0] / 32_768 * 50 * G, rtol=1e-6)


def test_a_wav_file_is_refused_where_the_route_says_nothing_of_it(tmp_path: Path) -> None:
    path = wav(tmp_path / "TH-01/P1_20260309_081200.wav")
    for plan in (route(), route({**RULE, "channel": {}}), route({**RULE, "like": "{drive}.wav"})):
        with pytest.raises(CaptureError, match="WAV file has no units"):
            read_on_route(path, tmp_path, plan)


def test_a_native_file_that_names_its_drive_needs_no_rule(tmp_path: Path) -> None:
    when = datetime(2026, 3, 9, 8, 12, tzinfo=WINTER)
    capture = read_on_route(native(tmp_path / "a.h5", "INPUT side radial", OUT, when=when), tmp_path, route())
    assert (capture.drive, names(capture), capture.measured_at, capture.remarks) == ("TH-01", [IN, OUT], when, ())


def test_the_sidecar_goes_before_the_rule(tmp_path: Path) -> None:
    path = wav(tmp_path / "TH-01/P1_20260309_081200.wav")
    text = 'drive = "TH-02"\nmeasured_at = 2026-03-09T08:13:00+01:00\n[channels."output side radial"]\nsource = 0\n'
    next_to(path, text + 'unit = "m/s^2"\nfull_scale = 20\nsample_rate_hz = 6400\n')
    capture = read_on_route(path, tmp_path, route(RULE))
    assert (capture.drive, names(capture)) == ("TH-02", [OUT])
    assert capture.measured_at == datetime(2026, 3, 9, 8, 13, tzinfo=WINTER)
    assert_allclose(capture.channels[0].samples, COUNTS[:, 0] / 32_768 * 20, rtol=1e-6)
    assert capture.channels[0].sample_rate_hz == 6400
    said = " | ".join(capture.remarks)
    assert "name says drive 'TH-01', the file itself 'TH-02': TH-02 is taken; check" in said
    assert f"name says point {IN!r}, the file itself holds {OUT!r}" in said


def test_the_rule_fills_what_the_sidecar_leaves_open(tmp_path: Path) -> None:
    path = wav(tmp_path / "TH-01/P1_20260309_081200.wav")
    next_to(path, '[channels.bearing]\nsource = 0\naxis = "radial"\n')
    capture = read_on_route(path, tmp_path, route(RULE))
    assert (names(capture), capture.channels[0].axis, capture.remarks) == ([IN], "radial", ())
    assert_allclose(capture.channels[0].samples, COUNTS[:, 0] / 32_768 * 50 * G, rtol=1e-6)


@pytest.mark.parametrize(("unit", "factor"), [("m/s^2", 1.0), ("V", None)])
def test_a_scale_of_the_route_is_never_laid_on_another_unit(tmp_path: Path, unit: str, factor: float | None) -> None:
    path = tmp_path / "TH-01/P1_20260309_081200.csv"
    path.parent.mkdir()
    rows = "".join(f"{k / 12_800:.7f},{value}\n" for k, value in enumerate(COUNTS[:, 0]))
    path.write_text(f"time_s,acc [{unit}]\n" + rows, encoding="utf-8")
    plan = route({**RULE, "channel": {"unit": "g", "scale": 0.001, "sensitivity_mv_per_g": 100.0}})
    if factor is None:
        with pytest.raises(CaptureError, match="sensitivity_mv_per_g"):
            read_on_route(path, tmp_path, plan)
        return
    capture = read_on_route(path, tmp_path, plan)
    assert_allclose(capture.channels[0].samples, COUNTS[:, 0] * factor)
    assert "recorded in m/s^2, the route says g: nothing is taken from the route" in capture.remarks[0]


def test_a_scale_of_the_route_is_laid_on_its_own_unit(tmp_path: Path) -> None:
    """The healthy twin: no unit, the same unit in another spelling, and a rule that names none."""
    rows = "".join(f"{k / 12_800:.7f},{value}\n" for k, value in enumerate(COUNTS[:, 0]))
    for number, (header, channel, factor) in enumerate(
        [
            ("acc", {"unit": "g", "scale": 0.001}, 0.001 * G),
            ("acc [G]", {"unit": "g", "scale": 0.001}, 0.001 * G),
            ("acc [mm/s^2]", {"scale": 2.0}, 0.002),
            ("acc [mV]", {"sensitivity_mv_per_g": 100.0}, 0.01 * G),
        ]
    ):
        path = tmp_path / f"{number}/TH-01/P1_20260309_081200.csv"
        path.parent.mkdir(parents=True)
        path.write_text(f"time_s,{header}\n" + rows, encoding="utf-8")
        capture = read_on_route(path, tmp_path / str(number), route({**RULE, "channel": channel}))
        assert (names(capture), capture.remarks) == ([IN], ())
        assert_allclose(capture.channels[0].samples, COUNTS[:, 0] * factor, rtol=1e-6)


def test_a_rate_is_filled_in_and_a_contradiction_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "TH-01/P1_20260309_081200.csv"
    path.parent.mkdir()
    path.write_text("acc\n" + "\n".join(map(str, COUNTS[:, 0])) + "\n", encoding="utf-8")
    channel = {"unit": "g", "sample_rate_hz": 25_600.0}
    capture = read_on_route(path, tmp_path, route({**RULE, "channel": channel}))
    assert (capture.channels[0].sample_rate_hz, capture.remarks) == (25_600, ())
    stated = read_on_route(
        wav(tmp_path / "TH-01/P1_20260309_081200.wav"),
        tmp_path,
        route({**RULE, "channel": {**channel, "full_scale": 1.0}}),
    )
    assert stated.channels[0].sample_rate_hz == 12_800
    assert "recorded at 12800 Hz, the route says 25600 Hz" in stated.remarks[0]


def test_pulses_in_a_wav_file_are_known_by_the_route(tmp_path: Path) -> None:
    capture = read_on_route(wav(tmp_path / "RAKE/P1_20260309_081200.wav", tracks=2), tmp_path, route(RULE))
    assert [(c.name, c.quantity) for c in capture.channels] == [(IN, "acceleration"), (PULSES, "tachometer")]
    assert capture.remarks == ("TH-01 was called 'RAKE'",)
    pulses = capture.channels[1]
    assert (pulses.recorded_unit, pulses.full_scale) == ("", 1.0)
    assert_allclose(pulses.samples, COUNTS[:, 1] / 32_768, rtol=1e-6)


def test_a_pulse_channel_that_its_sidecar_calls_otherwise(tmp_path: Path) -> None:
    path = wav(tmp_path / "TH-01/P1_20260309_081200.wav", tracks=2)
    next_to(path, '[channels.counter]\nsource = "track 1"\npulses_per_rev = 2\n')
    capture = read_on_route(path, tmp_path, route(RULE))
    assert [(c.name, c.quantity) for c in capture.channels] == [(IN, "acceleration"), (PULSES, "tachometer")]
    assert capture.channels[1].pulses_per_rev == 2


def test_a_name_that_means_pulses_at_one_stop_only_needs_the_drive(tmp_path: Path) -> None:
    plan = route({**RULE, "like": "{drive}_{any}.wav"}, {**RULE, "like": "{any}.wav"}, south=(IN, PULSES))
    for name, quantity in (("TH-01_x.wav", "tachometer"), ("TH-02_x.wav", "acceleration"), ("x.wav", "acceleration")):
        capture = read_on_route(wav(tmp_path / name, tracks=2), tmp_path, plan)
        assert [(c.name, c.quantity) for c in capture.channels][1] == (PULSES, quantity)


@pytest.mark.parametrize(
    ("said", "ruled", "per_count", "range_g"),
    [
        ("scale = 0.001", {"full_scale": 50.0}, 0.001, 32.768),
        ("full_scale = 20", {"scale": 0.001}, 20 / 32_768, 20.0),
        ("axis = 'radial'", {"scale": 0.001, "full_scale": 30.0}, 0.001, 30.0),
    ],
)
def test_the_calibration_of_a_sidecar_is_not_mixed_with_that_of_the_route(
    tmp_path: Path, said: str, ruled: dict[str, float], per_count: float, range_g: float
) -> None:
    path = wav(tmp_path / "TH-01/P1_20260309_081200.wav")
    next_to(path, f"[channels.P1]\nsource = 0\n{said}\n")
    capture = read_on_route(path, tmp_path, route({**RULE, "channel": {"unit": "g", **ruled}}))
    assert_allclose(capture.channels[0].samples, COUNTS[:, 0] * per_count * G, rtol=1e-6)
    assert capture.channels[0].full_scale == pytest.approx(range_g * G)


@pytest.mark.parametrize(
    ("said", "drive", "remark"),
    [
        ("th-01", "TH-01", None),
        ("rake", "TH-01", "TH-01 was called 'rake'"),
        ("XX-9", "XX-9", "the drive 'XX-9' is not on the route"),
        (None, None, None),
    ],
)
def test_the_drive_that_a_file_names(tmp_path: Path, said: str | None, drive: str | None, remark: str | None) -> None:
    capture = read_on_route(native(tmp_path / "a.h5", IN, drive=said), tmp_path, route())
    assert capture.drive == drive
    assert capture.remarks == (() if remark is None else (remark,))


@pytest.mark.parametrize(("minutes", "stated"), [(9, False), (-9, False), (60, True), (-120, True)])
def test_two_clocks_that_disagree_are_reported(tmp_path: Path, minutes: int, stated: bool) -> None:
    when = datetime(2026, 3, 9, 8, 12, tzinfo=WINTER) + timedelta(minutes=minutes)
    path = native(tmp_path / "TH-01/P1_20260309_081200.h5", IN, when=when.astimezone(timezone.utc))  # noqa: UP017
    capture = read_on_route(path, tmp_path, route({**RULE, "channel": {}}))
    assert capture.measured_at == when
    assert bool(capture.remarks) is stated
    assert not stated or "check the logger's clock" in capture.remarks[0]


def test_a_clock_without_an_offset_is_that_of_the_plant(tmp_path: Path) -> None:
    for number, (naive, offset, stated) in enumerate(
        [
            (datetime(2026, 7, 1, 8), 2, None),
            (datetime(2026, 1, 7, 8), 1, None),
            (datetime(2026, 10, 25, 2, 30), 2, "twice"),
        ]
    ):
        path = native(tmp_path / f"{number}.h5", IN, when=naive)
        capture = read_on_route(path, tmp_path, route())
        assert capture.measured_at == naive.replace(tzinfo=timezone(timedelta(hours=offset)))
        assert len(capture.remarks) == (0 if stated is None else 1)
        assert stated is None or stated in capture.remarks[0]
        local = read_on_route(path, tmp_path, route(zone=None))
        assert local.measured_at == naive
        assert "local time of the plant" in local.remarks[0]


@pytest.mark.parametrize(
    ("inside", "expected", "left"),
    [
        (("acc",), [IN], []),
        ((OUT,), [OUT], []),
        (("P2",), [OUT], []),
        (("P2", "p1"), [OUT, IN], []),
        (("acc", "tacho in"), [IN, PULSES], []),
        (("acc 1", "acc 2"), ["acc 1", "acc 2"], ["acc 1", "acc 2"]),
        (("P1", IN), [IN, f"{IN} (2)"], [f"{IN} (2)"]),
        (("P1", "Input Side Radial"), [IN, "Input Side Radial"], ["Input Side Radial"]),
    ],
)
def test_channels_get_the_names_of_the_points(
    tmp_path: Path, inside: tuple[str, ...], expected: list[str], left: list[str]
) -> None:
    path = native(tmp_path / "TH-01/P1_20260309_081200.h5", *inside)
    capture = read_on_route(path, tmp_path, route({**RULE, "channel": {}}))
    by_file = {channel.name for channel in capture.channels}
    order = [name for name in expected if name in by_file]
    assert sorted(names(capture)) == sorted(order) == sorted(expected)
    unknown = [remark for remark in capture.remarks if "is none of the points of TH-01" in remark]
    assert [remark.split("'")[1] for remark in unknown] == left


def test_a_contradiction_between_name_and_channel_is_reported_once_and_its_twin_is_silent(tmp_path: Path) -> None:
    plan = route({**RULE, "channel": {}})
    crossed = read_on_route(native(tmp_path / "TH-01/P1_20260309_081200.h5", OUT), tmp_path, plan)
    assert (crossed.drive, names(crossed), len(crossed.remarks)) == ("TH-01", [OUT], 1)
    straight = read_on_route(native(tmp_path / "TH-01/P2_20260309_081200.h5", OUT), tmp_path, plan)
    assert (names(straight), straight.remarks) == ([OUT], ())


def test_a_file_whose_name_nobody_can_print(tmp_path: Path) -> None:
    path = tmp_path / "TH\x1b-\udcff.h5"
    native(tmp_path / "a.h5", IN, drive=None).rename(path)
    capture = read_on_route(path, tmp_path, route({"like": "{drive}.h5"}))
    assert capture.drive == "TH\ufffd-\ufffd"
    assert all(remark.isprintable() and remark.encode() for remark in capture.remarks)
