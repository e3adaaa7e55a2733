"""Tachometer pulses, signed pulses or an encoder's angle to an angle law.

What is read is the angle at many instants. It is smoothed as the integral of a speed that walks at random
(``speed_variation.py``), how freely being weighed and not chosen, so that the stated uncertainty holds what the pulses
leave open and what the speed may have done between and beyond them. It is relative to the recorder's own clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.evidence import SpeedEstimate
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.speed_variation import SmoothedTurns, smoothed, speed_priors

Real = NDArray[np.float64]

KNOTS_PER_S = 8.0
"""Knots of the law: faster speed changes than this are jitter of the pulse train."""
FEWEST_PULSES = 4
"""Three periods: fewer do not distinguish a steady train from chance."""
FEWEST_IN_BLOCK = 3
"""Pulses whose mean is one knot, at the least, where there are enough of them."""
MOST_BLOCKS = 128
"""Blocks that are smoothed together: the cost grows with their cube. Longer captures are followed knot by knot."""
NEIGHBOURS = 5
"""Gaps on either side with which a gap is compared."""
MOST_MENDED = 0.2
"""Share of pulses missed or doubled from which on the train makes no sense."""
EVEN_MARKS_TURNS = 8.0
"""Turns from which on the unevenness of several marks on one shaft is estimated and taken out."""
GROWS = 1.1
"""From one gap to the next: a shaft that is slowed down, and no jitter."""
AS_USUAL = 0.15
"""Relative difference from the usual gap up to which a shaft runs on at its speed."""
OUTLYING = 6.0
"""Robust deviations beyond which a single pulse is left out."""
STANDS_S = 0.5
"""Time without a pulse, beyond two gaps, from which on a shaft stood: below it no law is worth following."""
ENCODER_KNOTS_PER_S = 64.0
"""Rate at which an encoder's angle is read: a move that takes a second has some tens of knots."""


def pulse_times(samples: NDArray[np.float32], sample_rate_hz: float) -> Real:
    """Instants [s] at which the level rises through the middle, between samples, with hysteresis of a fifth."""
    finite = samples[np.isfinite(samples)]
    if finite.size < 3:
        return np.empty(0)
    low, high = np.quantile(finite, (0.001, 0.999))
    if not high > low:
        return np.empty(0)
    return _rises(samples, float(low), float(high)) / sample_rate_hz


def _rises(samples: NDArray[np.float32], low: float, high: float) -> Real:
    """Places, in samples, at which a level between ``low`` and ``high`` rises through their middle."""
    level = np.nan_to_num(samples, nan=low).astype(np.float64)
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
    result: Real = before + share * (rises - before)
    return result


def level_pulses(channel: Channel, *, signed: bool) -> tuple[Real, Real]:
    """Instants [s] of the pulses forwards and backwards; ``signed`` ones go up forwards and down backwards, from rest
    near zero. Of others nobody knows, and all are forwards."""
    if not signed:
        return pulse_times(channel.samples, channel.sample_rate_hz), np.empty(0)
    finite = channel.samples[np.isfinite(channel.samples)]
    if finite.size < 3 or not (swing := float(np.abs(finite).max())) > 0:
        return np.empty(0), np.empty(0)
    up, down = (_rises(sign * channel.samples, 0.0, swing) for sign in (np.float32(1.0), np.float32(-1.0)))
    # A pulse downwards comes back up to rest, not beyond it, so neither is mistaken for the other.
    return up / channel.sample_rate_hz, down / channel.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pulses:
    """A train of pulses of one direction: instants [s] and turns (n,), both increasing; how many were mended."""

    time_s: Real
    turns: Real
    per_rev: float
    mended: int


