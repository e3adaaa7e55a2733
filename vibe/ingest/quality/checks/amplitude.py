"""Range and unit: clipping, an overloaded sensor, an offset, steps too coarse, values that cannot be."""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.checks.input_ranges import larger_range, named_range, smaller_range
from vibe.ingest.quality.prepared_signal import Samples, Signal, amount, percent, upper_quantiles
from vibe.ingest.quality.recording.gaps import runs
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT


def clipping(signal: Signal) -> list[Reason]:
    """Samples pile up at an extreme while hardly any lie just below it. That holds whatever the range is."""
    x = signal.x
    full = signal.channel.full_scale or None
    top, bottom = float(x.max()), float(x.min())
    at_end = 0
    if full is not None:
        grain = 1.5 * (signal.channel.step or 0.0)
        at_end = int(np.count_nonzero(np.abs(x) >= np.float64(min(LIMIT.clip_full_scale * full, full - grain))))
        if signal.step is not None and not _ends_in_a_pair(x, top, bottom, signal.step):
            # Recordings that were scaled up to their own peak end there too, but with one sample,
            at_end = 0
        elif signal.step is not None and _thins_out(x, top, bottom, signal.step):
            # or in few steps, of which the last holds far less than the one before.
            at_end = 0
    piled = _pile(x, signal, top - bottom) + _pile(-x, signal, top - bottom)
    count = max(piled, at_end if at_end >= 2 else 0, _ties(x, top, bottom, signal))
    if count == 0:
        return []
    share = count / x.size
    return [
        Reason(
            code="clipped",
            text=f"input clipped: {count:,} samples ({percent(share)}) are cut off at "
            f"{amount(signal.channel, max(abs(bottom), abs(top)))}",
            remedy=larger_range(signal, count),
            verdict="rejected" if share > LIMIT.clip_rejected else "limited",
        )
    ]


def _ends_in_a_pair(x: Samples, top: float, bottom: float, step: float) -> bool:
    """Whether two samples or more share the last value on either side."""
    return bool(np.count_nonzero(x > top - step) >= 2 or np.count_nonzero(x < bottom + step) >= 2)


def _thins_out(x: Samples, top: float, bottom: float, step: float) -> bool:
    """Whether on both sides the last step holds less than half of what the step before it does."""

    def thin(height: Samples, end: float) -> bool:
        last, before = (int(np.count_nonzero(np.abs(height - np.float32(end - k * step)) < 0.5 * step)) for k in (0, 1))
        return 2 * last < before

    return thin(x, top) and thin(-x, -bottom)


def _ties(x: Samples, top: float, bottom: float, signal: Signal) -> int:
    """Samples that share the very last value on both sides, at heights that a recorder's two ends have.

    With many steps in the vibration, and next to nobody within a few steps below, chance hardly ever makes such
    ties on both sides.
    """
    step = signal.step
    if step is None or signal.rms < LIMIT.tie_steps * step or abs(top + bottom) > 2.5 * step:
        return 0
    high, low = int(np.count_nonzero(x == top)), int(np.count_nonzero(x == bottom))
    near = int(np.count_nonzero((x >= np.float64(top - 8 * step)) | (x <= np.float64(bottom + 8 * step)))) - high - low
    return high + low if min(high, low) >= 2 and max(high, low) < LIMIT.tie_most and near <= 1 else 0


def _pile(x: Samples, signal: Signal, swing: float) -> int:
    """Samples at the upper extreme, 0 where its neighbourhood is as crowded; ``swing`` between the two extremes."""
    top = float(x.max())
    # A median costs more than all the rest, and few channels have so many near their top.
    if int(np.count_nonzero(x >= np.float64(top - 0.5 * max(signal.step or 0.0, 1e-6 * swing)))) < LIMIT.clip_fewest:
        return 0
    height = top - float(np.median(x))
    if height <= 0:
        return 0
    grain = max(signal.step or 0.0, 1e-6 * height)
    edge = np.float64(top - 0.5 * grain)
    count = int(np.count_nonzero(x >= edge))
    below = int(np.count_nonzero(x >= edge - max(LIMIT.clip_band * height, grain))) - count
    if count < LIMIT.clip_fewest or count < LIMIT.clip_pile * below:
        return 0
    # A sine sampled in step with itself repeats its crest, but other values just as often, and never in long runs.
    _, times = np.unique(x[x < edge], return_counts=True)
    near = times[-8:]
    if not near.size or count < LIMIT.clip_pile * float(near.mean()):
        return 0
    in_runs = int(runs(x >= edge)[1].max()) >= LIMIT.clip_fewest
    return count if in_runs or count >= LIMIT.clip_pile * int(near.max()) else 0


def overload(signal: Signal, sensor_range_m_s2: float | None) -> list[Reason]:
    """The sensor's own range, which a recorder does not know."""
    if sensor_range_m_s2 is None or signal.channel.quantity != "acceleration":
        return []
    peak = float(np.abs(signal.x).max())
    if peak < LIMIT.range_share * sensor_range_m_s2:
        return []
    larger = named_range(signal.channel, max(2 * sensor_range_m_s2, 2 * peak))
    sensor = f"a sensor for {larger[0]}" if larger is not None else "a sensor for shocks"
    return [
        Reason(
            code="overloaded",
            text=f"sensor overloaded: the peak of {amount(signal.channel, peak)} reaches its range of "
            f"{amount(signal.channel, sensor_range_m_s2)}",
            remedy=f"Use {sensor}, or mount this one where shocks are weaker, and repeat the measurement.",
            verdict="limited",
        )
    ]


