"""The verdict on a channel of a long recording, from the verdicts on its segments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from vibe.core.capture import ChannelQuality, Reason
from vibe.ingest.quality.prepared_signal import gravest_first, worst

_OF_ONE_SEGMENT = {"too_short", "too_short_for_slowest"}
"""Codes of reasons that concern a segment's length, which nobody chose."""


def over_segments(verdicts: Sequence[ChannelQuality], duration_s: float) -> ChannelQuality:
    """One channel's verdict from those of its segments, in order; ``duration_s`` is the whole recording's.

    Rejected is what half of the segments or more are; what fewer are makes the channel limited. A reason that does not
    hold in all of them says in how many, and when first.
    """
    total = len(verdicts)
    rejected = 2 * sum(one.verdict == "rejected" for one in verdicts) >= total
    numbers: dict[str, list[int]] = {}
    gravest: dict[str, Reason] = {}
    for number, one in enumerate(verdicts):
        for reason in one.reasons:
            if reason.code in _OF_ONE_SEGMENT and reason.verdict != "rejected":
                continue
            numbers.setdefault(reason.code, []).append(number)
            gravest[reason.code] = gravest_first([*filter(None, [gravest.get(reason.code)]), reason])[0]
    reasons = gravest_first(
        [
            replace(
                reason,
                text=reason.text + _where(numbers[code], total, duration_s),
                verdict="limited" if reason.verdict == "rejected" and not rejected else reason.verdict,
            )
            for code, reason in gravest.items()
        ]
    )
    verdict = worst(reasons)
    bands = [one.usable_band_hz for one in verdicts if one.usable_band_hz is not None]
    band = None
    if bands and verdict != "rejected":
        # The low end is set by how many periods there are, and of those the whole holds more than a segment.
        low_hz, high_hz = min(low for low, _ in bands), min(high for _, high in bands)
        band = (low_hz, high_hz) if low_hz < high_hz else None
    return ChannelQuality(channel=verdicts[0].channel, verdict=verdict, reasons=reasons, usable_band_hz=band)


def _where(numbers: Sequence[int], total: int, duration_s: float) -> str:
    if len(numbers) == total:
        return ""
    length_s = duration_s / total
    start_s = int(numbers[0] * length_s)
    return (
        f" (in {len(numbers)} of {total} segments of {length_s:.0f} s, first from "
        f"{start_s // 60} min {start_s % 60} s on)"
    )
