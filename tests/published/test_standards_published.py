"""Zones and changes against the figures of the standards. Nothing here is chosen to fit."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from vibe.core.drive import Drive
from vibe.core.evidence import Level
from vibe.health.state.settings import Boundaries, Limits
from vibe.health.state.zones import is_significant_change, zone

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


def test_significant_change(limits: Limits) -> None:
    # After ISO 10816-3:2009, 5.3, group 2 on rigid support.
    for now, significant in ((1.69, False), (1.71, True), (0.31, False), (0.29, True)):
        assert is_significant_change(GROUP_2_RIGID, 1.0, now, limits) is significant


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
