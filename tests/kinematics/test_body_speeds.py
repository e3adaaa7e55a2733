"""Body speeds: exact solution, geometry as an independent witness, and drives that cannot be."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from vibe.core.drive import Bearing, Drive, Input, Motor
from vibe.core.errors import ConfigError
from vibe.core.stages import Stage
from vibe.core.stages.belt import BeltStage
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.stages.gear_pair import GearPairStage
from vibe.core.stages.planetary import PlanetaryStage
from vibe.core.stages.rv import RvStage
from vibe.kinematics.body_speeds import body_speeds
from vibe.kinematics.relations import Relation, held, joined, solve
from vibe.kinematics.tone_table import tone_table

F = Fraction


def drive(*stages: Stage, **more: object) -> Drive:
    return Drive.model_validate({"tag": "T", "input": Input(speed_rpm=1458.0), "stage": list(stages), **more})


def speeds(*stages: Stage) -> dict[str, Fraction]:
    return {body: speed.order for body, speed in body_speeds(drive(*stages)).items()}


PLAIN = CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18, output_pins=8)


@pytest.mark.parametrize(("lobes", "pins"), [(17, 18), (38, 40), (119, 120), (24, 27)])
def test_pins_cut_one_lobed_profile_in_the_disc(lobes: int, pins: int) -> None:
    """Geometry: seen from the spinning, swinging disc, every ring pin must run along one curve with ``lobes`` lobes.

    Pin j at crank angle a + 2 pi j / pins then lies where pin 0 lay at a, turned by a whole lobe pitch. A disc speed of
    the wrong sign or size breaks this for all pins but the first.
    """
    found = speeds(CycloidalStage(kind="cycloidal", lobes=lobes, ring_pins=pins))
    spin, radius, throw = float(found["stage1.disc"]), 77.5, 1.5
    angle = np.linspace(0.0, 2 * np.pi, 50)

    def in_disc(pin: int, crank: np.ndarray) -> np.ndarray:
        housing = radius * np.exp(2j * np.pi * pin / pins) - throw * np.exp(1j * crank)
        return np.asarray(housing * np.exp(-1j * spin * crank))

    for pin in range(1, pins):
        later = in_disc(pin, angle + 2 * np.pi * pin / pins)
        turned = np.angle(later / in_disc(0, angle)) * lobes / (2 * np.pi)
        assert np.abs(later) == pytest.approx(np.abs(in_disc(0, angle)), rel=1e-12)
        assert turned == pytest.approx(np.round(turned), abs=1e-9)


def test_every_stage_kind_in_a_chain() -> None:
    found = speeds(
        GearPairStage(kind="gear pair", driver_teeth=20, driven_teeth=61),
        PlanetaryStage(kind="planetary", sun_teeth=21, planet_teeth=39, ring_teeth=99),
        PLAIN,
    )
    first = F(-20, 61)
    assert found["stage1.output"] == found["stage2.sun"] == first
    second = first * F(21, 120)
    assert found["stage2.carrier"] == found["stage3.eccentric"] == second
    assert found["stage2.planet"] == second - F(99, 39) * second
    assert found["stage3.output"] == -second / 17
    assert found["housing"] == 0
    assert found["input"] == 1


@pytest.mark.parametrize(
    ("fixed", "ratio"), [("ring", 1 + F(99, 21)), ("carrier", -F(99, 21)), ("sun", 1 + F(21, 99))]
)  # fmt: skip
def test_planetary_fixed_members(fixed: str, ratio: Fraction) -> None:
    """Willis equation: sun is the input unless it is fixed, then the ring is."""
    stage = PlanetaryStage.model_validate(
        {"kind": "planetary", "sun_teeth": 21, "planet_teeth": 39, "ring_teeth": 99, "fixed": fixed}
    )
    assert tone_table(drive(stage)).ratio == ratio


def test_belt_keeps_written_decimals_and_owns_up_to_slip() -> None:
    belt = BeltStage(kind="belt", driver_diameter_mm=100.1, driven_diameter_mm=250.0, belt_length_mm=1400.0)
    table = tone_table(drive(belt, PLAIN))
    output = next(b for b in table.bodies if b.body == "stage1.output")
    assert output.order == F(1001, 2500)
    lobe = table.tone("stage2.lobe")
    assert lobe.order_exact is None
    assert lobe.order == pytest.approx(float(F(1001, 2500) * F(18, 17)), rel=1e-15)
    assert lobe.slip == pytest.approx((-0.02, 0.0), abs=1e-12)
    assert table.tone("input.shaft").slip == (0.0, 0.0)
    assert table.tone("stage1.belt").order == pytest.approx(np.pi * 100.1 / 1400.0, rel=1e-6)
    assert any(c.exact and {c.tone_a, c.tone_b} == {"stage2.lobe", "stage2.output_pin"} for c in table.coincidences)
    assert not any(c.exact and "input.shaft" in (c.tone_a, c.tone_b) for c in table.coincidences)


def test_rv_aliases_are_one_body() -> None:
    found = speeds(RvStage(kind="rv", sun_teeth=16, planet_teeth=32, lobes=39, ring_pins=40))
    assert found["stage1.crank"] == found["stage1.eccentric"] == found["stage1.planet"] == F(-13, 27)
    assert found["stage1.disc"] == found["stage1.carrier"] == found["stage1.output"] == F(1, 81)


def test_words_tell_sense() -> None:
    what = {b.body: b.what for b in body_speeds(drive(PLAIN, motor=Motor(poles=4, line_hz=50.0))).values()}
    assert "against the input" in what["stage1.output"]
    assert "fixed" in what["stage1.ring"]
    assert "motor" in what["input"]


def test_locked_and_free_trains_are_refused() -> None:
    locked = [held("housing"), held("input", F(1)), joined("input", "housing")]
    with pytest.raises(ConfigError, match="locked"):
        solve(["housing", "input"], locked)
    with pytest.raises(ConfigError, match=r"leaves a, b free"):
        solve(["housing", "input", "a", "b"], [held("housing"), held("input", F(1)), joined("a", "b")])
    assert solve(["input", "a"], [Relation({"a": F(2), "input": F(-1)}), held("input", F(1))])["a"] == F(1, 2)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"ratio": 18.0}, r"ratio 18 is stated, but the parts as counted make 17 \(opposite sense\)"),
        ({"ratio": 17.2}, "ratio 17.2"),
        ({"bearing": [{"name": "b", "inner": "stage1.ecentric", "outer": "stage1.disc"}]}, "is 'stage1.eccentric'"),
        ({"bearing": [{"name": "b", "inner": "stage2.disc", "outer": "housing"}]}, "there are housing, input, stage1"),
        ({"bearing": [{"name": "b", "inner": "input", "outer": "housing", "load": "floor"}]}, "load = 'floor'"),
        ({"bearing": [{"name": "b", "inner": "stage1.output", "outer": "stage1.disc"}]}, "turn together"),
        ({"bearing": [{"name": "b", "inner": "stage1.ring", "outer": "housing"}]}, "turn together"),
    ],
)  # fmt: skip
def test_mis_set_drives_are_refused_with_the_reason(more: dict[str, object], says: str) -> None:
    geometry = {"elements": 9, "element_diameter_mm": 7.94, "pitch_diameter_mm": 39.04}
    bearings = more.get("bearing", [])
    assert isinstance(bearings, list)
    more = more | {"bearing": [Bearing.model_validate(b | geometry) for b in bearings]}
    with pytest.raises(ConfigError, match=says):
        tone_table(drive(PLAIN, **more))


def test_plates_may_round() -> None:
    """A plate that says 17.1 or 16.9 for 17 is a rounded plate (common practice: half a per cent)."""
    for ratio in (17.0, 17.1, 16.9):
        assert tone_table(drive(PLAIN, ratio=ratio)).ratio == -17
    stage = PLAIN.model_copy(update={"ratio": 11.0})
    with pytest.raises(ConfigError, match=r"stage1: ratio 11 .* make 17"):
        tone_table(drive(stage))
    with pytest.raises(ConfigError, match="no stage"):
        tone_table(drive(ratio=17.0))


def test_belt_too_short_is_refused() -> None:
    """Pulleys of 100 and 250 mm that touch: 2 C cos w + pi (d1 + d2)/2 + (d2 - d1) w = 932.4 mm (plane geometry)."""
    short = BeltStage(kind="belt", driver_diameter_mm=100.0, driven_diameter_mm=250.0, belt_length_mm=932.0)
    with pytest.raises(ConfigError, match="cannot reach round"):
        tone_table(drive(short))
    assert tone_table(drive(short.model_copy(update={"belt_length_mm": 933.0}))).tone("stage1.belt").order > 0
