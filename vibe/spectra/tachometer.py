"""Tachometer pulses to an angle law."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.evidence import SpeedEstimate
from vibe.spectra.angle import AngleLaw

KNOTS_PER_S = 8.0
"""Knots of the law: faster speed changes than this are jitter of the pulse train."""


def pulse_times(samples: NDArray[np.float32], sample_rate_hz: float) -> NDArray[np.float64]:
    """Instants [s] at which the level rises through the middle, between samples, with hysteresis of a fifth."""
    finite = samples[np.isfinite(samples)]
    if finite.size < 3:
        return np.empty(0)
    low, high = np.quantile(finite, (0.001, 0.999))
    if not high > low:
        return np.empty(0)
    level = np.nan_to_num(samples, nan=float(low)).astype(np.float64)
    middle, margin = (low + high) / 2, (high - low) / 10
    state = np.zeros(level.size, dtype=np.int8)
    state[level > middle + margin] = 1
    state[level < middle - margin] = -1
    known = np.flatnonzero(state)
    rises = known[1:][(state[known[1:]] == 1) & (state[known[:-1]] == -1)]
    before = known[:-1][(state[known[1:]] == 1) & (state[known[:-1]] == -1)]
    if rises.size == 0:
        return np.empty(0)
    # The crossing lies between the last sample below and the first above.
    share = (middle - level[before]) / (level[rises] - level[before])
    result: NDArray[np.float64] = (before + share * (rises - before)) / sample_rate_hz
    return result


def speed_from_tachometer(
    channel: Channel, range_hz: tuple[float, float], duration_s: float
) -> tuple[AngleLaw, SpeedEstimate] | None:
    """The angle law from the pulses, missed and doubled ones mended; None when they make no sense.

    ``range_hz``: the speed must lie within it, widened by half (a wrong ``pulses_per_rev`` is thereby noticed).
    """
    per_rev = channel.pulses_per_rev or 1.0
    times = pulse_times(channel.samples, channel.sample_rate_hz)
    if times.size < 4:
        return None
    gaps = np.diff(times)
    typical = float(np.median(gaps))
    # Bounces: a pulse much too early is dropped. Misses: a gap of k periods counts k pulses.
    keep = np.concatenate([[True], gaps > 0.5 * typical])
    times = times[keep]
    steps = np.maximum(1, np.round(np.diff(times) / typical)).astype(int)
    mended = int((~keep).sum() + (steps - 1).sum())
    turns = np.concatenate([[0.0], np.cumsum(steps)]) / per_rev
    speed = float((turns[-1] - turns[0]) / (times[-1] - times[0]))
    if not 0.67 * range_hz[0] <= speed <= 1.5 * range_hz[1] or mended > 0.2 * times.size:
        return None
    line = np.polynomial.Polynomial.fit(times, turns, 1)
    residual = turns - line(times)
    jitter_s = float(np.std(np.diff(times) / steps)) / np.sqrt(2)
    # Least squares of a straight line through the pulse times.
    sigma = speed * jitter_s / (np.sqrt(times.size) * np.std(times) / speed * speed)
    knots = int(np.clip(round((times[-1] - times[0]) * KNOTS_PER_S), 1, max(1, times.size // 3)))
    if np.ptp(residual) < 3e-4 * (turns[-1] - turns[0]) or knots < 3:
        law = AngleLaw(time_s=np.array([0.0, duration_s]), turns=np.array([float(line(0.0)), float(line(duration_s))]))
    else:
        grid = np.linspace(times[0], times[-1], knots + 1)
        at = np.interp(grid, times, turns)
        first_speed = (at[1] - at[0]) / (grid[1] - grid[0])
        last_speed = (at[-1] - at[-2]) / (grid[-1] - grid[-2])
        if grid[0] > 1e-6:
            grid, at = np.concatenate([[0.0], grid]), np.concatenate([[at[0] - first_speed * grid[0]], at])
        if grid[-1] < duration_s - 1e-6:
            at = np.concatenate([at, [at[-1] + last_speed * (duration_s - grid[-1])]])
            grid = np.concatenate([grid, [duration_s]])
        law = AngleLaw(time_s=grid, turns=at)
    note = f"{mended} missed or doubled pulses mended" if mended else ""
    estimate = SpeedEstimate(
        input_hz=law.mean_hz,
        uncertainty_hz=max(float(sigma), 1e-6 * law.mean_hz),
        method="tachometer",
        drift=law.drift,
        note=note,
    )
    return law, estimate
