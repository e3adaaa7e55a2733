"""Impacts of a known size, to be added to a capture's own samples: would they have been found there?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw

LOWEST_RING_HZ, HIGHEST_RING_HZ = 1500.0, 8000.0
"""Casings of reducers ring somewhere here; a stud passes 10 kHz (common practice)."""
HIGHEST_OF_RATE = 0.35
"""And the recorder's filter leaves what lies below this share of the sample rate (common practice: 0.39)."""
DAMPING = 0.03
"""Of casing resonances, as a share of the critical one (common practice: 0.02 to 0.05)."""
RING_TIMES = 5.0
"""Time constants after which a ring is over: below one per cent."""
SLIP_JITTER = 0.01
"""Random slip from one repeat to the next, as a share of it (Randall and Antoni 2011: 1 to 2 %)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantRequest:
    """Impacts that repeat ``order`` times per turn, with random slip where ``slips``; ``sidebands``: orders of what
    carries them through the load, the largest impact where that is highest."""

    order: float
    slips: bool
    sidebands: tuple[float, ...] = ()


def with_planted(
    samples: NDArray[np.float32],
    sample_rate_hz: float,
    law: AngleLaw,
    request: PlantRequest,
    *,
    size_m_s2: float,
    seed: int,
    channel: int,
    part: tuple[float, float],
) -> NDArray[np.float32]:
    """Samples (n,) [m/s²] with impacts of that peak at the instants of ``seed``; each ``channel`` rings at its own
    resonance, in that ``part`` of the range, 0 to 1."""
    resonance = ring_hz(sample_rate_hz, np.random.default_rng([seed, channel]), *part)
    impacts = planted(samples.size, sample_rate_hz, law, request, resonance, seed)
    return np.asarray(samples + np.float32(size_m_s2) * impacts, dtype=np.float32)


def ring_hz(sample_rate_hz: float, rng: np.random.Generator, low: float = 0.0, high: float = 1.0) -> float:
    """A resonance that a casing may have and the capture passes, any octave alike; in that part of the range."""
    top = min(HIGHEST_RING_HZ, HIGHEST_OF_RATE * sample_rate_hz)
    bottom = min(LOWEST_RING_HZ, 0.5 * top)
    return float(bottom * (top / bottom) ** rng.uniform(low, high))


def planted(
    count: int, sample_rate_hz: float, law: AngleLaw, request: PlantRequest, resonance_hz: float, seed: int
) -> NDArray[np.float32]:
    """``count`` samples of decaying rings, the largest with a peak of 1; one ``seed``, one set of instants."""
    rng = np.random.default_rng(seed)
    turns, weights = _repeats(law, request, rng)
    times = law.when(turns)
    rate, omega = sample_rate_hz, 2 * np.pi * resonance_hz
    length = int(np.ceil(RING_TIMES / (DAMPING * omega) * rate)) + 1
    first = np.ceil(times * rate).astype(np.int64)
    good = (first >= 0) & (first < count)
    times, first, weights = times[good], first[good], weights[good]
    result = np.zeros(count + length)
    for k in range(length):
        since = (first + k) / rate - times
        np.add.at(result, first + k, weights * np.exp(-DAMPING * omega * since) * np.sin(omega * since))
    # The first crest of the ring: a quarter of a period after the strike, a little damped.
    crest = np.arctan2(1.0, DAMPING)
    top = np.exp(-DAMPING * crest) * np.sin(crest)
    return np.asarray(result[:count] / top, dtype=np.float32)


def _repeats(
    law: AngleLaw, request: PlantRequest, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turns at which the part strikes, and how large each strike is."""
    start, end = float(law.turns[0]), float(law.turns[-1])
    number = int((end - start) * request.order) + 2
    steps = np.ones(number)
    if request.slips:
        steps += SLIP_JITTER * rng.standard_normal(number)
    turns = start + (rng.uniform() + np.cumsum(steps) - steps[0]) / request.order
    weights = np.ones(number)
    for side in request.sidebands[:1]:
        weights *= 0.5 + 0.5 * np.cos(2 * np.pi * (side * turns + rng.uniform()))
    return turns, weights


def requested(order: float, slip: tuple[float, float], sidebands: Sequence[float]) -> PlantRequest:
    """Of a tone: where its usual slip, the middle of its window, puts it."""
    return PlantRequest(
        order=order * (1 + sum(slip) / 2), slips=any(slip), sidebands=tuple(sorted(sidebands)[:1])
    )  # fmt: skip
