"""Is the capture long and fast enough for what is asked of it?"""

from __future__ import annotations

from vibe.core.capture import Reason
from vibe.ingest.checks.signal import Signal
from vibe.ingest.checks.thresholds import THRESHOLDS as LIMIT


def length(signal: Signal, speed_hz: float | None, lowest_hz: float | None) -> list[Reason]:
    """Too few samples, too few turns of the input, or too short for the slowest part (a remark)."""
    duration_s = signal.channel.duration_s
    reasons: list[Reason] = []
    turns = None if speed_hz is None else duration_s * speed_hz
    if signal.x.size < LIMIT.samples_rejected:
        reasons.append(_short(f"{signal.x.size} samples are too few for any spectrum", 0.0, rejected=True))
    elif turns is not None and speed_hz is not None and turns < LIMIT.turns_limited:
        text = f"{duration_s:.3g} s hold {turns:.3g} turns of the input; {LIMIT.turns_limited:.0f} are needed"
        reasons.append(_short(text, LIMIT.turns_limited / speed_hz, rejected=turns < LIMIT.turns_rejected))
    if lowest_hz is not None and lowest_hz > 0 and duration_s * lowest_hz < LIMIT.lowest_periods:
        reasons.append(
            Reason(
                code="too_short_for_slowest",
                text=f"{duration_s:.3g} s hold {duration_s * lowest_hz:.2g} periods of the slowest part "
                f"at {lowest_hz:.3g} Hz",
                remedy=f"Capture at least {LIMIT.lowest_periods / lowest_hz:.3g} s to see that part; "
                "the others are not affected.",
                verdict="usable",
            )
        )
    return reasons


def _short(text: str, needed_s: float, *, rejected: bool) -> Reason:
    remedy = f"Capture at least {needed_s:.2g} s." if needed_s else "Capture for several seconds."
    return Reason(code="too_short", text=text, remedy=remedy, verdict="rejected" if rejected else "limited")


def sample_rate(signal: Signal, highest_hz: float | None, speed_hz: float | None = None) -> list[Reason]:
    """Too slow for the highest tone that is looked for, or even for the input's own turns."""
    top_hz = signal.rate_hz / LIMIT.nyquist_factor
    if speed_hz is not None and top_hz < LIMIT.input_orders * speed_hz:
        return [
            Reason(
                code="sample_rate_low",
                text=f"sampled at {signal.rate_hz:.5g} Hz the capture shows nothing above {top_hz:.3g} Hz, and the "
                f"input turns at {speed_hz:.4g} Hz",
                remedy="Sample at the rate that the capture plan of this drive names.",
                verdict="rejected",
            )
        ]
    if highest_hz is None or highest_hz <= top_hz:
        return []
    return [
        Reason(
            code="sample_rate_low",
            text=f"sampled at {signal.rate_hz:.5g} Hz the capture shows tones up to {top_hz:.4g} Hz, "
            f"but {highest_hz:.4g} Hz is needed",
            remedy=f"Sample at {LIMIT.nyquist_factor * highest_hz:.5g} Hz or more.",
            verdict="limited",
        )
    ]
