"""Files that nobody would make on purpose: sparse, endless, damaged beyond reason."""

from __future__ import annotations

import os
import time
import tracemalloc
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.ingest.ingest_files import VALUES, sidecar, table
from tests.ingest.ingest_signals import channel, machine
from vibe.core.errors import CaptureError, ConfigError
from vibe.ingest import assess, find_captures, load_drive, read_capture
from vibe.ingest.quality.prepared_signal import percent


def native(path: Path, samples: np.ndarray = VALUES, **root: object) -> Path:
    with h5py.File(path, "w") as file:
        file.create_dataset("channels/p", data=samples).attrs.update({"sample_rate_hz": 12000.0, "unit": "g"})
        file.attrs.update(root)
    return path


@pytest.mark.parametrize("suffix", ["h5", "wav", "csv", "mat", "npz", "parquet", "uff"])
def test_gigabytes_of_nothing_are_refused_at_once(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    path.touch()
    os.truncate(path, 1_900_000_000)
    if path.stat().st_blocks > 10_000:
        pytest.skip("this file system keeps no holes")
    with pytest.raises(CaptureError):
        read_capture(path)  # What is loaded for the first file is no part of what this one takes.
    tracemalloc.start()
    begin = time.perf_counter()
    with pytest.raises(CaptureError):
        read_capture(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6
    assert time.perf_counter() - begin < 3


def test_a_mat_file_that_goes_on_as_zeros_is_left(tmp_path: Path) -> None:
    from scipy.io import savemat

    path = tmp_path / "a.mat"
    savemat(path, {"p": VALUES, "sample_rate_hz": 12000.0, "unit": "g"}, format="4")
    sidecar(path, "")
    assert read_capture(path).channels[0].samples.size == VALUES.size
    os.truncate(path, 400_000_000)
    begin = time.perf_counter()
    with pytest.raises(CaptureError, match="no array begins at byte"):
        read_capture(path)
    assert time.perf_counter() - begin < 1


def test_a_wav_file_of_endless_empty_chunks_is_left(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"RIFF\0\0\0\0WAVE" + bytes(3_000_000))
    begin = time.perf_counter()
    with pytest.raises(CaptureError, match="ends before its samples begin"):
        read_capture(path)
    assert time.perf_counter() - begin < 1


def test_text_that_is_not_utf_8_in_a_native_file(tmp_path: Path) -> None:
    path = native(tmp_path / "a.h5")
    with h5py.File(path, "a") as file:
        file.attrs.create("drive", b"T-\xff", dtype=h5py.string_dtype("utf-8"))
        file["channels"].copy(file["channels/p"], "q")
        file["channels"].id.move(b"q", b"q\xff\xfe")
    capture = read_capture(path)
    assert capture.drive == "T-\ufffd"
    assert [one.name for one in capture.channels] == ["p"]
    assert any("not UTF-8" in remark for remark in capture.remarks)


@pytest.mark.parametrize("when", ["9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00", "1904-01-01T00:00:00Z"])
def test_a_clock_that_was_never_set_is_no_time(tmp_path: Path, when: str) -> None:
    capture = read_capture(native(tmp_path / "a.h5", measured_at=when))
    assert capture.measured_at is None
    assert any("is impossible" in remark for remark in capture.remarks)


def test_what_is_missing_in_a_file_cut_off_is_blamed_on_the_cut(tmp_path: Path) -> None:
    from scipy.io import savemat

    path = tmp_path / "a.mat"
    savemat(path, {"p": VALUES, "sample_rate_hz": 12000.0, "unit": "g"})
    path.write_bytes(path.read_bytes()[: 8 * VALUES.size // 2])
    with pytest.raises(CaptureError, match="cut off"):
        read_capture(path)


def test_line_ends_of_every_age(tmp_path: Path) -> None:
    text = "# drive = T-1\n" + table()
    for name, end in (("unix", "\n"), ("dos", "\r\n"), ("old", "\r")):
        path = tmp_path / f"{name}.csv"
        path.write_bytes(text.replace("\n", end).encode())
        capture = read_capture(path)
        assert capture.drive == "T-1"
        assert capture.channels[0].samples.size == VALUES.size
        np.testing.assert_allclose(capture.channels[0].samples[:9], VALUES[:9] * 9.80665, rtol=1e-4)
        path.write_bytes(text.replace("\n", end).encode() + f"0.9,rust,1{end}".encode())
        with pytest.raises(CaptureError, match=r"line 5003: 'rust' in column 'input \[g\]'"):
            read_capture(path)


def test_links_in_a_ring_and_links_to_nowhere_are_no_captures(tmp_path: Path) -> None:
    folder = tmp_path / "captures"
    folder.mkdir()
    good = native(folder / "good.h5")
    for name, target in (("ring.h5", "ring.h5"), ("nowhere.h5", "none.h5"), ("up", ".."), ("zero.wav", "/dev/zero")):
        (folder / name).symlink_to(target)
    os.mkfifo(folder / "pipe.h5")
    (folder / "alias.h5").symlink_to("good.h5")
    assert find_captures(folder) == (folder / "alias.h5", good)


def test_samples_beyond_every_slip_of_unit_are_rejected() -> None:
    sound = machine(1.0)
    verdicts = {1e30: "rejected", 1e15: "rejected", 1e4: "limited", 1.0: "usable", 1e-12: "rejected"}
    assert {factor: assess(channel(sound * factor)).verdict for factor in verdicts} == verdicts
    spiked = sound.copy()
    spiked[777] = 1e25
    assert assess(channel(spiked)).verdict == "rejected"


@pytest.mark.parametrize("rate_hz", [1e-3, 1.0, 100.0])
def test_a_rate_that_cannot_show_the_input_is_rejected(rate_hz: float) -> None:
    quality = assess(channel(machine(4.0), rate_hz=rate_hz), speed_hz=24.3)
    assert quality.verdict == "rejected"
    assert "sample_rate_low" in [reason.code for reason in quality.reasons]
    assert assess(channel(machine(20.0, rate_hz=1000.0), rate_hz=1000.0), speed_hz=24.3).verdict != "rejected"


def test_shares_are_said_as_people_say_them() -> None:
    assert [percent(share) for share in (0.0033, 0.5, 0.994, 0.9999, 1.0)] == [
        "0.33 %", "50 %", "99 %", "over 99 %", "100 %"
    ]  # fmt: skip


def test_a_number_of_thousands_of_digits_is_found_in_its_line(tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_text('tag = "T"\n\n[input]\nspeed_rpm = ' + "9" * 5000 + "\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="thousands of digits") as caught:
        load_drive(path)
    assert caught.value.line == 4


def test_a_sidecar_that_is_not_text(tmp_path: Path) -> None:
    path = native(tmp_path / "a.h5")
    sidecar(path, "").with_name("a.h5.toml").write_bytes(b'drive = "T-\xff"\n')
    with pytest.raises(CaptureError, match="line 1 is wrong: is not UTF-8"):
        read_capture(path)
