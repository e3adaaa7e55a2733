from __future__ import annotations

from typing import Any

import pytest

from vibe.core.drive import Drive
from vibe.core.evidence import Level
from vibe.health.state.settings import Limits
from vibe.health.state.zones import gear_unit_zone, line_boundaries, report_levels, zone

CYCLOIDAL = {"kind": "cycloidal", "lobes": 17, "ring_pins": 18}


def drive(
    power_kw: float | None = None, speed_rpm: float = 1480.0, stages: list[Any] | None = None, **more: Any
) -> Drive:
    table = {"tag": "X", "input": {"speed_rpm": speed_rpm, "power_kw": power_kw}, "stage": stages or [], **more}
    return Drive.model_validate(table)


def velocity(value: float, band_hz: tuple[float, float] = (10.0, 1000.0)) -> Level:
    return Level(point="p", measure="velocity_rms", value=value, unit="mm/s", band_hz=band_hz)


@pytest.mark.parametrize("value", [0.5, 1.5, 3.0, 5.0, 14.0])
def test_a_machine_of_unknown_size_is_judged_no_milder_than_a_small_one(limits: Limits, value: float) -> None:
    geared = [{"kind": "cycloidal", "lobes": 17, "ring_pins": 18}]
    for stages in ([], geared):
        unknown = zone(velocity(value), drive(None, stages=stages), limits)
        small = zone(velocity(value), drive(2.2, stages=stages), limits)
        assert unknown is not None
        assert small is not None
        assert unknown.zone == small.zone
        # 14 mm/s is zone D in every table, the one that is written for this drive among them.
        assert unknown.by_analogy == (value < 14.0)
        assert "power not known" in unknown.source
    assert gear_unit_zone(velocity(value), drive(None), limits) is None


def displacement(value: float) -> Level:
    return Level(point="p", measure="displacement_rms", value=value, unit="um", band_hz=(10.0, 1000.0))


@pytest.mark.parametrize(
    ("one", "value", "expected", "by_analogy", "words"),
    [
        (drive(2.2), 2.0, "C", True, "ISO 10816-1:1995 class I, by analogy: no zone table covers"),
        (drive(15.0), 2.0, "C", True, "class I"),
        (drive(15.1), 2.0, "B", False, "group 2, rigid support (support not stated, rigid assumed"),
        (drive(55.0, support="flexible"), 2.0, "A", False, "group 2, flexible support"),
        (drive(55.0, support="rigid", shaft_height_mm=315.0), 2.0, "A", False, "group 1"),
        (drive(400.0, support="rigid"), 2.0, "A", False, "group 1"),
        (
            drive(None, support="rigid", shaft_height_mm=200.0),
            2.0,
            "B",
            True,
            "group 2, rigid support, by analogy: power",
        ),
        (drive(55.0, speed_rpm=90.0), 2.0, "B", True, "90 r/min is below its lower limit of 120 r/min"),
        (drive(60_000.0, support="rigid"), 2.0, "A", True, "is above its upper limit of 50000 kW"),
    ],
)
def test_table_follows_power_height_support_and_speed(
    limits: Limits, one: Drive, value: float, expected: str, by_analogy: bool, words: str
) -> None:
    band = (2.0, 1000.0) if one.input.speed_rpm < 600 else (10.0, 1000.0)
    verdict = zone(velocity(value, band), one, limits)
    assert verdict is not None
    assert (verdict.zone, verdict.by_analogy) == (expected, by_analogy)
    assert words in verdict.source


def test_a_level_over_too_narrow_a_band_is_a_lower_bound_and_says_so(limits: Limits) -> None:
    narrow = zone(velocity(1.0, (10.0, 400.0)), drive(55.0, support="rigid"), limits)
    slow = zone(velocity(1.0, (10.0, 1000.0)), drive(55.0, speed_rpm=400.0, support="rigid"), limits)
    for verdict in (narrow, slow):
        assert verdict is not None
        assert verdict.by_analogy
        assert "may be higher" in verdict.source


def test_displacement_decides_only_when_it_is_the_graver(limits: Limits) -> None:
    one = drive(55.0, support="rigid")
    graver = zone(velocity(1.0), one, limits, displacement=displacement(80.0))
    milder = zone(velocity(4.0), one, limits, displacement=displacement(10.0))
    assert graver is not None
    assert milder is not None
    assert (graver.zone, graver.decided_by) == ("D", "displacement_rms")
    assert "displacement decides" in graver.source
    assert (milder.zone, milder.decided_by) == ("C", "velocity_rms")
    assert zone(displacement(80.0), drive(2.2), limits) is None


def test_gear_units_get_a_second_row_that_is_laxer(limits: Limits) -> None:
    peak = Level(point="p", measure="acceleration_peak", value=150.0, unit="m/s^2", band_hz=(0.0, 12800.0))
    rows = report_levels([velocity(6.0), displacement(9.0), peak], drive(2.2, stages=[CYCLOIDAL]), limits)
    assert [(r.measure, r.zone, r.by_analogy) for r in rows] == [
        ("velocity_rms", "D", True),
        ("velocity_rms", "B", True),
        ("displacement_rms", None, None),
        ("acceleration_peak", "C", True),
    ]
    assert "2.2 kW is below its lower limit of 10 kW" in (rows[1].zone_source or "")
    assert rows[0].band_hz == [10.0, 1000.0]
    shaft_only = report_levels([velocity(6.0), peak], drive(2.2), limits)
    assert [(r.measure, r.zone) for r in shaft_only] == [("velocity_rms", "D"), ("acceleration_peak", None)]


def test_gear_class_is_by_analogy_only_where_no_class_names_the_gear(limits: Limits) -> None:
    pair = {"kind": "gear pair", "driver_teeth": 20, "driven_teeth": 61}
    planetary = {"kind": "planetary", "sun_teeth": 20, "planet_teeth": 20, "ring_teeth": 60, "planets": 4}
    for stages, name, by_analogy, expected in (
        ([CYCLOIDAL], "class III", True, "B"),
        ([planetary], "class III", False, "B"),
        ([pair], "class II", False, "C"),
        ([CYCLOIDAL, pair], "class II", True, "C"),
    ):
        verdict = gear_unit_zone(velocity(6.0), drive(55.0, stages=stages), limits)
        assert verdict is not None
        assert name in verdict.source
        assert (verdict.zone, verdict.by_analogy) == (expected, by_analogy)


def test_a_level_in_the_wrong_unit_is_not_judged(limits: Limits) -> None:
    wrong = Level(point="p", measure="velocity_rms", value=0.002, unit="m/s")
    for power_kw in (2.2, 55.0):
        with pytest.raises(ValueError, match="'m/s'"):
            zone(wrong, drive(power_kw), limits)


def test_a_line_of_a_machine_whose_size_nobody_states_is_named_only_beyond_the_laxest_class(limits: Limits) -> None:
    laxest = limits.small_machines.classes[-1].velocity_mm_s
    unknown = line_boundaries(drive(), limits)
    stated = line_boundaries(drive(power_kw=5.5), limits)
    own = zone(velocity(1.0), drive(power_kw=5.5), limits)
    assert own is not None
    assert (unknown["A/B"], unknown["B/C"]) == (laxest.bc, laxest.bc)
    assert stated == {"A/B": own.boundaries.ab, "B/C": own.boundaries.bc, "C/D": own.boundaries.cd}
    assert stated["B/C"] < unknown["B/C"]
    # Once named it is as severe as in the strictest class.
    assert unknown["C/D"] == stated["C/D"] < laxest.cd
