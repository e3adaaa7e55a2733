"""Lines of one drive under the file of another: who explains them, and what is left of the claim."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.presence.axes import AUDIBLE, Axis
from vibe.spectra.presence.families import Family
from vibe.spectra.presence.presence import Presence, presence
from vibe.spectra.rivals.rival_drives import CERTAIN, SLIP, Rival, rivals

STEP = 0.006
"""Orders per bin: 24 Hz for 7 s."""
TOP = 200.0


def recorded(*made: NDArray[np.float64], seed: int = 1, strength: float = 60.0) -> Axis:
    """An axis of noise on which lines of all orders ``made`` stand."""
    rng = np.random.default_rng(seed)
    row = rng.exponential(1.0, round(TOP / STEP))
    for orders in made:
        places = np.rint(orders[orders < TOP - 1] / STEP).astype(int)
        row[places] = strength * rng.uniform(0.5, 2.0, places.size)
    return Axis(rows=((row, STEP),), audible=AUDIBLE)


def drive(pins: int, passes: int = 10, speed: float = 1.0) -> NDArray[np.float64]:
    """Orders of a drive with a ring of ``pins``: shaft, lobes, mesh with its side lines, pass of its output pins."""
    shaft, past = np.arange(1.0, 9.0), pins / (pins - 1)
    mesh = pins * np.arange(1.0, 4.0)
    return speed * np.concatenate(
        [shaft, past * np.arange(1.0, 9.0), mesh, mesh - 1, mesh + 1, passes * past * np.arange(1.0, 4.0)]
    )


def family(pins: int, passes: int = 10) -> Family:
    return Family(count=pins, unit=1.0, difference=1, passes=passes)


@pytest.mark.parametrize(("pins", "filed"), [(30, 8), (30, 22), (18, 30), (60, 30), (30, 60)])
@pytest.mark.parametrize("speed", [1.0, 1.012, 0.985])
def test_the_drive_that_runs_explains_more_than_that_of_the_file(pins: int, filed: int, speed: float) -> None:
    found = rivals(recorded(drive(pins, speed=speed)), [family(filed)], 1e-4)
    assert found[0].log_odds > CERTAIN
    assert found[0].combs == pytest.approx((speed, speed * pins / (pins - 1)), abs=3 * STEP / 8)


@pytest.mark.parametrize("pins", [8, 18, 30, 60, 120])
@pytest.mark.parametrize("seed", range(3))
def test_no_drive_explains_more_than_the_right_one(pins: int, seed: int) -> None:
    assert rivals(recorded(drive(pins), seed=seed), [family(pins)], 1e-4) == []


@pytest.mark.parametrize(("pins", "filed"), [(43, 44), (44, 43), (33, 34), (72, 75)])
@pytest.mark.parametrize("by_lobes", [True, False])
def test_a_drive_of_a_few_pins_more_or_less_is_known_by_its_mesh(pins: int, filed: int, by_lobes: bool) -> None:
    """At the speed at which its lobes are those of the file's, and at the stated one: shaft, lobes and output pins tell
    next to nothing."""
    speed = filed / (filed - 1) * (pins - 1) / pins if by_lobes else 1.0
    found = rivals(recorded(drive(pins, speed=speed), strength=600.0), [family(filed)], 1e-5)
    assert (found[0].count, found[0].speed) == (pins, pytest.approx(speed, abs=STEP / 43))


def test_known_speeds_are_not_left() -> None:
    axis = recorded(drive(30, speed=1.02))
    assert any(abs(one.speed - 1) > 0.01 for one in rivals(axis, [family(22)], 1e-4, SLIP))
    assert all(abs(one.speed - 1) < 0.002 for one in rivals(axis, [family(22)], 1e-4, 1e-4))


def test_of_a_file_without_lobes_nothing_is_known() -> None:
    assert rivals(recorded(drive(30)), [Family(count=17, unit=1.0)], 1e-4) == []
    assert rivals(recorded(drive(30)), [], 1e-4) == []


def asked(axis: Axis, pins: int) -> tuple[bool, bool]:
    """Whether a drive is detected on ``axis``: at first sight, and when its rivals were asked."""
    own = [family(pins)]
    first = presence([axis], own, 1e-4)
    lines = [float(order) for one in rivals(axis, own, 1e-4) for order in one.lines(axis.top)]
    second = presence([axis], own, 1e-4, rival=lines)
    assert first is not None
    assert second is not None
    return first.detected, second.detected


def test_lines_that_another_drive_makes_as_well_prove_nothing() -> None:
    """Of a drive of 44 pins half of the lines are those of one of 22."""
    assert not asked(recorded(drive(44, passes=11)), 22)[1]
    assert asked(recorded(drive(22)), 22) == (True, True)


def test_a_louder_drive_of_another_ratio_nearby_does_not_silence_this_one() -> None:
    both = recorded(drive(22), drive(30, passes=12, speed=1.013))
    assert asked(both, 22)[1]
    assert not asked(recorded(drive(30, passes=12, speed=1.013)), 22)[1]


def wheel(teeth: int) -> NDArray[np.float64]:
    mesh = teeth * np.arange(1.0, 4.0)
    return np.concatenate([np.arange(1.0, 9.0), mesh, mesh - 1, mesh + 1])


CRANKS = Family(count=52, unit=51 / 52, difference=1, passes=12, ring_turns=True)
"""Its lobes and output pins pass at whole orders, where any machine has lines: the mesh must tell all."""


@pytest.mark.parametrize("seed", range(3))
def test_a_wheel_that_the_file_leaves_out_does_not_silence_the_drive(seed: int) -> None:
    mesh = 51 * np.arange(1.0, 4.0)
    own = np.concatenate([mesh, mesh[:2] - 51 / 52, mesh[:2] + 1])
    with_drive = presence([recorded(own, wheel(39), seed=seed)], [CRANKS], 1e-4)
    alone = presence([recorded(wheel(39), seed=seed)], [CRANKS], 1e-4)
    assert with_drive is not None
    assert alone is not None
    assert with_drive.detected
    assert not alone.detected


def test_a_rival_takes_the_lines_that_it_makes_and_no_other_multiples_of_its_shaft() -> None:
    """A drive of 60 pins next to lines at the lobes of one of 11: 60 is no mesh of that one, 22 and 33 are."""
    one = Rival(count=11, difference=1, speed=1.0, log_odds=CERTAIN - 1)
    made = one.lines(70.0)

    def takes(order: float) -> bool:
        return bool((np.abs(made - order) < STEP).any())

    assert all(takes(order) for order in (1.0, 8.0, 1.1, 9.9, 11.0, 22.0, 32.0, 33.0, 22.0 + 1.1, 66.0))
    assert not any(takes(order) for order in (16.0, 29.0, 60.0, 62.0))
    # Of one that is as good as detected it may be anything that follows its shaft.
    made = replace(one, log_odds=CERTAIN + 1).lines(70.0)
    assert all(takes(order) for order in (16.0, 29.0, 60.0, 62.0))
    assert not takes(16.27)


def test_lobes_of_luck_in_a_rich_spectrum_are_no_rival() -> None:
    """As many speeds and counts are tried that one of them fits some lines: what it explains more must be beyond that.

    The lines of this drive and, on three of a hundred places, somebody else's: no rival; with those of a second drive
    there is one."""
    rng = np.random.default_rng(5)
    stray = rng.uniform(1.3, 30.0, 150)
    assert rivals(recorded(drive(60), stray), [family(60)], 1e-4) == []
    assert rivals(recorded(drive(30), stray), [family(60)], 1e-4) != []


def test_multiples_of_a_slow_striker_are_no_rivals_lobes_but_its_own_lines_stay() -> None:
    """A chain at 0.6 orders has every second line at 1.2, the lobes of a drive of 12 pins and 10 lobes."""
    chain = 0.6 * np.arange(1.0, 60.0)
    detected_both = recorded(drive(36), chain, strength=200.0)
    own = [float(order) for order in family(36).own()]
    cleared = detected_both.without([0.6], kept=own)
    assert np.isnan(cleared.at(np.array([6.0 * 1.2]), shaft=True)).all()
    assert cleared.at(np.array([36.0]))[0] == detected_both.at(np.array([36.0]))[0]
    assert not any(abs(one.combs[1] - 1.2) < 0.01 for one in rivals(cleared, [family(36)], 1e-4))


def test_pitch_errors_of_a_crank_are_no_mesh_of_another_count() -> None:
    """Ring pins that differ make lines at the crank's multiples, of which any few parts would be a mesh."""
    crank, shaft = 0.4479, np.arange(1.0, 9.0)
    made = Family(count=36, unit=crank, difference=1)
    stray = np.random.default_rng(3).uniform(1.3, 40.0, 150)
    errors = recorded(shaft, crank * np.arange(1.0, 30.0), stray, strength=500.0)
    mesh = recorded(shaft, 36 * crank * np.arange(1.0, 4.0), strength=4000.0)
    both = Axis(rows=((np.maximum(errors.rows[0][0], mesh.rows[0][0]), STEP),), audible=AUDIBLE)
    assert stated(presence([both], [made], 1e-4))
    assert not stated(presence([errors], [made], 1e-4))


