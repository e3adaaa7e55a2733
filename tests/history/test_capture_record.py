"""From a capture to a record: what is kept of it, as which capture, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.plant import drive_text
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.core.errors import CallError, CaptureError, ConfigError
from vibe.core.records.history import ArchivedSpectrum
from vibe.core.tones import ToneTable
from vibe.flow.history.bulk_import import Delivery, keep_files
from vibe.flow.history.capture_record import keep, kind_of, record_of
from vibe.flow.samples.simulation import simulate_file
from vibe.flow.settings import Settings, tones_of
from vibe.history.store.store import Store
from vibe.ingest import read_capture

DRIVE = drive_text("T-1", highest_rpm=1500, output_pins=6)


@pytest.fixture(scope="session")
def drive_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("keeping") / "drive.toml"
    path.write_text(DRIVE, encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def described(drive_file: Path) -> tuple[Drive, ToneTable]:
    return tones_of(drive_file)


def simulated(drive_file: Path, name: str, *, running: bool = True) -> Path:
    path = drive_file.parent / name
    simulate_file(
        drive_file, [], 1, path, False, duration_s=2.0, sample_rate_hz=8192.0, points=("output side",), running=running
    )
    return path


@pytest.fixture(scope="session")
def fit(drive_file: Path) -> Path:
    return simulated(drive_file, "fit.h5")


@pytest.fixture(scope="session")
def capture(fit: Path) -> Capture:
    return replace(read_capture(fit), drive="T-1", measured_at=datetime(2026, 3, 4, 8, tzinfo=UTC), load_percent=60.0)


def test_a_record_holds_what_the_report_says(
    capture: Capture, described: tuple[Drive, ToneTable], settings: Settings, store: Store
) -> None:
    record = record_of(capture, *described, settings)
    health = json.loads(record.health)
    assert health["schema"] == "vibe.health/1"
    assert len(health["captures"]) == 1
    assert record.kept == "accepted"
    assert record.speed_hz == pytest.approx(health["speed"]["input_hz"], rel=1e-9)
    values = {(value.point, value.measure, value.subject): value for value in record.values}
    for level in health["levels"]:
        assert values[level["point"], level["measure"], ""].value == pytest.approx(level["value"], rel=1e-9)
    assert values["", "speed", ""].value == record.speed_hz
    assert values["", "load", ""].value == 60.0
    assert any(measure == "line" and point == "output side" for point, measure, _ in values)
    assert {subject for _, measure, subject in values if measure == "hit_over_floor"} >= {"stage1.lobe"}
    assert values["output side", "acceleration_rms", ""].unit == "m/s²"
    assert keep(capture, *described, settings, store, toml=DRIVE) is True
    assert keep(capture, *described, settings, store, toml=DRIVE) is False
    assert store.health(capture.sha256) == record.health
    assert store.drive_toml("T-1") == DRIVE
    assert {key.measure for key in store.keys("T-1")} >= {"velocity_rms", "line", "hit_over_floor", "speed", "load"}


def test_a_kept_spectrum_shows_the_lines_where_they_are_and_as_large(
    capture: Capture, described: tuple[Drive, ToneTable], settings: Settings
) -> None:
    (old,) = capture.vibration
    time = np.arange(old.samples.size) / old.sample_rate_hz
    sine = old.samples + 0.5 * np.sqrt(2) * np.sin(2 * np.pi * 250.0 * time)
    record = record_of(
        replace(capture, channels=(replace(old, samples=sine.astype(np.float32), step=None, full_scale=None),)),
        *described,
        settings,
    )
    kept: dict[str, ArchivedSpectrum] = {spectrum.kind: spectrum for spectrum in record.spectra}
    assert set(kept) == {"acceleration", "velocity", "envelope"}
    assert all(spectrum.top.size <= 4000 and spectrum.point == "output side" for spectrum in record.spectra)
    for kind, size in (("acceleration", 0.5), ("velocity", 0.5 / (2 * np.pi * 250.0) * 1e3)):
        cell = int(250.0 / kept[kind].step)
        near = kept[kind].top[cell - 2 : cell + 3]
        # Between two bins a Hann window shows a line by 15 % too small at worst.
        assert 0.8 * size < near.max() < 1.1 * size
    assert kept["velocity"].step * kept["velocity"].top.size == pytest.approx(1000.0, rel=0.01)
    assert kept["envelope"].axis == "order"


def test_what_tells_nothing_is_not_kept_as_a_number(
    drive_file: Path, described: tuple[Drive, ToneTable], settings: Settings
) -> None:
    stopped = replace(
        read_capture(simulated(drive_file, "stopped.h5", running=False)), measured_at=datetime(2026, 3, 4, tzinfo=UTC)
    )
    record = record_of(stopped, *described, settings)
    assert record.kept == "rejected"
    assert (record.values, record.spectra, record.speed_hz) == ((), (), None)
    assert json.loads(record.health)["state"] == "unknown"


def test_a_time_is_needed_with_its_offset(
    capture: Capture, described: tuple[Drive, ToneTable], settings: Settings
) -> None:
    with pytest.raises(CaptureError, match="does not say when"):
        record_of(replace(capture, measured_at=None), *described, settings)
    naive = replace(capture, measured_at=datetime(2026, 7, 1, 12, 0))
    with pytest.raises(CaptureError, match="--time-zone"):
        record_of(naive, *described, settings)
    record = record_of(naive, *described, settings, time_zone="Europe/Vienna")
    assert record.measured_at.utcoffset() == timedelta(hours=2)
    assert json.loads(record.health)["captures"][0]["measured_at"] == "2026-07-01T12:00:00+02:00"


def test_sisters_have_the_same_stages_and_bearings(described: tuple[Drive, ToneTable]) -> None:
    drive, _ = described
    other = drive.model_copy(update={"tag": "T-2", "name": "another", "input": drive.input})
    assert kind_of(drive) == kind_of(other) != ""
    assert kind_of(drive.model_copy(update={"stage": [drive.stage[0].model_copy(update={"lobes": 10})]})) != kind_of(
        drive
    )
    assert kind_of(drive.model_copy(update={"stage": []})) == ""


def sidecar(path: Path, text: str) -> None:
    path.with_name(f"{path.name}.toml").write_text(text, encoding="utf-8")


def test_many_are_kept_and_each_refusal_is_a_sentence(
    tmp_path: Path, drive_file: Path, fit: Path, store: Store
) -> None:
    """Two processes; one good, one twice, one of another drive, one without a time, one that is no capture."""
    good = tmp_path / "good.h5"
    good.write_bytes(fit.read_bytes())
    sidecar(good, 'drive = "t-1"\nmeasured_at = 2026-03-04T08:00:00+01:00\n')
    twice = tmp_path / "twice.h5"
    twice.write_bytes(fit.read_bytes())
    import h5py

    for name, attributes in (
        ("other", {"drive": "T-9", "measured_at": "2026-03-04T08:00:00+01:00"}),
        ("naive", {"drive": "T-1", "measured_at": "2026-03-04T08:00:00"}),
    ):
        path = tmp_path / f"{name}.h5"
        path.write_bytes(fit.read_bytes())
        with h5py.File(path, "r+") as file:
            for key, value in attributes.items():
                file.attrs[key] = value
    (tmp_path / "broken.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(64))
    delivery = Delivery.of(tmp_path, drive=drive_file)
    files = sorted(tmp_path.glob("*.h5"))
    outcome = keep_files(files, delivery, store, workers=2)
    assert (outcome.added, outcome.there, outcome.by_drive) == (1, 1, {"T-1": 1})
    stated = {sentence.split(":")[0]: sentence for sentence in outcome.refused}
    assert set(stated) == {"other.h5", "naive.h5", "broken.h5"}
    assert "'T-9'" in stated["other.h5"]
    assert "--time-zone" in stated["naive.h5"]
    again = keep_files(files, replace(delivery, time_zone="Europe/Vienna"), store, workers=1)
    assert (again.added, again.there, len(again.refused)) == (1, 2, 2)
    assert [one.drive for one in store.captures()] == ["T-1", "T-1"]
    assert store.drives()[0].kind != ""


def test_a_route_says_the_drive_and_the_time_zone(tmp_path: Path, drive_file: Path, fit: Path, store: Store) -> None:
    import h5py

    folder = tmp_path / "round"
    folder.mkdir()
    path = folder / "T1_20260704_080000.h5"
    path.write_bytes(fit.read_bytes())
    with h5py.File(path, "r+") as file:
        for name in ("drive", "measured_at"):
            file.attrs.pop(name, None)
    route = tmp_path / "route.toml"
    route.write_text(
        f'title = "R"\ndrives = ["{drive_file}"]\ntime_zone = "Europe/Vienna"\n'
        '[[file]]\nlike = "{drive}_{time}.h5"\ndrive_names = { "T1" = "T-1" }\n'
        '[[stop]]\ndrive = "T-1"\n[[stop.point]]\nname = "output side"\n',
        encoding="utf-8",
    )
    outcome = keep_files([path], Delivery.of(folder, route=route), store, workers=1)
    assert outcome.refused == ()
    (one,) = store.captures("T-1")
    assert one.measured_at.isoformat() == "2026-07-04T08:00:00+02:00"


def test_what_says_which_drives_is_given_once(drive_file: Path, tmp_path: Path) -> None:
    with pytest.raises(CallError, match="--drive, --drives and --route"):
        Delivery.of(tmp_path)
    with pytest.raises(CallError, match="--drive, --drives and --route"):
        Delivery.of(tmp_path, drive=drive_file, drives=[str(drive_file)])
    with pytest.raises(ConfigError, match="time zone"):
        Delivery.of(tmp_path, drive=drive_file, time_zone="Europe/Nowhere")


def test_a_capture_too_short_for_a_diagnosis_still_gives_levels_for_a_trend(
    capture: Capture, described: tuple[Drive, ToneTable], settings: Settings, store: Store
) -> None:
    cut = tuple(replace(channel, samples=channel.samples[:819]) for channel in capture.channels)
    short = replace(capture, channels=cut, sha256="5" * 64)
    for one in (capture, short):
        keep(one, *described, settings, store)
    assert {one.content: one.kept for one in store.captures()} == {capture.sha256: "accepted", "5" * 64: "rejected"}
    for name, content in (("acceleration_rms", capture.sha256), ("acceleration_rms_short", "5" * 64)):
        (key,) = store.keys("T-1", name)
        series = store.series(key)
        assert (series.content, series.accepted.tolist(), series.unit) == ((content,), [True], "m/s²")
    levels = [store.series(store.keys("T-1", f"acceleration_rms{end}")[0]).value[0] for end in ("", "_short")]
    assert levels[1] == pytest.approx(levels[0], rel=0.5)
    # The twin that was rejected for standing still gives none.
    still = replace(short, channels=tuple(replace(c, samples=c.samples * 0) for c in cut), sha256="6" * 64)
    keep(still, *described, settings, store)
    assert all("6" * 64 not in store.series(key).content for key in store.keys("T-1"))
