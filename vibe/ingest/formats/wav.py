"""WAV: integer samples of 8 to 32 bits and floating point of 32 and 64, in RIFF and RF64 files.

A WAV file knows rate and bits but no unit: the sidecar must say what the numbers mean.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import build_capture
from vibe.ingest.claims import MOST_IN_PARTS, check_channels, check_claim
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.raw_rows import RawCapture, RawChannel

_INTEGER, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
"""Codes of how samples are written (RIFF, "fmt " chunk; RFC 2361)."""
_UNKNOWN_SIZE = 0xFFFFFFFF
"""Size of a chunk that stands in a "ds64" chunk instead (EBU Tech 3306)."""
_MOST_CHUNKS = 10_000
"""Chunks that are skipped on the way to samples (our choice, wide)."""


def sniff(head: bytes, suffix: str) -> bool:  # noqa: ARG001
    """RIFF, or RF64 for long recordings."""
    return head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE"


@dataclass(frozen=True)
class _Layout:
    code: int
    tracks: int
    rate_hz: int
    bits: int
    frame_bytes: int
    start: int
    promised_bytes: int | None


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read a WAV file; track k is channel ``track k`` (from 0) unless the sidecar names it.

    Raises:
        CaptureError: no sidecar, compressed samples, header only.
    """
    layout = _layout(path)
    check_channels(layout.tracks, path)
    there = path.stat().st_size - layout.start
    found = there if layout.promised_bytes is None else min(there, layout.promised_bytes)
    frames = found // layout.frame_bytes
    check_claim(frames * layout.tracks, path, MOST_IN_PARTS)
    promised = None if layout.promised_bytes is None else layout.promised_bytes // layout.frame_bytes
    if frames == 0:
        raise CaptureError(f"holds none of the {promised or 0:,} samples per track that its header promises", path=path)
    if sidecar is None or not sidecar.describes_channels:
        raise CaptureError(
            f"a WAV file has no units: put {path.name}.toml next to it, with drive and measured_at and, "
            'for each track, [channels.<name>] with source = 0 (the track), unit = "m/s^2" and full_scale = <the value '
            "that the largest number stands for>",
            path=path,
            remedy="Write the sidecar, or give unit and full_scale under [file.channel] in the route; no new "
            "capture is needed.",
        )
    remarks = (
        []
        if layout.promised_bytes is not None
        else ["the recorder did not write how long the file is: all of it is taken"]
    )
    channels = [
        RawChannel(
            name=f"track {index}",
            samples=_Track(path, layout, index, frames),
            sample_rate_hz=float(layout.rate_hz),
            counts_full=None if layout.code == _FLOAT else float(1 << (layout.bits - 1)),
            shares=layout.code == _FLOAT,
            promised=promised,
        )
        for index in range(layout.tracks)
    ]
    return build_capture(path, RawCapture(channels=channels, remarks=tuple(remarks)), sidecar)


def _layout(path: Path) -> _Layout:
    """Walk the chunks up to the samples."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        long_size: int | None = None
        shape: tuple[int, int, int, int, int] | None = None
        at = 12
        if not sniff(stream.read(12), ""):
            raise CaptureError("does not begin as a WAV file does, with RIFF or RF64", path=path)
        for _ in range(_MOST_CHUNKS):
            if at + 8 > size:
                break
            stream.seek(at)
            name, length = struct.unpack("<4sI", stream.read(8))
            if name == b"ds64" and length >= 24:
                long_size = struct.unpack("<QQQ", stream.read(24))[1]
            elif name == b"fmt ":
                shape = _shape(stream.read(min(length, 40)), path)
            elif name == b"data":
                if shape is None:
                    raise CaptureError("its header does not say how the samples are written", path=path)
                # Zero or all ones: a recorder that was switched off before it could fill in the length.
                promised = long_size if length == _UNKNOWN_SIZE else length or None
                return _Layout(*shape, start=at + 8, promised_bytes=promised)
            at += 8 + length + length % 2
    raise CaptureError("ends before its samples begin", path=path)


def _shape(body: bytes, path: Path) -> tuple[int, int, int, int, int]:
    if len(body) < 16:
        raise CaptureError("its header is cut off", path=path)
    code, tracks, rate_hz, _, frame_bytes, bits = struct.unpack("<HHIIHH", body[:16])
    if code == _EXTENSIBLE and len(body) >= 26:
        code = struct.unpack("<H", body[24:26])[0]
    good = (code == _INTEGER and bits in (8, 16, 24, 32)) or (code == _FLOAT and bits in (32, 64))
    if not good:
        raise CaptureError(
            f"holds samples of {bits} bits in coding {code}; only plain integers and floats are read", path=path,
            remedy="Let the logger write plain integers or floats, without compression, and export it anew.",
        )  # fmt: skip
    if tracks < 1 or frame_bytes != tracks * bits // 8 or rate_hz < 1:
        raise CaptureError(
            f"its header contradicts itself: {tracks} tracks of {bits} bits in {frame_bytes} bytes", path=path
        )
    return code, tracks, rate_hz, bits, frame_bytes


@dataclass(frozen=True)
class _Track:
    """One track, read slice by slice."""

    path: Path
    layout: _Layout
    index: int
    size: int

    @property
    def dtype(self) -> np.dtype[Any]:
        if self.layout.code == _FLOAT:
            return np.dtype(f"<f{self.layout.bits // 8}")
        return np.dtype({8: "<i2", 16: "<i2"}.get(self.layout.bits, "<i4"))

    def __getitem__(self, piece: slice) -> NDArray[Any]:
        first, last, _ = piece.indices(self.size)
        layout, width = self.layout, self.layout.bits // 8
        block = np.fromfile(
            self.path, dtype=np.uint8, count=max(0, last - first) * layout.frame_bytes,
            offset=layout.start + first * layout.frame_bytes,
        )  # fmt: skip
        frames = block[: block.size // layout.frame_bytes * layout.frame_bytes].reshape(-1, layout.tracks, width)
        return self._numbers(np.ascontiguousarray(frames[:, self.index]))

    def _numbers(self, own: NDArray[np.uint8]) -> NDArray[Any]:
        """From bytes (frames, width)."""
        if self.layout.bits == 8:
            return own[:, 0].astype(np.int16) - 128
        if self.layout.bits == 24:
            wide = np.zeros((own.shape[0], 4), dtype=np.uint8)
            wide[:, 1:] = own  # The top three bytes carry the sign; the shift brings the value down.
            return wide.view("<i4")[:, 0] >> 8
        return own.view(self.dtype)[:, 0]
