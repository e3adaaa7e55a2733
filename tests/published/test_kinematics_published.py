"""Body speeds and tones against published trains; each check names its source.

"Formula" marks figures computed from a published law for published counts, not read off a page.
"""

from __future__ import annotations

from fractions import Fraction
from math import gcd

import pytest

from vibe.core.drive import Drive, Input
from vibe.core.stages import Stage
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.stages.planetary import PlanetaryStage
from vibe.core.stages.rv import RvStage
from vibe.core.tones import ToneTable
from vibe.kinematics.body_speeds import body_speeds
from vibe.kinematics.tone_table import tone_table


def drive(*stages: Stage, hz: float = 25.0) -> Drive:
    return Drive(tag="P", input=Input(speed_rpm=hz * 60.0), stage=list(stages))


def cycloidal(pins: int, lobes: int, fixed: str = "ring", **more: object) -> CycloidalStage:
    return CycloidalStage.model_validate(
        {"kind": "cycloidal", "lobes": lobes, "ring_pins": pins, "fixed": fixed, "output_pins": 8, **more}
    )


def rv(sun: int, planet: int, lobes: int, pins: int, fixed: str = "ring") -> RvStage:
    return RvStage.model_validate(
        {"kind": "rv", "sun_teeth": sun, "planet_teeth": planet, "lobes": lobes, "ring_pins": pins, "fixed": fixed}
    )


def tones_hz(table: ToneTable, input_hz: float) -> dict[str, float]:
    return {tone.id: tone.order * input_hz for tone in table.tones}


def test_rv_train_of_wang_et_al() -> None:
    """Wang, Liu, Yu, Mao, He & Du (undated conference paper): 9/27/39/40 at 1815 r/min makes 121:1; Hz by formula."""
    train = drive(rv(9, 27, 39, 40), hz=30.25)
    table = tone_table(train)
    assert table.ratio == 121
    bodies = {b.body: float(b.order) * 30.25 for b in table.bodies}
    assert bodies["stage1.output"] == pytest.approx(0.25, rel=1e-12)
    assert bodies["stage1.carrier"] == bodies["stage1.disc"] == bodies["stage1.output"]
    assert bodies["stage1.crank"] == pytest.approx(-9.75, rel=1e-12)
    assert bodies["stage1.crank"] - bodies["stage1.carrier"] == pytest.approx(-10.0, rel=1e-12)
    hz = tones_hz(table, 30.25)
    assert hz["stage1.gear_mesh"] == pytest.approx(270.0, rel=1e-12)
    assert hz["stage1.mesh"] == pytest.approx(390.0, rel=1e-12)
    assert hz["stage1.lobe"] == pytest.approx(10.0, rel=1e-12)
    assert hz["stage1.ring_pin"] == pytest.approx(9.75, rel=1e-12)


def test_rv_train_of_wang_et_al_with_case_out() -> None:
    """The same train with its carrier held: 120:1, opposed (formula, Yang et al. 2021 Eq. 1)."""
    assert tone_table(drive(rv(9, 27, 39, 40, "carrier"))).ratio == -120


@pytest.mark.parametrize(
    ("sun", "planet", "rpm", "ratio", "out", "crank", "crank_relative", "gear_mesh", "mesh"),
    [
        (10, 38, 1530, 153, 0.166667, 6.5, 6.66667, 253.333, 260.0),
        (16, 32, 1620, 81, 0.333333, 13.0, 13.3333, 426.667, 520.0),
        (12, 36, 1815, 121, 0.25, 9.75, 10.0, 360.0, 390.0),
    ],
)
def test_rv_trains_by_formula(
    sun: int, planet: int, rpm: float, ratio: int, out: float, crank: float, crank_relative: float,
    gear_mesh: float, mesh: float,
) -> None:  # fmt: skip
    """Yang, Zhou, Chang & Chen 2021, MMT 163, 104384, Table 3 (10/38/39/40) and Eq. 2; the Hz are formula."""
    hz = rpm / 60
    table = tone_table(drive(rv(sun, planet, 39, 40), hz=hz))
    assert table.ratio == ratio
    bodies = {b.body: float(b.order) * hz for b in table.bodies}
    tones = tones_hz(table, hz)
    found = (
        bodies["stage1.output"], -bodies["stage1.crank"], bodies["stage1.carrier"] - bodies["stage1.crank"],
        tones["stage1.gear_mesh"], tones["stage1.mesh"],
    )  # fmt: skip
    assert found == pytest.approx((out, crank, crank_relative, gear_mesh, mesh), rel=5e-6)


