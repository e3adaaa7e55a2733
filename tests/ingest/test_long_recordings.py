"""Recordings too long to be held: they come in segments that together are all of the samples."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import h5py
import numpy as np
import pytest
from scipy.io import wavfile

from vibe.core.capture import Capture, ChannelQuality, Reason
from vibe.core.errors import CaptureError
from vibe.ingest import capture_builder as raw_module
from vibe.ingest import over_segments, read_capture

RATE = 12_800.0


@pytest.fixture
def small_segments(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(raw_module, "SEGMENT_SAMPLES", 100_000)


def rows(count: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 1, (2, count)).astype(np.float32)


def hdf5(path: Path, data: np.ndarray, **options: object) -> Path:
    with h5py.File(path, "w") as file:
        for name, row in zip(("a", "b"), data, strict=True):
            node = file.create_dataset(f"channels/{name}", data=row, **options)
            node.attrs["sample_rate_hz"], node.attrs["unit"] = RATE, "m/s^2"
    return path


def wav(path: Path, data: np.ndarray) -> Path:
    wavfile.write(path, int(RATE), np.round(data.T * 1000).astype(np.int16))
    text = "".join(f'[channels.{n}]\nsource = {k}\nunit = "m/s^2"\nfull_scale = 32.768\n' for k, n in enumerate("ab"))
    path.with_name(path.name + ".toml").write_text(text)
    return path


@pytest.mark.usefixtures("small_segments")
@pytest.mark.parametrize("count", [50_001, 131_072, 1_100_003])
def test_segments_are_all_of_the_samples_and_no_more(tmp_path: Path, count: int) -> None:
    data = rows(count)
    capture = read_capture(hdf5(tmp_path / "long.h5", data, chunks=(4096,), compression="gzip"))
    assert capture.longer is not None
    parts = list(capture.segments())
    assert len(parts) == capture.longer.count == -(-2 * count // 100_000)
    for number, name in enumerate("ab"):
        joined = np.concatenate([part.channels[number].samples for part in parts])
        assert part_names(parts) == {("a", "b")}
        np.testing.assert_array_equal(joined, data[number], err_msg=name)
    assert capture.duration_s == pytest.approx(count / RATE)
    assert len({part.sha256 for part in parts}) == 1
    assert max(sum(c.samples.size for c in part.channels) for part in parts) <= 100_002


def part_names(parts: list[Capture]) -> set[tuple[str, ...]]:
    return {tuple(channel.name for channel in part.channels) for part in parts}


@pytest.mark.usefixtures("small_segments")
@pytest.mark.parametrize("bits", [16, 24])
def test_a_wav_file_is_read_in_segments_too(tmp_path: Path, bits: int) -> None:
    data = rows(120_000)
    path = wav(tmp_path / "long.wav", data)
    if bits == 24:
        counts = wavfile.read(path)[1]
        packed = (counts.astype("<i4") << 8).view(np.uint8).reshape(-1, 2, 4)[:, :, :3].tobytes()
        head = bytearray(path.read_bytes()[:44])
        head[34:36], head[32:34] = (24).to_bytes(2, "little"), (6).to_bytes(2, "little")
        head[40:44] = len(packed).to_bytes(4, "little")
        path.write_bytes(bytes(head) + packed)
    parts = list(read_capture(path).segments())
    assert len(parts) == 3
    joined = np.concatenate([part.channels[1].samples for part in parts])
    np.testing.assert_allclose(joined, np.round(data[1] * 1000) / 1000, atol=1e-6)


def test_a_short_one_is_its_only_segment(tmp_path: Path) -> None:
    capture = read_capture(hdf5(tmp_path / "short.h5", rows(20_000)))
    assert capture.longer is None
    assert list(capture.segments()) == [capture]


@pytest.mark.usefixtures("small_segments")
def test_a_file_that_shrinks_meanwhile_is_reported(tmp_path: Path) -> None:
    path = wav(tmp_path / "long.wav", rows(200_000))
    capture = read_capture(path)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)
    with pytest.raises(CaptureError, match="shorter"):
        list(capture.segments())


def test_one_huge_packed_chunk_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    """150 million zeros pack to a few hundred kilobytes; to read one, all would be unpacked."""
    path = tmp_path / "bomb.h5"
    with h5py.File(path, "w") as file:
        node = file.create_dataset("channels/a", (150_000_000,), "f4", chunks=(150_000_000,), compression="gzip")
        node.attrs["sample_rate_hz"], node.attrs["unit"] = RATE, "m/s^2"
        good = file.create_dataset("channels/b", data=rows(20_000)[0])
        good.attrs["sample_rate_hz"], good.attrs["unit"] = RATE, "m/s^2"
        node.id.write_direct_chunk((0,), b"\x78\x9c" + b"\x00" * 600_000)
    capture = read_capture(path)
    assert [channel.name for channel in capture.channels] == ["b"]
    assert any("smaller chunks" in remark for remark in capture.remarks)


def quality(verdict: Literal["usable", "limited", "rejected"], code: str = "clipped") -> ChannelQuality:
    reasons = () if verdict == "usable" else (Reason(code=code, text="clipped", remedy="r", verdict=verdict),)
    band = None if verdict == "rejected" else (2.0, 5000.0)
    return ChannelQuality(channel="a", verdict=verdict, reasons=reasons, usable_band_hz=band)


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        (["usable"] * 4, "usable"),
        (["rejected", "usable", "usable", "usable"], "limited"),
        (["rejected", "rejected", "usable", "usable"], "rejected"),
        (["limited"] * 4, "limited"),
    ],
)
def test_the_whole_is_rejected_where_half_of_it_is(
    verdicts: list[Literal["usable", "limited", "rejected"]], expected: str
) -> None:
    assert over_segments([quality(one) for one in verdicts], 240.0).verdict == expected


def test_a_reason_says_where_it_holds() -> None:
    joined = over_segments([quality("usable"), quality("usable"), quality("limited"), quality("limited")], 360.0)
    assert joined.reasons[0].text == "clipped (in 2 of 4 segments of 90 s, first from 3 min 0 s on)"


def test_the_length_of_a_segment_is_nobody_s_fault() -> None:
    joined = over_segments([quality("limited", "too_short")] * 3, 360.0)
    assert joined.verdict == "usable"
    assert joined.reasons == ()
