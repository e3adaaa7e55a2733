"""Phase of one line between two channels that were sampled by one clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.conditioning import bridged


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossPhase:
    """``difference_deg``: by how much the second channel leads the first, -180 to 180. ``steadiness``: resultant of the
    segments' differences, 1 where all agree. ``amplitude_ratio``: second over first, r.m.s. of all segments."""

    difference_deg: float
    steadiness: float
    amplitude_ratio: float


def cross_phase(
    first: NDArray[np.float32], second: NDArray[np.float32], cycles_per_sample: float, segments: int
) -> CrossPhase:
    """Of the line at ``cycles_per_sample``, from equal segments of both rows (n,), each under a Hann window.

    The frequency may move by less than half a line of a segment; rows laid on the shaft's angle (``lines.angular``)
    keep it still whatever the speed does. The resultant is that of circular statistics (Mardia & Jupp 2000, from
    memory): of n segments of noise it is about sqrt(pi / 4 n).

    Raises:
        ValueError: a frequency off the axis, or fewer than two samples a segment.
    """
    n = min(first.size, second.size)
    size = n // segments
    if size < 2 or not 0.0 < cycles_per_sample < 0.5:
        raise ValueError(f"no phase of {cycles_per_sample} cycles per sample in {segments} segments of {n} samples")
    wave = np.hanning(size) * np.exp(-2j * np.pi * cycles_per_sample * np.arange(size))
    a, b = (bridged(row[: size * segments]).reshape(segments, size) @ wave for row in (first, second))
    ratio = float(np.sqrt(np.sum(np.abs(b) ** 2) / max(float(np.sum(np.abs(a) ** 2)), 1e-30)))
    cross = b * np.conj(a)
    resultant = np.mean(cross / np.maximum(np.abs(cross), 1e-30))
    return CrossPhase(
        difference_deg=float(np.degrees(np.angle(resultant))),
        steadiness=float(abs(resultant)),
        amplitude_ratio=ratio,
    )
