"""A dead channel beside live ones: what one channel alone cannot say, its neighbours in the same capture can."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel, ChannelQuality, Reason
from vibe.ingest.checks.gaps import SWAP
from vibe.ingest.checks.running import not_running
from vibe.ingest.checks.signal import percent, prepare
from vibe.ingest.checks.thresholds import THRESHOLDS as LIMIT

SILENT_CODES = ("flat", "not_running", "mains_hum")
"""Reasons by which a channel carries nothing of a machine."""


def beside(channels: Sequence[Channel], qualities: Sequence[ChannelQuality]) -> dict[str, Reason]:
    """The reason per channel that only its neighbours give; empty where all is well.

    ``channels`` and ``qualities`` run side by side and are of one capture: at another time the machine may have stood
    still. Tachometers neither speak nor are spoken of.
    """
    rows = [(c, q) for c, q in zip(channels, qualities, strict=True) if c.quantity != "tachometer" and c.samples.size]
    live = [channel for channel, quality in rows if quality.verdict != "rejected"]
    found: dict[str, Reason] = {}
    for channel, quality in rows:
        others = [other for other in live if other is not channel]
        if not others:
            continue
        if any(reason.code in SILENT_CODES for reason in quality.reasons):
            found[channel.name] = _dead(_what(quality), others[0])
        elif quality.verdict != "rejected":
            faint = next((other for other in others if _is_crosstalk(channel, other)), None)
            twin = next((other for other in others if _is_copy(channel, other)), None)
            if faint is not None:
                found[channel.name] = Reason(
                    code="dead_channel",
                    text=f"dead channel: a faint echo ({percent(_rms(channel) / _rms(faint))}) of {faint.name} and "
                    "nothing of its own",
                    remedy=SWAP,
                    verdict="rejected",
                )
            elif twin is not None:
                found[channel.name] = Reason(
                    code="copied",
                    text=f"copy: the same signal as {twin.name}, so one sensor is connected to two inputs",
                    remedy="Connect each sensor to its own input and take it again.",
                    # The first may be where it belongs; the second adds nothing.
                    verdict="rejected" if twin.name in found else "limited",
                )
            elif not any(reason.code == "implausible" for reason in quality.reasons):
                loud = next((other for other in others if _is_beyond(channel, other)), None)
                if loud is not None:
                    found[channel.name] = Reason(
                        code="implausible",
                        text=f"only {percent(_rms(channel) / _rms(loud))} of what {loud.name} hears: unit or "
                        "sensitivity is wrong",
                        remedy="Set unit and sensitivity as the sensor's certificate says; no new capture is needed.",
                        verdict="limited",
                    )
    return found


def _dead(what: str, neighbour: Channel) -> Reason:
    return Reason(
        code="dead_channel",
        text=f"dead channel: {what}, while {neighbour.name} hears the machine",
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


def _is_crosstalk(channel: Channel, other: Channel) -> bool:
    """Far below a neighbour, and explained by it: a place with a resonance of its own keeps most of its signal."""
    if not _side_by_side(channel, other) or _rms(channel) > LIMIT.crosstalk_level * _rms(other):
        return False
    # Differences, so that slow lines, which a stiff casing shares, do not rule.
    if _rest(channel, other) < LIMIT.crosstalk_rest:
        return True
    x, y = (np.nan_to_num(one.samples.astype(np.float64)) for one in (channel, other))
    x, y = x - x.mean(), y - y.mean()
    rest = x - y * float(x @ y) / max(float(y @ y), 1e-300)
    left = prepare(replace(channel, samples=rest.astype(np.float32), step=None))
    return any(reason.code in SILENT_CODES for reason in not_running(left))


def _is_beyond(channel: Channel, other: Channel) -> bool:
    """So far below a neighbour as no two places of one drive are."""
    return channel.quantity == other.quantity and _rms(channel) < LIMIT.beside_level * _rms(other)


def _is_copy(channel: Channel, other: Channel) -> bool:
    return _side_by_side(channel, other) and _rest(channel, other) < LIMIT.copy_rest


def _side_by_side(channel: Channel, other: Channel) -> bool:
    return (
        channel.quantity == other.quantity
        and channel.samples.size == other.samples.size >= LIMIT.samples_rejected
        and channel.sample_rate_hz == other.sample_rate_hz
    )


def _rest(channel: Channel, other: Channel) -> float:
    """Share of the power of ``channel``, differenced, that a constant times ``other`` does not explain."""
    x, y = _steps(channel), _steps(other)
    xx, yy, xy = float(x @ x), float(y @ y), float(x @ y)
    return 1.0 if xx == 0 or yy == 0 else 1.0 - xy * xy / (xx * yy)


def _steps(channel: Channel) -> NDArray[np.float64]:
    steps = np.diff(channel.samples.astype(np.float64))
    return np.where(np.isfinite(steps), steps, 0.0)


def _rms(channel: Channel) -> float:
    return float(np.nanstd(channel.samples.astype(np.float64))) if np.isfinite(channel.samples).any() else 0.0
