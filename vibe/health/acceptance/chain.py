"""Which instruments a vibration figure at a point was measured with, and whose calibration counts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

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
