"""Rolling contact, integrated step by step and its events counted: no formula of a tone stands here.

Rigid bodies are moved by their speeds, points where they touch are found from their outlines, and what rolls there is
turned until the two surfaces run alike. The bodies' speeds are written out by hand for each drive.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.drive import Drive
from vibe.core.errors import ConfigError
from vibe.core.tones import ToneTable
from vibe.kinematics.phasing import sum_of_parts, sum_of_phases
from vibe.kinematics.tone_table import tone_table

Array = NDArray[np.float64]
TURN = 2 * np.pi
SLIPS = (0.0, -0.02, 0.01)


def table(*stages: dict[str, Any], bearings: tuple[dict[str, Any], ...] = ()) -> ToneTable:
    made = {"tag": "T", "input": {"speed_rpm": 1500.0}, "stage": list(stages), "bearing": list(bearings)}
    return tone_table(Drive.model_validate(made))


def rate(passing_turns: Array, turns: Array) -> float:
    """Events per input turn: how often an angle (in turns) goes through a whole number, first to last."""
    rising = passing_turns if passing_turns[-1] > passing_turns[0] else -passing_turns
    whole = np.arange(np.ceil(rising[0]), np.floor(rising[-1]) + 1)
    at = np.interp(whole, rising, turns)
    return float((at.size - 1) / (at[-1] - at[0]))


# --- rolling bearings ------------------------------------------------------------------------------------------------


def carried(inner: float, outer: float, pitch: float, element: float, lag: float, turns: Array) -> Array:
    """Angle [turns] of an element's centre between two rings, by the velocities of the two points where it touches.

    ``lag``: by how much more than the outer ring makes it roll the element moves, relative (negative: it skids behind).
    """
    step = turns[1] - turns[0]
    touch = np.array([(pitch - element) / 2, (pitch + element) / 2])
    place, centres = np.array([pitch / 2, 0.0]), [0.0]
    for _ in turns[1:]:
        along = place / np.hypot(*place)
        across = np.array([-along[1], along[0]])
        surfaces = [TURN * speed * radius * across for speed, radius in zip((inner, outer), touch, strict=True)]
        # Velocity of the centre and spin of the rigid element that has both surfaces' velocities where it touches.
        rows, right = [], []
        for radius, surface in zip(touch, surfaces, strict=True):
            arm = radius * along - place
            rows += [[1.0, 0.0, -arm[1]], [0.0, 1.0, arm[0]]]
            right += list(surface)
        x, y, _spin = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
        with_outer = TURN * outer * pitch / 2 * across
        moved = with_outer + (1 + lag) * (np.array([x, y]) - with_outer)
        swept = float(across @ moved) * step / (pitch / 2)
        centres.append(centres[-1] + swept / TURN)
        turned = np.array([[np.cos(swept), -np.sin(swept)], [np.sin(swept), np.cos(swept)]])
        place = turned @ place
    return np.array(centres)


PLAIN = {"kind": "cycloidal", "lobes": 29, "ring_pins": 30, "output_pins": 10}
RV = {"kind": "rv", "sun_teeth": 10, "planet_teeth": 30, "cranks": 3, "lobes": 39, "ring_pins": 40}
# Sun 1; carrier c; planet p with 10 (1 - c) = -30 (p - c); crank p past the ring makes 1/39 of a turn of the disc, the
# other way: c = -p/39. So p = -1/3 + c + c/3 and c = 1/121, p = -39/121.
RV_CARRIER, RV_CRANK = 1 / 121, -39 / 121
BETWEEN = {
    # inner, outer, load: body and speed by hand.
    "eccentric bearing": (PLAIN, ("stage1.eccentric", 1.0), ("stage1.disc", -1 / 29), ("stage1.eccentric", 1.0)),
    "plain bearing": (PLAIN, ("input", 1.0), ("housing", 0.0), ("housing", 0.0)),
    "flange bearing": (PLAIN, ("input", 1.0), ("stage1.output", -1 / 29), ("housing", 0.0)),
    "crank support": (RV, ("stage1.crank", RV_CRANK), ("stage1.carrier", RV_CARRIER), ("stage1.carrier", RV_CARRIER)),
    "turning arm": (RV, ("stage1.crank", RV_CRANK), ("stage1.disc", RV_CARRIER), ("stage1.crank", RV_CRANK)),
}


def with_bearing_between(name: str) -> ToneTable:
    """Tones of the drive of ``BETWEEN`` with nine elements of 10 mm on a circle of 40 mm between the two bodies."""
    stage, (inner, _), (outer, _), (load, _) = BETWEEN[name]
    bearing = {
        "name": name, "inner": inner, "outer": outer, "load": load,
        "elements": 9, "element_diameter_mm": 10.0, "pitch_diameter_mm": 40.0,
    }  # fmt: skip
    return table(stage, bearings=(bearing,))


@pytest.mark.parametrize("lag", SLIPS)
@pytest.mark.parametrize("name", BETWEEN)
def test_a_cage_passes_load_rings_and_housing_as_its_elements_roll(name: str, lag: float) -> None:
    _, (_, inner_speed), (_, outer_speed), (_, load_speed) = BETWEEN[name]
    found = with_bearing_between(name)
    turns = np.linspace(0.0, 40.0, 801)
    cage = carried(inner_speed, outer_speed, 40.0, 10.0, lag, turns)
    frames = {"": outer_speed, "_past_load": load_speed, "_past_inner": inner_speed, "_past_housing": 0.0}
    seen: list[float] = []
    for frame, speed in frames.items():
        counted = rate(cage - speed * turns, turns)
        named = [tone for tone in found.tones if tone.id == f"bearing.{name}.cage{frame}"]
        if any(abs(counted / other - 1) < 1e-3 for other in seen):
            assert not named
            continue
        seen.append(counted)
        (tone,) = named
        edge = {0.0: 0.0, -0.02: tone.slip[0], 0.01: tone.slip[1]}[lag]
        other = {0.0: 0.0, -0.02: tone.slip[1], 0.01: tone.slip[0]}[lag]
        # Lagging behind the outer ring is leading before the inner one.
        assert counted == pytest.approx(tone.order * (1 + (other if frame in _AHEAD[name] else edge)), rel=2e-4)
        assert tone.component == f"bearing.{name}.cage"
    assert len(seen) == len([tone for tone in found.tones if tone.family == "cage"])


@pytest.mark.parametrize("lag", SLIPS)
@pytest.mark.parametrize("name", BETWEEN)
def test_elements_pass_an_inner_race_within_its_slip(name: str, lag: float) -> None:
    """What a cage lags past the outer ring it gains past the inner one."""
    _, (_, inner_speed), (_, outer_speed), _ = BETWEEN[name]
    tone = with_bearing_between(name).tone(f"bearing.{name}.inner_race")
    turns = np.linspace(0.0, 40.0, 801)
    cage = carried(inner_speed, outer_speed, 40.0, 10.0, lag, turns)
    passed = 9 * rate(cage - inner_speed * turns, turns)
    assert tone.slip[0] - 1e-6 <= passed / tone.order - 1 <= tone.slip[1] + 1e-6


_AHEAD: dict[str, tuple[str, ...]] = {
    "eccentric bearing": ("_past_load",),
    "plain bearing": ("_past_inner",),
    "flange bearing": ("_past_inner",),
    "crank support": ("_past_inner",),
    "turning arm": ("_past_load",),
}
"""Frames that turn faster than the cage, with it: there a cage that lags passes sooner."""


def test_an_odd_roller_of_an_eccentric_bearing_meets_the_load_two_thirds_of_a_turn_apart() -> None:
    """Hand-worked: k = 1/4, 18/17 turns of the eccentric past the disc, so 5/8 x 18/17 = 0.66176; spin thrice that."""
    bearing = {
        "name": "e", "inner": "stage1.eccentric", "outer": "stage1.disc", "elements": 11, "element_diameter_mm": 9.0,
        "pitch_diameter_mm": 36.0,
    }  # fmt: skip
    found = table({"kind": "cycloidal", "lobes": 17, "ring_pins": 18}, bearings=(bearing,))
    met = found.tone("bearing.e.cage_past_load")
    assert met.order == pytest.approx(45 / 68)
    assert found.tone("bearing.e.rolling_element").order == pytest.approx(3 * met.order)
    assert met.order in [pytest.approx(side.order) for side in found.tone("bearing.e.rolling_element").sidebands]


def test_a_cage_that_nearly_stands_still_has_no_order_there() -> None:
    """Rings that turn oppositely, 3 to -5, leave the cage of k = 1/4 at rest: (1 - k)/2 x 3 - (1 + k)/2 x 9/5 = 0."""
    stage = {"kind": "gear pair", "driver_teeth": 18, "driven_teeth": 30}
    bearing = {
        "name": "b", "inner": "input", "outer": "stage1.driven", "elements": 9, "element_diameter_mm": 10.0,
        "pitch_diameter_mm": 40.0,
    }  # fmt: skip
    found = table(stage, bearings=(bearing,))
    assert [tone.id for tone in found.tones if tone.family == "cage"] == ["bearing.b.cage", "bearing.b.cage_past_inner"]


def test_cranks_bear_two_loads_unless_one_is_stated() -> None:
    """Torque stands still in the carrier, the swing of the discs in the crank: a race that turns through one or the
    other is modulated by it."""
    past = RV_CARRIER - RV_CRANK
    geometry = {"elements": 9, "element_diameter_mm": 10.0, "pitch_diameter_mm": 40.0}
    support = {"name": "s", "inner": "stage1.crank", "outer": "stage1.carrier"} | geometry
    arm = {"name": "a", "inner": "stage1.crank", "outer": "stage1.disc"} | geometry
    found = table(RV, bearings=(support, arm))
    for name in ("s", "a"):
        for race in ("outer_race", "inner_race"):
            assert past in [pytest.approx(s.order) for s in found.tone(f"bearing.{name}.{race}").sidebands]
    alone = table(RV, bearings=(support | {"load": "stage1.carrier"},))
    assert past not in [pytest.approx(s.order) for s in alone.tone("bearing.s.outer_race").sidebands]
    both = table(RV, bearings=(support | {"load": "stage1.carrier", "second_load": "stage1.crank"},))
    assert both.tone("bearing.s.outer_race") == found.tone("bearing.s.outer_race")
    with pytest.raises(ConfigError, match="second_load = 'nothing' is no body"):
        table(RV, bearings=(support | {"load": "stage1.carrier", "second_load": "nothing"},))


# --- rollers on pins -------------------------------------------------------------------------------------------------


def _unit(angle_turns: Array) -> NDArray[np.complex128]:
    return np.exp(1j * TURN * angle_turns)


def roller_events(
    centre: NDArray[np.complex128], touch: NDArray[np.complex128], surface: NDArray[np.complex128], turns: Array
) -> Array:
    """How far [turns] a roller's mark has gone past the contact.

    ``centre`` of the roller, ``touch`` and the ``surface`` velocity there of what rolls on it, in the housing: (n,).
    The roller turns so that its own surface runs along, as much as the contact slides across its radius.
    """
    own = np.gradient(centre, turns)
    arm = touch - centre
    spin = np.imag(np.conj(arm) * (surface - own)) / np.abs(arm) ** 2
    turned = np.concatenate([[0.0], np.cumsum((spin[1:] + spin[:-1]) / 2 * np.diff(turns))]) / TURN
    return np.asarray(np.unwrap(np.angle(arm)) / TURN - turned)


def material_velocity(
    point: NDArray[np.complex128], centre: NDArray[np.complex128], angle_turns: Array, turns: Array
) -> NDArray[np.complex128]:
    """Velocity of the point of a body that lies at ``point``, of the body's ``centre`` and ``angle_turns``."""
    return np.asarray(np.gradient(centre, turns) + 1j * TURN * np.gradient(angle_turns, turns) * (point - centre))


