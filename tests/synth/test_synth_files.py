"""Files that are written can be read again, and the sample captures are what their recipe says."""

from __future__ import annotations

import tomllib
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.synth.synth_drives import cycloid, drive, eccentric_bearing
from vibe.core.capture import Capture
from vibe.core.errors import CallError, OutputError
from vibe.ingest.read import read_capture
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import Damage
from vibe.synth.samples.demo import load_samples, main, rebuild, shared_folder, truth_text
from vibe.synth.simulate import simulate
from vibe.synth.writers import write_capture

SIGNALS = shared_folder("sample_signals")


@pytest.fixture(scope="module")
def capture() -> Capture:
    machine = drive(cycloid(11), bearings=(eccentric_bearing(),))
    conditions = Conditions(duration_s=1, sample_rate_hz=12_800, tachometer=True, pulses_per_rev=2, tell_speed=True)
    return simulate(machine, [Damage("stage1.lobe")], seed=3, conditions=conditions)


@pytest.mark.parametrize("name", ["a.h5", "a.csv", "a.wav", "a.npz", "a.mat", "a.v73.mat", "a.uff", "a.parquet"])
def test_every_form_reads_back(name: str, capture: Capture, tmp_path: Path) -> None:
    write_capture(capture, tmp_path / name)
    back = read_capture(tmp_path / name)
    assert back.drive == "T-1"
    assert back.speed_rpm == pytest.approx(capture.speed_rpm)
    assert back.load_percent == 75.0
    assert [c.name for c in back.channels] == [c.name for c in capture.channels]
    assert back.tachometer is not None
    assert back.tachometer.pulses_per_rev == 2
    for there, here in zip(back.channels, capture.channels, strict=True):
        assert there.sample_rate_hz == pytest.approx(here.sample_rate_hz, rel=1e-9)
        assert there.quantity == here.quantity
        step = (here.full_scale or 5.1) / 32_767
        assert np.abs(there.samples - here.samples).max() < 0.75 * step + 5e-5


def test_wav_of_24_bits_is_finer(capture: Capture, tmp_path: Path) -> None:
    write_capture(capture, tmp_path / "a.wav", bits=24)
    back = read_capture(tmp_path / "a.wav").channels[0]
    assert np.abs(back.samples - capture.channels[0].samples).max() < 2e-6
    assert (tmp_path / "a.wav").stat().st_size == 44 + 12_800 * 3 * 3


def test_nothing_is_overwritten_and_unknown_endings_are_refused(capture: Capture, tmp_path: Path) -> None:
    target = tmp_path / "a.wav"
    write_capture(capture, target)
    before = target.read_bytes()
    with pytest.raises(OutputError, match="exists already"):
        write_capture(capture, target)
    assert target.read_bytes() == before
    with pytest.raises(CallError, match="ending must be one of"):
        write_capture(capture, tmp_path / "a.xyz")


def test_missing_samples_survive_where_the_form_can_hold_them(tmp_path: Path) -> None:
    conditions = Conditions(duration_s=1, sensor_faults=(("input side radial", "dropouts"),))
    gaps = simulate(drive(cycloid(11)), seed=3, conditions=conditions)
    for name in ("a.h5", "a.csv", "a.npz"):
        write_capture(gaps, tmp_path / name)
        back = read_capture(tmp_path / name).channels[0]
        assert np.array_equal(np.isnan(back.samples), np.isnan(gaps.channels[0].samples))
    with pytest.raises(CallError, match="missing samples"):
        write_capture(gaps, tmp_path / "a.wav")


def test_rebuilding_a_sample_gives_the_same_samples(tmp_path: Path) -> None:
    name = "TH-02_thickener_rake_south.h5"
    rebuild(tmp_path, only=[name])
    with h5py.File(SIGNALS / name) as kept, h5py.File(tmp_path / name) as made:
        assert dict(kept.attrs) == dict(made.attrs)
        assert list(kept["channels"]) == list(made["channels"])
        for point in kept["channels"]:
            there, here = kept["channels"][point], made["channels"][point]
            assert dict(there.attrs) == dict(here.attrs)
            # Another library may round a last bit differently: one step at most, and hardly ever.
            off = np.abs(there[:].astype(int) - here[:])
            assert off.max() <= 1
            assert off.mean() < 1e-3


def test_the_written_truth_is_that_of_the_recipe() -> None:
    assert (SIGNALS / "truth.toml").read_text(encoding="utf-8") == truth_text(load_samples())


def test_every_sample_is_there_readable_and_in_its_drive_s_range() -> None:
    entries = tomllib.loads((SIGNALS / "truth.toml").read_text(encoding="utf-8"))["capture"]
    samples = {sample.file: sample for sample in load_samples()}
    assert len(entries) == len(samples) >= 12
    for entry in entries:
        sample = samples[entry["file"]]
        low, high = sample.drive.input.speed_range_rpm or (0, 0)
        assert low < entry["speed_rpm"] < high
        back = read_capture(SIGNALS / entry["file"])
        assert back.drive == entry["tag"] == sample.drive.tag
        assert back.measured_at is not None
        assert back.measured_at.utcoffset() is not None
    assert sum(path.stat().st_size for path in SIGNALS.iterdir()) < 12e6
    stated = {entry.get("tone") or entry.get("component") for entry in entries}
    assert {"stage1.ring_pin", "stage1.lobe", "stage1.output_pin", "foundation", "sensor", "input.shaft", None} < stated
    assert sum(entry["sound"] and "component" not in entry for entry in entries) >= 4


def test_tags_differ_and_drive_files_are_all_used() -> None:
    samples = load_samples()
    folder = shared_folder("configs") / "drives"
    assert {sample.drive_file for sample in samples} == {path.name for path in folder.glob("*.toml")}
    assert len({sample.drive.tag for sample in samples}) == len(samples)


def test_wrong_words_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    with pytest.raises(CallError, match="no sample is called"):
        rebuild(tmp_path, only=["nothing.h5"])
    (tmp_path / "TH-01_thickener_rake_north.h5").write_bytes(b"mine")
    assert main([str(tmp_path)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert (tmp_path / "TH-01_thickener_rake_north.h5").read_bytes() == b"mine"
