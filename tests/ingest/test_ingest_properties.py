"""Whatever is done to a file, it is read or refused in one sentence: nothing else ever comes out."""

from __future__ import annotations

import io
import tomllib
from functools import cache
from pathlib import Path
from typing import Any, cast

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.ingest.ingest_files import VALUES, uff_record, wav_24
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.core.errors import CaptureError, ConfigError
from vibe.ingest import assess, load_drive, read_capture

FEW = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)

GOOD = """\
tag = "TH-02"
name = "Rake"
ratio = 17
[input]
speed_rpm = 1458
speed_range_rpm = [1430, 1500]
power_kw = 2.2
[motor]
poles = 4
line_hz = 50
[[stage]]
kind = "cycloidal"
lobes = 17
ring_pins = 18
output_pins = 8
fixed = "ring"
[[bearing]]
name = "eccentric bearing"
inner = "stage1.eccentric"
outer = "stage1.disc"
elements = 11
element_diameter_mm = 9.0
pitch_diameter_mm = 36.0
"""
LINES = GOOD.splitlines()
VALUES_OF_ALL_KINDS = st.sampled_from(
    ["0", "-1", "1", "2.5", "nan", "-inf", "1e400", "1e308", "9" * 400, "true", '""', '"ring"', '"é\\u202e"', "[]",
     "{}", "[1, 2]", "[[1]]", "{a = 1}", "1979-05-27", "0x10", "'''", "'", "\x00", "[", "=", "1_0", "inf"]
)  # fmt: skip


def loaded(path: Path) -> Drive | ConfigError:
    """What comes of the file at ``path``, after the checks that hold for every refusal."""
    try:
        return load_drive(path)
    except ConfigError as refusal:
        answer = refusal
    assert str(answer).startswith(str(path))
    assert len(str(answer).splitlines()) == 1
    assert "Input should" not in str(answer)
    assert answer.line is None or 1 <= answer.line <= path.read_bytes().count(b"\n") + 1
    return answer


@FEW
@given(at=st.integers(0, len(LINES) - 1), value=VALUES_OF_ALL_KINDS)
def test_a_drive_file_with_another_value_is_a_drive_or_one_sentence(tmp_path: Path, at: int, value: str) -> None:
    lines = list(LINES)
    lines[at] = f"{lines[at].split('=')[0]}= {value}" if "=" in lines[at] else value
    path = tmp_path / "drive.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    answer = loaded(path)
    if isinstance(answer, Drive):
        assert Drive.model_validate(tomllib.loads(path.read_text(encoding="utf-8"))) == answer


@FEW
@given(
    order=st.lists(st.integers(0, len(LINES) - 1), max_size=2 * len(LINES)),
    noise=st.binary(max_size=12),
    at=st.integers(0, 400),
)
def test_a_drive_file_of_lines_in_any_order_and_stray_bytes(
    tmp_path: Path, order: list[int], noise: bytes, at: int
) -> None:
    text = "\n".join(LINES[k] for k in order).encode()
    path = tmp_path / "drive.toml"
    path.write_bytes(text[:at] + noise + text[at:])
    loaded(path)


def test_the_drive_file_that_is_changed_is_a_good_one(tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_text(GOOD, encoding="utf-8")
    assert load_drive(path).tag == "TH-02"


SIDECAR = '[channels.p]\nunit = "g"\nfull_scale = 8.0\n'


@cache
def small(form: str) -> bytes:
    """A good capture of 700 samples."""
    samples = VALUES[:700]
    stream = io.BytesIO()
    if form == "h5":
        with h5py.File(stream, "w") as file:
            file.create_dataset("channels/p", data=samples.astype("f4")).attrs.update(sample_rate_hz=1000.0, unit="g")
    elif form == "mat":
        from scipy.io import savemat

        savemat(cast("Any", stream), {"p": samples, "sample_rate_hz": 1000.0, "unit": "g"})
    elif form == "npz":
        np.savez(stream, p=samples, sample_rate_hz=1000.0, unit="g")
    elif form == "parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        pq.write_table(pa.table({"p [g]": samples, "time_s": np.arange(700) / 1000}), stream)
    elif form == "wav":
        return wav_24(samples * 2**20)
    elif form == "uff":
        return uff_record(samples)
    else:
        return ("time_s,p [g]\n" + "".join(f"{k / 1000:.4f},{v:.5g}\n" for k, v in enumerate(samples))).encode()
    return stream.getvalue()


def read(path: Path) -> Capture | CaptureError:
    """What comes of the file at ``path``; every channel of a capture can be judged too."""
    answer: Capture | CaptureError
    try:
        answer = read_capture(path)
    except CaptureError as refusal:
        answer = refusal
    if isinstance(answer, Capture):
        for channel in answer.channels:
            assess(channel, speed_hz=24.0)
    else:
        assert str(answer).startswith(str(path))
        assert len(str(answer).splitlines()) == 1
    return answer


PLACES = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=6)


@pytest.mark.parametrize("form", ["h5", "mat", "npz", "parquet", "wav", "uff", "csv"])
@settings(FEW, max_examples=40)
@given(
    changes=PLACES,
    is_head=st.booleans(),
    kept=st.one_of(st.just(1.0), st.floats(0, 1)),
    more=st.one_of(st.just(b""), st.binary(max_size=30)),
)
def test_a_capture_with_changed_bytes_is_a_capture_or_one_sentence(
    tmp_path: Path, form: str, changes: list[tuple[float, int]], is_head: bool, kept: float, more: bytes
) -> None:
    content = bytearray(small(form))
    reach = min(400, len(content)) if is_head else len(content)
    for place, value in changes:
        content[int(place * reach)] = value
    path = tmp_path / f"a.{form}"
    path.write_bytes(content[: int(kept * len(content))] + more)
    path.with_name(f"a.{form}.toml").write_text(SIDECAR if form == "wav" else "", encoding="utf-8")
    read(path)


@pytest.mark.parametrize("form", ["h5", "mat", "npz", "parquet", "wav", "uff", "csv"])
def test_the_captures_that_are_changed_are_good_ones(tmp_path: Path, form: str) -> None:
    path = tmp_path / f"a.{form}"
    path.write_bytes(small(form))
    if form == "wav":
        path.with_name("a.wav.toml").write_text(SIDECAR, encoding="utf-8")
    capture = read(path)
    assert isinstance(capture, Capture)
    assert capture.channels[0].samples.size == 700
