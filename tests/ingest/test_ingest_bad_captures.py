"""Files that are wrong: each refused with its own sentence, before anything large is allocated."""

from __future__ import annotations

import contextlib
import io
import os
import pickle
import struct
import time
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.ingest.ingest_files import VALUES, sidecar, table, uff_record, wav_24
from vibe.core.errors import CaptureError
from vibe.ingest import read_capture
from vibe.ingest.formats.registry import FORMATS


def refused(path: Path) -> str:
    with pytest.raises(CaptureError) as caught:
        read_capture(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "\n" not in message
    assert len(message) < 500
    return caught.value.reason


def test_what_is_no_capture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "no such file" in refused(tmp_path / "none.h5")
    assert "folder" in refused(tmp_path)
    empty = tmp_path / "a.h5"
    empty.touch()
    assert refused(empty) == "is empty"
    os.mkfifo(tmp_path / "pipe.wav")
    assert "ordinary file" in refused(tmp_path / "pipe.wav")
    picture = tmp_path / "photo.jpg"
    picture.write_bytes(bytes(range(256)) * 8)
    reason = refused(picture)
    assert "unsupported format" in reason
    for name in FORMATS:
        assert name in reason
    monkeypatch.setattr(Path, "open", lambda *_, **__: (_ for _ in ()).throw(PermissionError(13, "no")))
    assert "read access" in refused(picture)


@pytest.mark.parametrize("name", ["h5", "mat", "wav", "npz", "parquet", "uff", "csv"])
@pytest.mark.parametrize("content", [b"\x00", b"garbage that is nothing\n" * 40, bytes(range(256)) * 20])
def test_the_suffix_alone_does_not_help(tmp_path: Path, name: str, content: bytes) -> None:
    path = tmp_path / f"a.{name}"
    path.write_bytes(content)
    refused(path)


def good_files(folder: Path) -> dict[str, Path]:
    """One good capture of each format."""
    import pyarrow as pa
    import pyarrow.parquet as pq
    from scipy.io import savemat

    said = {"sample_rate_hz": 12000.0, "unit": "g"}
    paths = {name: folder / f"a.{name}" for name in ("h5", "mat", "wav", "npz", "parquet", "uff", "csv")}
    with h5py.File(paths["h5"], "w") as file:
        file.create_dataset("channels/p", data=VALUES, compression="gzip").attrs.update(said)
    savemat(paths["mat"], {"p": VALUES, **said})
    np.savez(paths["npz"], p=VALUES, **said)  # type: ignore[arg-type]
    pq.write_table(pa.table({"p [g]": VALUES, "time_s": np.arange(VALUES.size) / 12000}), paths["parquet"])
    paths["wav"].write_bytes(wav_24(VALUES * 2**20))
    sidecar(paths["wav"], '[channels.p]\nunit = "g"\nfull_scale = 8.0\n')
    paths["uff"].write_bytes(uff_record(VALUES))
    paths["csv"].write_text(table())
    return paths


def test_a_file_cut_anywhere_is_read_in_part_or_refused_never_worse(tmp_path: Path) -> None:
    for name, path in good_files(tmp_path).items():
        whole = path.read_bytes()
        assert read_capture(path).channels[0].samples.size == VALUES.size, name
        for share in (0.001, 0.01, 0.1, 0.5, 0.9, 0.999):
            path.write_bytes(whole[: max(1, int(share * len(whole)))])
            with contextlib.suppress(CaptureError):
                capture = read_capture(path)
                assert capture.remarks, (name, share)
                assert capture.channels[0].samples.size < VALUES.size


def test_bytes_that_were_changed_never_raise_anything_else(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    for path in good_files(tmp_path).values():
        whole = bytearray(path.read_bytes())
        for _ in range(12):
            damaged = bytearray(whole)
            for at in rng.integers(0, min(len(whole), 600), 4):
                damaged[at] = int(rng.integers(256))
            path.write_bytes(damaged)
            with contextlib.suppress(CaptureError):
                read_capture(path)


def huge_h5(path: Path) -> None:
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/p", shape=(10**9,), dtype="f4", chunks=(10**6,), compression="gzip")
        node.attrs.update({"sample_rate_hz": 1000.0, "unit": "g"})


def huge_h5_within_limit(path: Path) -> None:
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/p", shape=(3 * 10**8,), dtype="f4")
        node.attrs.update({"sample_rate_hz": 1000.0, "unit": "g"})


def huge_wav(path: Path) -> None:
    path.write_bytes(wav_24(np.empty(0), promised=3 * 10**9))
    sidecar(path, '[channels.p]\nunit = "g"\nfull_scale = 8.0\n')


def huge_mat(path: Path) -> None:
    name, count = b"p\0\0\0\0\0\0\0", 8 * 10**8
    flags = struct.pack("<IIII", 6, 8, 6, 0) + struct.pack("<IIii", 5, 8, 10**8, 1) + struct.pack("<II", 1, 1) + name
    body = flags + struct.pack("<II", 9, count) + b"\0" * 64
    head = b"MATLAB 5.0 MAT-file".ljust(124) + struct.pack("<H", 0x0100) + b"IM"
    path.write_bytes(head + struct.pack("<II", 14, len(flags) + 8 + count) + body)


def huge_npz(path: Path) -> None:
    member = io.BytesIO()
    np.lib.format.write_array_header_1_0(member, {"descr": "<f8", "fortran_order": False, "shape": (10**9,)})
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("p.npy", member.getvalue() + b"\0" * 64)


def huge_uff(path: Path) -> None:
    path.write_bytes(
        uff_record(VALUES[:8]).replace(b"         4         8         1", b"         41000000000         1")
    )


@pytest.mark.parametrize("make", [huge_h5, huge_h5_within_limit, huge_wav, huge_mat, huge_npz, huge_uff])
def test_a_small_file_that_promises_a_billion_samples_allocates_nothing(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    path = tmp_path / f"a.{make.__name__.split('_')[1]}"
    make(path)
    assert path.stat().st_size < 20_000
    refused(path)  # What is loaded for the first file is no part of what this one takes.
    tracemalloc.start()
    begin = time.perf_counter()
    reason = refused(path)
    assert "claims" in reason or "promise" in reason
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6
    assert time.perf_counter() - begin < 2


class _Trap:
    def __reduce__(self) -> tuple[Callable[[str], object], tuple[str]]:
        return Path.touch, (Path(os.environ["VIBE_TEST_TRAP"]),)  # type: ignore[return-value]


def test_pickles_stay_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trap = tmp_path / "sprung"
    monkeypatch.setenv("VIBE_TEST_TRAP", str(trap))
    path = tmp_path / "a.npz"
    np.savez(path, p=np.array([_Trap()], dtype=object), allow_pickle=True)
    with zipfile.ZipFile(path) as archive:
        pickle.loads(archive.read("p.npy")[128:])  # the trap does work
    assert trap.exists()
    trap.unlink()
    assert "pickled objects" in refused(path)
    assert not trap.exists()


def test_links_to_other_files_are_not_followed(tmp_path: Path) -> None:
    other = good_files(tmp_path)["h5"]
    path = tmp_path / "link.h5"
    with h5py.File(path, "w") as file:
        file["channels/p"] = h5py.ExternalLink(str(other), "channels/p")
    assert "not followed" in refused(path)
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/p", (8,), "f8", external=[(str(other), 0, 64)])
        node.attrs.update({"sample_rate_hz": 1.0, "unit": "g"})
    assert "another file" in refused(path)


def native(path: Path, samples: np.ndarray | list[float] = VALUES, **said: object) -> Path:
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/p", data=samples)
        node.attrs.update(
            {key: value for key, value in ({"sample_rate_hz": 100.0, "unit": "g"} | said).items() if value is not None}
        )
    return path


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"unit": "furlong"}, ("'furlong'", "m/s^2")),
        ({"unit": None}, ("has no unit", "a.h5.toml", "[channels.p]")),
        ({"unit": "V"}, ("has no sensitivity_mv_per_g", "a.h5.toml")),
        ({"unit": "V", "sensitivity_mv_per_g": -1.0}, ("must be positive",)),
        ({"unit": "mm/s", "quantity": "acceleration"}, ("unit of velocity", "acceleration")),
        ({"quantity": "temperature"}, ("'temperature'", "tachometer")),
        ({"sample_rate_hz": None}, ("has no sample_rate_hz",)),
        ({"sample_rate_hz": 0.0}, ("0 Hz is impossible",)),
        ({"sample_rate_hz": float("nan")}, ("nan Hz is impossible",)),
        ({"scale": 0.0}, ("scale 0",)),
        ({"samples": []}, ("is empty",)),
        ({"samples": np.zeros((4, 4))}, ("shape (4, 4)",)),
        ({"samples": np.zeros(4, dtype=complex)}, ("holds no numbers",)),
    ],
)
def test_a_channel_that_cannot_be_understood(tmp_path: Path, said: dict[str, object], words: tuple[str, ...]) -> None:
    reason = refused(native(tmp_path / "a.h5", **said))  # type: ignore[arg-type]
    for word in ("'p'", *words):
        assert word in reason


