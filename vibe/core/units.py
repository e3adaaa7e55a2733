"""Units at the door: what users write, in SI.

Inside, acceleration is m/s², velocity m/s, displacement m, speed Hz; names carry the unit.
"""

from __future__ import annotations

import math

STANDARD_GRAVITY_M_S2 = 9.80665
"""CGPM 1901, the conventional value of g."""

DAY_S = 86400.0
"""Seconds of a day."""

TO_SI: dict[str, tuple[str, float]] = {
    "m/s^2": ("acceleration", 1.0),
    "mm/s^2": ("acceleration", 1e-3),
    "g": ("acceleration", STANDARD_GRAVITY_M_S2),
    "mg": ("acceleration", STANDARD_GRAVITY_M_S2 * 1e-3),
    "m/s": ("velocity", 1.0),
    "mm/s": ("velocity", 1e-3),
    "um": ("displacement", 1e-6),
    "mm": ("displacement", 1e-3),
    "m": ("displacement", 1.0),
}
"""Unit -> (quantity, factor to SI)."""

VOLTS: dict[str, float] = {"V": 1.0, "mV": 1e-3}
"""Electrical units: need a sensitivity before they mean motion."""

TO_TURNS: dict[str, float] = {"turn": 1.0, "deg": 1.0 / 360.0, "rad": 1.0 / (2.0 * math.pi), "count": 1.0}
"""Units of an encoder's angle -> turns; counts are scaled by the counts per turn (``pulses_per_rev``)."""

ALIASES: dict[str, str] = {
    "m/s²": "m/s^2",
    "m/s2": "m/s^2",
    "m/s**2": "m/s^2",
    "m/sec^2": "m/s^2",
    "m*s^-2": "m/s^2",
    "mm/s²": "mm/s^2",
    "mm/s2": "mm/s^2",
    "G": "g",
    "gn": "g",
    "g's": "g",
    "mm/sec": "mm/s",
    "µm": "um",
    "μm": "um",
    "volt": "V",
    "volts": "V",
    "v": "V",
    "mv": "mV",
    "turns": "turn",
    "rev": "turn",
    "revs": "turn",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "radian": "rad",
    "radians": "rad",
    "counts": "count",
}


def plain_unit(text: str) -> str:
    """The spelling used here for a unit as somebody wrote it (unknown ones come back as they are)."""
    stripped = text.strip()
    return ALIASES.get(stripped, stripped)


def hz(rpm: float) -> float:
    """Turns per minute -> turns per second."""
    return rpm / 60.0


def rpm(hz_value: float) -> float:
    """Turns per second -> turns per minute."""
    return hz_value * 60.0
