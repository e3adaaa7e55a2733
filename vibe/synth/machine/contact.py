"""Contacts in a turn: how load is shared over the angle, and forces that are smooth functions of an angle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft

from vibe.synth.machine.motion import TURN, Array

LOAD_WIDTH_TURNS = 1.0 / 3.0
"""About one third of the lobes share the load at a time (common practice)."""
LOAD_SIDE_TURNS = 0.2
"""The loaded third stands this far ahead of the eccentric's direction: it is on the side that gives torque."""
SENSOR_TURNS = 0.25
"""Radial sensors sit on top: a quarter turn from housing angle zero."""
SEGMENT_TABLE = 4096
"""Places of a contact's course that are tabulated, at least: a step is a fraction of any sample."""
MOST_HARMONICS = 900
"""Of the contact's course, for the sake of time: at 25 turns a second they reach beyond 20 kHz (our choice)."""


def half_cosine_harmonics(width_turns: float, count: int) -> Array:
    """Fourier coefficients 0..count of a half-cosine of unit height over ``width_turns`` of a turn (closed form).

    The half-cosine cos(pi x / w), |x| < w/2, has coefficient (2w/pi) cos(pi n w) / (1 - (2 n w)^2).
    """
    n = np.arange(count + 1)
    x = 2.0 * n * width_turns
    near = np.abs(1.0 - x) < 1e-9
    safe = np.where(near, 0.0, x)
    shape = np.where(near, np.pi / 4.0, np.cos(np.pi * safe / 2.0) / (1.0 - safe**2))
    return np.asarray(2.0 * width_turns / np.pi * shape)


def turn_of_parts(values: Array, window: Array) -> NDArray[np.complex128]:
    """Harmonics of the sum over equally spaced parts, part j of height values[j], each shaped by ``window``."""
    n = np.arange(window.size)
    spectrum = np.fft.fft(values)
    return np.asarray(window * spectrum[n % values.size])


def smooth_table(harmonics: NDArray[np.complex128]) -> Array:
    """One turn of the function with these one-sided harmonics, finely enough for linear interpolation."""
    size = max(SEGMENT_TABLE, 1 << int(np.ceil(np.log2(48 * max(harmonics.size, 2)))))
    full = np.zeros(size // 2 + 1, dtype=np.complex128)
    full[: harmonics.size] = harmonics
    table = np.asarray(irfft(full, size) * size, dtype=np.float64)
    return np.concatenate([table, table[:1]])


def look_up(table: Array, turns: Array) -> Array:
    """The tabulated function at angles given in turns (any number of them)."""
    place = (turns - np.floor(turns)) * (table.size - 1)
    whole = place.astype(np.int32)
    np.minimum(whole, table.size - 2, out=whole)
    low = table[whole]
    return np.asarray(low + (place - whole) * (table[whole + 1] - low))


def harmonic_limit(rate_hz: float, sample_rate_hz: float) -> int:
    """How many harmonics of a turn at ``rate_hz`` the recorder passes: more would fold back."""
    if rate_hz <= 0:
        return 1
    return int(min(MOST_HARMONICS, max(1, 0.45 * sample_rate_hz / (1.02 * rate_hz))))


def load_zone(angle_turns: Array, extent: float = 0.55, exponent: float = 1.5) -> Array:
    """Share of the highest load at an angle from the load's direction: Stribeck's distribution.

    (1 - (1 - cos a) / (2 extent))^exponent where positive (Harris, Rolling Bearing Analysis; exponent 1.5 for point
    contact), from memory of the source. Outside the zone centrifugal load and preload leave a twentieth.
    """
    inside = 1.0 - (1.0 - np.cos(TURN * angle_turns)) / (2.0 * extent)
    return np.maximum(np.maximum(inside, 0.0) ** exponent, 0.05)


def path(angle_turns: Array) -> Array:
    """How loud a force at a housing angle reads on a radial sensor: 1 beneath it, one half on the far side."""
    return np.asarray(0.75 + 0.25 * np.cos(TURN * (angle_turns - SENSOR_TURNS)))