def test_one_bad_channel_does_not_take_the_good_ones_along(tmp_path: Path) -> None:
    path = native(tmp_path / "a.h5")
    with h5py.File(path, "a") as file:
        file.create_dataset("channels/microphone", data=VALUES).attrs.update({"sample_rate_hz": 100.0, "unit": "Pa"})
    capture = read_capture(path)
    assert [channel.name for channel in capture.channels] == ["p"]
    assert "'microphone'" in capture.remarks[0]
    assert "'Pa'" in capture.remarks[0]


def test_values_that_cannot_be_are_left_out_and_said(tmp_path: Path) -> None:
    samples = VALUES.copy()
    samples[[3, 4]] = np.inf, 1e300
    samples[9] = np.nan
    path = native(tmp_path / "a.h5", samples)
    with h5py.File(path, "a") as file:
        file.attrs.update({"measured_at": "yesterday", "speed_rpm": -3.0})
    capture = read_capture(path)
    assert np.flatnonzero(np.isnan(capture.channels[0].samples)).tolist() == [3, 4, 9]
    assert (capture.measured_at, capture.speed_rpm) == (None, None)
    assert any("2 infinite values" in remark for remark in capture.remarks)
    assert any("'yesterday'" in remark for remark in capture.remarks)
    assert any("speed_rpm" in remark for remark in capture.remarks)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time_s,a [g]\n0.00,1\n0.01,x2\n0.02,3\n", ("line 3", "'x2'", "column 'a [g]'")),
        ("# note\n\ntime_s,a [g]\n0.00,1\n0.01,2,7\n0.02,3\n", ("line 5 has 3 columns", "names 2")),
        ("time_s;a [g]\n0,00;1,5\n0,01;2.5.1\n0,02;3\n", ("line 3", "'2.5.1'")),
        ("time_s,a [g]\n0.00,1\n0.01,2\n0.05,3\n0.06,3\n", ("not even",)),
        ("time_s,a [g]\n0.00,1\n0.02,2\n0.01,3\n", ("backwards", "row 3")),
        ("time_s,a [g]\n0.00,1\n,2\n0.02,3\n", ("time column has no number in row 2",)),
        ("time_s,a [g]\n", ("no samples",)),
        ("# drive = A\n", ("no header",)),
        ("time_s\n1\n2\n3\n", ("no column of samples",)),
        ("a [g],a [g]\n1,2\n2,3\n", ("twice",)),
        ("0.0,1.0\n0.1,2.0\n0.2,2.0\n", ("no header line",)),
        ("time_s,a\n0.0,1.0\n0.1,2.0\n0.2,2.0\n", ("'a' has no unit",)),
    ],
)
def test_tables_that_are_wrong(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text)
    reason = refused(path)
    for word in words:
        assert word in reason