def test_a_mesh_at_a_speed_at_which_no_shaft_turns_is_a_gears_of_another_machine() -> None:
    """A line next to the shaft's place covers it, the second and third are missing: the mesh alone chose the speed."""
    made = family(44, passes=0)
    gear = recorded(np.array([1.0, 44.0, 88.0, 132.0]), strength=1e4)
    running = recorded(np.array([1.0, 2.0, 44.0, 88.0, 132.0]), strength=1e4)
    assert not stated(presence([gear], [made], 1e-4, covered=[1]))
    assert stated(presence([running], [made], 1e-4))
    assert stated(presence([running], [made], 1e-4, covered=[1]))


def stated(found: Presence | None) -> bool:
    assert found is not None
    return found.detected


def test_at_an_alias_of_the_speed_the_shafts_higher_multiples_name_the_rival() -> None:
    """19 pins under the file of 18, read at a speed at which the lobes lie where the file puts them: its mesh is a
    multiple of theirs. Pitch errors fill the multiples of the true shaft; under its own file nothing is said."""
    errors = [np.arange(1.0, 21.0), 19 / 18 * np.arange(1.0, 21.0), np.array([19.0, 38.0])]
    speed = (18 / 17) / (19 / 18)  # over the one that is stated
    found = rivals(recorded(*(speed * one for one in errors)), [family(18, passes=0)], 1e-4)
    assert found[0].log_odds > CERTAIN
    assert found[0].combs == pytest.approx((speed, 18 / 17), abs=3 * STEP / 8)
    assert rivals(recorded(*errors), [family(19, passes=0)], 1e-4) == []


