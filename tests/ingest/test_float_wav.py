"""WAV files of floats: what full_scale means for them."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from tests.ingest.ingest_signals import machine
from vibe.core.errors import CaptureError
from vibe.ingest import read_capture

SAYS = '[channels."input side radial"]\nsource = 0\nunit = "m/s^2"\n'


def written(folder: Path, numbers: np.ndarray, more: str, *, floats: bool = True) -> Path:
    path = folder / "a.wav"
    body = numbers.astype("<f4" if floats else "<i2").tobytes()
    width = 4 if floats else 2
    head = struct.pack("<HHIIHH", 3 if floats else 1, 1, 25_600, 25_600 * width, width, 8 * width)
    path.write_bytes(
        b"RIFF" + struct.pack("<I", 36 + len(body)) + b"WAVEfmt " + struct.pack("<I", 16) + head
        + b"data" + struct.pack("<I", len(body)) + body
    )  # fmt: skip
    path.with_name("a.wav.toml").write_text(SAYS + more, encoding="utf-8")
    return path


def test_shares_of_full_scale_give_what_whole_numbers_give(tmp_path: Path) -> None:
    whole = machine(1.0)
    share = whole / 50.0
    by_float = read_capture(written(tmp_path, share, "full_scale = 50\n")).channels[0]
    by_count = read_capture(written(tmp_path, np.rint(share * 32768), "full_scale = 50\n", floats=False)).channels[0]
    assert by_float.samples == pytest.approx(whole, abs=1e-4)
    assert by_float.samples == pytest.approx(by_count.samples, abs=50 / 32768)
    assert by_float.full_scale == 50


@pytest.mark.parametrize("more", ["", "scale = 1\nfull_scale = 50\n"])
def test_floats_that_are_in_their_unit_stay_so(tmp_path: Path, more: str) -> None:
    whole = 3 * machine(1.0)
    assert read_capture(written(tmp_path, whole, more)).channels[0].samples == pytest.approx(whole, abs=1e-5)


def test_floats_beyond_one_are_no_shares_and_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="scale = 1"):
        read_capture(written(tmp_path, 3 * machine(1.0), "full_scale = 50\n"))