def test_a_wav_file_needs_its_sidecar(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wav_24(VALUES * 2**20))
    reason = refused(path)
    for word in ("a.wav.toml", "[channels.<name>]", "unit", "full_scale"):
        assert word in reason
    sidecar(path, '[channels.p]\nunit = "g"\n')
    assert "scale (unit per count) or full_scale" in refused(path)
    sidecar(path, '[channels.p]\nunit = "g"\nfull_scale = 8.0\n')
    assert read_capture(path).channels[0].name == "p"
    path.write_bytes(wav_24(np.empty(0), promised=300))
    assert "none of the 100 samples" in refused(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[channels.p]\nunitt = "g"\n', ("a.h5.toml, line 2", "'unitt'", "did you mean 'unit'")),
        ('[channels.p]\nscale = "2"\n', ("line 2", "channels.p.scale", "a number")),
        ('[channels.q]\nsource = "z"\nunit = "g"\n', ("channel 'z'", "holds p")),
        ("[channels.q]\nsource = 4\n", ("channel 4",)),
        ("[channels.q]\nsource = 0\n[channels.p]\n", ("'p' for two channels",)),
        ("[channels.p]\n= 3\n", ("line 2", "TOML")),
        ("measured_at = 3\n", ("line 1", "measured_at")),
    ],
)
def test_a_wrong_sidecar(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    path = sidecar(native(tmp_path / "a.h5"), text)
    reason = refused(path)
    for word in words:
        assert word in reason


def test_universal_files_without_a_time_history(open_data: Path) -> None:
    assert "power spectral density" in refused(open_data / "uff" / "sample_dataset58_psd.uff")
    assert "no record of data set 58" in refused(open_data / "uff" / "TestLab_161_164_18_15_82.uff")
    assert "'Pa' is not a unit of vibration" in refused(open_data / "uff" / "Sample_UFF58_ascii.uff")
