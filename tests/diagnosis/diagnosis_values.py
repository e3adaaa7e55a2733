"""Evidence made by hand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from vibe.core.evidence import CombEvidence, CombLine, Level, Line, Localisation
from vibe.diagnosis.case import Case

POINT = "output side"
SPEED_HZ = 24.37
ZONES = {"A/B": 1.12, "B/C": 2.8, "C/D": 7.1}


class MakeCase(Protocol):
    """Makes a case that shows nothing, but for what it is given."""

    def __call__(
        self, *, combs: Mapping[str, CombEvidence] | None = None, lines: tuple[Line, ...] = (), **more: Any
    ) -> Case: ...


def line(
    name: str, velocity_mm_s: float, *, hz: float | None = None, over_floor_db: float = 30.0, channel: str = POINT
) -> Line:
    """A line; "3x" and its like lie at that multiple of running speed."""
    frequency = hz if hz is not None else float(name.removesuffix("x")) * SPEED_HZ
    return Line(
        name=name,
        frequency_hz=frequency,
        velocity_mm_s=velocity_mm_s,
        floor_mm_s=velocity_mm_s * 10 ** (-over_floor_db / 20),
        acceleration_m_s2=velocity_mm_s * 1e-3 * 6.283185 * frequency,
        channel=channel,
    )


def level(measure: str, value: float, *, point: str = POINT) -> Level:
    return Level(point=point, measure=measure, value=value, unit="mm/s" if measure == "velocity_rms" else "m/s^2")


def place(
    chance: float, *, peaks_deg: tuple[float, ...] = (40.0,), share: tuple[float, ...] | None = None
) -> Localisation:
    shares = share if share is not None else (1.0,) * len(peaks_deg)
    return Localisation(false_alarm_probability=chance, peaks_deg=peaks_deg, peak_share=shares, width_deg=12.0)


def comb(
    tone: str,
    order: float,
    chance: float,
    impact_db: float = 3.0,
    *,
    score: float = 50.0,
    where: Localisation | None = None,
    level_db: float | None = None,
) -> CombEvidence:
    level = level_db if level_db is not None else 20.0 if chance < 0.01 else 3.0
    return CombEvidence(
        tone=tone,
        order=order,
        score=score,
        false_alarm_probability=chance,
        places_searched=4,
        decoys=800,
        lines=tuple(CombLine(order=k * order, over_floor_db=level) for k in range(1, 6)),
        sideband_lines=(),
        band_hz=(2000.0, 2700.0),
        channels=(POINT,),
        hit_m_s2=1.2,
        hit_over_floor_db=impact_db,
        limit_m_s2=0.3,
        localisation=where,
    )