def offset(signal: Signal) -> list[Reason]:
    """A mean that eats up the recorder's range, or is worth a remark. Gravity is neither."""
    full = signal.channel.full_scale or None
    if full is not None and abs(signal.mean) > LIMIT.dc_full_scale * full:
        return [
            Reason(
                code="dc_offset",
                text=f"the zero line lies at {amount(signal.channel, signal.mean)} and uses up "
                f"{percent(abs(signal.mean) / full)} of the range",
                remedy="Switch the input to AC coupling and repeat the measurement; if the offset stays, swap the "
                "cable.",
                verdict="limited",
            )
        ]
    if signal.channel.quantity != "acceleration" or abs(signal.mean) < max(LIMIT.dc_remark_m_s2, 3 * signal.rms):
        return []
    return [
        Reason(
            code="dc_offset",
            text=f"the zero line lies at {amount(signal.channel, signal.mean)}; that was taken out and does no harm",
            remedy="Nothing to do now; switch the input to AC coupling before the next round.",
            verdict="usable",
        )
    ]


def resolution(signal: Signal) -> list[Reason]:
    """Vibration of so few recorder steps that rounding noise covers its weaker lines."""
    if signal.step is None or signal.rms >= LIMIT.steps_limited * signal.step:
        return []
    return [
        Reason(
            code="coarse_steps",
            text=f"range too large: the vibration of {amount(signal.channel, signal.rms)} r.m.s. is only "
            f"{signal.rms / signal.step:.2g} steps of the recorder",
            remedy=smaller_range(signal),
            verdict="limited",
        )
    ]


def plausible(signal: Signal) -> list[Reason]:
    """Levels that no machine makes."""
    most = {
        "acceleration": LIMIT.strongest_m_s2,
        "velocity": LIMIT.strongest_m_s,
        "displacement": LIMIT.strongest_m,
    }[signal.channel.quantity]
    too_weak = signal.channel.quantity == "acceleration" and signal.rms < LIMIT.weakest_m_s2
    if signal.peak <= most and not too_weak:
        return []
    beyond = signal.peak > LIMIT.beyond_units * most or signal.rms * LIMIT.beyond_units < LIMIT.weakest_m_s2
    value = (
        f"{amount(signal.channel, signal.rms)} r.m.s."
        if too_weak
        else f"a peak of {amount(signal.channel, signal.peak)}"
    )
    return [
        Reason(
            code="implausible",
            text=f"{value} is impossible on a running machine: unit or sensitivity is wrong",
            remedy="Repeat the measurement; if it stays so, check unit and sensitivity against the sensor's "
            "certificate."
            if beyond
            else "Set unit and sensitivity as the sensor's certificate says; no new capture is needed.",
            verdict="rejected" if beyond else "limited",
        )
    ]


_BENT_TAIL = (0.97, 0.9997)
"""Quantiles between which a half wave is looked at: its tops, less a stray one in three thousand (our choice)."""
_BENT = 1.12
"""Ratio of these quantiles on the side that is bent. A sine has 1.05 and a normal distribution 1.83 (derived)."""
_WHOLE = 1.5
"""On the other side. What is held by a stop, or is one tone, has equal ends on both sides."""
_LOWER = 0.8
"""Usual height of the bent side over the other's: what is bent is lower all the way."""
_SURELY_ALIKE = 0.9
"""The same from a few thousand samples, which know each height to 2 % (binomial, of a normal distribution)."""


def bent_on_one_side(signal: Signal) -> list[Reason]:
    """Values of one sign pile up below an end that those of the other sign do not have."""
    if signal.missing > 0 or signal.rms == 0 or signal.channel.quantity != "acceleration" or signal.x.size < 8192:
        return []
    # Those of some samples, which are in order already: most sides are alike, and nothing more need be asked.
    usual = int(_BENT_TAIL[0] * signal.ranked.size)
    heights = signal.ranked[usual] - signal.mean, signal.mean - signal.ranked[-1 - usual]
    if min(heights) > _SURELY_ALIKE * max(heights):
        return []
    some = signal.ac[:: max(1, signal.ac.size // 100_000)]
    up, down = (upper_quantiles(side, _BENT_TAIL) for side in (some, -some))
    if min(up[0], down[0]) <= 0:
        return []
    for side, other, where in ((up, down, "upper"), (down, up, "lower")):
        if side[1] < _BENT * side[0] and other[1] > _WHOLE * other[0] and side[0] < _LOWER * other[0]:
            return [
                Reason(
                    code="bent",
                    text=f"the {where} half of the wave is bent: it ends at {side[1] / other[1]:.0%} of the other "
                    "half, as where a sensor's bias has moved to its rail",
                    remedy="Check the sensor's bias and supply, let a hot sensor cool, and repeat the measurement; "
                    "if it is the same, swap the sensor.",
                    verdict="rejected",
                )
            ]
    return []
