"""What a capture is taken under: duration, speed, load, surroundings, and what is wrong with the sensors."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import isfinite

from vibe.core.errors import CallError
from vibe.synth.surroundings.surroundings import Surrounding

SENSOR_FAULTS = (
    "clipped", "loose", "settling", "dropouts", "dead", "wrong unit", "ski slope", "coarse", "offset",
)  # fmt: skip
"""Clipped: driven past its range. Loose: rattles on its mount. Settling: bias still drifting at the start.
Dropouts: segments of missing samples. Dead: no motion, converter noise only. Wrong unit: values in g written as m/s².
Ski slope: overloaded amplifier, huge slow drift. Coarse: a range so wide that few steps are used. Offset: DC."""


MOST_SAMPLES = 1e8
"""All points together: what can be read again at once."""
MOST_SHOCKS = 1000
"""More would be no stray ones (our choice)."""
MOST_DRIFT = 1.7
"""A run-up from 0.15 to 1.85 of its mean speed: from nearer to rest, a shaft would have to start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Everything about a simulated measurement that is not damage.

    ``speed_rpm`` None draws a speed inside the drive's range from the seed. ``speed_wander`` is relative r.m.s.,
    ``speed_drift`` the relative change from first to last sample. ``machine_seed`` fixes the machine itself (pitch
    errors, casing, residual unbalance), so that several seeds measure one machine again; None takes it from the seed.
    ``noise``, ``sensor_noise``, ``pitch_errors``, ``residual_unbalance`` and ``electrical`` multiply the usual level.
    ``neighbours`` are lines from other machines: (frequency [Hz], velocity r.m.s. [mm/s]). ``sensor_faults`` are
    pairs (point, fault).
    """

    duration_s: float = 10.0
    sample_rate_hz: float = 25_600.0
    speed_rpm: float | None = None
    load_percent: float = 75.0
    speed_wander: float = 1e-4
    speed_drift: float = 0.0
    points: tuple[str, ...] = ("input side radial", "output side radial")
    tachometer: bool = False
    pulses_per_rev: int = 1
    noise: float = 1.0
    sensor_noise: float = 1.0
    pitch_errors: float = 1.0
    residual_unbalance: float = 1.0
    unequal_discs: float = 0.0
    """How much more than its equal share the first disc carries, relative; the others carry less alike."""
    electrical: float = 1.0
    cage_slip: float | None = None
    """Mean relative cage slip; None draws one below 1 % per bearing."""
    stray_shocks: int = 0
    neighbours: tuple[tuple[float, float], ...] = ()
    surroundings: tuple[Surrounding, ...] = ()
    """Machines and other causes around the drive."""
    sensor_faults: tuple[tuple[str, str], ...] = ()
    running: bool = True
    tell_speed: bool = False
    """Write the true mean speed into the capture, as a technician with a strobe would."""
    measured_at: datetime | None = None
    machine_seed: int | None = None

    def __post_init__(self) -> None:
        positive = {"duration_s": self.duration_s, "sample_rate_hz": self.sample_rate_hz}
        if self.speed_rpm is not None:
            positive["speed_rpm"] = self.speed_rpm
        for name, value in positive.items():
            if not value > 0 or not isfinite(value):
                raise CallError(f"{name} {value} must be positive")
        if self.duration_s * self.sample_rate_hz * len(self.points) > MOST_SAMPLES:
            raise CallError(f"{self.duration_s:g} s at {self.sample_rate_hz:g} Hz are more samples than can be made")
        if self.duration_s * self.sample_rate_hz < 64:
            raise CallError(f"{self.duration_s:g} s at {self.sample_rate_hz:g} Hz are fewer than 64 samples")
        not_negative = {
            "load_percent": self.load_percent,
            "speed_wander": self.speed_wander,
            "noise": self.noise,
            "sensor_noise": self.sensor_noise,
            "pitch_errors": self.pitch_errors,
            "residual_unbalance": self.residual_unbalance,
            "electrical": self.electrical,
            "stray_shocks": self.stray_shocks,
        }
        for name, value in not_negative.items():
            if not value >= 0 or not isfinite(value):
                raise CallError(f"{name} {value} must be zero or more")
        if not abs(self.speed_drift) < MOST_DRIFT:
            raise CallError(f"speed_drift {self.speed_drift} must lie between -{MOST_DRIFT} and {MOST_DRIFT}")
        if not 0 <= self.unequal_discs <= 1:
            raise CallError(f"unequal_discs {self.unequal_discs} must lie between 0 and 1")
        if self.cage_slip is not None and not 0 <= self.cage_slip < 0.1:
            raise CallError(f"cage_slip {self.cage_slip} must lie between 0 and 0.1")
        if self.pulses_per_rev < 1:
            raise CallError(f"pulses_per_rev {self.pulses_per_rev} must be at least 1")
        if not self.points or len(set(self.points)) != len(self.points) or "tachometer" in self.points:
            raise CallError("points needs at least one name, none twice, none of them 'tachometer'")
        if not all(point.isprintable() and point.strip() == point != "" for point in self.points):
            raise CallError("the name of a point must be printable, without spaces at its ends")
        if self.stray_shocks > MOST_SHOCKS:
            raise CallError(f"stray_shocks {self.stray_shocks} must be at most {MOST_SHOCKS}")
        for point, fault in self.sensor_faults:
            if fault not in SENSOR_FAULTS:
                raise CallError(f"unknown sensor fault {fault!r}; possible: {', '.join(SENSOR_FAULTS)}")
            if point not in self.points:
                raise CallError(f"sensor fault on unknown point {point!r}; points: {', '.join(self.points)}")
