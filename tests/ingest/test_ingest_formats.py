"""Each format against files that general libraries write, and each way such a file can say what it means."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from tests.ingest.ingest_files import VALUES, sidecar, table, uff_record, wav_24
from vibe.core.capture import Capture, Channel
from vibe.core.errors import OutputError
from vibe.ingest import find_captures, read_capture, write_hdf5

G = 9.80665
WHEN = datetime(2026, 3, 4, 10, 15, tzinfo=timezone(timedelta(hours=1)))


def only(capture: Capture) -> Channel:
    assert len(capture.channels) == 1
    return capture.channels[0]


def test_hdf5_says_everything_itself(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    counts = np.round(VALUES * 100).astype(np.int16)
    with h5py.File(path, "w") as file:
        file.attrs.update({"drive": "TH-02", "measured_at": WHEN.isoformat(), "speed_rpm": 1458.0, "load_percent": 80})
        one = file.create_dataset("channels/input", data=counts)
        one.attrs.update(
            {"sample_rate_hz": 25600, "unit": "g", "quantity": "acceleration", "scale": 0.01, "axis": "radial"}
        )
        two = file.create_dataset("channels/output", data=VALUES.astype("f4"), chunks=(512,), compression="gzip")
        two.attrs.update(
            {"sample_rate_hz": 6400.0, "unit": "V", "sensitivity_mv_per_g": 100.0, "quantity": "acceleration"}
        )
        tacho = file.create_dataset("channels/tacho", data=(counts > 0).astype("i1"))
        tacho.attrs.update({"sample_rate_hz": 25600.0, "unit": "V", "quantity": "tachometer", "pulses_per_rev": 2})
        slow = file.create_dataset("channels/slow", data=VALUES)
        slow.attrs.update({"sample_rate_hz": 6400.0, "unit": "mm/s", "quantity": "velocity", "offset": 1.0})
    capture = read_capture(path)
    by_name = {channel.name: channel for channel in capture.channels}
    assert (capture.drive, capture.measured_at, capture.speed_rpm, capture.load_percent) == (
        "TH-02",
        WHEN,
        1458.0,
        80.0,
    )
    assert not capture.remarks
    assert_allclose(by_name["input"].samples, counts * 0.01 * G, rtol=1e-6)
    assert by_name["input"].step == pytest.approx(0.01 * G)
    assert by_name["input"].full_scale == pytest.approx(327.67 * G)
    assert by_name["input"].axis == "radial"
    assert_allclose(by_name["output"].samples, VALUES * 1000 / 100 * G, rtol=1e-5, atol=1e-5)
    assert by_name["output"].step is None
    assert_allclose(by_name["slow"].samples, (VALUES + 1) * 1e-3, rtol=1e-5, atol=1e-9)
    assert by_name["slow"].quantity == "velocity"
    tacho_channel = capture.tachometer
    assert tacho_channel is not None
    assert tacho_channel.pulses_per_rev == 2
    assert_array_equal(tacho_channel.samples, counts > 0)


def test_a_cut_hdf5_writer_leaves_what_it_wrote(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/p", shape=(1_000_000,), dtype="f4", chunks=(1000,))
        node.attrs.update({"sample_rate_hz": 1000.0, "unit": "g", "quantity": "acceleration"})
        node[:2000] = 1.0
        node[3000:4000] = 2.0
    capture = read_capture(path)
    samples = only(capture).samples
    assert samples.size == 4000
    assert np.isnan(samples[2000:3000]).all()
    assert_allclose(samples[3000:], 2 * G, rtol=1e-6)
    assert "4,000 of 1,000,000 samples promised" in capture.remarks[0]


def test_the_native_writer_gives_back_the_same_capture(tmp_path: Path) -> None:
    step = 0.0125
    counted = Channel(
        name="a/b",
        samples=(np.round(VALUES / step) * step).astype("f4"),
        sample_rate_hz=25600.5,
        quantity="acceleration",
        recorded_unit="g",
        axis="x",
        full_scale=409.6,
        step=step,
    )
    with_gap = np.array(VALUES, dtype="f4")
    with_gap[7] = np.nan
    plain = Channel(
        name="c", samples=with_gap, sample_rate_hz=100.0, quantity="velocity", recorded_unit="mm/s", step=step
    )
    tacho = Channel(
        name="t", samples=with_gap, sample_rate_hz=9.0, quantity="tachometer", recorded_unit="V", pulses_per_rev=4
    )
    made = Capture(
        source=tmp_path,
        sha256="",
        channels=(plain, tacho),
        drive="TH-02",
        measured_at=WHEN,
        speed_rpm=3.0,
        load_percent=0.0,
    )
    path = write_hdf5(made, tmp_path / "new" / "a.h5")
    first = path.read_bytes()
    back = read_capture(path)
    assert (back.drive, back.measured_at, back.speed_rpm, back.load_percent) == ("TH-02", WHEN, 3.0, 0.0)
    for ours, theirs in zip(made.channels, back.channels, strict=True):
        assert_array_equal(ours.samples, theirs.samples)
        for name in (
            "name",
            "sample_rate_hz",
            "quantity",
            "recorded_unit",
            "axis",
            "pulses_per_rev",
            "full_scale",
            "step",
        ):
            assert getattr(ours, name) == getattr(theirs, name), name
    with pytest.raises(OutputError, match="exists already"):
        write_hdf5(made, path)
    write_hdf5(made, path, force=True)
    assert path.read_bytes() == first

    counts_path = write_hdf5(Capture(source=tmp_path, sha256="", channels=(counted,)), tmp_path / "counts.h5")
    with h5py.File(counts_path) as file:
        assert file["channels/a/b"].dtype == np.int16
    again = only(read_capture(counts_path))
    assert_array_equal(again.samples, counted.samples)
    assert (again.name, again.step, again.full_scale) == ("a/b", step, 409.6)


CSV = "# drive = TH-02\n# measured_at = 2026-03-04T10:15:00+01:00\n# speed_rpm = 1458\n"


@pytest.mark.parametrize(("divider", "decimal"), [(",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", ".")])
def test_csv_in_every_spelling(tmp_path: Path, divider: str, decimal: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(CSV + table(divider, decimal), encoding="utf-8", newline="\r\n")
    capture = read_capture(path)
    assert (capture.drive, capture.measured_at, capture.speed_rpm, capture.remarks) == ("TH-02", WHEN, 1458.0, ())
    assert [(c.name, c.sample_rate_hz) for c in capture.channels] == [("input", 25600.0), ("base", 25600.0)]
    assert_allclose(capture.channels[0].samples, VALUES * G, rtol=1e-5)
    assert_allclose(capture.channels[1].samples, -VALUES * 1e-3, rtol=1e-5)


def test_csv_that_an_old_spreadsheet_wrote(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    for alphabet in ("cp1252", "utf-16", "utf-8-sig"):
        path.write_bytes(table(";", ",").replace("[g]", "[m/s²]").encode(alphabet))
        assert_allclose(read_capture(path).channels[0].samples, VALUES, rtol=1e-5)


def test_csv_times(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(table(digits=3))
    coarse = read_capture(path)
    assert coarse.channels[0].sample_rate_hz == pytest.approx(25600, rel=0.01)
    assert "coarser" in coarse.remarks[0]

    path.write_text(table(skip=(100, 101, 2000)))
    gaps = read_capture(path)
    assert gaps.channels[0].sample_rate_hz == 25600.0
    assert_array_equal(np.flatnonzero(np.isnan(gaps.channels[0].samples)), [100, 101, 2000])
    assert "3 rows are missing" in gaps.remarks[0]

    path.write_text("# sample_rate_hz = 25600.4\n" + table())
    assert read_capture(path).channels[0].sample_rate_hz == 25600.4
    path.write_text("# sample_rate_hz = 12800\n" + table())
    contradicted = read_capture(path)
    assert contradicted.channels[0].sample_rate_hz == 25600.0
    assert "the file states 12800 Hz" in contradicted.remarks[0]


def test_csv_whose_last_line_was_cut(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    whole = table()
    path.write_text(whole[:-4])
    capture = read_capture(path)
    assert capture.channels[0].samples.size == VALUES.size - 1
    assert capture.remarks == ("the last line has no end and was dropped",)


def test_csv_without_time_takes_rate_and_meaning_from_its_lines(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = "".join(f"{value:.6g},{k % 4 == 0:d}\n" for k, value in enumerate(VALUES))
    path.write_text(
        "# sample_rate_hz = 1000\n# p.sensitivity_mv_per_g = 10\n# k.quantity = tachometer\n# k.pulses_per_rev = 3\n"
        "p [mV],k\n" + rows
    )
    capture = read_capture(path)
    assert_allclose(capture.channels[0].samples, VALUES / 10 * G, rtol=1e-5)
    assert capture.tachometer is not None
    assert (capture.tachometer.sample_rate_hz, capture.tachometer.pulses_per_rev) == (1000.0, 3.0)


def test_csv_keeps_holes(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(
        "time_s,a [g],b [g]\n"
        + "".join(f"{k / 100},{'' if k == 3 else k},{'nan' if k == 5 else k}\n" for k in range(9))
    )
    capture = read_capture(path)
    assert_array_equal(np.isnan(capture.channels[0].samples), np.arange(9) == 3)
    assert_array_equal(np.isnan(capture.channels[1].samples), np.arange(9) == 5)
    assert "2 cells" in capture.remarks[0]


WAV_CHANNELS = '[channels.a]\nsource = 0\nunit = "m/s^2"\n{0}\n[channels.b]\nsource = 1\nunit = "g"\n{0}\n'


@pytest.mark.parametrize(("kind", "bits"), [("u1", 8), ("i2", 16), ("i4", 32), ("f4", 0), ("f8", 0)])
def test_wav_written_by_scipy(tmp_path: Path, kind: str, bits: int) -> None:
    from scipy.io import wavfile

    path = tmp_path / "a.wav"
    level = np.clip(np.stack([VALUES, VALUES[::-1]], axis=1) / 10, -0.99, 0.99)
    if bits:
        counts = np.round(level * 2 ** (bits - 1)) + (128 if bits == 8 else 0)
        wavfile.write(path, 25600, counts.astype(kind))
        sidecar(path, WAV_CHANNELS.format("full_scale = 10.0"))
    else:
        wavfile.write(path, 25600, (level * 10).astype(kind))
        sidecar(path, WAV_CHANNELS.format(""))
    capture = read_capture(path)
    a, b = capture.channels
    grain = 10 / 2 ** (bits - 1) if bits else 1e-6
    assert_allclose(a.samples, level[:, 0] * 10, atol=0.51 * grain + 1e-6)
    assert_allclose(b.samples, level[:, 1] * 10 * G, atol=0.51 * grain * G + 1e-5)
    assert a.sample_rate_hz == 25600.0
    if bits:
        assert a.step == pytest.approx(grain)
        assert b.full_scale == pytest.approx(10 * G)


def test_wav_of_24_bits_and_what_a_recorder_leaves_when_it_is_cut_off(tmp_path: Path) -> None:
    counts = np.round(VALUES * 2**20).astype(int)
    path = sidecar(tmp_path / "a.wav", '[channels.p]\nsource = 0\nunit = "m/s^2"\nscale = 2.0\noffset = 1.0\n')
    path.write_bytes(wav_24(counts))
    channel = only(read_capture(path))
    assert_allclose(channel.samples, counts * 2.0 + 1.0, rtol=1e-6)
    assert (channel.step, channel.full_scale) == (2.0, 2.0**24)

    path.write_bytes(wav_24(counts, promised=30_000))  # twice what is there
    half = read_capture(path)
    assert only(half).samples.size == 5000
    assert "5,000 of 10,000 samples promised" in half.remarks[0]

    path.write_bytes(wav_24(counts, promised=0)[:-1])
    open_end = read_capture(path)
    assert only(open_end).samples.size == 4999
    assert "did not write how long" in open_end.remarks[0]


MAT_META: dict[str, Any] = {
    "sample_rate_hz": 12000.0,
    "unit": "g",
    "drive": "TH-02",
    "measured_at": "2026-03-04T10:15:00+01:00",
}


def write_mat_73(path: Path, arrays: dict[str, Any]) -> None:
    """A version 7.3 file: HDF5 behind a header of 512 bytes, axes reversed, text as character codes."""
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, value in arrays.items():
            codes = (
                np.array([[ord(c)] for c in value], dtype="u2") if isinstance(value, str) else np.atleast_2d(value).T
            )
            node = file.create_dataset(name, data=codes)
            kind = {"u": "char" if isinstance(value, str) else "uint16", "f": "double", "i": "int16"}[codes.dtype.kind]
            node.attrs["MATLAB_class"] = np.bytes_(kind)
    with path.open("r+b") as stream:
        stream.write(b"MATLAB 7.3 MAT-file, Platform: any".ljust(124) + b"\x00\x02IM")


@pytest.mark.parametrize("version", ["5", "5 packed", "4", "7.3"])
def test_mat(tmp_path: Path, version: str) -> None:
    from scipy.io import savemat

    path = tmp_path / "a.mat"
    arrays = {"drive_end": VALUES.reshape(-1, 1), "both": np.stack([VALUES, 2 * VALUES], axis=1), **MAT_META}
    if version == "7.3":
        write_mat_73(path, arrays)
    else:
        savemat(path, arrays, format="4" if version[0] == "4" else "5", do_compression="packed" in version)
    capture = read_capture(path)
    by_name = {channel.name: channel.samples for channel in capture.channels}
    assert sorted(by_name) == ["both[0]", "both[1]", "drive_end"]
    assert_allclose(by_name["drive_end"], VALUES * G, rtol=1e-6)
    assert_allclose(by_name["both[1]"], 2 * VALUES * G, rtol=1e-6)
    assert (capture.drive, capture.measured_at) == ("TH-02", WHEN)
    assert capture.channels[0].sample_rate_hz == 12000.0


def test_mat_keeps_what_scipy_would_read(tmp_path: Path) -> None:
    from scipy.io import loadmat, savemat

    from vibe.ingest.formats.mat5 import read_arrays

    rng = np.random.default_rng(1)
    kinds = ("f8", "f4", "i1", "u1", "i2", "u2", "i4", "u4", "i8", "u8")
    made: dict[str, Any] = {f"x_{kind}": rng.integers(0, 100, (4, 3)).astype(kind) for kind in kinds}
    made |= {
        "row": np.arange(7.0),
        "text": "m/s²",
        "one": 3.5,
        "cube": rng.normal(size=(2, 3, 4)),
        "z": 1j * np.ones(3),
    }
    made |= {"cell": np.array([1, "a"], dtype=object), "record": {"a": 1}}
    path = tmp_path / "a.mat"
    for packed in (False, True):
        savemat(path, made, do_compression=packed)
        arrays, remarks = read_arrays(path)
        theirs = loadmat(path)
        assert sorted(arrays) == sorted(set(made) - {"z", "cell", "record"})
        assert remarks == []
        for name, value in arrays.items():
            if name == "text":
                assert value == "m/s²"
            else:
                assert_array_equal(value, theirs[name])
                assert value.dtype == theirs[name].dtype


def test_a_cut_mat_file_gives_what_is_there(tmp_path: Path) -> None:
    from scipy.io import savemat

    path = tmp_path / "a.mat"
    for packed in (False, True):
        savemat(path, {"sample_rate_hz": 100.0, "unit": "g", "p": VALUES}, do_compression=packed)
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 2])
        capture = read_capture(path)
        samples = only(capture).samples
        assert 1000 < samples.size < 4000
        assert_allclose(samples, VALUES[: samples.size] * G, rtol=1e-6)
        assert "of 5,000 values of 'p' are there" in capture.remarks[0]


def test_a_mat_file_that_says_nothing_is_explained_by_its_sidecar(tmp_path: Path) -> None:
    from scipy.io import savemat

    path = tmp_path / "a.mat"
    savemat(path, {"X097_DE_time": VALUES.reshape(-1, 1), "X097RPM": 1796, "struct": {"a": 1}})
    sidecar(
        path,
        'drive = "rig"\nmeasured_at = 2026-03-04T10:15:00+01:00\nload_percent = 0\n[channels."drive end"]\n'
        'source = "X097_DE_time"\nsample_rate_hz = 48000\nunit = "g"\naxis = "radial"\n',
    )
    capture = read_capture(path)
    channel = only(capture)
    assert (channel.name, channel.axis, channel.sample_rate_hz) == ("drive end", "radial", 48000.0)
    assert (capture.drive, capture.measured_at, capture.load_percent) == ("rig", WHEN, 0.0)
    assert_allclose(channel.samples, VALUES * G, rtol=1e-6)


def test_npz(tmp_path: Path) -> None:
    path = tmp_path / "a.npz"
    np.savez_compressed(path, p=VALUES, q=np.round(VALUES * 10).astype("i2"), **MAT_META)
    capture = read_capture(path)
    p, q = capture.channels
    assert_allclose(p.samples, VALUES * G, rtol=1e-6)
    assert (p.step, q.step) == (None, pytest.approx(G))
    assert capture.drive == "TH-02"


def test_parquet(tmp_path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    holes = VALUES.copy()
    mask = np.arange(VALUES.size) == 8
    fields = [
        pa.field("time_s", pa.float64()),
        pa.field("p [mm/s^2]", pa.float32()),
        pa.field("q", pa.float64(), metadata={"unit": "g", "axis": "z"}),
        pa.field("label", pa.string()),
    ]
    columns = [np.arange(VALUES.size) / 6400, VALUES.astype("f4"), pa.array(holes, mask=mask), ["x"] * VALUES.size]
    schema = pa.schema(fields, metadata={"drive": "TH-02", "speed_rpm": "1458"})
    path = tmp_path / "a.parquet"
    pq.write_table(pa.table(columns, schema=schema), path)
    capture = read_capture(path)
    p, q = capture.channels
    assert (capture.drive, capture.speed_rpm, p.sample_rate_hz, q.axis) == ("TH-02", 1458.0, 6400.0, "z")
    assert_allclose(p.samples, VALUES * 1e-3, rtol=1e-6)
    assert_array_equal(np.isnan(q.samples), mask)


@pytest.mark.parametrize("binary", [False, True])
def test_uff_58(tmp_path: Path, binary: bool) -> None:
    path = tmp_path / "a.uff"
    path.write_bytes(
        uff_record(VALUES, binary=binary)
        + uff_record(VALUES[:100] * 2, name="P1")
        + uff_record(VALUES, func=9, name="S")
    )
    capture = read_capture(path)
    first, second = capture.channels
    assert_allclose(first.samples, VALUES * G, rtol=1e-6, atol=1e-9)
    assert_allclose(second.samples, VALUES[:100] * 2 * G, rtol=1e-6)
    assert (first.name, second.name, first.axis, first.sample_rate_hz) == ("P1", "P1 (2)", "Z+", 25600.0)
    assert capture.measured_at == datetime(2026, 3, 4, 10, 15)
    assert any("power spectral density" in remark for remark in capture.remarks)
    assert any("no offset" in remark for remark in capture.remarks)


@pytest.mark.parametrize("binary", [False, True])
def test_uff_58_cut_off(tmp_path: Path, binary: bool) -> None:
    path = tmp_path / "a.uff"
    whole = uff_record(VALUES, binary=binary)
    path.write_bytes(whole[: len(whole) // 2 + 3])
    capture = read_capture(path)
    samples = only(capture).samples
    assert 2000 < samples.size < 3000
    assert_allclose(samples, VALUES[: samples.size] * G, rtol=1e-6)
    assert any("of 5,000 samples promised" in remark for remark in capture.remarks)


def test_measured_universal_files(open_data: Path, tmp_path: Path) -> None:
    sine = only(read_capture(open_data / "uff" / "binary8byte.uff"))
    assert (sine.samples.size, sine.sample_rate_hz, sine.recorded_unit) == (250, 100.0, "g")
    spectrum = np.abs(np.fft.rfft(sine.samples * np.hanning(250), 10_000))
    assert np.argmax(spectrum) * 100 / 10_000 == pytest.approx(5.0, abs=0.05)  # its record is called "sine 5 Hz"

    rows = []
    for name in ("Sample_UFF58_ascii.uff", "Sample_UFF58b_bin.uff"):
        path = tmp_path / name
        path.write_bytes((open_data / "uff" / name).read_bytes())
        sidecar(path, '[channels."Mic 01"]\nunit = "m/s^2"\nquantity = "acceleration"\n')
        rows.append(only(read_capture(path)))
    assert rows[0].samples.size == 79_292
    assert rows[0].sample_rate_hz == 65_536.0
    assert_allclose(rows[0].samples, rows[1].samples, atol=2e-6)


def test_what_counts_as_a_capture_of_a_folder(tmp_path: Path) -> None:
    inside, outside = tmp_path / "in", tmp_path / "out"
    for folder in (inside / "b", inside / ".hidden", outside):
        folder.mkdir(parents=True)
    for name in ("b/z.h5", "a.WAV", "a.wav.toml", ".c.h5", "c.h5.part", "notes.txt", ".hidden/d.h5"):
        (inside / name).write_bytes(b"x")
    (outside / "far.h5").write_bytes(b"x")
    (inside / "far.h5").symlink_to(outside / "far.h5")
    (inside / "far").symlink_to(outside)
    (inside / "near.h5").symlink_to(inside / "b" / "z.h5")
    found = [path.relative_to(inside).as_posix() for path in find_captures(inside)]
    assert found == ["a.WAV", "b/z.h5", "near.h5"]