def train_of(times_s: Real, per_rev: float) -> Pulses | None:
    """Pulses with those that came twice dropped and those that were missed counted; None where too few are left.

    Each gap is compared with its neighbours, whose trend is followed, so that a shaft that speeds up misses none.
    """
    times = times_s
    if times.size < FEWEST_PULSES:
        return None
    doubled = 0
    for _ in range(3):
        gaps = np.diff(times)
        early = gaps < 0.5 * _usual(gaps)[0]
        # Of several in a row only every second is judged: once it is gone the next gap is another one.
        early[1:] &= ~early[:-1]
        if not early.any() or times.size - early.sum() < FEWEST_PULSES:
            break
        times = np.delete(times, np.flatnonzero(early) + 1)
        doubled += int(early.sum())
    gaps = np.diff(times)
    usual, multiples = _usual(gaps)
    steps = np.maximum(1, np.rint(gaps / usual)).astype(int)
    steps[~multiples & _changing(gaps)] = 1
    mended = doubled + int((steps - 1).sum())
    if mended > MOST_MENDED * times.size:
        return None
    turns = np.concatenate([[0.0], np.cumsum(steps)]) / per_rev
    return Pulses(time_s=times, turns=turns, per_rev=per_rev, mended=mended)


def _changing(gaps: Real) -> NDArray[np.bool_]:
    """Gaps that are longer than their neighbours because the shaft changes its speed, and not for a pulse missed."""
    before, after = np.concatenate([[np.inf], gaps[:-1]]), np.concatenate([gaps[1:], [np.inf]])
    # Between a longer and a shorter one, in a run-up or a stop.
    changing = (np.maximum(before, after) > gaps) & (gaps < 1.6 * np.minimum(before, after))
    # Where gaps grow towards a long one from both sides: there the shaft stops and starts again.
    grown = gaps[1:] / gaps[:-1]
    slowing = np.concatenate([[False, False], grown[:-1] > GROWS])
    changing |= slowing & np.concatenate([grown[1:] < 1 / GROWS, [False, False]])
    # The outermost ones are not judged where the next ones still change.
    if gaps.size > 2:
        changing[0] |= gaps[1] > GROWS * gaps[2]
        changing[-1] |= gaps[-2] > GROWS * gaps[-3]
    return np.asarray(changing)


def _usual(gaps: Real) -> tuple[Real, NDArray[np.bool_]]:
    """What each gap would be by its neighbours, and whether these are all whole multiples of it, as they are but for
    pulses that were missed: then it is the middle of them, else their middle along their trend."""
    width = 2 * NEIGHBOURS + 1
    if gaps.size < width:
        usual = np.full(gaps.size, float(np.median(gaps)))
        return usual, np.full(gaps.size, bool(_are_multiples(gaps / usual).mean() > 0.9))
    logs = np.log(gaps)
    windows = np.lib.stride_tricks.sliding_window_view(logs, width)
    # Theil and Sen's slope, from pairs half a window apart.
    slope = np.median(windows[:, NEIGHBOURS + 1 :] - windows[:, :NEIGHBOURS], axis=1) / (NEIGHBOURS + 1)
    number = np.clip(np.arange(gaps.size) - NEIGHBOURS, 0, windows.shape[0] - 1)
    away = number[:, None] + np.arange(width) - np.arange(gaps.size)[:, None]
    plain = np.median(windows, axis=1)
    multiples = (np.count_nonzero(~_are_multiples(np.exp(windows - plain[:, None])), axis=1) <= 1)[number]
    trended = np.median(windows[number] - slope[number, None] * away, axis=1)
    return np.asarray(np.exp(np.where(multiples, plain[number], trended))), np.asarray(multiples)


def _are_multiples(times: Real) -> NDArray[np.bool_]:
    return np.asarray(np.abs(times - np.maximum(np.rint(times), 1.0)) < 0.2)


def trains_of(channel: Channel) -> list[tuple[bool, Pulses]]:
    """Trains of one direction (forwards or not), from pulses, signed pulses or an angle; a standstill ends one."""
    return _of_angle(channel) if channel.quantity == "angle" else _of_pulses(channel)


