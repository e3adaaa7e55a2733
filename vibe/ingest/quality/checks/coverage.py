"""Is the capture long and fast enough for what is asked of it?"""

from __future__ import annotations

import math

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Signal
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT


def length(signal: Signal, speed_hz: float | None, lowest_hz: float | None) -> list[Reason]:
    """Too few samples, too few turns of the input, or too short for the slowest part (a remark)."""
    duration_s = signal.channel.duration_s
    reasons: list[Reason] = []
    turns = None if speed_hz is None else duration_s * speed_hz
    if signal.x.size < LIMIT.samples_rejected:
        reasons.append(_short(signal, f"{signal.x.size} samples are too few for any spectrum", 0.0, rejected=True))
    elif turns is not None and speed_hz is not None and turns < LIMIT.turns_limited:
        text = (
            f"too short: {duration_s:.3g} s hold {turns:.3g} turns of the input, {LIMIT.turns_limited:.0f} are needed"
        )
        reasons.append(_short(signal, text, LIMIT.turns_limited / speed_hz, rejected=turns < LIMIT.turns_rejected))
    if lowest_hz is not None and lowest_hz > 0 and duration_s * lowest_hz < LIMIT.lowest_periods:
        reasons.append(
            Reason(
                code="too_short_for_slowest",
                text=f"{duration_s:.3g} s hold {duration_s * lowest_hz:.2g} turns of the slowest part, "
                f"{LIMIT.lowest_periods:.0f} are needed",
                remedy=f"Capture at least {_seconds(LIMIT.lowest_periods / lowest_hz)} s to see that part; "
                "the others are not affected.",
                verdict="usable",
            )
        )
    return reasons


def _seconds(needed_s: float) -> str:
    """Whole seconds, rounded up; tenths of short times."""
    return f"{math.ceil(needed_s):d}" if needed_s >= 2 else f"{math.ceil(10 * needed_s) / 10:g}"


def _rate(needed_hz: float) -> str:
    """Rounded up to a whole hundred."""
    return f"{100 * math.ceil(needed_hz / 100):d}"


def _short(signal: Signal, text: str, needed_s: float, *, rejected: bool) -> Reason:
    planned = signal.planned
    if planned is not None and planned.duration_s >= needed_s:
        remedy = f"Set {planned.duration_s:g} s, as planned, and repeat the measurement."
    else:
        remedy = f"Capture at least {_seconds(needed_s)} s." if needed_s else "Capture at least 10 s."
    return Reason(code="too_short", text=text, remedy=remedy, verdict="rejected" if rejected else "limited")


def sample_rate(signal: Signal, highest_hz: float | None, speed_hz: float | None = None) -> list[Reason]:
    """Too slow for the highest tone that is looked for, or even for the input's own turns."""
    top_hz = signal.rate_hz / LIMIT.nyquist_factor
    if speed_hz is not None and top_hz < LIMIT.input_orders * speed_hz:
        return [
            Reason(
                code="sample_rate_low",
                text=f"sampled at {signal.rate_hz:.6g} Hz the capture shows nothing above {top_hz:.3g} Hz, and the "
                f"input turns at {speed_hz:.3g} Hz",
                remedy=_sample_at(signal, highest_hz),
                verdict="rejected",
            )
        ]
    if highest_hz is None or highest_hz <= top_hz:
        return []
    return [
        Reason(
            code="sample_rate_low",
            text=f"sampled at {signal.rate_hz:.6g} Hz the capture shows tones up to {top_hz:.0f} Hz, "
            f"and {highest_hz:.0f} Hz is needed",
            remedy=_sample_at(signal, highest_hz),
            verdict="limited",
        )
    ]


def _sample_at(signal: Signal, highest_hz: float | None) -> str:
    planned = signal.planned
    if planned is not None and planned.sample_rate_hz >= LIMIT.nyquist_factor * (highest_hz or 0.0):
        return f"Set {planned.sample_rate_hz:g} Hz, as planned, and repeat the measurement."
    if highest_hz is not None:
        return f"Sample at {_rate(LIMIT.nyquist_factor * highest_hz)} Hz or more."
    return "Sample at the rate that the capture plan of this drive names."
