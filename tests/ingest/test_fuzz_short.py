"""The fuzzing study in short: the same inputs every time, over everything that is parsed."""

from __future__ import annotations

import shutil
import warnings
from pathlib import Path

import pytest

from tests.studies.fuzz.targets import TARGETS, Target
from tests.studies.fuzz.trial import one
from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest import read_capture

EACH = 28


@pytest.mark.parametrize("target", [t for t in TARGETS if t.name != "certificate pdf"], ids=lambda t: t.name)
def test_bad_input_is_an_answer_or_one_sentence(tmp_path: Path, target: Target) -> None:
    found = []
    for index in range(max(4, round(EACH * target.weight))):
        folder = tmp_path / "f"
        folder.mkdir()
        with warnings.catch_warnings():  # of the libraries that write the odd files
            warnings.simplefilter("ignore")
            given = target.input(7, index)
        stated = one(target, given, folder)
        if "found" in stated:
            found.append(f"{target.name}:{index}: {stated['found']}")
        shutil.rmtree(folder)
    assert not found


@pytest.mark.slow
def test_half_a_minute_of_what_coverage_chooses(tmp_path: Path) -> None:
    """Where atheris is installed; ``--guided all`` of the study goes on longer. Every target has its turn, and
    begins the next time with what it reached."""
    pytest.importorskip("atheris")
    from tests.studies.fuzz.guided import LEAST_RUNS, guide_all, parsed_here

    found = guide_all(30, 7, tmp_path)
    assert [turn.name for turn in found] == list(parsed_here())
    assert [turn.name for turn in found if turn.status] == []
    assert [turn.name for turn in found if turn.runs < LEAST_RUNS] == []
    assert sum(turn.new for turn in found) == len(list((tmp_path / "corpus").glob("*/*"))) > 100


def test_the_good_files_are_accepted(tmp_path: Path) -> None:
    from tests.studies.fuzz.corpus import captures
    from tests.studies.fuzz.targets import Input, read_capture_file

    for kind, suffix in (("h5", ".h5"), ("mat73", ".mat"), ("mat5", ".mat"), ("mat4", ".mat"), ("npz", ".npz"),
                         ("wav", ".wav"), ("parquet", ".parquet"), ("uff", ".uff"), ("csv", ".csv")):  # fmt: skip
        for seed in captures(kind):
            capture = read_capture_file(suffix)(Input(seed.data, seed.next_to), tmp_path)
            assert isinstance(capture, Capture)
            assert capture.channels[0].samples.size == 300


def test_an_archive_that_lies_about_its_sizes_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    import io
    import struct
    import tracemalloc
    import zipfile

    header = b"{'descr': '<f4', 'fortran_order': False, 'shape': (500000000,), }".ljust(117) + b"\n"
    member = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header + bytes(640)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("p.npy", member)
    path = tmp_path / "a.npz"
    path.write_bytes(stream.getvalue().replace(struct.pack("<I", len(member)), struct.pack("<I", 2_000_000_128)))
    assert path.stat().st_size < 1000
    tracemalloc.start()
    with pytest.raises(CaptureError, match="claims"):
        read_capture(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6