def _of_pulses(channel: Channel) -> list[tuple[bool, Pulses]]:
    """Trains of one direction: pulses without one of the other direction, or a standstill, between them."""
    per_rev = channel.pulses_per_rev or 1.0
    ahead, back = level_pulses(channel, signed=channel.quantity == "signed pulses")
    times = np.concatenate([ahead, back])
    order = np.argsort(times)
    times, way = times[order], np.concatenate([np.ones(ahead.size), -np.ones(back.size)])[order]
    gaps = np.diff(times)
    parts = np.flatnonzero((np.diff(way) != 0) | _stood(gaps)) + 1
    trains = []
    for own, sign in zip(np.split(times, parts), np.split(way, parts), strict=True):
        train = train_of(own, per_rev)
        if train is not None:
            trains.append((bool(sign[0] > 0), train))
    return trains


def _stood(gaps: Real) -> NDArray[np.bool_]:
    """Gaps in which the shaft stood: long ones, unless it runs before and after as if nothing had been."""
    if gaps.size == 0:
        return np.zeros(0, dtype=bool)
    usual = float(np.median(gaps))
    long = gaps > max(STANDS_S, 6.0 * usual)
    neighbours = np.stack([np.concatenate([[np.inf], gaps[:-1]]), np.concatenate([gaps[1:], [np.inf]])])
    running = (np.abs(neighbours / usual - 1) < AS_USUAL).all(axis=0)
    return np.asarray(long & ~running)


def _of_angle(channel: Channel) -> list[tuple[bool, Pulses]]:
    """The angle [turns] as trains of one direction, read ``ENCODER_KNOTS_PER_S`` times a second."""
    samples = channel.samples.astype(np.float64)
    known = np.flatnonzero(np.isfinite(samples))
    if known.size < FEWEST_PULSES:
        return []
    turns = np.interp(np.arange(samples.size), known, samples[known])
    if np.abs(np.diff(turns)).max() > 0.5:
        # An angle within the turn, which begins again at every turn.
        turns = np.unwrap(turns, period=1.0)
    width = max(1, int(channel.sample_rate_hz / ENCODER_KNOTS_PER_S))
    count = samples.size // width
    if count < FEWEST_PULSES:
        return []
    # Means of neighbours read the middle of their time; the ends are taken as they stand.
    mean = turns[: count * width].reshape(count, width).mean(axis=1)
    time = np.asarray(((np.arange(count) + 0.5) * width - 0.5) / channel.sample_rate_hz, dtype=np.float64)
    step = np.diff(mean)
    quiet = np.abs(step) <= 0.02 * np.quantile(np.abs(step), 0.95)
    sign = np.where(quiet, 0, np.sign(step)).astype(int)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(sign)) + 1, [sign.size]])
    trains = []
    for a, b in pairwise(edges):
        if sign[a] != 0 and b - a + 1 >= FEWEST_PULSES:
            own: Real = np.abs(mean[a : b + 1] - mean[a]).astype(np.float64)
            trains.append((bool(sign[a] > 0), Pulses(time_s=time[a : b + 1], turns=own, per_rev=1.0, mended=0)))
    return trains


def speed_from_tachometer(
    channel: Channel, range_hz: tuple[float, float], duration_s: float
) -> tuple[AngleLaw, SpeedEstimate] | None:
    """The angle law from the pulses, missed and doubled ones mended; None when they make no sense, or when the shaft
    stands for a part of the time (see ``motion_intervals.py``).

    ``range_hz``: the speed must lie within it, widened by half (a wrong ``pulses_per_rev`` is thereby noticed).
    """
    trains = trains_of(channel)
    if len(trains) != 1:
        return None
    train = trains[0][1]
    start, end = float(train.time_s[0]), float(train.time_s[-1])
    first, last = train.time_s[1] - start, end - train.time_s[-2]
    if start > max(STANDS_S, 3 * first) or duration_s - end > max(STANDS_S, 3 * last):
        return None
    speed = float(train.turns[-1]) / (end - start)
    if not 0.67 * range_hz[0] <= speed <= 1.5 * range_hz[1]:
        return None
    return law_of(train, duration_s, channel.sample_rate_hz)


