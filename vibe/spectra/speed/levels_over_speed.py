"""Levels against speed, from a run-up or coast-down whose angle is known: segment by segment, at the speed of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import periodogram

from vibe.core.capture import Channel
from vibe.spectra.speed.tachometer import trains_of

Real = NDArray[np.float64]
BAND_HZ = (10.0, 1000.0)
"""Of velocity r.m.s.: the band of ISO 20816-1, which begins lower than most speeds of interest."""
LEAST_S, LEAST_TURNS = 0.5, 8.0
"""A segment: long enough for a level, short enough that its speed is one."""
LEAST_SEGMENTS = 6
"""A resonance has a flank on either side, of two segments each at least, and a top (our choice)."""
STANDS_OUT = 2.0
"""A resonance raises the line over what it is at both sides of it by this factor (common practice: 6 dB)."""
NEAR = 0.2
"""How far to both sides, relative to its speed, that is looked for."""
MOST_REACH = 0.1
"""And within how much speed, either side, a beat must be over for a peak to be left of a resonance: the half-power
width of one with a damping of 0.1."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeedLevels:
    """Arrays (n,) in the order of speed: Hz of the input, r.m.s. in m/s. ``resonances_hz``: where the line stands out.

    ``scatter``: relative standard uncertainty that the length of a segment leaves of noise in the whole band.
    ``read_hz``: the speeds between which a resonance would have been named; None where the speed changes too fast for
    that, compared with how slowly lines next to each other beat. ``elsewhere_m_s``: the highest velocity r.m.s. of
    segments whose speed is not known, None where there are none.
    """

    speed_hz: Real
    velocity_m_s: Real
    once_per_turn_m_s: Real
    resonances_hz: tuple[float, ...]
    scatter: float
    read_hz: tuple[float, float] | None
    elsewhere_m_s: float | None = None


TurnsInTime = tuple[Real, Real]
"""Turns of the input (n,) against time [s] (n,), both increasing: one part of a run whose angle is known."""


def turns_of_pulse(pulse: Channel) -> list[TurnsInTime]:
    """The longest train of a pulse; empty where it gives no speed."""
    trains = [train for _, train in trains_of(pulse)]
    if not trains:
        return []
    train = max(trains, key=lambda one: float(one.turns[-1]))
    return [(train.time_s, train.turns)]


def levels_over_speed(
    samples: NDArray[Any], sample_rate_hz: float, turning: Sequence[TurnsInTime], *, beat_turns: float = 0.0
) -> SpeedLevels | None:
    """Levels of acceleration ``samples`` [m/s²], shape (n,), in ``turning`` of time that began together with them.

    None where they turn for fewer segments than a curve needs. Velocity r.m.s. is that of
    a Hann-windowed periodogram divided by the angular frequency, line by line; the line once per turn is fitted to the
    turns themselves by least squares, so that a changing speed does not smear it. Lines next to it beat with it, the
    nearest once in ``beat_turns``, within which it rises and falls without any resonance: those are read off the mean
    square over whole beats, where the two no longer add in one phase or another.
    """
    rows, beats = [], []
    for time_s, turned in turning:
        own = _levels_along(samples, sample_rate_hz, time_s, turned)
        if len(own) == 0:
            continue
        speed, _, once, _, begin, end = np.array(own).T
        beats.append(_over_beats(speed, once, (begin + end) / 2, beat_turns))
        rows += own
    if len(rows) < LEAST_SEGMENTS:
        return None
    speed, velocity, once, length, _, _ = np.array(sorted(rows)).T
    over_beats = np.concatenate(beats, axis=1)
    over_beats = over_beats[:, np.argsort(over_beats[0], kind="stable")]
    low = 2 * (BAND_HZ[1] - BAND_HZ[0]) * float(np.median(length))
    return SpeedLevels(
        speed_hz=speed, velocity_m_s=velocity, once_per_turn_m_s=once,
        resonances_hz=_resonances(*over_beats), scatter=float(1 / np.sqrt(2 * low)),
        read_hz=_read(over_beats[0], over_beats[2]),
        elsewhere_m_s=_elsewhere(samples, sample_rate_hz, turning),
    )  # fmt: skip


def _levels_along(
    samples: NDArray[Any], sample_rate_hz: float, time_s: Real, turned: Real
) -> list[tuple[float, float, float, float, float, float]]:
    """Of each segment: speed, velocity, line once per turn, length, turns at its begin and its end."""
    rows = []
    for first, last in _segments(time_s, turned):
        a, b = (int(np.ceil(at * sample_rate_hz)) for at in (first, last))
        row = np.asarray(samples[a:b], dtype=np.float64)
        if row.size < 64 or not np.isfinite(row).all():
            continue
        at = np.arange(a, a + row.size) / sample_rate_hz
        turns = np.interp(at, time_s, turned)
        speed = float((turns[-1] - turns[0]) / (at[-1] - at[0]))
        once = _once_per_turn(row, turns, speed)
        rows.append((speed, _velocity(row, sample_rate_hz), once, last - first, float(turns[0]), float(turns[-1])))
    return rows


