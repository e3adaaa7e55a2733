"""Whether a capture is fair: what it is said to show stands in it, for who knows the drive and its true speed.

These are rules on levels alone. They count lines where the angles of the bodies say that they must be.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import ifft, rfft

from tests.worlds.route_bench import TAU, Array, Bins, Design, Floats, Motion, rates


def _on_angle(values: Array | Floats, motion: Motion) -> tuple[Array, float]:
    """Powers over order of the input, by the true angle; bins are 1 / turns wide."""
    angle = motion.angle(len(values))
    even = np.linspace(angle[0], angle[-1], len(values))
    turned = np.interp(even, angle, values)
    power = np.abs(rfft((turned - turned.mean()) * np.hanning(len(turned)))) ** 2
    return power, float(angle[-1] - angle[0]) / TAU


def _over_floor(power: Array, bins: Array) -> Array:
    """How far lines stand over the mean of noise around them, in power. A line may be a bin off.

    The mean of noise is taken from its lower quarter (0.288 of the mean where powers are exponential), since between a
    drive's lines little is left free.
    """
    out: list[float] = []
    for place in np.round(bins).astype(int):
        near = power[max(2, place - 40) : place + 41]
        out.append(power[max(0, place - 1) : place + 2].max() / (np.quantile(near, 0.25) / 0.288) if len(near) else 0.0)
    return np.array(out)


def lines_standing(values: Array | Floats, motion: Motion, design: Design, rate_hz: float) -> tuple[int, int]:
    """How many lines of the drive stand 10 dB over the noise: of the disc past its eccentric (lobes, pins and output
    pins; none that are multiples of the input's turn), and of the first five at which lobes pass the pins."""
    rate = rates(design)
    disc_step = abs(rate[f"{design.stage}.eccentric"] - rate[f"{design.stage}.disc"])
    power, turns = _on_angle(values, motion)
    highest = 0.42 * rate_hz / float(motion.speed_hz.mean())
    multiples: Array = np.asarray(np.arange(1, 3 * design.lobes + 1) * disc_step, dtype=np.float64)
    away = np.abs(multiples - np.round(multiples)) * turns > 3
    multiples = multiples[(multiples < highest) & away & (multiples * turns > 8)]
    mesh: Array = np.asarray(np.arange(1, 6) * design.lobes * disc_step, dtype=np.float64)
    return (
        int(np.sum(_over_floor(power, multiples * turns) > 10)),
        int(np.sum(_over_floor(power, mesh[mesh < highest] * turns) > 10)),
    )


def runs_visibly(channels: list[Floats], motion: Motion, design: Design, rate_hz: float) -> bool:
    """Six lines stand at one of the points, four of them of the disc."""
    for values in channels:
        disc, mesh = lines_standing(values, motion, design, rate_hz)
        if disc >= 4 and disc + mesh >= 6:
            return True
    return False


def envelope_lines(bins: Bins, band_hz: tuple[float, float], rate_hz: float, motion: Motion, order: float) -> Array:
    """Six multiples of ``order`` in the squared envelope of a band: power, floors of the same."""
    per_bin = (len(bins) - 1) / (rate_hz / 2)
    piece = bins[int(band_hz[0] * per_bin) : int(band_hz[1] * per_bin)]
    power, turns = _on_angle(np.abs(ifft(piece)) ** 2, motion)
    wanted: Array = np.asarray(np.arange(1, 7) * order * turns, dtype=np.float64)
    wanted = wanted[wanted < len(power) - 50]
    peaks = np.array([power[max(0, p - 1) : p + 2].max() for p in np.round(wanted).astype(int)])
    return np.stack([peaks, _over_floor(power, wanted)])


def damage_visibly(whole: Bins, without: Bins, rate_hz: float, motion: Motion, order: float) -> bool:
    """Three of six multiples stand 6 dB over the noise of some band's envelope, and 3 dB over what the drive without
    its damage shows there."""
    for low in (250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0):
        band = (low, min(2 * low, 0.45 * rate_hz))
        if band[1] < 1.3 * low:
            break
        now = envelope_lines(whole, band, rate_hz, motion, order)
        if np.sum(now[1] > 4) >= 3:
            before = envelope_lines(without, band, rate_hz, motion, order)
            if np.sum((now[1] > 4) & (now[0] > 2 * before[0])) >= 3:
                return True
    return False
