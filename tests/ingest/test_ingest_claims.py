"""Small files that claim what cannot be."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from tests.history.kept_captures import channels, content, record
from vibe.core.errors import CaptureError
from vibe.flow.run.resume import _row
from vibe.health.state.report_changes import _one_band
from vibe.history.store.capture_file import packed, read_spectra
from vibe.ingest import read_capture


def test_an_array_of_mat_4_that_the_file_cannot_hold_is_refused(tmp_path: Path) -> None:
    """Ten million rows of doubles in a file of a hundred bytes."""
    path = tmp_path / "claims.mat"
    path.write_bytes(struct.pack("<5i", 0, 10_000_000, 1, 0, 2) + b"a\0" + bytes(80))
    with pytest.raises(CaptureError, match="does not end in it"):
        read_capture(path)


def test_a_full_scale_beyond_all_numbers_is_none(tmp_path: Path) -> None:
    path = tmp_path / "huge.h5"
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/a", data=np.zeros(2000, "f4"))
        node.attrs.update({"sample_rate_hz": 1000.0, "unit": "g", "full_scale": 1.7e308})
    assert read_capture(path).channels[0].full_scale is None


def test_a_kept_capture_in_which_a_name_leads_nowhere_is_reported_as_damaged(tmp_path: Path) -> None:
    path = tmp_path / f"{content(1)}.h5"
    path.write_bytes(packed(record(1), channels(1)))
    with h5py.File(path, "r+") as file:
        file["spectra/009"] = h5py.SoftLink("/nowhere")
    with pytest.raises(CaptureError, match="something in /spectra is missing"):
        read_spectra(path)


def test_a_band_of_one_number_is_another_band() -> None:
    assert not _one_band([10.0], [10.0, 1000.0])
    assert _one_band([10.0, 1000.0], [10.0, 1000.0])


@pytest.mark.parametrize(("key", "value"), [("probability", [0.5]), ("captures", "two"), ("top_finding", 3)])
def test_a_stamp_whose_row_was_changed_is_none(tmp_path: Path, key: str, value: object) -> None:
    row: dict[str, Any] = {
        "tag": "A", "name": "a", "state": "sound", "sentence": "s", "do_by": "d", "since": "", "remarks": [],
        "noticed": [], "top_finding": None, "probability": 0.5, "captures": 1, "changes": None,
    }  # fmt: skip
    record_of = {"pages": {}, "page_remarks": [], "row": row}
    assert _row(record_of, tmp_path).tag == "A"
    with pytest.raises(TypeError):
        _row(record_of | {"row": row | {key: value}}, tmp_path)
