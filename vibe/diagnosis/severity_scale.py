"""By what the size of a damage is measured: what ``configs/judgement.toml`` says of severity, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from vibe.core.health import Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """By how much more [dB] a kind of part bears than the bearing that governs the drive's life, and why."""

    bears_db: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeverityScale:
    """What ``configs/judgement.toml`` says of severity; see there for reasons and sources."""

    reference_impact_m_s2: float = 1.0
    reference_speed_hz: float = 29.2
    reference_pitch_mm: float = 39.0
    slowest_share: float = 0.25
    fastest_share: float = 2.0
    contrast_most_db: float = 6.0
    zone_c_adds_db: float = 3.0
    zone_d_adds_db: float = 6.0
    moderate_from_db: float = 0.0
    severe_from_db: float = 12.0
    growth_moderate_db: float = 6.0
    growth_severe_db: float = 20.0
    weights: Mapping[str, Weight] = field(default_factory=dict)
    """By kind of part: "life bearing", "rolling bearing", or a family of tones."""

    def grade(self, size_db: float, growth_db: float | None = None) -> Severity:
        """Severity of a size, and of a growth where that is known: the graver of the two."""
        growth = -float("inf") if growth_db is None else growth_db
        if size_db >= self.severe_from_db or growth >= self.growth_severe_db:
            return "severe"
        return "moderate" if size_db >= self.moderate_from_db or growth >= self.growth_moderate_db else "slight"