@pytest.mark.parametrize(("lobes", "pins", "fixed"), [(29, 30, "ring"), (38, 40, "ring"), (29, 30, "output pins")])
@pytest.mark.parametrize(("swing", "roller"), [(2.0, 16.0), (1.2, 9.0)])
def test_a_rolling_output_roller_meets_its_bore_more_often_than_its_pin(
    lobes: int, pins: int, fixed: str, swing: float, roller: float
) -> None:
    """The contact is where bore and roller touch; e = 2 and r = 8 mm give 1.25 past the disc."""
    disc = -(pins - lobes) / lobes if fixed == "ring" else 0.0
    turns = np.linspace(0.0, 40.0, 80_001)
    hub = swing * _unit(turns)
    pin = 30.0 * _unit(disc * turns + 0.1)
    bore = hub + pin  # The bores of the disc stand as the output pins do, and swing with it.
    radius = roller / 2 + swing
    away = (pin - bore) / np.abs(pin - bore)
    touch = bore + radius * away
    assert np.abs(touch - pin) == pytest.approx(np.full(turns.size, roller / 2))
    surface = material_velocity(touch, hub, disc * turns, turns)
    events = roller_events(pin, touch, surface, turns)
    stage = {
        "kind": "cycloidal", "lobes": lobes, "ring_pins": pins, "output_pins": 10, "fixed": fixed,
        "eccentricity_mm": swing, "output_roller_diameter_mm": roller,
    }  # fmt: skip
    tone = table(stage).tone("stage1.output_roller")
    assert rate(events, turns) == pytest.approx(tone.order, rel=1e-4)
    assert tone.order_exact is None
    assert tone.damage
    # Without rolling it is its pin, and nobody who leaves the radii out gets another tone.
    assert "stage1.output_roller" not in {tone.id for tone in table(PLAIN).tones}