def _elsewhere(samples: NDArray[Any], sample_rate_hz: float, turning: Sequence[TurnsInTime]) -> float | None:
    """The highest velocity r.m.s. of segments that lie in none of ``turning``: it needs no speed."""
    length = int(LEAST_S * sample_rate_hz)
    found = None
    for first in range(0, samples.size - length + 1, max(1, length // 2)):
        begin, end = first / sample_rate_hz, (first + length) / sample_rate_hz
        if any(time_s[0] <= begin and end <= time_s[-1] for time_s, _ in turning):
            continue
        row = np.asarray(samples[first : first + length], dtype=np.float64)
        if np.isfinite(row).all():
            found = max(found or 0.0, _velocity(row, sample_rate_hz))
    return found


def _segments(time_s: Real, turns: Real) -> list[tuple[float, float]]:
    """(begin, end) [s], each half over the one before."""
    found: list[tuple[float, float]] = []
    begin = float(time_s[0])
    while True:
        done = float(np.interp(begin, time_s, turns)) + LEAST_TURNS
        if done > turns[-1]:
            return found
        end = max(begin + LEAST_S, float(np.interp(done, turns, time_s)))
        if end > time_s[-1]:
            return found
        found.append((begin, end))
        begin += (end - begin) / 2


def _velocity(row: Real, sample_rate_hz: float) -> float:
    frequency, density = periodogram(row, sample_rate_hz, window="hann", detrend="constant")
    inside = (frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1])
    power = density[inside] / (2 * np.pi * frequency[inside]) ** 2
    return float(np.sqrt(power.sum() * frequency[1]))


def _once_per_turn(row: Real, turns: Real, speed_hz: float) -> float:
    angle = 2 * np.pi * (turns - turns[0])
    model = np.column_stack([np.cos(angle), np.sin(angle), np.ones(row.size), np.linspace(-1, 1, row.size)])
    fitted = np.linalg.lstsq(model, row, rcond=None)[0]
    return float(np.hypot(fitted[0], fitted[1]) / np.sqrt(2) / (2 * np.pi * speed_hz))


def _over_beats(speed_hz: Real, line: Real, turns: Real, beat_turns: float) -> Real:
    """(3, segments): speeds of segments around whose middle (``turns``) a whole beat was measured, the line's root mean
    square over that beat, and how far in speed the beat reaches to either side, relative to its own."""
    kept, means, reaches = [], [], []
    for place, middle in enumerate(turns):
        if not turns.min() <= middle - beat_turns / 2 <= middle + beat_turns / 2 <= turns.max():
            continue
        inside = np.abs(turns - middle) <= beat_turns / 2 * (1 + 1e-9)
        # Segments lie closer together where the shaft turns slowly: every turn counts alike.
        order = np.argsort(turns[inside])
        at, square = turns[inside][order], line[inside][order] ** 2
        mean = np.trapezoid(square, at) / (at[-1] - at[0]) if at.size > 1 else square[0]
        kept.append(speed_hz[place])
        means.append(float(np.sqrt(mean)))
        reaches.append(float(np.ptp(speed_hz[inside])) / 2 / speed_hz[place])
    return np.array([kept, means, reaches])


def _read(speed_hz: Real, reach: Real) -> tuple[float, float] | None:
    """Lowest and highest speed at which a peak has both its sides and a beat ends soon enough; None of a range that is
    no wider than a resonance's sides."""
    good = speed_hz[1:-1][reach[1:-1] <= MOST_REACH]
    return (float(good.min()), float(good.max())) if good.size and good.max() > (1 + NEAR) * good.min() else None


def _resonances(speed_hz: Real, line: Real, reach: Real) -> tuple[float, ...]:
    """Speeds where the line is highest within their surroundings and stands out at both sides; ``reach``: by how much
    farther that is to be looked for."""
    found = []
    for place in range(1, speed_hz.size - 1):
        near = np.abs(speed_hz / speed_hz[place] - 1) <= NEAR + reach[place]
        below, above = near & (speed_hz < speed_hz[place]), near & (speed_hz > speed_hz[place])
        if not below.any() or not above.any() or line[place] < line[near].max():
            continue
        if line[place] >= STANDS_OUT * max(line[below].min(), line[above].min()):
            found.append(float(speed_hz[place]))
    return tuple(found)