def law_of(train: Pulses, duration_s: float, sample_rate_hz: float) -> tuple[AngleLaw, SpeedEstimate] | None:
    """The angle law of a train from 0 to ``duration_s``, which holds all of it; None where the arithmetic has no hold.

    The standard uncertainty is that of the mean speed over ``duration_s``. The jitter is what pulses do besides their
    neighbours. Besides, either end is read to the width of a sample (variance 1/12 each): pulses that beat slowly with
    the samples are off alike for long.
    """
    if train.time_s.size < FEWEST_PULSES:
        return None
    time, turns = train.time_s, even_marks(train)
    mean_hz = float((turns[-1] - turns[0]) / (time[-1] - time[0]))
    block = _blocks(time)
    at, angle, count, jitter = _block_means(time, turns, block)
    step = mean_hz / sample_rate_hz
    noise = np.maximum(jitter, 0.01 * step) ** 2 / count
    law, smooth = _smoothed(at, angle, noise, duration_s, mean_hz) if at.size <= MOST_BLOCKS else (None, None)
    about = 0.0 if smooth is None else smooth.about
    if law is None or smooth is None:
        coarse = _thinned(at.size)
        pick = [np.add.reduceat(values * count, coarse) / np.add.reduceat(count, coarse) for values in (at, angle)]
        spread = np.add.reduceat(noise * count**2, coarse) / np.add.reduceat(count, coarse) ** 2
        rough, smooth = _smoothed(pick[0], pick[1], spread, duration_s, mean_hz)
        if rough is None or smooth is None:
            return None
        by_knots = not smooth.steady and at.size >= 3
        law = _knot_by_knot(at, angle, duration_s) if by_knots else rough
        # Knots that nothing smooths are as uncertain as what was measured at them.
        about = float(np.sqrt(noise.mean())) if by_knots else smooth.about
    if law is None:
        return None
    note = f"{train.mended} missed or doubled pulses corrected" if train.mended else ""
    return law, SpeedEstimate(
        input_hz=law.mean_hz,
        uncertainty_hz=max(float(np.hypot(smooth.end_to_end, step / np.sqrt(6.0))) / duration_s, 1e-6 * law.mean_hz),
        method="tachometer",
        drift=law.drift,
        note=note,
        angle_turns=about,
    )


def even_marks(train: Pulses) -> Real:
    """The turns of the pulses, with the unevenness of several marks on one shaft taken out: what each is off by, on
    average over all turns."""
    per_rev = round(train.per_rev)
    turns = train.turns
    if per_rev < 2 or abs(train.per_rev - per_rev) > 1e-9 or np.ptp(turns) < EVEN_MARKS_TURNS:
        return turns
    # Against the mean over one turn, which holds every mark once.
    smooth = np.interp(train.time_s, *_running(train.time_s, turns, per_rev))
    mark = np.rint(turns * per_rev).astype(int) % per_rev
    inside = slice(per_rev, -per_rev)
    off = np.zeros(per_rev)
    for number in range(per_rev):
        own = (turns - smooth)[inside][mark[inside] == number]
        off[number] = float(np.median(own)) if own.size else 0.0
    result: Real = turns - (off - off.mean())[mark]
    return result


def _running(time_s: Real, turns: Real, width: int) -> tuple[Real, Real]:
    """Means of ``width`` neighbours of both."""
    sums = [np.concatenate([[0.0], np.cumsum(values)]) for values in (time_s, turns)]
    means = [(total[width:] - total[:-width]) / width for total in sums]
    return means[0], means[1]


