"""The verdict on a channel: usable, limited or rejected, with reasons that a technician can act on.

*Rejected* means that no diagnosis is possible, *limited* that it is, with care; a reason with the verdict *usable* is
a remark. The numbers are in ``checks/thresholds.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from vibe.core.capture import TURNING, Channel, ChannelQuality, Reason
from vibe.core.tones import PlannedSettings
from vibe.ingest.quality.checks import amplitude, coverage, hum, low_cut, mounting, pulses, radio, running, shocks
from vibe.ingest.quality.checks import drift as slow
from vibe.ingest.quality.checks.cross_channel import SILENT_CODES, compared
from vibe.ingest.quality.checks.speed_change import unsteady
from vibe.ingest.quality.checks.tachometer import assess_tachometer
from vibe.ingest.quality.prepared_signal import gravest_first, prepare, worst
from vibe.ingest.quality.recording import (
    fading,
    gain_step,
    gaps,
    missing_codes,
    overflow,
    packed,
    quantity,
    repeats,
    slew,
    splice,
    thinned,
)
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

__all__ = ["assess", "assess_tachometer", "dead_channels", "with_drift"]


def assess(
    channel: Channel,
    *,
    speed_hz: float | None = None,
    lowest_hz: float | None = None,
    highest_hz: float | None = None,
    sensor_range_m_s2: float | None = None,
    planned: PlannedSettings | None = None,
) -> ChannelQuality:
    """Verdict on one channel.

    ``speed_hz`` is the input speed, ``lowest_hz`` and ``highest_hz`` bound the tones that are looked for,
    ``sensor_range_m_s2`` is the sensor's range where it is known. A check whose question is not asked is left out.
    ``planned``: the settings that remedies name.
    """
    if channel.quantity in TURNING:
        return assess_tachometer(channel, speed_hz=speed_hz)
    signal = prepare(channel, planned)
    # A channel that holds nothing gets one reason; all further checks would only echo it.
    nothing = gaps.flat(signal) or (gaps.missing(signal) if signal.missing > LIMIT.nan_rejected else [])
    short = coverage.length(signal, speed_hz, lowest_hz)
    if nothing or signal.x.size < 64:
        return _verdict(channel, nothing + short, None)
    stopped = running.not_running(signal)
    if stopped:
        return _verdict(channel, stopped, None)
    # Bridged gaps are slow ramps: they would look like a slope.
    slope, above_hz = slow.ski_slope(signal) if signal.missing <= LIMIT.nan_limited else ([], None)
    loose, below_hz = mounting.loose_mount(signal)
    sent = (
        pulses.speed_sensor(signal, speed_hz)
        or radio.radio(signal)
        or pulses.frames(signal)
        or pulses.gain_in_frames(signal)
        or radio.rows_of_bursts(signal)
    )
    end = packed.spectrum_end(signal)
    thin = thinned.thinned(signal) or packed.packed(signal, end)
    ends, until_hz = packed.ends_early(signal, end) if not thin else ([], None)
    cut, from_hz = low_cut.low_cut(signal) if signal.missing <= LIMIT.nan_limited else ([], None)
    level_db = gain_step.band_levels(signal)
    reasons = [
        *gaps.missing(signal),
        *(overflow.overflow(signal) or amplitude.clipping(signal) or amplitude.bent_on_one_side(signal)),
        *thin,
        *([] if thin else missing_codes.missing_codes(signal)),
        *(gaps.dropouts(signal) or gaps.straight(signal)),
        *(again := repeats.repeats(signal)),
        *([] if again else splice.spliced(signal)),
        *(held := slew.slew_limited(signal)),
        *(switched := gain_step.gain_step(signal, level_db) or fading.fading(level_db)),
        *amplitude.overload(signal, sensor_range_m_s2),
        *amplitude.plausible(signal),
        *amplitude.offset(signal),
        *amplitude.resolution(signal),
        *([] if sent else slow.settling(signal)),
        *([] if sent else slope),
        *cut,
        *(loose or ([] if switched or sent or held or thin else quantity.quantity(signal))),
        *hum.hum(signal, speed_hz),
        *sent,
        *shocks.stray_shock(signal),
        *ends,
        *short,
        *coverage.sample_rate(signal, highest_hz, speed_hz),
    ]
    low_hz = max(LIMIT.lowest_periods / channel.duration_s, above_hz or 0.0, from_hz or 0.0)
    high_hz = min(channel.sample_rate_hz / LIMIT.nyquist_factor, below_hz or float("inf"), until_hz or float("inf"))
    return _verdict(channel, reasons, (low_hz, high_hz))


def dead_channels(channels: Sequence[Channel], qualities: Sequence[ChannelQuality]) -> tuple[ChannelQuality, ...]:
    """The verdicts of one capture's channels with what only neighbours can tell.

    A silent channel next to a live one is dead, not its machine stopped; one that only echoes its neighbour is dead
    too. ``channels`` and ``qualities`` run side by side; so do the verdicts that come back."""
    found = compared(channels, qualities)
    verdicts = []
    for quality in qualities:
        if quality.channel in found:
            own = [reason for reason in quality.reasons if reason.code not in SILENT_CODES]
            ordered = gravest_first([found[quality.channel], *own])
            verdict = worst(ordered)
            band = None if verdict == "rejected" else quality.usable_band_hz
            quality = replace(quality, verdict=verdict, reasons=ordered, usable_band_hz=band)
        verdicts.append(quality)
    return tuple(verdicts)


def with_drift(quality: ChannelQuality, drift: float | None) -> ChannelQuality:
    """The verdict with what is known of the speed's steadiness added; ``drift`` as in ``unsteady``."""
    reasons = unsteady(drift)
    if not reasons or quality.verdict == "rejected":
        return quality
    ordered = gravest_first([*quality.reasons, *reasons])
    return replace(quality, verdict=worst(ordered), reasons=ordered)


def _verdict(channel: Channel, reasons: list[Reason], band_hz: tuple[float, float] | None) -> ChannelQuality:
    ordered = gravest_first(reasons)
    verdict = worst(ordered)
    usable = None if verdict == "rejected" or band_hz is None or band_hz[0] >= band_hz[1] else band_hz
    return ChannelQuality(channel=channel.name, verdict=verdict, reasons=ordered, usable_band_hz=usable)