def test_a_wrong_rv_formula_is_not_ours() -> None:
    """A popular i = (1 + z2/z1) Zp/(Zp - Zd) gives 120 for 16/32/39/40; Yang et al. 2021 Eq. 2 gives 81."""
    assert tone_table(drive(rv(16, 32, 39, 40))).ratio == 81


def test_transmission_error_orders_of_yang_et_al() -> None:
    """Yang et al. 2021: strong lines at 40, 80, 120, 160 per output turn, those of the crank past the carrier."""
    table = tone_table(drive(rv(10, 38, 39, 40)))
    assert table.ratio is not None
    per_output = {tone.id: tone.order_exact * table.ratio for tone in table.tones if tone.order_exact is not None}
    assert per_output["stage1.lobe"] == 40
    assert per_output["stage1.ring_pin"] == 39
    assert per_output["stage1.mesh"] == 39 * 40  # the other quantity that goes by the name of mesh frequency


def test_transmission_error_harmonics_of_a_test_rig() -> None:
    """Harmonics kept in a machine-learning compensation study (Robotics and Computer-Integrated Manufacturing, notes):
    1, 3, 39, 40, 78, 81, 156, 162, 240 per output turn; the ratio 81 is inferred from them."""
    table = tone_table(drive(rv(16, 32, 39, 40)))
    assert table.ratio == 81
    per_output = {tone.id: tone.order_exact * 81 for tone in table.tones if tone.order_exact is not None}
    assert per_output["stage1.output"] == 1
    assert per_output["stage1.planet_pass"] == 3
    assert per_output["stage1.crank"] == per_output["stage1.ring_pin"] == 39
    assert per_output["stage1.lobe"] == 40
    assert 2 * per_output["stage1.ring_pin"] == 78
    assert 4 * per_output["stage1.ring_pin"] == 156
    assert per_output["input.shaft"] == 81
    assert 2 * per_output["input.shaft"] == 162
    sun = table.tone("stage1.sun_tooth")
    assert per_output["stage1.sun_tooth"] * sun.meetings == 240


@pytest.mark.parametrize(
    ("pins", "lobes", "hz", "ratio", "out", "mesh", "eccentric_bearing", "ring_ratio", "ring_out", "ring_mesh"),
    [
        (12, 11, 25.0, 11, 2.27273, 300.0, 27.27273, 12, 2.08333, 275.0),
        (18, 17, 25.0, 17, 1.47059, 450.0, 26.47059, 18, 1.38889, 425.0),
        (30, 29, 24.0, 29, 0.82759, 720.0, 24.82759, 30, 0.80000, 696.0),
        (52, 51, 29.16667, 51, 0.57190, 1516.667, 29.73856, 52, 0.56090, 1487.5),
        (40, 38, 25.0, 19, 1.31579, 1000.0, 26.31579, 20, 1.25000, 950.0),
    ],
)
def test_single_stages_by_formula(
    pins: int, lobes: int, hz: float, ratio: int, out: float, mesh: float, eccentric_bearing: float,
    ring_ratio: int, ring_out: float, ring_mesh: float,
) -> None:  # fmt: skip
    """Formula (Yang et al. 2021 Eq. 1); 40/38 with the ring out is 20:1 on a public
    page on small-difference internal gears as well."""
    fixed_ring = tone_table(drive(cycloidal(pins, lobes), hz=hz))
    assert fixed_ring.ratio == -ratio
    tones = tones_hz(fixed_ring, hz)
    speed = body_speeds(drive(cycloidal(pins, lobes)))
    between_rings = float(speed["stage1.eccentric"].order - speed["stage1.disc"].order) * hz
    assert (tones["stage1.output"], tones["stage1.mesh"], between_rings) == pytest.approx(
        (out, mesh, eccentric_bearing), rel=1e-5
    )
    fixed_pins = tone_table(drive(cycloidal(pins, lobes, "output pins"), hz=hz))
    assert fixed_pins.ratio == ring_ratio
    tones = tones_hz(fixed_pins, hz)
    assert (tones["stage1.output"], tones["stage1.mesh"]) == pytest.approx((ring_out, ring_mesh), rel=5e-6)


