"""Tones: identities for any counts, bearings between any two bodies, folds, sidebands, motor, coincidences."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibe.core.drive import Bearing, BearingOrders, Drive, Input, Motor
from vibe.core.errors import ConfigError
from vibe.core.stages import Stage
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.stages.gear_pair import GearPairStage
from vibe.core.stages.planetary import PlanetaryStage
from vibe.core.stages.rv import RvStage
from vibe.core.tones import ToneTable
from vibe.kinematics.tone_table import tone_table

F = Fraction
GEOMETRY = {"elements": 11, "element_diameter_mm": 9.0, "pitch_diameter_mm": 36.0}


def drive(*stages: Stage, **more: object) -> Drive:
    return Drive.model_validate({"tag": "T", "input": Input(speed_rpm=1458.0), "stage": list(stages), **more})


def cycloidal(lobes: int = 17, pins: int = 18, fixed: str = "ring", discs: int = 2) -> CycloidalStage:
    return CycloidalStage.model_validate(
        {"kind": "cycloidal", "lobes": lobes, "ring_pins": pins, "fixed": fixed, "discs": discs, "output_pins": 8}
    )


def speeds(table: ToneTable) -> dict[str, Fraction]:
    return {b.body: b.order for b in table.bodies}


@st.composite
def cycloids(draw: st.DrawFn) -> CycloidalStage:
    lobes = draw(st.integers(6, 120))
    difference = draw(st.integers(1, min(4, max(1, lobes // 2))))
    fixed = draw(st.sampled_from(["ring", "output pins"]))
    return cycloidal(lobes, lobes + difference, fixed, draw(st.integers(1, 4)))


@st.composite
def rvs(draw: st.DrawFn) -> RvStage:
    lobes = draw(st.integers(20, 60))
    return RvStage.model_validate(
        {
            "kind": "rv", "sun_teeth": draw(st.integers(8, 30)), "planet_teeth": draw(st.integers(20, 60)),
            "lobes": lobes, "ring_pins": lobes + draw(st.integers(1, 3)),
            "fixed": draw(st.sampled_from(["ring", "carrier"])),
        }
    )  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(cycloids() | rvs(), min_size=1, max_size=2))
def test_identities_of_every_cycloidal_pair(stages: list[CycloidalStage | RvStage]) -> None:
    """pins |f_e - f_ring| = lobes |f_e - f_disc|: exactly, for any counts, both fixed members, chained, RV too."""
    table = tone_table(drive(*stages))
    body = speeds(table)
    for number, stage in enumerate(stages, start=1):
        name = f"stage{number}"
        mesh, pin, lobe = (table.tone(f"{name}.{part}").order_exact for part in ("mesh", "ring_pin", "lobe"))
        assert pin is not None
        assert lobe is not None
        assert mesh == stage.ring_pins * pin == stage.lobes * lobe
        assert pin == abs(body[f"{name}.eccentric"] - body[f"{name}.ring"])
        assert lobe == abs(body[f"{name}.eccentric"] - body[f"{name}.disc"])
        meeting = table.tone(f"{name}.hunting").order_exact
        assert meeting is not None
        assert (pin / meeting).denominator == (lobe / meeting).denominator == 1
    assert table.output is not None
    assert table.ratio == 1 / body[table.output]


BODIES = [
    "housing",
    "input",
    "stage1.disc",
    "stage1.ring",
    "stage2.disc",
    "stage2.ring",
    "stage1.output",
    "stage2.output",
]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(cycloids(), min_size=2, max_size=2),
    st.sampled_from(BODIES),
    st.sampled_from(BODIES),
    st.integers(5, 20),
    st.floats(0.02, 0.12),
    st.floats(0.0, 40.0),
)
def test_identities_of_every_bearing(
    stages: list[CycloidalStage], inner: str, outer: str, n: int, ratio: float, angle: float
) -> None:
    """BPFO + BPFI = n |f_i - f_o| and BPFO = n times the cage past the outer ring, between any two bodies."""
    if inner == outer:
        return
    bearing = Bearing(
        name="any", inner=inner, outer=outer, elements=n, element_diameter_mm=100 * ratio, pitch_diameter_mm=100.0,
        contact_angle_deg=angle,
    )  # fmt: skip
    plain = speeds(tone_table(drive(*stages)))
    if plain[inner] == plain[outer]:
        with pytest.raises(ConfigError, match="turn together"):
            tone_table(drive(*stages, bearing=[bearing]))
        return
    table = tone_table(drive(*stages, bearing=[bearing]))
    past = float(abs(plain[inner] - plain[outer]))
    outer_race, inner_race, _, cage = (
        table.tone(f"bearing.any.{part}").order for part in ("outer_race", "inner_race", "rolling_element", "cage")
    )
    assert outer_race + inner_race == pytest.approx(n * past, rel=1e-12)
    assert outer_race == pytest.approx(n * cage, rel=1e-12)


def test_bearing_table_equals_geometry() -> None:
    """A bearing table's orders count per turn of one ring past the other, so the eccentric's speed carries over."""
    table_orders = BearingOrders(outer_race=4.125, inner_race=6.875, rolling_element=1.875, cage=0.375)
    rings = {"name": "b", "inner": "stage1.eccentric", "outer": "stage1.disc"}
    drawn = tone_table(drive(cycloidal(), bearing=[Bearing.model_validate(rings | GEOMETRY)]))
    listed = tone_table(drive(cycloidal(), bearing=[Bearing.model_validate(rings | {"orders": table_orders})]))
    for tone, twin in zip(drawn.tones, listed.tones, strict=True):
        assert tone.order == pytest.approx(twin.order, rel=1e-12)
        assert [s.order for s in tone.sidebands] == pytest.approx([s.order for s in twin.sidebands])
    only = BearingOrders(outer_race=4.125)
    part = tone_table(drive(cycloidal(), bearing=[Bearing.model_validate(rings | {"orders": only})]))
    assert [t.id for t in part.tones if t.id.startswith("bearing")] == ["bearing.b.outer_race"]


@pytest.mark.parametrize(
    ("orders", "says"),
    [
        ({"outer_race": 5.4, "inner_race": 3.6}, "not below inner_race"),
        ({"outer_race": 3.85, "inner_race": 5.42}, "no whole number of elements"),
        ({"cage": 0.6}, "exceeds 0.5"),
        ({"outer_race": 3.58} | GEOMETRY, "contradicts 4.125 from the geometry"),
        ({"rolling_element": 3.2} | GEOMETRY, "contradicts 1.875 from the geometry"),
        ({"outer_race": 4.1, "inner_race": 6.1} | GEOMETRY, "not to the 11 elements"),
    ],
)
def test_bearing_tables_that_no_bearing_has(orders: dict[str, float], says: str) -> None:
    given_orders = {k: v for k, v in orders.items() if k not in GEOMETRY}
    rest = {k: v for k, v in orders.items() if k in GEOMETRY}
    bearing = Bearing.model_validate(
        {"name": "b", "inner": "input", "outer": "housing", "orders": BearingOrders.model_validate(given_orders)} | rest
    )
    with pytest.raises(ConfigError, match=says):
        tone_table(drive(bearing=[bearing]))


def test_table_that_lists_twice_the_spin_is_halved() -> None:
    """Bearing Data Center, 6205: "rolling element" 4.7135 with races 3.5848 and 5.4152 can only be twice the spin."""
    rings = {"name": "b", "inner": "input", "outer": "housing"}
    for given_element in (4.7135, 4.7135 / 2):
        orders = BearingOrders(outer_race=3.5848, inner_race=5.4152, rolling_element=given_element, cage=0.39828)
        table = tone_table(drive(bearing=[Bearing.model_validate(rings | {"orders": orders})]))
        tone = table.tone("bearing.b.rolling_element")
        assert tone.order == pytest.approx(2.35675)
        assert ("halved" in tone.source) == (given_element > 4)
    drawn = BearingOrders(rolling_element=3.75)
    table = tone_table(drive(bearing=[Bearing.model_validate(rings | GEOMETRY | {"orders": drawn})]))
    assert table.tone("bearing.b.rolling_element").order == pytest.approx(1.875)


def test_load_frame_decides_which_race_is_modulated() -> None:
    """Load on the eccentric: its disc-side race is swept at 18/17, its own race only turns past the sensor."""
    rings = {"name": "b", "inner": "stage1.eccentric", "outer": "stage1.disc", "load": "stage1.eccentric"} | GEOMETRY
    table = tone_table(drive(cycloidal(), bearing=[Bearing.model_validate(rings)]))
    assert [s.order_exact for s in table.tone("bearing.b.outer_race").sidebands] == [F(18, 17), F(1, 17)]
    assert [s.order_exact for s in table.tone("bearing.b.inner_race").sidebands] == [1]
    # The same bearing on a plain shaft: the classic picture of Randall & Antoni 2011.
    plain = Bearing.model_validate({"name": "b", "inner": "input", "outer": "housing"} | GEOMETRY)
    table = tone_table(drive(cycloidal(), bearing=[plain]))
    assert table.tone("bearing.b.outer_race").sidebands == ()
    assert [s.order_exact for s in table.tone("bearing.b.inner_race").sidebands] == [1]
    assert [s.order for s in table.tone("bearing.b.rolling_element").sidebands] == [0.375]


def test_unstated_load_between_eccentric_and_disc_turns_with_the_eccentric() -> None:
    rings = {"name": "b", "inner": "stage1.eccentric", "outer": "stage1.disc"} | GEOMETRY
    stated = tone_table(drive(cycloidal(), bearing=[Bearing.model_validate(rings | {"load": "stage1.eccentric"})]))
    assert tone_table(drive(cycloidal(), bearing=[Bearing.model_validate(rings)])) == stated
    other = tone_table(drive(cycloidal(), bearing=[Bearing.model_validate(rings | {"load": "housing"})]))
    assert other != stated


@pytest.mark.parametrize("fixed", ["ring", "output pins"])
def test_folds_sidebands_and_meetings(fixed: str) -> None:
    table = tone_table(drive(cycloidal(fixed=fixed)))
    for part, count, meetings in (("ring_pin", 18, 2), ("lobe", 17, 1), ("output_pin", 8, 2)):
        tone = table.tone(f"stage1.{part}")
        assert tone.fold is not None
        assert (tone.fold.count, tone.meetings, tone.damage) == (count, meetings, True)
        assert tone.order_exact == abs(tone.fold.order)
        assert tone.fold.order > 0
    spin = {"ring": {"lobe": [F(1, 17)], "output_pin": [F(1, 17)], "ring_pin": []},
            "output pins": {"lobe": [], "output_pin": [], "ring_pin": [F(1, 18)]}}[fixed]  # fmt: skip
    for part, orders in spin.items():
        assert [s.order_exact for s in table.tone(f"stage1.{part}").sidebands] == orders
    assert not any(table.tone(f"stage1.{part}").damage for part in ("mesh", "hunting", "output", "output_pin_pass"))


def test_fold_runs_backwards_where_the_crank_does() -> None:
    """RV, case fixed: the cranks turn against the sun, so pins and lobes are met in falling order."""
    table = tone_table(drive(RvStage(kind="rv", sun_teeth=16, planet_teeth=32, lobes=39, ring_pins=40)))
    pin, lobe = table.tone("stage1.ring_pin").fold, table.tone("stage1.lobe").fold
    assert pin is not None
    assert lobe is not None
    assert (pin.order, lobe.order) == (F(-13, 27), F(-40, 81))


def test_pins_of_unknown_number_still_have_an_order() -> None:
    table = tone_table(drive(CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18)))
    assert table.tone("stage1.output_pin").order_exact == F(18, 17)
    assert table.tone("stage1.output_pin").fold is None
    with pytest.raises(KeyError, match="output_pin_pass"):
        table.tone("stage1.output_pin_pass")


def test_gear_tones_count_teeth() -> None:
    table = tone_table(drive(GearPairStage(kind="gear pair", driver_teeth=20, driven_teeth=61)))
    mesh = table.tone("stage1.gear_mesh").order_exact
    assert mesh == 20
    assert 61 * (table.tone("stage1.driven_tooth").order_exact or 0) == mesh
    assert table.tone("stage1.hunting").order_exact == F(1, 61)
    planetary = PlanetaryStage(kind="planetary", sun_teeth=21, planet_teeth=39, ring_teeth=99, planets=3, fixed="ring")
    table = tone_table(drive(planetary))
    orders = {t.id: t.order_exact for t in table.tones if t.order_exact is not None}
    assert orders["stage1.gear_mesh"] == 21 * orders["stage1.sun_tooth"] == 99 * orders["stage1.ring_tooth"]
    assert orders["stage1.gear_mesh"] == 39 * orders["stage1.planet_tooth"]
    assert orders["stage1.planet_pass"] == 3 * orders["stage1.output"]
    held = planetary.model_copy(update={"fixed": "carrier"})
    assert "stage1.planet_pass" not in {t.id for t in tone_table(drive(held)).tones}


def test_motor_tones_follow_the_supply() -> None:
    """4 poles at 50 Hz and 1458 r/min: slip speed 0.7 Hz, pole pass 2.8 Hz (common practice)."""
    motor = Motor(poles=4, line_hz=50.0)
    table = tone_table(drive(motor=motor, input=Input(speed_rpm=1458.0, speed_range_rpm=[1430.0, 1500.0])))
    twice, pole_pass = table.tone("motor.twice_line"), table.tone("motor.pole_pass")
    assert twice.order * 24.3 == pytest.approx(100.0)
    assert twice.order_exact is None
    assert twice.order * (1 + twice.slip[0]) * 25.0 == pytest.approx(100.0)
    assert pole_pass.order * 24.3 == pytest.approx(2.8)
    assert pole_pass.slip[0] == pytest.approx(-1.0)
    # At 1440 r/min the supply stays where it is and the slip grows; at 1500 there is none.
    assert (twice.hz_at(24.0), pole_pass.hz_at(24.0)) == pytest.approx((100.0, 4.0))
    assert (twice.order_at(24.0), pole_pass.order_at(24.0)) == pytest.approx((100 / 24, 4 / 24))
    assert (pole_pass.hz_at(25.0), pole_pass.order_at(None)) == (0.0, pole_pass.order)
    assert table.tone("input.shaft").hz_at(24.0) == 24.0
    inverter = tone_table(drive(motor=motor, input=Input(speed_rpm=700.0)))
    assert "motor.pole_pass" not in {t.id for t in inverter.tones}
    geared = tone_table(drive(motor=Motor(poles=4, line_hz=50.0, coupling="gear")))
    assert [t.id for t in geared.tones if t.family == "electrical"] == ["motor.line", "motor.twice_line"]


def pairs(table: ToneTable, exact: bool) -> dict[frozenset[str], tuple[int, int]]:
    return {
        frozenset((c.tone_a, c.tone_b)): (c.harmonic_a, c.harmonic_b) for c in table.coincidences if c.exact is exact
    }


def test_coincidences_are_found_and_named() -> None:
    table = tone_table(drive(cycloidal(119, 120), motor=Motor(poles=2, line_hz=25.0)))
    exact, near = pairs(table, exact=True), pairs(table, exact=False)
    assert exact[frozenset(("stage1.lobe", "stage1.output_pin"))] == (1, 1)
    assert exact[frozenset(("stage1.ring_pin", "input.shaft"))] == (1, 1)
    assert exact[frozenset(("stage1.mesh", "stage1.output"))] in ((14280, 1), (1, 14280))
    assert near[frozenset(("stage1.lobe", "input.shaft"))] == (1, 1)
    lobe = next(c for c in table.coincidences if {c.tone_a, c.tone_b} == {"stage1.lobe", "input.shaft"})
    assert abs(lobe.relative_difference) == pytest.approx(1 / 120)
    assert "238 input turns" in lobe.what  # 2 bins with a Hann window, 1/119 of a turn apart
    # A healthy twin: at 11:1 lobe and running speed are 9 % apart, and nothing is said.
    assert frozenset(("stage1.lobe", "input.shaft")) not in pairs(tone_table(drive(cycloidal(11, 12))), exact=False)


def test_electrical_line_near_twice_running_speed() -> None:
    """Two poles: twice line 100 Hz lies 1.0 % above twice 49.5 Hz."""
    table = tone_table(drive(motor=Motor(poles=2, line_hz=50.0), input=Input(speed_rpm=2970.0)))
    assert pairs(table, exact=False)[frozenset(("input.shaft", "motor.twice_line"))] == (2, 1)


def test_eccentric_bearing_near_a_shaft_harmonic() -> None:
    """11 elements of 9 mm on 36 mm: the spin order 1.875 * 18/17 = 1.985 lies 0.74 % below 2 (closed form)."""
    bearing = Bearing.model_validate({"name": "b", "inner": "stage1.eccentric", "outer": "stage1.disc"} | GEOMETRY)
    table = tone_table(drive(cycloidal(), bearing=[bearing]))
    assert pairs(table, exact=False)[frozenset(("input.shaft", "bearing.b.rolling_element"))] == (2, 1)


def test_coincidences_stay_few_and_each_pair_once() -> None:
    stages: list[Stage] = [
        RvStage(kind="rv", sun_teeth=16, planet_teeth=32, lobes=39, ring_pins=40),
        cycloidal(29, 30),
        PlanetaryStage(kind="planetary", sun_teeth=21, planet_teeth=39, ring_teeth=99),
    ]
    bearings = [
        Bearing.model_validate({"name": f"b{i}", "inner": inner, "outer": "housing"} | GEOMETRY)
        for i, inner in enumerate(("input", "stage1.crank", "stage1.output", "stage2.output", "stage3.output"))
    ]
    table = tone_table(drive(*stages, bearing=bearings, motor=Motor(poles=4, line_hz=50.0)))
    assert len({frozenset((c.tone_a, c.tone_b)) for c in table.coincidences}) == len(table.coincidences)
    assert len(table.coincidences) < 2 * len(table.tones)
    assert len({t.id for t in table.tones}) == len(table.tones)
    exact = [c.exact for c in table.coincidences]
    assert exact == sorted(exact, reverse=True)


@pytest.mark.parametrize(
    "stage",
    [
        {"kind": "planetary", "sun_teeth": 18, "planet_teeth": 27, "ring_teeth": 72, "planets": 3, "fixed": "ring"},
        {"kind": "planetary", "sun_teeth": 18, "planet_teeth": 27, "ring_teeth": 72, "planets": 3, "fixed": "carrier"},
        {"kind": "rv", "sun_teeth": 13, "planet_teeth": 42, "cranks": 2, "lobes": 29, "ring_pins": 30, "discs": 2,
         "fixed": "ring"},
        {"kind": "gear pair", "driver_teeth": 21, "driven_teeth": 64},
    ],
)  # fmt: skip
def test_one_turn_of_a_wheel_passes_all_its_teeth(stage: dict[str, object]) -> None:
    """Teeth differ by their pitch errors: only on the wheel's own frame does one damaged tooth stand out of them."""
    table = tone_table(Drive.model_validate({"tag": "T", "input": {"speed_rpm": 1458.0}, "stage": [stage]}))
    mesh = table.tone("stage1.gear_mesh").order_exact
    teeth = [tone for tone in table.tones if tone.family == "gear tooth"]
    assert mesh is not None
    assert len(teeth) >= 2
    for tone in teeth:
        assert tone.fold is not None
        assert tone.fold.count * abs(tone.fold.order) == mesh
        counted = {"driving tooth": "driver_teeth", "driven tooth": "driven_teeth"}
        assert tone.fold.count == stage[counted.get(tone.fold.part, tone.fold.part.replace(" tooth", "_teeth"))]
