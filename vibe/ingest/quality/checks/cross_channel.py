"""A dead channel among live ones: what one channel alone cannot say, its neighbours in the same capture can."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import TURNING, Channel, ChannelQuality, Reason
from vibe.ingest.quality.checks.running import not_running
from vibe.ingest.quality.prepared_signal import percent, prepare
from vibe.ingest.quality.recording.gaps import SWAP
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

SILENT_CODES = ("flat", "not_running", "mains_hum")
"""Reasons by which a channel carries nothing of a machine."""
_BLOCK = 1 << 12
"""Samples summed in single precision before sums are added in double: no digit that matters is lost."""


def compared(channels: Sequence[Channel], qualities: Sequence[ChannelQuality]) -> dict[str, Reason]:
    """The reason per channel that only its neighbours give; empty where all is well.

    ``channels`` and ``qualities`` run side by side and are of one capture: at another time the machine may have stood
    still. Tachometers neither judge nor are judged.
    """
    rows = [
        (_ComparedChannel(c), q)
        for c, q in zip(channels, qualities, strict=True)
        if c.quantity not in TURNING and c.samples.size
    ]
    live = [one for one, quality in rows if quality.verdict != "rejected"]
    # Whose own level cannot be says nothing of a neighbour's.
    credible = [one for one, quality in rows if one in live and not _implausible(quality)]
    found: dict[str, Reason] = {}
    for one, quality in rows:
        others = [other for other in live if other is not one]
        if not others:
            continue
        if any(reason.code in SILENT_CODES for reason in quality.reasons):
            found[one.name] = _dead(_what(quality), others[0].channel)
        elif quality.verdict != "rejected":
            faint = next((other for other in others if _is_crosstalk(one, other)), None)
            twin = next((other for other in others if _is_copy(one, other)), None)
            if faint is not None:
                found[one.name] = Reason(
                    code="dead_channel",
                    text=f"dead channel: a faint echo ({percent(one.rms / faint.rms)}) of {faint.name} and "
                    "nothing of its own",
                    remedy=SWAP,
                    verdict="rejected",
                )
            elif twin is not None:
                found[one.name] = Reason(
                    code="copied",
                    text=f"copy: the same signal as {twin.name}, so one sensor is connected to two inputs",
                    remedy="Connect each sensor to its own input and repeat the measurement.",
                    # The first may be where it belongs; the second adds nothing.
                    verdict="rejected" if twin.name in found else "limited",
                )
            elif not _implausible(quality):
                loud = next((other for other in credible if other is not one and _is_beyond(one, other)), None)
                if loud is not None:
                    found[one.name] = Reason(
                        code="implausible",
                        text=f"only {percent(one.rms / loud.rms)} of the level at {loud.name}: unit or "
                        "sensitivity is wrong",
                        remedy="Set unit and sensitivity as the sensor's certificate says; no new capture is needed.",
                        verdict="limited",
                    )
    return found


def _implausible(quality: ChannelQuality) -> bool:
    return any(reason.code == "implausible" for reason in quality.reasons)


def _dead(what: str, neighbour: Channel) -> Reason:
    return Reason(
        code="dead_channel",
        text=f"dead channel: {what}, while {neighbour.name} shows the machine",
        remedy=SWAP,
        verdict="rejected",
    )


def _what(quality: ChannelQuality) -> str:
    """What a silent channel holds."""
    code = next(reason.code for reason in quality.reasons if reason.code in SILENT_CODES)
    if code == "flat":
        return "a flat line"
    text = next(reason.text for reason in quality.reasons if reason.code == code)
    return "mains hum" if code == "mains_hum" or "mains" in text else "the recorder's own noise"


class _ComparedChannel:
    """A channel with what every comparison asks of it, worked out once and only if asked."""

    def __init__(self, channel: Channel) -> None:
        self.channel, self.name = channel, channel.name

    @cached_property
    def rms(self) -> float:
        samples = self.channel.samples
        finite = np.isfinite(samples)
        if not finite.any():
            return 0.0
        return float(np.std(samples if finite.all() else samples[finite], dtype=np.float64))

    @cached_property
    def steps(self) -> tuple[NDArray[np.float32], float]:
        """Differences from sample to sample over their largest, and the sum of their squares."""
        with np.errstate(invalid="ignore"):
            steps = np.diff(self.channel.samples)
        steps[~np.isfinite(steps)] = 0.0
        steps /= np.float32(np.abs(steps).max(initial=0.0) or 1.0)
        return steps, _dot(steps, steps)


def _dot(x: NDArray[np.float32], y: NDArray[np.float32]) -> float:
    """In single precision block by block, the blocks in double: good to 1e-6."""
    return float(sum(float(x[a : a + _BLOCK] @ y[a : a + _BLOCK]) for a in range(0, x.size, _BLOCK)))


def _is_crosstalk(one: _ComparedChannel, other: _ComparedChannel) -> bool:
    """Far below a neighbour, and explained by it: a place with a resonance of its own keeps most of its signal."""
    if not _side_by_side(one.channel, other.channel) or one.rms > LIMIT.crosstalk_level * other.rms:
        return False
    # Differences, so that slow lines, which a stiff casing shares, do not rule.
    if _rest(one, other) < LIMIT.crosstalk_rest:
        return True
    x, y = (np.nan_to_num(each.channel.samples.astype(np.float64)) for each in (one, other))
    x, y = x - x.mean(), y - y.mean()
    rest = x - y * float(x @ y) / max(float(y @ y), 1e-300)
    left = prepare(replace(one.channel, samples=rest.astype(np.float32), step=None))
    return any(reason.code in SILENT_CODES for reason in not_running(left))


def _is_beyond(one: _ComparedChannel, other: _ComparedChannel) -> bool:
    """So far below a neighbour as no two places of one drive are."""
    return one.channel.quantity == other.channel.quantity and one.rms < LIMIT.dead_level * other.rms


def _is_copy(one: _ComparedChannel, other: _ComparedChannel) -> bool:
    return _side_by_side(one.channel, other.channel) and _rest(one, other) < LIMIT.copy_rest


def _side_by_side(channel: Channel, other: Channel) -> bool:
    return (
        channel.quantity == other.quantity
        and channel.samples.size == other.samples.size >= LIMIT.samples_rejected
        and channel.sample_rate_hz == other.sample_rate_hz
    )


def _rest(one: _ComparedChannel, other: _ComparedChannel) -> float:
    """Share of the power of ``one``, differenced, that a constant times ``other`` does not explain."""
    (x, xx), (y, yy) = one.steps, other.steps
    return 1.0 if xx == 0 or yy == 0 else 1.0 - _dot(x, y) ** 2 / (xx * yy)
