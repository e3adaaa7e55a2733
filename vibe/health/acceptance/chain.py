"""Which instruments a vibration figure at a point was measured with, and whose calibration counts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from math import pi, sqrt

from vibe.core.evidence import Level
from vibe.core.records.acceptance import Instrument
from vibe.core.records.commissioning import Measurand

_WORDS: tuple[tuple[Measurand, tuple[str, ...]], ...] = (
    ("vibration", ("accelero", "vibration", "velocity", "recorder", "logger", "analyser", "analyzer", "amplifier",
                   "conditioner", "cable", "proximity")),
    ("temperature", ("thermo", "pyrometer", "temperature")),
    ("speed", ("tacho", "strobo", "strobe", "speed", "encoder", "pulse")),
    ("torque", ("torque", "load cell", "brake", "dynamometer")),
    ("noise", ("noise", "sound", "microphone", "acoustic")),
    ("lost motion", ("lost motion",)),
    ("backlash", ("backlash", "dial gauge", "indicator")),
    ("transmission error", ("transmission error", "angle")),
)  # fmt: skip
"""What an instrument is commonly called, for those of which nobody says what they measure."""


SENSOR_NOISE = 1e-4
"""[m/s² per root Hz] between 10 Hz and some kHz: 10 µg per root Hz, of general-purpose accelerometers on casings
(common practice). What reads less than its sensor's own noise was not measured by it."""


def below_noise(levels: Iterable[Level]) -> dict[str, str]:
    """Points at which a broad-band level is smaller than sensors can show, and the words that say so.

    Noise of density a has r.m.s. a sqrt(h - l) of acceleration in a band from l to h, and, divided by the angular
    frequency, a / 2 pi sqrt(1 / l - 1 / h) of velocity.
    """
    found: dict[str, str] = {}
    for level in levels:
        low, high = level.band_hz or (0.0, 0.0)
        if not 0 < low < high:
            continue
        if level.measure == "velocity_rms":
            least = 1e3 * SENSOR_NOISE / (2 * pi) * sqrt(1 / low - 1 / high)
        elif level.measure == "acceleration_rms":
            least = SENSOR_NOISE * sqrt(high - low)
        else:
            continue
        if level.value < least:
            found[level.point] = (
                f"{level.value:.2g} {level.unit} at {level.point} is less than the {least:.2g} {level.unit} that a "
                "sensor's own noise commonly makes, so that its unit or sensitivity can hardly be right (unit?)"
            )
    return found


def measurand(instrument: Instrument) -> Measurand | None:
    """What an instrument measures: as stated, else by its name; None where the name says nothing."""
    if instrument.measures is not None:
        return instrument.measures
    name = instrument.what.lower()
    found = [what for what, words in _WORDS if any(word in name for word in words)]
    # "vibration and temperature logger" measures vibration, "torque transducer with amplifier" does not.
    others = [what for what in found if what != "vibration"]
    if "vibration" in found and (not others or any(word in name for word in ("vibration", "accelero"))):
        return "vibration"
    return others[0] if others else None


def chain_at(instruments: Sequence[Instrument], point: str) -> list[Instrument]:
    """Those of the vibration chain at a point: its own sensor, and what serves all points.

    An instrument that says nothing of what it measures is taken to belong to it, which widens the uncertainty.
    """
    return [
        one for one in instruments if measurand(one) in ("vibration", None) and (not one.point or one.point == point)
    ]


def counted(instruments: Sequence[Instrument], day: date | None, valid_days: int) -> list[Instrument]:
    """Instruments as their calibrations count on the day of measurement: one that had run out states nothing."""
    return [
        one.model_copy(update={"calibration_uncertainty_percent": None}) if expired(one, day, valid_days) else one
        for one in instruments
    ]


def expired(instrument: Instrument, day: date | None, valid_days: int) -> bool:
    """Whether an instrument was calibrated longer ago than a calibration is taken to hold."""
    return instrument.calibrated is not None and day is not None and (day - instrument.calibrated).days > valid_days