@pytest.mark.parametrize(("lobes", "pins", "swing"), [(29, 30, 1.5), (11, 12, 3.0), (38, 40, 1.5)])
@pytest.mark.parametrize("turning_ring", [False, True])
def test_ring_rollers_spin_as_the_lobes_roll_on_them(lobes: int, pins: int, swing: float, turning_ring: bool) -> None:
    """The touching point lies where the outline of the disc, the envelope of the roller in the disc's frame, does."""
    circle, roller = 130.0, 10.0
    ring = (pins - lobes) / pins if turning_ring else 0.0
    disc = 0.0 if turning_ring else -(pins - lobes) / lobes
    turns = np.linspace(0.0, 40.0, 80_001)
    hub = swing * _unit(turns)
    pin = circle / 2 * _unit(ring * turns + 0.03)
    in_disc = (pin - hub) * _unit(-disc * turns)
    path = np.gradient(in_disc, turns)
    normal = 1j * path / np.abs(path)
    normal *= -np.sign(np.real(normal * np.conj(in_disc)))  # towards the disc
    touch = pin + roller / 2 * normal * _unit(disc * turns)
    surface = material_velocity(touch, hub, disc * turns, turns)
    events = roller_events(pin, touch, surface, turns)
    stage = {
        "kind": "cycloidal", "lobes": lobes, "ring_pins": pins, "eccentricity_mm": swing,
        "ring_pitch_diameter_mm": circle, "ring_roller_diameter_mm": roller,
        "fixed": "output pins" if turning_ring else "ring",
    }  # fmt: skip
    tone = table(stage).tone("stage1.ring_roller")
    # From the first whole turn to the last the mean is not quite over whole turns of the eccentric.
    mean = abs(events[-1] - events[0]) / (turns[-1] - turns[0])
    assert mean == pytest.approx(tone.order, rel=3e-3)
    assert abs(1 - ring) in [pytest.approx(side.order) for side in tone.sidebands]


