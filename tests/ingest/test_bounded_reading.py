"""No small file takes the machine: what it claims is refused, what its damage does is fenced in."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import time
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from vibe.core.errors import CaptureError
from vibe.ingest import read_capture
from vibe.storage import fence

ROOT = Path(__file__).resolve().parents[2]
CRASHES = ROOT / "tests" / "studies" / "fuzz" / "seeds" / "ends_the_library.mat"
MOST_MB, MOST_S = 700, 10.0
READ_ALL = """
import json, sys, time
from pathlib import Path
from vibe.core.errors import CaptureError
from vibe.ingest import read_capture
from vibe.storage import fence

def peak_mb(pid):
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024

def forget_peak(pid):
    Path(f"/proc/{pid}/clear_refs").write_text("5")
    return peak_mb(pid)

for name in sys.argv[1:]:
    before, start = forget_peak("self"), time.monotonic()
    try:
        read_capture(Path(name))
        said = "accepted"
    except CaptureError as error:
        said = str(error)
    taken = time.monotonic() - start
    reader = fence._READER._process
    apart = peak_mb(reader.pid) if reader is not None else 0
    print(json.dumps([said, taken, peak_mb("self") - before, apart]))
"""


def text_length(path: Path) -> None:
    """An attribute whose text claims four billion bytes."""
    with h5py.File(path, "w") as file:
        file.attrs["drive"] = "TAG-WITH-A-LENGTH"
        node = file.create_dataset("channels/a", data=np.zeros(100, "f4"))
        node.attrs.update({"sample_rate_hz": 1000.0, "unit": "g"})
    content = bytearray(path.read_bytes())
    # A text in a heap is given by its length, the heap's address and an index of 1 (File Format Specification, III.E).
    heap = content.index(b"GCOL")
    at = content.index(struct.pack("<IQI", 17, heap, 1))
    content[at : at + 4] = b"\xff\xff\xff\xff"
    path.write_bytes(content)


def ring(path: Path) -> None:
    """A group that holds itself sixty times."""
    with h5py.File(path, "w") as file:
        group = file.create_group("channels")
        for number in range(60):
            group[f"again{number}"] = group


def links(path: Path) -> None:
    """A thousand names for one long row."""
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/a", data=np.zeros(1 << 20), chunks=(1 << 16,), compression="gzip")
        for number in range(999):
            file[f"channels/name{number}"] = node


def packed_channels(path: Path) -> None:
    """Six hundred rows of a million numbers in some megabytes."""
    with h5py.File(path, "w") as file:
        chunk = zlib.compress(bytes(4 << 20))
        for number in range(600):
            node = file.create_dataset(f"channels/{number}", (1 << 20,), "f4", chunks=(1 << 20,), compression="gzip")
            node.id.write_direct_chunk((0,), chunk)


def packed_mat_5(path: Path) -> None:
    """One packed array of two gigabytes, as zlib packs zeros."""
    size = 2_000_000_000
    head = struct.pack("<II", 14, size) + struct.pack("<IIII", 6, 8, 6, 0) + struct.pack("<IIii", 5, 8, 1, size // 8)
    packer = zlib.compressobj(1)
    packed = packer.compress(head) + b"".join(packer.compress(bytes(10_000_000)) for _ in range(20)) + packer.flush()
    packed += bytes(2_000_000)
    path.write_bytes(b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM" + struct.pack("<II", 15, len(packed)) + packed)


def wide_texts(path: Path, method: int = zipfile.ZIP_DEFLATED, texts: int = 200) -> None:
    """An array of two hundred texts of a million letters each, or as many of them as are really there."""
    member = io.BytesIO()
    np.lib.format.write_array_header_1_0(member, {"descr": "|S1000000", "fortran_order": False, "shape": (200,)})
    with (
        zipfile.ZipFile(path, "w", method, compresslevel=1) as archive,
        archive.open("a.npy", "w", force_zip64=True) as stream,
    ):
        stream.write(member.getvalue())
        for _ in range(texts):
            stream.write(bytes(1_000_000))


def wide_texts_bz2(path: Path) -> None:
    wide_texts(path, zipfile.ZIP_BZIP2, texts=20)


def packed_zeros(mb: int) -> bytes:
    """So many times 2**20 zeros as zlib packs them: one such piece again and again, and the checksum of all."""
    packer = zlib.compressobj(9)
    piece = packer.compress(bytes(1 << 20)) + packer.flush(zlib.Z_FULL_FLUSH)
    head, again = piece[:2], piece[2:]
    checksum = struct.pack(">I", (mb * 2**20 % 65_521) << 16 | 1)
    return head + again * mb + b"\x03\x00" + checksum


def one_chunk_mat_7(path: Path) -> None:
    """An array that is packed in one piece of half a gigabyte."""
    with h5py.File(path, "w", userblock_size=512) as file:
        size = 1 << 26
        node = file.create_dataset("a", (size,), "f8", chunks=(size,), compression="gzip")
        node.id.write_direct_chunk((0,), packed_zeros(512))
    with path.open("r+b") as stream:
        stream.write(b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM")


def many_arrays(path: Path) -> None:
    """Twenty thousand arrays of two numbers."""
    member = io.BytesIO()
    np.save(member, np.zeros(2))
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(20_000):
            archive.writestr(f"{number}.npy", member.getvalue())


def packed_parquet(path: Path) -> None:
    """Ninety million equal numbers in some hundred kilobytes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    batch = pa.table({"a [g]": pa.array(np.zeros(10_000_000, "f4"))})
    with pq.ParquetWriter(path, batch.schema, compression="zstd") as writer:
        for _ in range(9):
            writer.write_table(batch)