@pytest.mark.parametrize(("pins", "lobes"), [(12, 11), (18, 17), (120, 119), (40, 38), (26, 24)])
def test_event_table_both_fixed_members(pins: int, lobes: int) -> None:
    """The event formulas of both mountings, from Yang et al. 2021 Eq. 1."""
    d, n = pins - lobes, 8
    lcm = pins * lobes // gcd(pins, lobes)
    orders = {t.id: t.order_exact for t in tone_table(drive(cycloidal(pins, lobes))).tones}
    assert orders["stage1.output"] == Fraction(d, lobes)
    assert orders["stage1.mesh"] == pins
    assert orders["stage1.ring_pin"] == 1
    assert orders["stage1.lobe"] == orders["stage1.output_pin"] == 1 + Fraction(d, lobes)
    assert orders["stage1.output_pin_pass"] == n * (1 + Fraction(d, lobes))
    assert orders["stage1.hunting"] == Fraction(pins, lcm)
    orders = {t.id: t.order_exact for t in tone_table(drive(cycloidal(pins, lobes, "output pins"))).tones}
    assert orders["stage1.output"] == Fraction(d, pins)
    assert orders["stage1.mesh"] == lobes
    assert orders["stage1.ring_pin"] == 1 - Fraction(d, pins)
    assert orders["stage1.lobe"] == orders["stage1.output_pin"] == 1
    assert orders["stage1.output_pin_pass"] == n
    assert orders["stage1.hunting"] == Fraction(lobes, lcm)


def test_two_stage_trains() -> None:
    """17/18 then 11/12 makes 187 (summary of a test rig); 11/12 ring fixed then 10/11 ring out makes 121 (after
    Blagojevic et al. 2011, J. Mech. Des. 133, 085001)."""
    assert tone_table(drive(cycloidal(18, 17), cycloidal(12, 11))).ratio == 187
    ratio = tone_table(drive(cycloidal(12, 11), cycloidal(11, 10, "output pins"))).ratio
    assert ratio is not None
    assert abs(ratio) == 121


def test_facts_of_the_trade() -> None:
    """Common practice: 17 lobes in 18 rollers reduce 17:1, opposed, one lobe pitch of the disc per input turn;
    single stages reach from 6:1 to 119:1, two stages to 87 x 87 = 7569:1."""
    table = tone_table(drive(cycloidal(18, 17)))
    assert table.ratio == -17
    disc = next(b for b in table.bodies if b.body == "stage1.disc")
    assert disc.order == Fraction(-1, 17)
    assert tone_table(drive(cycloidal(7, 6))).ratio == -6
    assert tone_table(drive(cycloidal(120, 119))).ratio == -119
    assert tone_table(drive(cycloidal(88, 87), cycloidal(88, 87))).ratio == 7569


def test_planetary_train_of_shweiki_et_al() -> None:
    """Shweiki et al. (ISMA 2016, paper 0785): 21/39/99 teeth; ratio 1 + 99/21 by the Willis equation."""
    stage = PlanetaryStage(kind="planetary", sun_teeth=21, planet_teeth=39, ring_teeth=99)
    table = tone_table(drive(stage))
    assert table.ratio == 1 + Fraction(99, 21)
    orders = {t.id: t.order_exact for t in table.tones if t.order_exact is not None}
    assert orders["stage1.gear_mesh"] == 99 * orders["stage1.ring_tooth"]
