"""Files of a few kilobytes that would once have kept a reader busy for ever: each is answered at once."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest

from tests.ingest.ingest_files import VALUES
from vibe.core.errors import CallError, CaptureError, ConfigError, VibeError
from vibe.history.running_hours import read_lives
from vibe.ingest import load_drive, read_capture
from vibe.ingest.tables.exceedances import read_exceedances
from vibe.report.certificate.check import verify_certificate
from vibe.storage.hdf5_guard import attribute, damaged_heap

MANY = 20_000
ROWS = b"\n0.1,0.2\n0.2,0.3\n0.3,0.4\n"
LONG = {
    "spaces behind #": b"#" + b" " * MANY + b"\ntime_s,p [g]" + ROWS,
    "brackets in a name": b"time_s," + b"(" * MANY + ROWS,
    "brackets and spaces": b"time_s," + b"( " * MANY + ROWS,
    "spaces in a name": b"time_s,p" + b" " * MANY + b"x" + ROWS,
    "spaces in a time": b"t" + b" " * MANY + b"x,p" + ROWS,
    "spaces in a cell": b"time_s,p [g]\n0.1,0.2\n0.2," + b" " * 5 * MANY + b"x\n",
    "columns": b"time_s," + b",".join(b"p%d [g]" % k for k in range(MANY)) + b"\n" + b"1," * MANY + b"1\n",
}


def at_once(ask: object, *given: object, **more: object) -> None:
    begun = time.process_time()
    try:
        ask(*given, **more)  # type: ignore[operator]
        said = ""
    except VibeError as error:
        said = str(error)
    assert len(said.splitlines()) <= 1
    assert len(said) < 2000
    assert time.process_time() - begun < 2.0


@pytest.mark.parametrize("name", LONG)
def test_a_table_of_long_cells(tmp_path: Path, name: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(LONG[name])
    at_once(read_capture, path)


def test_a_universal_file_of_empty_lines(tmp_path: Path) -> None:
    path = tmp_path / "a.uff"
    path.write_bytes(b"    -1\n" + b"\n" * 10 * MANY)
    at_once(read_capture, path)


@pytest.mark.parametrize(
    "text",
    [
        "# \u2028[" + " " * 4000 + "\nx = 1\n",
        "a" + ".a" * 100_000 + " = 1\n",
        "".join("a" + ".b" * 300 + f".c{k} = 1\n" for k in range(2000)),
        "".join(f"key_{k} = 1\n" for k in range(MANY)),
        "tag = " + "[" * 100_000 + "\n",
        '[[stage]]\nkind = ' + "[" * 300 + "]" * 300 + "\n",
    ],
    ids=["a line's end in a comment", "dots", "many dots", "unknown keys", "nesting", "a list as a kind"],
)  # fmt: skip
def test_a_drive_file_that_takes_the_square_of_its_length(tmp_path: Path, text: str) -> None:
    path = tmp_path / "drive.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError):
        load_drive(path)
    at_once(load_drive, path)


def test_the_count_of_what_else_is_wrong_stays_right(tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_text("".join(f"key_{k} = 1\n" for k in range(50)), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"line 1: unknown key 'key_0'.*line 5: unknown key 'key_4'.*and 47 more\)"):
        load_drive(path)


@pytest.mark.parametrize("cell", ["(" * 60_000, "c (g" + " " * 60_000 + "x"])
def test_exceedances_of_long_cells(tmp_path: Path, cell: str) -> None:
    path = tmp_path / "e.csv"
    path.write_text(f"tag,point,time,measure,value,limit\na,b,2026-01-01,{cell},1,1\na,b,2026-01-01,c,1,1\n")
    at_once(read_exceedances, path, time_zone="UTC")
    found = read_exceedances(path, time_zone="UTC")
    assert len(found.rows) == 1
    assert "signs" in found.bad[0].why
    path.write_text(cell + ",tag,point,time,measure,value\nx,a,b,2026-01-01,c,1\n")
    at_once(read_exceedances, path, time_zone="UTC")


@pytest.mark.skipif(os.name == "nt", reason="no pipes with a name")
def test_pipes_and_devices_are_never_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for place in (pipe, Path("/dev/zero")):
        with pytest.raises(ConfigError, match="ordinary file"):
            read_exceedances(place)
        with pytest.raises(CallError, match="ordinary file"):
            verify_certificate(place)
        with pytest.raises(CallError, match="ordinary file"):
            read_lives(place)
        with pytest.raises(ConfigError, match="ordinary file"):
            load_drive(place)


def test_a_heap_of_texts_that_has_no_end_is_found_before_the_library_walks_it(tmp_path: Path) -> None:
    import h5py

    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("channels/p", data=VALUES).attrs.update({"sample_rate_hz": 12000.0, "unit": "g"})
    assert not damaged_heap(path)
    content = bytearray(path.read_bytes())
    start = content.index(b"GCOL") + 16
    content[start : start + 16] = bytes(16)
    path.write_bytes(content)
    assert damaged_heap(path)
    with pytest.raises(CaptureError, match="damaged"):
        read_capture(path)


def test_what_is_free_in_a_heap_of_texts_must_reach_its_end(tmp_path: Path) -> None:
    """Behind a free object that ends too soon the library finds zeros, and walks on over them for ever."""
    import h5py

    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("channels/p", data=VALUES).attrs.update({"sample_rate_hz": 12000.0, "unit": "g"})
    content = bytearray(path.read_bytes())
    start = content.index(b"GCOL")
    size = int.from_bytes(content[start + 8 : start + 16], "little")
    at = start + 16
    while content[at : at + 2] != b"\0\0":
        used = int.from_bytes(content[at + 8 : at + 16], "little")
        at += 16 + used + -used % 8
    free = int.from_bytes(content[at + 8 : at + 16], "little")
    assert at + free == start + size
    content[at + 8 : at + 16] = (free - 48).to_bytes(8, "little")
    path.write_bytes(content)
    with pytest.raises(CaptureError, match="damaged"):
        read_capture(path)


def test_an_attribute_that_claims_gigabytes_is_not_read(tmp_path: Path) -> None:
    import h5py

    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/p", data=VALUES)
        node.attrs.update({"sample_rate_hz": 12000.0, "unit": "g"})
        file.attrs.create("drive", np.zeros(9_000, dtype="u1"), dtype="u1")
        assert attribute(file, "drive") is not None
        assert attribute(file, "none") is None
    with h5py.File(tmp_path / "b.h5", "w", libver="latest") as file:
        file.attrs.create("drive", np.zeros(100_000, dtype="u1"), dtype="u1")
        assert attribute(file, "drive") is None


def test_texts_of_mat_7_3_as_other_numbers(tmp_path: Path) -> None:
    import h5py

    path = tmp_path / "a.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, data, kind in (
            ("p", VALUES, b"double"), ("sample_rate_hz", np.array([[12000.0]]), b"double"),
            ("unit", np.array([[103.0]]), b"char"), ("drive", np.array([[84, -5, 2**40, 49]]), b"char"),
        ):  # fmt: skip
            file.create_dataset(name, data=data).attrs["MATLAB_class"] = np.bytes_(kind)
    with path.open("r+b") as stream:
        stream.write(b"MATLAB 7.3 MAT-file")
    capture = read_capture(path)
    assert capture.drive == "T1"
    assert capture.channels[0].samples.size == VALUES.size


@pytest.mark.parametrize("rate", ["1e300", "1e-300", "0", "-1", "nan"])
def test_a_sample_rate_that_no_recorder_has(tmp_path: Path, rate: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f"# sample_rate_hz = {rate}\np [g],q [g]\n0.1,0.2\n0.2,0.3\n0.3,0.4\n")
    with pytest.raises(CaptureError, match="is impossible"):
        read_capture(path)


@pytest.mark.parametrize("left", range(8))
def test_a_binary_universal_file_cut_inside_a_number_gains_none(tmp_path: Path, left: int) -> None:
    from tests.ingest.ingest_files import uff_record

    path = tmp_path / "a.uff"
    whole = uff_record(VALUES, binary=True)
    start = whole.index(VALUES.astype("<f8").tobytes())
    path.write_bytes(whole[: start + 8 * 70 + left])
    capture = read_capture(path)
    assert capture.channels[0].samples.size == 70
    assert any("cut off" in remark for remark in capture.remarks)