def _mat_5(path: Path, *elements: bytes) -> None:
    path.write_bytes(b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM" + b"".join(elements))


def parts_mat_5(path: Path) -> None:
    """A packed array of nothing but nineteen million empty parts."""
    size = 150_000_000
    packed = zlib.compress(struct.pack("<II", 14, size) + bytes(size), 1)
    _mat_5(path, struct.pack("<II", 15, 9_000_000), packed, bytes(9_000_000 - len(packed)))


def many_arrays_mat_5(path: Path) -> None:
    """A hundred thousand arrays of one number."""
    body = struct.pack("<IIII", 6, 8, 6, 0) + struct.pack("<IIii", 5, 8, 1, 1) + struct.pack("<HH4s", 1, 1, b"a")
    body += struct.pack("<IId", 9, 8, 1.0)
    _mat_5(path, (struct.pack("<II", 14, len(body)) + body) * 100_000)


def zeros_npz(path: Path) -> None:
    """As many packed zeros as a file of its size may claim, and what makes it that large."""
    member = io.BytesIO()
    np.save(member, np.zeros(29_000_000))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("a.npy", member.getvalue())
        archive.writestr("more", np.random.default_rng(0).bytes(8_700_000), zipfile.ZIP_STORED)
    path.with_name(path.name + ".toml").write_text(
        '[channels.a]\nunit = "g"\nsample_rate_hz = 1000.0\n', encoding="utf-8"
    )


def tracks(path: Path) -> None:
    """Sixty thousand tracks."""
    shape = struct.pack("<IHHIIHH", 16, 1, 60_000, 1000, 60_000_000, 60_000, 8)
    path.write_bytes(
        b"RIFF" + struct.pack("<I", 9_000_036) + b"WAVEfmt " + shape + b"data" + struct.pack("<I", 9_000_000)
        + bytes(9_000_000)
    )  # fmt: skip


def records(path: Path) -> None:
    """Seventeen thousand records of six numbers."""
    head = ["    58", "NONE", "NONE", "01-Jan-20    00:00:00", "NONE", "NONE"]
    head += ["    1         0    0         0          a         1   3       NONE         0   0"]
    head += ["         2         6         1  0.00000e+00  1.00000e-03  0.00000e+00"]
    head += ["        17    0    0    0 Time                 s                   "]
    head += ["        12    0    0    0 acc                  m/s^2               "] * 3
    record = "\n".join(["    -1", *head, "  1.00000e+00" * 6, "    -1\n"]).encode()
    path.write_bytes(record * (9_900_000 // len(record)))


def one_column(path: Path) -> None:
    """Five million rows of one digit."""
    path.write_bytes(b"a [g]\n" + b"1\n" * 4_900_000)


def comments(path: Path) -> None:
    """Two million lines before the header."""
    path.write_bytes(b"# k\n" * 2_000_000 + b"time_s,a [g]\n0,1\n1,2\n")


def comments_between(path: Path) -> None:
    """Two million lines between header and numbers."""
    path.write_bytes(b"time_s,a [g]\n" + b"# k\n" * 2_000_000 + b"0,1\n1,2\n")


def crash(path: Path) -> None:
    shutil.copy(CRASHES, path)


def sound(path: Path) -> None:
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/a", data=np.arange(5000, dtype="f4"))
        node.attrs.update({"sample_rate_hz": 1000.0, "unit": "g"})


FILES: dict[str, tuple[Callable[[Path], None], str]] = {
    "text_length.h5": (text_length, "cannot be read as HDF5|needs more than"),
    "ring.h5": (ring, "holds no channel"),
    "links.h5": (links, "no sample_rate_hz"),
    "packed_channels.h5": (packed_channels, "claims 2,516,582,400 bytes"),
    "packed.mat": (packed_mat_5, "claims 2,000,000,000 bytes"),
    "wide_texts.npz": (wide_texts, "holds no array"),
    "wide_texts_bz2.npz": (wide_texts_bz2, "packed in a way that is not read"),
    "one_chunk.mat": (one_chunk_mat_7, "claims 536,870,912 bytes"),
    "many_arrays.npz": (many_arrays, "holds 20,000 arrays"),
    "parts.mat": (parts_mat_5, "holds no array of numbers"),
    "many_arrays.mat": (many_arrays_mat_5, "holds more than 4,096 arrays"),
    "zeros.npz": (zeros_npz, "^accepted$"),
    "tracks.wav": (tracks, "holds 60,000 channels"),
    "records.uff": (records, r"holds 1\d,\d\d\d channels"),
    "one_column.csv": (one_column, "has no sample_rate_hz"),
    "packed.parquet": (packed_parquet, "claims 360,000,000 bytes"),
    "comments.csv": (comments, "no header in its first 100,000 lines"),
    "comments_between.csv": (comments_between, "line 2: '# k'"),
    "crash.mat": (crash, "ends the library that reads it"),
    "sound.h5": (sound, "^accepted$"),
}


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Any]]:
    """Of each file: what was said, seconds, memory taken in this process and in the one that reads [MB]."""
    if not sys.platform.startswith("linux"):
        pytest.skip("the peak of memory is read from /proc")
    folder = tmp_path_factory.mktemp("claims")
    for name, (make, _) in FILES.items():
        make(folder / name)
        assert (folder / name).stat().st_size < 10_000_000
    done = subprocess.run(
        [sys.executable, "-c", READ_ALL, *(str(folder / name) for name in FILES)],
        capture_output=True, text=True, cwd=ROOT, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return dict(zip(FILES, map(json.loads, done.stdout.splitlines()), strict=True))


@pytest.mark.parametrize("name", FILES)
def test_a_small_file_is_answered_in_a_sentence_within_memory_and_time(name: str, read: dict[str, list[Any]]) -> None:
    said, taken_s, here_mb, apart_mb = read[name]
    assert re.search(FILES[name][1], said), said
    assert "\n" not in said
    assert here_mb + apart_mb < MOST_MB
    assert taken_s < MOST_S


def test_two_million_lines_of_comment_take_no_time(read: dict[str, list[Any]]) -> None:
    assert max(read[name][1] for name in ("comments.csv", "comments_between.csv")) < 4.0  # two, and a busy machine


def test_what_a_library_parses_is_parsed_in_the_reading_process(tmp_path: Path) -> None:
    """The libraries are not even loaded here."""
    import pyarrow as pa
    import pyarrow.parquet as pq
    import scipy.io

    samples = np.random.default_rng(1).standard_normal(2000).astype("f4")
    about = {"sample_rate_hz": "1000"}
    table = pa.table({"a [g]": samples}).replace_schema_metadata(about)
    pq.write_table(table, tmp_path / "a.parquet")
    np.savez(tmp_path / "a.npz", sample_rate_hz=1000.0, **{"a [g]": samples})  # type: ignore[arg-type]
    scipy.io.savemat(tmp_path / "a.mat", {"sample_rate_hz": 1000.0, "a": samples}, format="4")
    (tmp_path / "a.mat.toml").write_text('[channels.a]\nunit = "g"\n', encoding="utf-8")
    scipy.io.savemat(tmp_path / "b.mat", {"sample_rate_hz": 1000.0, "a": samples}, format="5")
    shutil.copy(tmp_path / "a.mat.toml", tmp_path / "b.mat.toml")
    rows = "".join(f"{value}\n" for value in samples)
    (tmp_path / "a.csv").write_text("# sample_rate_hz = 1000\na [g]\n" + rows, encoding="utf-8")
    universal = next((ROOT / "sample_signals").glob("*.uff"))
    code = (
        "import sys; from pathlib import Path; from vibe.ingest import read_capture\n"
        "for name in sys.argv[1:]:\n"
        "    capture = read_capture(Path(name))\n"
        "    print(capture.channels[0].samples.size, capture.channels[0].sample_rate_hz)\n"
        "print(sorted({'h5py', 'pandas', 'pyarrow', 'pyuff', 'scipy.io'} & sys.modules.keys()))"
    )
    files = [*(str(tmp_path / name) for name in ("a.parquet", "a.npz", "a.mat", "b.mat", "a.csv")), str(universal)]
    done = subprocess.run([sys.executable, "-c", code, *files], capture_output=True, text=True, cwd=ROOT, timeout=60)
    *read, own, loaded = done.stdout.splitlines()
    assert read == ["2000 1000.0"] * 5, done.stderr
    assert int(own.split()[0]) > 1000
    assert loaded == "[]"


def test_many_names_of_one_row_are_one_channel(tmp_path: Path) -> None:
    path = tmp_path / "names.h5"
    sound(path)
    with h5py.File(path, "r+") as file:
        file["channels/b"] = file["channels/a"]
    capture = read_capture(path)
    assert capture.channel_names == ("a",)
    assert any("another name of samples" in remark for remark in capture.remarks)


def test_a_file_that_ends_the_library_costs_itself_alone(tmp_path: Path) -> None:
    """The one before is read by one process, the one after by another."""
    good = tmp_path / "good.h5"
    sound(good)
    first = read_capture(good)
    process = fence._READER._process
    assert process is not None
    with pytest.raises(CaptureError, match="ends the library that reads it"):
        read_capture(CRASHES)
    again = read_capture(good)
    assert fence._READER._process is not None
    assert fence._READER._process.pid != process.pid
    assert np.array_equal(first.channels[0].samples, again.channels[0].samples)


def test_a_path_is_that_of_the_folder_where_it_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reading process stays in the folder where it was started; what is said names the file as it was given."""
    folders = [tmp_path / "one", tmp_path / "two"]
    for count, folder in enumerate(folders, start=1):
        folder.mkdir()
        with h5py.File(folder / "a.h5", "w") as file:
            node = file.create_dataset("channels/a", data=np.full(100, count, "f4"))
            node.attrs.update({"sample_rate_hz": 1000.0, "unit": "m/s^2"})
        (folder / "b.h5").write_bytes((folder / "a.h5").read_bytes()[:1000])
    for count, folder in enumerate(folders, start=1):
        monkeypatch.chdir(folder)
        assert (read_capture(Path("a.h5")).channels[0].samples == count).all()
        with pytest.raises(CaptureError, match=r"^b\.h5: ") as caught:
            read_capture(Path("b.h5"))
        assert str(folder) not in str(caught.value)


def asleep(path: Path, seconds: float) -> None:
    """A reader that takes its time."""
    assert path.exists()
    time.sleep(seconds)


def busy(path: Path, seconds: float) -> None:
    """A reader that computes without end, as good as."""
    assert path.exists()
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass


def greedy(path: Path, size: int) -> int:
    """A reader that wants memory."""
    return path.stat().st_size + np.ones(size, "u1").size


def ended(path: Path, number: int) -> None:
    """A reader that is ended by a signal."""
    assert path.exists()
    os.kill(os.getpid(), number)


def test_what_takes_too_long_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fence, "LIMIT_S", 0.3)
    # A machine that others use may take minutes for the third of a second.
    monkeypatch.setattr(fence, "BY_THE_CLOCK", 600.0)
    with pytest.raises(CaptureError, match="was not read within 0 s of work"):
        fence.fenced(busy, CRASHES, 30.0)
    monkeypatch.setattr(fence, "BY_THE_CLOCK", 1.0)
    with pytest.raises(CaptureError, match="was not read within 0 s: does the disk answer"):
        fence.fenced(asleep, CRASHES, 30.0)
    monkeypatch.undo()
    fence.fenced(asleep, CRASHES, 0.0)


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_what_waits_for_the_processor_is_not_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six times as long as the work may take, as on a machine that many use."""
    monkeypatch.setattr(fence, "LIMIT_S", 0.5)
    fence.fenced(asleep, CRASHES, 1.0)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the system sets no limit of memory")
def test_what_wants_too_much_memory_is_refused() -> None:
    small = fence.fenced(greedy, CRASHES, 100 << 20)
    assert small > 100 << 20
    with pytest.raises(CaptureError, match="needs more than 600 MB"):
        fence.fenced(greedy, CRASHES, 700 << 20)


@pytest.mark.skipif(os.name != "posix", reason="ps is asked")
def test_where_the_system_sets_no_limit_memory_is_watched(monkeypatch: pytest.MonkeyPatch) -> None:
    fence.fenced(asleep, CRASHES, 0.0)
    monkeypatch.setattr(fence, "_LIMITS_ITSELF", False)
    fence.fenced(asleep, CRASHES, 0.5)
    monkeypatch.setattr(fence, "MEMORY_BYTES", 10 << 20)
    monkeypatch.setattr(fence, "_STARTED_BYTES", 0)  # so that the process itself is too large
    with pytest.raises(CaptureError, match="needs more than 10 MB"):
        fence.fenced(asleep, CRASHES, 30.0)


def test_the_files_next_to_it_keep_their_answers(tmp_path: Path) -> None:
    """In one process, where the death of a library was the death of the command."""
    sound(tmp_path / "a.h5")
    shutil.copy(CRASHES, tmp_path / "b.mat")
    sound(tmp_path / "c.h5")
    done = subprocess.run(
        [sys.executable, "-m", "vibe", "check", str(tmp_path), "--workers", "1"],
        capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    rows = [line.split("\t") for line in done.stdout.splitlines()]
    verdicts = {Path(row[1]).name: row[0] for row in rows[1:]}
    assert verdicts["b.mat"] == "unreadable"
    assert verdicts["a.h5"] == verdicts["c.h5"] != "unreadable"
    assert "ends the library" in done.stdout


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_how_it_ended_is_stated() -> None:
    with pytest.raises(CaptureError, match="ends the library"):
        fence.fenced(ended, CRASHES, signal.SIGSEGV)
    with pytest.raises(CaptureError, match="ended from outside"):
        fence.fenced(ended, CRASHES, signal.SIGKILL)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are looked for in /proc")
def test_it_ends_with_the_process_that_started_it(tmp_path: Path) -> None:
    """Even when that one is killed."""
    path = tmp_path / "good.h5"
    sound(path)
    code = (
        "import sys; from pathlib import Path; from vibe.ingest import read_capture; from vibe.storage import fence\n"
        "read_capture(Path(sys.argv[1])); print(fence._READER._process.pid, flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    ) as parent:
        assert parent.stdout is not None
        reader = Path("/proc") / parent.stdout.readline().strip()
        assert reader.exists()
        parent.kill()
    until = time.monotonic() + 10
    while _runs(reader) and time.monotonic() < until:
        time.sleep(0.02)
    assert not _runs(reader)


def _runs(process: Path) -> bool:
    try:
        return (process / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