@pytest.mark.parametrize("seed", range(3))
def test_pitch_errors_of_two_like_discs_are_no_mesh_of_few_pins(seed: int) -> None:
    """Two discs half a turn apart leave every second multiple of the shaft: any even count has a mesh there."""
    errors = np.arange(2.0, 60.0, 2.0)
    own = np.concatenate([30 / 29 * np.arange(1.0, 9.0), [30.0, 60.0]])
    assert rivals(recorded(errors, own, seed=seed), [family(30, passes=0)], 1e-4) == []


def test_a_second_drive_of_the_kind_is_no_drive_of_other_counts() -> None:
    """Its shaft, 1/68 faster, lies where lobes of 69 pins would: pulses show this one's speed, and its own families are
    all there."""
    second = 69 / 68
    pitch = second * np.arange(4.0, 130.0)
    axis = recorded(np.array([1.0, 2.0, 3.0, 44.0]), drive(44, speed=second), pitch)
    found = rivals(axis, [family(44)], 1e-5, 1e-5)
    assert found
    assert found[0].sister == pytest.approx(second, abs=STEP / 8)
    lines = found[0].sisters_lines(family(44), TOP)
    assert min(abs(order - 44 * second) for order in lines) < STEP
    # Of a drive of 69 pins only the lobes lie there.
    others = rivals(recorded(drive(69)), [family(44)], 1e-5, 1e-5)
    assert others
    assert all(one.sister is None and not one.sisters_lines(family(44), TOP) for one in others)


def test_what_a_drive_leaves_whose_counts_are_known_need_not_show_twice_as_clearly() -> None:
    axis, taken = recorded(drive(30)), [50.5]
    plain, counted = (presence([axis], [family(30)], 1e-5, rival=taken, counted=known) for known in (False, True))
    assert plain is not None
    assert counted is not None
    assert counted.own - plain.own == pytest.approx(4.6)
