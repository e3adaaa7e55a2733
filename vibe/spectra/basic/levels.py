"""Broad-band levels of one point: how much it shakes, all causes together.

Velocity r.m.s. runs over 10-1000 Hz, from 2 Hz when the machine turns below 600 r/min (ISO 20816-3 practice).
Acceleration above 5 kHz concerns grease and surfaces (common practice). All r.m.s. figures share one transform.
No peak-to-peak displacement is given: limits for it hold for shafts, which a sensor on the housing does not see.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import TURNING, Channel
from vibe.core.evidence import Level
from vibe.spectra.basic.fft import fast_length, rfft
from vibe.spectra.basic.integration import differentiate

SLOW_MACHINE_HZ = 10.0
"""600 r/min: below it the velocity band starts at 2 Hz (ISO 10816-3:2009)."""
VELOCITY_BAND_HZ = (10.0, 1000.0)
"""ISO 20816-3 and ISO 10816-3."""
SLOW_VELOCITY_BAND_HZ = (2.0, 1000.0)
"""The same standards, for slow machines."""
HIGH_FROM_HZ = 5000.0
"""Common practice for lubrication and surface condition."""
_BLOCK_S = 0.1
"""Blocks of the typical kurtosis: several turns of a motor, many blocks in a capture (common practice)."""

_PIECES = 12
"""Pieces of a capture in more than half of which impacts must stand to last (common practice)."""


def velocity_band_hz(input_hz: float | None) -> tuple[float, float]:
    """The band in which vibration velocity is judged at that input speed; the usual one when it is unknown."""
    slow = input_hz is not None and input_hz < SLOW_MACHINE_HZ
    return SLOW_VELOCITY_BAND_HZ if slow else VELOCITY_BAND_HZ


def _power_lines(row: NDArray[Any], sample_rate_hz: float, low_hz: float) -> tuple[PowerLines, float]:
    """Mean square per line (one-sided) and the step between lines [Hz].

    The ends are tapered over three periods of the lowest frequency wanted (a tenth of the row at least): a record
    that ends elsewhere than it began would otherwise spill into the low lines, which integration then multiplies.
    """
    n = row.size
    taper = min(n // 2, max(n // 10, int(3.0 * sample_rate_hz / low_hz)))
    rise = (0.5 - 0.5 * np.cos(np.pi * (np.arange(taper) + 0.5) / taper)).astype(row.dtype)
    tapered = row.copy()
    tapered[:taper] *= rise
    tapered[n - taper :] *= rise[::-1]
    kept = (n - 2 * taper) + 2.0 * float(np.dot(rise, rise))
    length = fast_length(n)
    return PowerLines(lines=rfft(tapered, length), length=length, scale=2.0 / (length * kept)), sample_rate_hz / length


@dataclass(frozen=True, slots=True, eq=False)
class PowerLines:
    """Mean square per line, one-sided, worked out where it is asked for, from the ``lines`` of a transform of
    ``length``."""

    lines: NDArray[Any]
    length: int
    scale: float

    def between(self, first: int, last: int) -> NDArray[np.float64]:
        """Of the lines from ``first`` up to, not including, ``last``."""
        lines = self.lines[first:last]
        # In double precision: squares of single numbers run out of range where units are far from human ones.
        power: NDArray[np.float64] = np.square(lines.real, dtype=np.float64)
        power += np.square(lines.imag, dtype=np.float64)
        power *= self.scale
        if power.size and first == 0:
            power[0] *= 0.5
        if power.size and self.length % 2 == 0 and last >= self.lines.size:
            power[-1] *= 0.5
        return power


def _band_rms(power: PowerLines, step_hz: float, band_hz: tuple[float, float], omega_power: int) -> float:
    """R.m.s. within a band of the quantity that is (2 pi f) ** ``omega_power`` times the measured one."""
    first = max(1, int(np.ceil(band_hz[0] / step_hz - 1e-9)))
    last = min(power.lines.size, int(np.floor(band_hz[1] / step_hz + 1e-9)) + 1)
    inside = power.between(first, last)
    if omega_power:
        inside *= (2.0 * np.pi * step_hz * np.arange(first, first + inside.size)) ** (2 * omega_power)
    return float(np.sqrt(inside.sum()))


def _largest(row: NDArray[Any]) -> float:
    return float(max(row.max(), -row.min()))


def kurtosis(row: NDArray[Any]) -> float:
    """Fourth moment over the square of the second, about the mean: 3.0 for Gaussian noise, 1.5 for a sine.

    0.0 for a row that does not move. One stray shock can lift it as much as a damaged bearing does.
    """
    centred = row - row.dtype.type(row.mean(dtype=np.float64))
    largest = _largest(centred)
    if largest == 0.0:
        return 0.0
    centred /= largest
    square = np.square(centred, out=centred)
    second = float(np.mean(square, dtype=np.float64))
    return float(np.mean(np.square(square, out=square), dtype=np.float64)) / second**2


def typical_kurtosis(row: NDArray[Any], sample_rate_hz: float) -> float:
    """Median of the kurtosis of short blocks: repeated impacts lift it, a stray shock falls into one block only.

    0.0 for a row shorter than one block or that does not move.
    """
    return _median_kurtosis(row, max(16, round(_BLOCK_S * sample_rate_hz)))


def lasting_kurtosis(row: NDArray[Any]) -> float:
    """Median of the kurtosis of twelve equal pieces: impacts lift it that last all the capture, however slowly they
    repeat, while a few single shocks fall into a few pieces.

    0.0 for a row that is too short or does not move.
    """
    return _median_kurtosis(row, max(16, row.size // _PIECES))


def _median_kurtosis(row: NDArray[Any], block: int) -> float:
    count = row.size // block
    if count == 0:
        return 0.0
    table = row[: count * block].reshape(count, block)
    centred = table - table.mean(axis=1, keepdims=True)
    largest = _largest(centred)
    if largest == 0.0:
        return 0.0
    centred /= largest
    square = np.square(centred, out=centred)
    second = square.mean(axis=1)
    fourth = np.square(square, out=square).mean(axis=1)
    return float(np.median(np.divide(fourth, second**2, out=np.zeros_like(fourth), where=second > 0)))


def levels(
    channel: Channel, *, input_hz: float | None, usable_band_hz: tuple[float, float] | None = None
) -> tuple[Level, ...]:
    """Broad-band levels of a vibration channel without NaN; nothing for a tachometer.

    ``usable_band_hz`` narrows every band to what sensor and mounting can be trusted with. A band's true ends stand in
    ``band_hz``; a measure whose band the capture does not reach, or too short a capture (under three periods of the
    lowest frequency), is left out.

    Measures, units: ``velocity_rms`` mm/s; ``displacement_rms`` um in the same band; ``acceleration_rms`` and
    ``acceleration_peak`` (highest sample off the mean, not a scaled r.m.s.) m/s^2; ``crest_factor`` (their ratio),
    ``kurtosis`` (3 for noise), ``kurtosis_typical`` and ``kurtosis_lasting`` (which a stray shock cannot lift) without
    unit;
    ``acceleration_rms_high`` m/s^2 above 5 kHz. A velocity channel is differentiated for the acceleration figures; a
    displacement channel gives displacement and velocity only, its second derivative being mostly noise.
    """
    if channel.quantity in TURNING or channel.samples.size < 16:
        return ()
    rate, name = channel.sample_rate_hz, channel.name
    lowest, highest = usable_band_hz or (0.0, rate / 2.0)
    highest = min(highest, rate / 2.0)
    low, high = velocity_band_hz(input_hz)
    low, high = max(low, lowest), min(high, highest)
    row = channel.samples - np.float32(channel.samples.mean(dtype=np.float64))
    long_enough = channel.duration_s * low >= 3.0

    found: list[Level] = []
    power, step = _power_lines(row, rate, low)
    to_velocity = {"acceleration": -1, "velocity": 0, "displacement": 1}[channel.quantity]
    if long_enough and high > 2.0 * low:
        band = (low, high)
        velocity = 1e3 * _band_rms(power, step, band, to_velocity)
        displacement = 1e6 * _band_rms(power, step, band, to_velocity - 1)
        found.append(Level(point=name, measure="velocity_rms", value=velocity, unit="mm/s", band_hz=band))
        found.append(Level(point=name, measure="displacement_rms", value=displacement, unit="um", band_hz=band))
    if channel.quantity == "displacement":
        return tuple(found)

    if channel.quantity == "velocity":
        row = differentiate(row, rate, low_hz=low, high_hz=0.85 * highest)
        full = (low, 0.85 * highest)
    else:
        full = (0.0, rate / 2.0)
    peak = _largest(row)
    # Over the peak, so that no unit leaves the range of single numbers.
    rms = peak * float(np.sqrt(np.mean(np.square(row / np.float32(peak)), dtype=np.float64))) if peak > 0.0 else 0.0
    found.append(Level(point=name, measure="acceleration_rms", value=rms, unit="m/s^2", band_hz=full))
    found.append(Level(point=name, measure="acceleration_peak", value=peak, unit="m/s^2", band_hz=full))
    if rms > 0.0:
        found.append(Level(point=name, measure="crest_factor", value=peak / rms, unit="", band_hz=full))
        found.append(Level(point=name, measure="kurtosis", value=kurtosis(row), unit="", band_hz=full))
        if row.size >= 3 * _BLOCK_S * rate:
            typical = typical_kurtosis(row, rate)
            found.append(Level(point=name, measure="kurtosis_typical", value=typical, unit="", band_hz=full))
            lasting = lasting_kurtosis(row)
            found.append(Level(point=name, measure="kurtosis_lasting", value=lasting, unit="", band_hz=full))
    # Less than a fifth above 5 kHz would be the skirt of a filter, not a band.
    if highest > 1.2 * HIGH_FROM_HZ:
        band = (HIGH_FROM_HZ, highest)
        value = _band_rms(power, step, band, to_velocity + 1)
        found.append(Level(point=name, measure="acceleration_rms_high", value=value, unit="m/s^2", band_hz=band))
    return tuple(found)
