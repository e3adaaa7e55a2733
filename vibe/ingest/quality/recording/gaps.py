"""What is not there: missing samples, segments that stand still, a line that never moves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal, percent
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

SWAP = "Swap the cable; if the next capture is the same, swap the sensor."
"""What to do about a channel that carries nothing of the machine."""


def missing(signal: Signal) -> list[Reason]:
    """Samples that the file marks as missing."""
    if signal.missing <= LIMIT.nan_remark:
        return []
    count = round(signal.missing * signal.x.size)
    return [
        Reason(
            code="missing",
            text=f"{count:,} of {signal.x.size:,} samples ({percent(signal.missing)}) are missing",
            remedy="Repeat the measurement; if samples are missing again, change the logger's memory card."
            if signal.missing > LIMIT.nan_limited
            else "Nothing to repeat; if samples are missing again, change the logger's memory card.",
            verdict="rejected"
            if signal.missing > LIMIT.nan_rejected
            else "limited"
            if signal.missing > LIMIT.nan_limited
            else "usable",
        )
    ]


def flat(signal: Signal) -> list[Reason]:
    """One value from beginning to end."""
    if signal.missing == 1 or signal.x.size == 0 or np.ptp(signal.x) > 0:
        return []
    return [
        Reason(
            code="flat",
            text=f"flat line: all samples have one value, {signal.x[0]:.4g}",
            remedy=SWAP,
            verdict="rejected",
        )
    ]


def dropouts(signal: Signal) -> list[Reason]:
    """Runs of one value longer than this channel's own repeats explain; runs at the extremes are clipping.

    With a share p of repeated neighbours (median over 64 blocks, so that dropouts do not excuse themselves) a run of
    L repeats starts somewhere in n samples about n p^L times.
    """
    samples = signal.channel.samples
    repeats = samples[1:] == samples[:-1]
    if not _has_run(repeats, LIMIT.dropout_shortest):
        return []
    usual = float(np.median([block.mean() for block in np.array_split(repeats, min(64, repeats.size))]))
    longest = LIMIT.dropout_shortest
    if usual > 0:
        longest = max(longest, int(np.log(LIMIT.dropout_chance / samples.size) / np.log(min(usual, 0.999))))
    if signal.step is not None and signal.rms < LIMIT.steps_limited * signal.step:
        # Between coarse steps a slow wave rests longer than chance has it.
        longest *= LIMIT.dropout_coarse
    starts, lengths = runs(repeats)
    value = samples[starts]
    inner = (value > np.nanmin(samples)) & (value < np.nanmax(samples))
    keep = (lengths >= longest) & inner
    if signal.step is not None:
        # A quiet wave comes to rest between two steps, and leaves by one; a gap is left by a leap.
        last = samples.size - 1
        leap = np.maximum(
            np.abs(samples[np.maximum(starts - 1, 0)] - value),
            np.abs(samples[np.minimum(starts + lengths + 1, last)] - value),
        )
        keep &= (leap > max(LIMIT.dropout_leap_steps * signal.step, LIMIT.dropout_leap_rms * signal.rms)) | (
            lengths >= LIMIT.dropout_coarse * longest
        )
    if not keep.any():
        return []
    share = float((lengths[keep] + 1).sum() / samples.size)
    count, longest_s = int(keep.sum()), float(lengths[keep].max() + 1) / signal.rate_hz
    times = "once" if count == 1 else f"{count} times"
    return [
        Reason(
            code="dropouts",
            text=f"the signal drops out {times}, first at {starts[keep][0] / signal.rate_hz:.2f} s, for "
            f"{longest_s * 1e3:.3g} ms at the longest, {percent(share)} in all",
            remedy="Seat the plugs firmly, tie the cable down and repeat the measurement; if it drops out again, swap "
            "the cable.",
            verdict="rejected" if share > LIMIT.dropout_rejected else "limited",
        )
    ]


def straight(signal: Signal) -> list[Reason]:
    """Straight lines where samples are missing: a receiver's way to fill what never came.

    On a line the second difference is nothing but rounding. A wave bends: where it does so by less than the rounding of
    many neighbours in a row, nobody measured it. What stands still is a matter of ``dropouts``.
    """
    x = signal.channel.samples
    if x.size < LIMIT.line_shortest + 2 or signal.missing > 0:
        return []
    largest = np.float32(max(float(signal.x.max()), -float(signal.x.min())))
    grain = max(signal.step or 0.0, 2 * float(np.spacing(largest)))
    bend = np.multiply(x[1:-1], np.float32(2.0))
    np.subtract(x[2:], bend, out=bend)
    bend += x[:-2]
    np.abs(bend, out=bend)
    if 2 * np.count_nonzero(bend < LIMIT.line_grains * grain) > bend.size:
        return []  # A slow wave is nearly straight everywhere.
    flat = bend <= 2.1 * grain  # what rounding makes of a line, and a little of its own
    if not _has_run(flat, LIMIT.line_shortest):
        return []
    starts, lengths = runs(flat)
    rise = np.abs(x[starts + lengths + 1] - x[starts])
    keep = (lengths >= LIMIT.line_shortest) & (rise > 2 * grain)
    if not keep.any():
        return []
    count, share = int(keep.sum()), float(lengths[keep].sum() / x.size)
    times = "once" if count == 1 else f"{count} times"
    return [
        Reason(
            code="dropouts",
            text=f"samples are replaced by straight lines {times}, first at {starts[keep][0] / signal.rate_hz:.2f} s, "
            f"for {1e3 * float(lengths[keep].max()) / signal.rate_hz:.3g} ms at the longest, {percent(share)} in all",
            remedy="Packets were lost on the way: bring the receiver nearer, or record in the sensor, and repeat the "
            "measurement.",
            verdict="rejected" if share > LIMIT.dropout_rejected else "limited",
        )
    ]


def _has_run(flags: NDArray[np.bool_], length: int) -> bool:
    """Whether ``length`` neighbours are True somewhere: far quicker than to look for all runs."""
    if flags.size < length:
        return False
    have = 1
    while have < length:
        more = min(have, length - have)
        flags = flags[more:] & flags[: flags.size - more]
        have += more
    return bool(flags.any())


def runs(flags: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(start, length) of each run of True."""
    edges = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    starts = np.flatnonzero(edges == 1)
    return starts, np.flatnonzero(edges == -1) - starts
