"""Zones, alarms, balance and life against the figures of the standards. Nothing here is chosen to fit."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from vibe.core.drive import Drive
from vibe.core.evidence import Level
from vibe.health.formulas import permissible_unbalance_g_mm, rating_life_hours
from vibe.health.rules import Boundaries, Limits
from vibe.health.zones import (
    alarm_value,
    gear_displacement_limit,
    gear_velocity_limit,
    is_significant_change,
    trip_value,
    vector_change,
    zone,
)

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def limits() -> Limits:
    return Limits.model_validate(tomllib.loads((ROOT / "configs" / "limits.toml").read_text(encoding="utf-8")))


def drive(power_kw: float | None, support: str | None = None, **more: object) -> Drive:
    table = {"tag": "X", "input": {"speed_rpm": 1480.0, "power_kw": power_kw}, "support": support, **more}
    return Drive.model_validate(table)


def velocity(value: float) -> Level:
    return Level(point="p", measure="velocity_rms", value=value, unit="mm/s", band_hz=(10.0, 1000.0))


def displacement(value: float) -> Level:
    return Level(point="p", measure="displacement_rms", value=value, unit="um", band_hz=(10.0, 1000.0))


# After ISO 10816-3:2009, Tables A.1 and A.2 (two transcriptions of the printed page): mm/s and um, r.m.s.
GROUPS = [
    (500.0, "rigid", (2.3, 4.5, 7.1), (29, 57, 90)),
    (500.0, "flexible", (3.5, 7.1, 11.0), (45, 90, 140)),
    (55.0, "rigid", (1.4, 2.8, 4.5), (22, 45, 71)),
    (55.0, "flexible", (2.3, 4.5, 7.1), (37, 71, 113)),
]


@pytest.mark.parametrize(("power_kw", "support", "mm_s", "um"), GROUPS)
def test_zones_of_coupled_machines(
    limits: Limits, power_kw: float, support: str, mm_s: tuple[float, ...], um: tuple[float, ...]
) -> None:
    for boundaries, make in ((mm_s, velocity), (um, displacement)):
        for boundary, below, above in zip(boundaries, "ABC", "BCD", strict=True):
            for value, expected in ((0.999 * boundary, below), (1.001 * boundary, above)):
                verdict = zone(make(value), drive(power_kw, support), limits)
                assert verdict is not None
                assert (verdict.zone, verdict.by_analogy) == (expected, False)


def test_the_more_restrictive_of_velocity_and_displacement_decides(limits: Limits) -> None:
    # ISO 10816-3:2009, 5.2.3 (after a transcription): 2.0 mm/s is B, 50 um is C, so C.
    group_2 = drive(55.0, "rigid")
    alone = zone(velocity(2.0), group_2, limits)
    both = zone(velocity(2.0), group_2, limits, displacement=displacement(50.0))
    assert alone is not None
    assert both is not None
    assert (alone.zone, both.zone, both.decided_by) == ("B", "C", "displacement_rms")


GROUP_2_RIGID = Boundaries(ab=1.4, bc=2.8, cd=4.5)


def test_alarm_trip_and_change(limits: Limits) -> None:
    # After ISO 10816-3:2009, 5.3, 5.4.1 and 5.4.2, group 2 on rigid support.
    assert alarm_value(GROUP_2_RIGID, 0.9, limits) == pytest.approx(1.6)
    assert alarm_value(GROUP_2_RIGID, 2.9, limits) == pytest.approx(3.5)
    assert trip_value(GROUP_2_RIGID, limits) == pytest.approx(5.625)
    for now, significant in ((1.69, False), (1.71, True), (0.31, False), (0.29, True)):
        assert is_significant_change(GROUP_2_RIGID, 1.0, now, limits) is significant


def test_vector_change() -> None:
    # ISO 20816-1:2016, Annex D.2 (after a transcription): the magnitude falls by 0.5, the vector moves by 5.2 mm/s.
    assert vector_change((3.0, 40.0), (2.5, 180.0)) == pytest.approx(5.17, abs=0.005)
    assert round(vector_change((3.0, 40.0), (2.5, 180.0)), 1) == 5.2


def test_small_machine_classes_are_rungs_of_the_ladder(limits: Limits) -> None:
    # ISO 10816-1:1995 Table B.1 (from memory); ladder after ISO 20816-1:2016 Table C.1.
    printed = {
        "class I": (0.71, 1.8, 4.5),
        "class II": (1.12, 2.8, 7.1),
        "class III": (1.8, 4.5, 11.2),
        "class IV": (2.8, 7.1, 18.0),
    }
    ladder = {0.28, 0.45, 0.71, 1.12, 1.8, 2.8, 4.5, 7.1, 9.3, 11.2, 14.7, 18, 28, 45}
    for row in limits.small_machines.classes:
        b = row.velocity_mm_s
        assert (b.ab, b.bc, b.cd) == printed[row.name]
        assert {b.ab, b.bc, b.cd} <= ladder
        # Typical ranges of the boundaries in ISO 20816-1:2016 Table C.1; its C/D range begins at 4.5.
        assert 0.71 <= b.ab <= 4.5
        assert 1.8 <= b.bc <= 9.3
        assert b.cd >= 4.5


def test_gear_unit_ratings(limits: Limits) -> None:
    # After ISO 20816-9:2020, Tables 2 to 5.
    units = limits.gear_units
    expected = {
        3.15: (2, 3.15, 5), 5.0: (3.15, 5, 8), 8.0: (5, 8, 12.5), 12.5: (8, 12.5, 20), 20.0: (12.5, 20, 31.5),
        31.5: (20, 31.5, 50), 50.0: (31.5, 50, 80), 80.0: (50, 80, 125), 125.0: (80, 125, 200), 200.0: (125, 200, 315),
    }  # fmt: skip
    for rating, (ab, bc, cd) in expected.items():
        assert units.boundaries(rating) == Boundaries(ab=ab, bc=bc, cd=cd)
    table_5 = {"I": (31.5, 3.15, 50), "II": (50, 5, 80), "III": (80, 8, 125), "IV": (125, 20, 125)}
    for row in units.classes:
        assert (row.displacement_um, row.velocity_mm_s, row.acceleration_m_s2) == table_5[row.name]
    # 8.3: acceptance is normally 1.25 A/B; class II velocity 3.94 mm/s.
    assert units.acceptance_factor * units.boundaries(5.0).ab == pytest.approx(3.94, abs=0.005)


def test_gear_unit_curves(limits: Limits) -> None:
    # After ISO 20816-9:2020, Annex A.
    assert gear_velocity_limit(8.0, 3000.0, limits) == pytest.approx(5.13, abs=0.005)
    assert gear_displacement_limit(80.0, 500.0, limits) == pytest.approx(25.3, abs=0.05)
    assert gear_velocity_limit(8.0, 45.0, limits) == gear_velocity_limit(8.0, 1590.0, limits) == 8.0
    # 14 dB per decade, downwards as well.
    assert gear_velocity_limit(8.0, 4.5, limits) / 8.0 == pytest.approx(10 ** (-14 / 20))


@pytest.mark.parametrize(("load_kn", "speed_rpm", "high_h", "low_h"), [
    (12.0, 2100.0, 9.677, 5.600),
    (11.0, 2250.0, 11.726, 6.786),
    (10.0, 2400.0, 14.632, 8.468),
])  # fmt: skip
def test_rating_life_of_balls(load_kn: float, speed_rpm: float, high_h: float, low_h: float) -> None:
    # Lei et al., J. Mech. Eng. 55(16) (2019), Table 3 (after a transcription): C = 12.82 kN; low end: load times 1.2.
    assert rating_life_hours(12.82, load_kn, speed_rpm) == pytest.approx(high_h, abs=6e-4)
    assert rating_life_hours(12.82, 1.2 * load_kn, speed_rpm) == pytest.approx(low_h, abs=6e-4)


def test_rating_life_of_rollers() -> None:
    # ISO 281, exponent 10/3: C/P = 5 at 1500 r/min gives 213.75 million turns, 2375 h (computed).
    assert rating_life_hours(5.0, 1.0, 1500.0, "roller") == pytest.approx(2375.0, abs=0.5)


def test_permissible_unbalance() -> None:
    # A published catalogue example of ISO 1940-1: 2 kg at 10 000 r/min, G 6.3: 12 g mm.
    assert permissible_unbalance_g_mm(6.3, 2.0, 10_000.0) == pytest.approx(12.03, abs=0.005)
    # Specific values, computed from 9549 G / n.
    assert permissible_unbalance_g_mm(6.3, 1.0, 1500.0) == pytest.approx(40.1, abs=0.05)
    assert permissible_unbalance_g_mm(2.5, 1.0, 3000.0) == pytest.approx(7.96, abs=0.005)