# --- empty places, stepped discs, unequal phases ---------------------------------------------------------------------


def meetings(lobes: int, places: int, every: int, disc: float, ring: float, lobe: int) -> Array:
    """Input turns at which a lobe is pressed on a pin: it stands where the load is, and a pin stands there too.

    One lobe is loaded at a time where it is nearest to the load's direction; the pin is in place if it is one of the
    fitted ones: looked up, not reckoned.
    """
    turns = np.linspace(0.0, 400.0, 401)
    past = turns - (disc * turns + lobe / lobes)
    at = np.interp(np.arange(1, np.floor(past[-1])), past, turns)
    place = np.round((at - ring * at) * places).astype(int) % places
    return np.asarray(at[place % every == 0])


@pytest.mark.parametrize(
    ("lobes", "places", "every"), [(87, 88, 2), (29, 30, 3), (38, 40, 2), (38, 40, 4), (11, 12, 1)]
)
@pytest.mark.parametrize("turning_ring", [False, True])
def test_with_pins_left_out_a_lobe_finds_one_less_often(
    lobes: int, places: int, every: int, turning_ring: bool
) -> None:
    ring = (places - lobes) / places if turning_ring else 0.0
    disc = 0.0 if turning_ring else -(places - lobes) / lobes
    stage = {
        "kind": "cycloidal", "lobes": lobes, "ring_pins": places, "fitted_pins": places // every,
        "fixed": "output pins" if turning_ring else "ring",
    }  # fmt: skip
    found = table(stage)
    tone = found.tone("stage1.lobe")
    met = [meetings(lobes, places, every, disc, ring, lobe) for lobe in range(lobes)]
    struck = [at for at in met if at.size]
    for at in struck:
        assert (at.size - 1) / (at[-1] - at[0]) == pytest.approx(tone.order, rel=1e-3)
    assert tone.fold is not None
    assert len(struck) == tone.fold.count
    # All that is struck, together, is the mesh.
    together = sum(at.size - 1 for at in struck) / 400.0
    assert together == pytest.approx(found.tone("stage1.mesh").order, rel=0.02)
    pin = found.tone("stage1.ring_pin")
    assert pin.fold is not None
    assert (pin.order, pin.fold.count) == (pytest.approx(abs(1 - ring)), places // every)


@pytest.mark.parametrize(("counts", "ratio"), [((24, 25, 20, 21), 126.0), ((17, 18, 29, 30), -42.5)])
def test_stepped_discs_reduce_as_two_pairs_that_share_a_disc(counts: tuple[int, ...], ratio: float) -> None:
    """Hand-worked: the disc turns at 1 - pins/lobes; the second ring at 1 - (second lobes/second pins)(pins/lobes).

    24 in 25 and 20 in 21: 1 - 500/504 = 1/126. 17 in 18 and 29 in 30: 1 - 522/510 = -2/85.
    """
    names = ("lobes", "ring_pins", "second_lobes", "second_ring_pins")
    found = table({"kind": "stepped discs"} | dict(zip(names, counts, strict=True)))
    assert found.ratio is not None
    assert float(found.ratio) == pytest.approx(ratio)
    lobes, pins, second_lobes, second_pins = counts
    disc, ring = 1 - pins / lobes, 1 / ratio
    assert found.tone("stage1.ring_pin").order == 1.0
    assert found.tone("stage1.lobe").order == pytest.approx(pins / lobes)
    # One body: both rows of lobes pass the eccentric alike, whatever their numbers; so do second pins and lobes.
    assert found.tone("stage1.second_lobe").order == pytest.approx(1 - disc)
    assert found.tone("stage1.second_ring_pin").order == pytest.approx(1 - ring)
    assert found.tone("stage1.second_mesh").order == pytest.approx(second_pins * (1 - ring))
    assert found.tone("stage1.second_mesh").order == pytest.approx(second_lobes * (1 - disc))


@pytest.mark.parametrize("discs", [2, 3, 4])
def test_phases_listed_at_equal_spacing_are_equal_discs(discs: int) -> None:
    spaced = [place / discs for place in range(discs)]
    for harmonic in range(1, 7):
        for pins in range(8, 20):
            assert sum_of_phases(harmonic, pins, spaced) == sum_of_parts(harmonic, pins, discs)


def test_three_discs_at_unequal_phases_let_a_line_through_that_equal_ones_cancel() -> None:
    """10 pins at three discs 120 degrees apart: 10 = 1 (mod 3), so the first harmonic makes no torque. Ten degrees off
    the phases 0, 1100 and 2400 degrees do not cancel."""
    stage = {"kind": "cycloidal", "lobes": 9, "ring_pins": 10, "discs": 3}
    equal = {line.harmonic: line.effect for line in table(stage).phasing}
    listed = {line.harmonic: line.effect for line in table(stage | {"disc_phase_deg": [0.0, 110.0, 240.0]}).phasing}
    assert (equal[1], equal[3]) == ("radial", "torque")
    assert listed[1] == "torque"


# --- before the reducer ----------------------------------------------------------------------------------------------


def test_pre_stages_pass_on_what_their_teeth_count() -> None:
    """Counts by hand: worm of 2 starts on 41 teeth 20.5:1; chain 19 on 38 teeth 2:1, 100 links one round in 100/19
    turns of the driver; bevel 15 on 45 teeth 3:1."""
    worm = table({"kind": "worm", "starts": 2, "wheel_teeth": 41})
    assert abs(worm.ratio or 0) == pytest.approx(20.5)
    assert [float(worm.tone(f"stage1.{part}").order) for part in ("gear_mesh", "driver_tooth", "driven_tooth")] == [
        2.0, 1.0, pytest.approx(2 / 41),
    ]  # fmt: skip
    chain = table({"kind": "chain", "driver_teeth": 19, "driven_teeth": 38, "links": 100})
    assert chain.ratio == 2
    assert chain.tone("stage1.gear_mesh").order == 19
    assert chain.tone("stage1.chain").order == pytest.approx(0.19)
    bevel = table({"kind": "bevel pair", "driver_teeth": 15, "driven_teeth": 45}, PLAIN)
    assert abs(bevel.ratio or 0) == 87
    assert bevel.tone("stage2.lobe").order == pytest.approx(30 / 29 / 3)
    assert {body.body: body.what for body in bevel.bodies}["stage1.output"].endswith("its sense is a convention")


@pytest.mark.parametrize(
    ("stage", "says"),
    [
        (PLAIN | {"fitted_pins": 20}, "fitted_pins 20 do not stand evenly in 30 places"),
        (PLAIN | {"discs": 3, "disc_phase_deg": [0.0, 180.0]}, "2 angles for 3 discs"),
        (PLAIN | {"ring_roller_diameter_mm": 8.0}, "needs ring_pitch_diameter_mm and eccentricity_mm"),
        (PLAIN | {"eccentricity_mm": 3.0, "ring_pitch_diameter_mm": 130.0}, "too large: 30 pins roll on"),
        (
            PLAIN | {"eccentricity_mm": 1.5, "ring_pitch_diameter_mm": 130.0, "ring_roller_diameter_mm": 14.0},
            "30 ring rollers of 14 mm do not fit",
        ),
        (PLAIN | {"output_roller_diameter_mm": 12.0}, "also needs eccentricity_mm"),
        (
            PLAIN | {"eccentricity_mm": 1.5, "output_roller_diameter_mm": 12.0, "output_bore_diameter_mm": 12.5},
            "needs a bore of about 15 mm",
        ),
        (
            {"kind": "stepped discs", "lobes": 17, "ring_pins": 18, "second_lobes": 17, "second_ring_pins": 18},
            "undo each other",
        ),
        ({"kind": "chain", "driver_teeth": 19, "driven_teeth": 38, "links": 28}, "cannot reach round"),
    ],
)
def test_drives_that_cannot_be_are_refused(stage: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        table(stage)


def test_bores_stand_in_for_an_eccentricity_that_is_not_known() -> None:
    bored = PLAIN | {"output_roller_diameter_mm": 12.0, "output_bore_diameter_mm": 15.0}
    stated = PLAIN | {"output_roller_diameter_mm": 12.0, "eccentricity_mm": 1.5}
    assert table(bored).tone("stage1.output_roller").order == table(stated).tone("stage1.output_roller").order


def test_a_lone_crank_is_no_row_of_cranks() -> None:
    """Its carrier holds one planet; a mesh is passed on as often as with three, but nothing takes the load in turn."""
    alone, three = table(RV | {"cranks": 1}), table(RV)
    assert alone.ratio == three.ratio
    assert {tone.id for tone in three.tones} - {tone.id for tone in alone.tones} == {"stage1.crank_pass"}