def _blocks(time_s: Real) -> NDArray[np.intp]:
    """First pulses of the blocks that are averaged: of ``1 / KNOTS_PER_S`` each, and a few pulses."""
    number = np.floor((time_s - time_s[0]) * KNOTS_PER_S).astype(int)
    firsts = np.flatnonzero(np.diff(number, prepend=-1))
    least = min(FEWEST_IN_BLOCK, max(1, time_s.size // 4))
    kept = [0]
    for first in firsts[1:]:
        if first - kept[-1] >= least and time_s.size - first >= least:
            kept.append(int(first))
    return np.array(kept)


def _block_means(time_s: Real, turns: Real, block: NDArray[np.intp]) -> tuple[Real, Real, Real, float]:
    """Middle instants and angles of the blocks, how many pulses each holds, and the jitter of one [turns].

    A mean over a bent segment lies off the bend: means are taken of what a law through earlier means leaves.
    """
    count = np.diff(np.append(block, time_s.size)).astype(np.float64)
    at = np.add.reduceat(time_s, block) / count
    angle = np.add.reduceat(turns, block) / count
    weight = np.ones(time_s.size)
    left = turns * 0.0
    for _ in range(3):
        left = turns - _through(at, angle, time_s)
        change = np.diff(left, 2)
        usual = 1.4826 * float(np.median(np.abs(left - np.median(left))))
        weight = (np.abs(left - np.median(left)) <= max(OUTLYING * usual, 1e-12)).astype(np.float64)
        if at.size < 2:
            break
        held = np.maximum(np.add.reduceat(weight, block), 1e-9)
        angle = angle + np.add.reduceat(weight * left, block) / held
    held = np.add.reduceat(weight, block)
    good = weight[1:-1] * weight[:-2] * weight[2:] > 0
    change = np.diff(left, 2)[good]
    # Second differences of white jitter have six times its variance.
    jitter = float(np.sqrt(np.mean(change**2) / 6)) if change.size else float(np.std(left))
    within = float(np.sqrt(np.mean(left[weight > 0] ** 2))) if (weight > 0).any() else jitter
    return at, angle, np.maximum(held, 1.0), max(jitter, within if at.size > 2 else 0.0)


def _through(at: Real, angle: Real, time_s: Real) -> Real:
    """A smooth law through knots, at ``time_s``; beyond the ends the end speeds are held."""
    if at.size < 3:
        line = np.polynomial.Polynomial.fit(at, angle, 1) if at.size == 2 else None
        return np.asarray(line(time_s) if line is not None else np.full(time_s.size, angle.mean()))
    return AngleLaw(time_s=at, turns=angle).at(time_s) if np.all(np.diff(angle) > 0) else np.interp(time_s, at, angle)


def _thinned(size: int) -> NDArray[np.intp]:
    return np.unique(np.linspace(0, size, min(size, MOST_BLOCKS), endpoint=False).astype(np.intp))


def _smoothed(
    at: Real, angle: Real, noise: Real, duration_s: float, mean_hz: float
) -> tuple[AngleLaw | None, SmoothedTurns | None]:
    """The law and how far it can be trusted, from angles at ``at`` with the variances ``noise``."""
    weight = 1.0 / np.maximum(noise, 1e-18)
    deviation = angle - mean_hz * at
    # Where angles are counted from is open: what a constant would do says nothing.
    precision = np.diag(weight) - np.outer(weight, weight) / weight.sum()
    priors = speed_priors(at, duration_s=duration_s, mean_hz=mean_hz)
    smooth = smoothed(priors, precision, precision @ deviation, how_sure=True)
    if smooth is None:
        return None, None
    curve = smooth.values
    start = float((weight * (deviation - np.interp(at, smooth.time_s, curve))).sum() / weight.sum())
    turns = start + mean_hz * smooth.time_s + curve
    keep = np.concatenate([[True], np.diff(smooth.time_s) > 1e-9])
    time, turns = smooth.time_s[keep], turns[keep]
    if smooth.steady:
        time, turns = time[[0, -1]], turns[[0, -1]]
    if not np.all(np.diff(turns) > 0):
        return None, None
    return AngleLaw(time_s=time, turns=turns), smooth


def _knot_by_knot(at: Real, angle: Real, duration_s: float) -> AngleLaw | None:
    """The law through the blocks themselves, end speeds held to the ends."""
    first, last = (angle[1] - angle[0]) / (at[1] - at[0]), (angle[-1] - angle[-2]) / (at[-1] - at[-2])
    time = np.concatenate([[0.0], at, [duration_s]])
    turns = np.concatenate([[angle[0] - first * at[0]], angle, [angle[-1] + last * (duration_s - at[-1])]])
    if not np.all(np.diff(turns) > 0) or not np.all(np.diff(time) > 0):
        return None
    return AngleLaw(time_s=time, turns=turns)
