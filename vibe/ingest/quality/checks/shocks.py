"""One stray shock: a hammer, a slammed door, a knocked cable."""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal, amount
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_AROUND = 5
"""Blocks either side that may still ring from the same shock."""


def stray_shock(signal: Signal) -> list[Reason]:
    """One place far above every other. Damage comes again with its part, so that the next impact is nearly as high."""
    size = max(8, round(LIMIT.shock_block_s * signal.rate_hz))
    blocks = signal.ac.size // size
    if blocks < 8 * _AROUND:
        return []
    parts = signal.ac[: blocks * size].reshape(blocks, size)
    peaks = np.maximum(parts.max(axis=1), -parts.min(axis=1)).astype(np.float64)
    parts = signal.relative[: blocks * size].reshape(blocks, size)
    energy = np.einsum("ij,ij->i", parts, parts).astype(np.float64)
    place = int(peaks.argmax())
    near = slice(max(0, place - _AROUND), place + _AROUND + 1)
    others = np.delete(peaks, near)
    if peaks[place] < LIMIT.shock_over_second * others.max() or peaks[place] < LIMIT.shock_over_usual * np.quantile(
        others, 0.95
    ):
        return []
    usual = float(np.mean(np.delete(energy, near)))
    excess = float(np.maximum(energy[near] - usual, 0).sum() / energy.sum())
    when_s = (place + 0.5) * size / signal.rate_hz
    limited = excess > LIMIT.shock_energy
    return [
        Reason(
            code="stray_shock",
            text=f"one stray shock of {amount(signal.channel, float(peaks[place]))} at {when_s:.2f} s, "
            f"{peaks[place] / others.max():.2g} times any other",
            remedy="Wait for quiet, keep hands and tools off the machine, and repeat the measurement."
            if limited
            else "Nothing to repeat; keep hands and tools off the machine next time.",
            verdict="limited" if limited else "usable",
        )
    ]
