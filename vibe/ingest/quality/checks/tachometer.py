"""A tachometer that misses pulses, counts them twice, or is silent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel, ChannelQuality, Reason
from vibe.ingest.quality.prepared_signal import gravest_first, percent, worst
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_AIM = "Clean and aim the probe, renew the reflective tape, and repeat the measurement."

_USUAL = 0.35
"""Quantile that stands for the usual step: missed pulses make long ones, strays short ones, and the first are commoner
(our choice)."""


def assess_tachometer(channel: Channel, *, speed_hz: float | None = None) -> ChannelQuality:
    """Verdict on a tachometer channel. ``speed_hz`` is the speed expected of the shaft it looks at.

    The interval from pulse to pulse is compared with its neighbours, so that a changing speed is no
    fault: about twice as long is a missed pulse, a part of it is a bounce.
    """
    reasons = _reasons(channel, speed_hz)
    verdict = worst(reasons)
    band = None if verdict == "rejected" else (0.0, channel.sample_rate_hz / 2)
    return ChannelQuality(channel=channel.name, verdict=verdict, reasons=reasons, usable_band_hz=band)


def _reasons(channel: Channel, speed_hz: float | None) -> tuple[Reason, ...]:
    if channel.quantity == "angle":
        return _angle_reasons(channel)
    times_s = pulse_times_s(channel)
    if times_s.size < LIMIT.tacho_pulses:
        return (
            Reason(
                code="tachometer_silent",
                text=f"the tachometer gives {times_s.size} pulses in {channel.duration_s:.3g} s",
                remedy="Check that the shaft turns, the tape is there and the probe has power; then repeat the "
                "measurement.",
                verdict="rejected",
            ),
        )
    steps = np.diff(times_s)
    usual = _usual(steps)
    ratio = steps / usual
    reasons: list[Reason] = []
    short = float((ratio < LIMIT.tacho_bounce).mean())
    missed = float((ratio > LIMIT.tacho_missed).mean())
    if short > LIMIT.tacho_limited:
        # A bounce makes two short intervals out of one.
        count = max(1, round(short * steps.size / 2))
        reasons.append(_bad("tachometer_bounces", f"counts {_pulses(count)} twice", short))
    if missed > LIMIT.tacho_limited:
        lost = int(np.rint(ratio[ratio > LIMIT.tacho_missed] - 1).sum())
        reasons.append(_bad("tachometer_misses", f"misses {_pulses(lost)}", missed))
    if speed_hz is not None and channel.pulses_per_rev is not None:
        found_hz = 1.0 / float(np.median(steps)) / channel.pulses_per_rev
        if not 0.7 < found_hz / speed_hz < 1.4:
            reasons.append(
                Reason(
                    code="tachometer_speed",
                    text=f"the tachometer reads {found_hz:.4g} turns per second where {speed_hz:.4g} are expected",
                    remedy="Check the pulses per turn that are set, and which shaft the probe looks at.",
                    verdict="limited",
                )
            )
    return gravest_first(reasons)


def _angle_reasons(channel: Channel) -> tuple[Reason, ...]:
    """An encoder that does not say its angle, or the angle of a shaft that stands."""
    known = channel.samples[np.isfinite(channel.samples)]
    missing = 1.0 - known.size / max(1, channel.samples.size)
    if missing > LIMIT.tacho_rejected or known.size < LIMIT.tacho_pulses:
        return (
            Reason(
                code="encoder_gaps",
                text=f"{percent(missing)} of the encoder's angle is missing",
                remedy="Check the link to the encoder, then repeat the measurement.",
                verdict="rejected",
            ),
        )
    if np.ptp(known) < LIMIT.encoder_turns:
        return (
            Reason(
                code="tachometer_silent",
                text=f"the encoder turns by {float(np.ptp(known)):.2g} of a turn in {channel.duration_s:.3g} s",
                remedy="Check that the shaft turns and that the angle is the motor's; then repeat the measurement.",
                verdict="rejected",
            ),
        )
    return ()


def _pulses(count: int) -> str:
    return "one pulse" if count == 1 else f"about {count} pulses"


def _bad(code: str, what: str, share: float) -> Reason:
    return Reason(
        code=code,
        text=f"the tachometer {what} ({percent(share)} of its intervals are wrong)",
        remedy=_AIM,
        verdict="rejected" if share > LIMIT.tacho_rejected else "limited",
    )


def _usual(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """The usual interval among each one's eleven neighbours.

    A little under the median, so that a pulse missing out of three does not make the double interval the usual one.
    """
    half = 5
    if steps.size <= 2 * half + 1:
        return np.full(steps.size, np.quantile(steps, _USUAL))
    padded = np.concatenate((steps[:half][::-1], steps, steps[-half:][::-1]))
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    return np.asarray(np.quantile(windows, _USUAL, axis=1), dtype=np.float64)


def pulse_times_s(channel: Channel) -> NDArray[np.float64]:
    """Times at which the level rises through the middle, refined between samples; shape (pulses,).

    A tenth of the swing either side is hysteresis: less than a bounce, more than noise.
    """
    x = channel.samples.astype(np.float64)
    if channel.quantity == "signed pulses":
        x = np.abs(x)
    x = np.where(np.isnan(x), np.nanmedian(x) if np.isfinite(x).any() else 0.0, x)
    if x.size < 2 or np.ptp(x) == 0:
        return np.empty(0)
    low, high = np.quantile(x, [0.0005, 0.9995])
    if high - low < 0.5 * np.ptp(x):  # Pulses so narrow that the quantiles miss them.
        low, high = float(x.min()), float(x.max())
    # A channel without pulses is noise about its mean: its quartiles fill a good part of its range.
    middle, guard = 0.5 * (low + high), 0.1 * (high - low)
    crossed = (x > middle - guard) & (x < middle + guard)
    if crossed.mean() > 0.2:
        return np.empty(0)
    state = np.where(x > middle + guard, 1, np.where(x < middle - guard, -1, 0))
    known = np.flatnonzero(state)
    rise = (state[known[1:]] == 1) & (state[known[:-1]] == -1)
    before, after = known[:-1][rise], known[1:][rise]
    times: NDArray[np.float64] = before + (middle - x[before]) / (x[after] - x[before]) * (after - before)
    return times / channel.sample_rate_hz
