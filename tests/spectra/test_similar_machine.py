"""A second machine of the same kind by the high multiples of its mesh, and what is no second machine."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from vibe.core.tones import OwnLines
from vibe.spectra.presence.axes import AS_HIGH
from vibe.spectra.presence.families import Family
from vibe.spectra.rivals.line_heights import TAIL, _with_foot, heights_of, highest_near, raise_among_own
from vibe.spectra.rivals.similar_evidence import family_evidence
from vibe.spectra.rivals.similar_lines import read_at, read_where_meshes_stand, sought_lines, with_the_rest
from vibe.spectra.rivals.similar_machine import WIDTHS, _speeds, similar_machines
from vibe.spectra.signal_analysis import ChannelSpectrum

STEP, INPUT_HZ = 0.005, 25.0
FAMILY = Family(count=30, unit=1.0, difference=1)
SHAFT, MESHES = (1.0, 2.0, 3.0), (30.0, 60.0, 90.0, 120.0)
SPREAD = np.array([0.25, 1.0, 0.25])
"""A line over three bins, as a Hann window spreads it."""


def spectrum(places: Mapping[float, float], *, top: float = 250.0, seed: int = 1) -> list[ChannelSpectrum]:
    """Noise of mean 1 up to order ``top`` with lines of stated height."""
    power: NDArray[np.float64] = np.random.default_rng(seed).exponential(1.0, int(top / STEP))
    for order, height in places.items():
        middle = round(order / STEP)
        power[middle - 1 : middle + 2] += height * SPREAD
    return [ChannelSpectrum(channel="p1", power=power, bin_hz=STEP * INPUT_HZ)]


def own() -> dict[float, float]:
    return dict.fromkeys((*SHAFT, *MESHES), 3000.0)


def lines(what: str, orders: list[float], spread: float = 0.0) -> OwnLines:
    return OwnLines(what=what, orders=tuple(orders), spread=(spread,) * len(orders))


def always() -> list[OwnLines]:
    """What every machine of the kind makes by itself."""
    return [lines("shaft", list(range(1, 180))), lines("mesh", [30.0 * k for k in range(1, 7)])]


def speeds(places: Mapping[float, float], *kinds: OwnLines, known: tuple[float, ...] = ()) -> list[float]:
    return [one.speed for one in similar_machines(spectrum(places), INPUT_HZ, FAMILY, [*always(), *kinds], known)]


@pytest.mark.parametrize("speed", [1.0017, 0.9985, 1.006, 0.98, 1.02])
def test_two_speeds_that_are_one_line_of_the_shaft_are_two_of_the_mesh(speed: float) -> None:
    """At 0.17 % the shafts lie a third of a bin apart, the fourth multiples of the mesh 41."""
    there = own() | {order * speed: 300.0 for order in MESHES}
    (found,) = similar_machines(spectrum(there), INPUT_HZ, FAMILY, always())
    assert found.speed == pytest.approx(speed, abs=2e-4)
    assert abs(found.speed - speed) < found.error + 1e-4
    assert found.fainter_db == pytest.approx(10.0, abs=1.5)
    assert found.probability > 0.95
    assert speeds(own()) == []


@pytest.mark.parametrize(("theirs", "seen"), [(300.0, True), (0.0, False)])
def test_a_machine_with_a_wheel_of_as_many_teeth_is_of_the_kind_only_where_its_other_mesh_stands_too(
    theirs: float, seen: bool
) -> None:
    """30 teeth on the shaft, and 12 pins that a second stage passes at 0.37 of its turn."""
    further, second = [Family(count=12, unit=0.37, difference=1)], (4.44, 8.88, 13.32)
    there = own() | dict.fromkeys(second, 30000.0) | {order * 1.008: 300.0 for order in MESHES}
    there |= {order * 1.008: theirs for order in second}
    known = [*always(), lines("second mesh", list(second))]
    found = similar_machines(spectrum(there), INPUT_HZ, FAMILY, known, further=further)
    assert [round(one.speed, 3) for one in found] == ([1.008] if seen else [])
    # Without a second stage nothing else is expected of it.
    assert len(similar_machines(spectrum(there), INPUT_HZ, FAMILY, known)) == 1
    # What lies within the foot of the machine's own line says nothing.
    slow = [Family(count=12, unit=0.037, difference=1)]
    assert len(similar_machines(spectrum(there), INPUT_HZ, FAMILY, known, further=slow)) == 1
    # Nor is anything where the machine's own second mesh does not stand.
    faint = own() | {order * 1.008: 300.0 for order in MESHES}
    assert len(similar_machines(spectrum(faint), INPUT_HZ, FAMILY, known, further=further)) == 1


@pytest.mark.parametrize("half", [1, 2, 4, 5, 16, 32, 60])
def test_the_highest_to_either_side_is_that_of_a_window(half: int) -> None:
    values = np.random.default_rng(half).exponential(1.0, 80)
    np.testing.assert_array_equal(highest_near(values, half), maximum_filter1d(values, 2 * half + 1))


def test_own_lines_are_compared_with_their_kind_but_for_those_another_machine_would_make() -> None:
    """Against the same, place by place and kind by kind."""
    sought = sought_lines(FAMILY)
    row = heights_of(spectrum(own())[0], INPUT_HZ, always(), 250.0)
    speeds = _speeds([row], sought, 0.0)[::8]
    bins = np.rint(sought.orders[:, None] * speeds / row.step).astype(np.int64)
    bins = np.minimum(bins, row.over.size - 1)
    numbers = np.array([0, 1, 2, 3, 7, 12])
    there, shares = row.over[bins[numbers]], np.full((numbers.size, speeds.size), 1e-3)
    found = shares.copy()
    raise_among_own(row, sought.is_mesh, numbers, bins, bins[numbers], there, found)
    for line, number in enumerate(numbers):
        for column in range(speeds.size):
            spot, least = bins[number, column], there[line, column] / AS_HIGH
            for heights, at in zip(row.heights, row.at, strict=False):
                if at[spot] == 0.0:
                    continue
                left_out = [k for k in range(sought.orders.size) if sought.is_mesh[k] or k == number]
                out = [at[bins[k, column]] for k in left_out]
                above = int(np.sum(heights >= least)) - sum(bool(one >= least) for one in out)
                highest = max((float(one) for one in heights if one not in out), default=0.0)
                beyond = max(1.0, least / max(highest, 1.0)) ** -TAIL if highest > 0 else 1.0
                share = (max(above, 0) + 0.5 * beyond) / (heights.size - int(np.count_nonzero(out)) + 1)
                shares[line, column] = max(shares[line, column], share)
    np.testing.assert_allclose(found, shares, rtol=1e-12)
    assert np.unique(found).size > 5


@pytest.mark.parametrize("twin", [True, False])
def test_to_read_all_lines_where_the_mesh_stands_is_to_read_them_everywhere(twin: bool) -> None:
    there = own() | ({order * 1.004: 300.0 for order in (*SHAFT, *MESHES)} if twin else {})
    sought = sought_lines(FAMILY)
    rows = [heights_of(one, INPUT_HZ, always(), 250.0) for one in spectrum(there)]
    for width in WIDTHS:
        speeds = _speeds(rows, sought, width)
        whole = read_at(rows, sought, sought.orders[:, None] * speeds, width)
        part = read_where_meshes_stand(rows, sought, speeds, width)
        evidence, fainter_db = family_evidence(whole, sought)
        assert np.isfinite(evidence).any() or not twin
        assert np.isnan(part.surprise).sum() > 2 * np.isnan(whole.surprise).sum()
        np.testing.assert_array_equal(family_evidence(part, sought)[0], evidence)
        np.testing.assert_array_equal(family_evidence(part, sought)[1], fainter_db)
        again = with_the_rest(rows, sought, part, speeds, width)
        np.testing.assert_array_equal(again.surprise, whole.surprise)


@pytest.mark.parametrize("speed", [1.045, 0.955])
def test_no_motor_of_one_kind_is_so_much_faster(speed: float) -> None:
    assert speeds(own() | {order * speed: 300.0 for order in MESHES}) == []


def test_a_single_multiple_is_anybodys() -> None:
    assert speeds(own() | {60.0 * 1.0017: 3000.0}) == []


def test_lines_of_a_shaft_alone_are_no_machine_of_the_same_kind() -> None:
    """Any machine has them; that of one's own kind has the mesh too."""
    shaft = {order * 1.015: 1000.0 for order in SHAFT}
    assert speeds(own() | shaft) == []
    assert speeds(own() | shaft | {order * 1.015: 1000.0 for order in MESHES[:2]}) == pytest.approx([1.015], abs=5e-4)


@pytest.mark.parametrize(
    "off",
    [
        lambda k: 0.21,  # A slow modulation: as far off every multiple.
        lambda k: -0.21,
        lambda k: (0.3, -0.17, 0.52, -0.71)[k - 1],  # No two at one speed.
    ],
)
def test_what_keeps_no_other_speed_is_no_second_machine(off: Callable[[int], float]) -> None:
    assert speeds(own() | {order + off(k): 400.0 for k, order in enumerate(MESHES, 1)}) == []


def test_multiples_of_one_modulation_about_every_mesh_are_side_lines() -> None:
    """Lines 0.05, 0.1, 0.15 and 0.2 above all multiples hold those that a machine 0.17 % faster would have."""
    theirs = {order + k * 0.05: 400.0 for k, order in enumerate(MESHES, 1)}
    assert len(speeds(own() | theirs)) == 1
    assert speeds(own() | {order + k * 0.05: 400.0 for order in MESHES for k in range(1, 5)}) == []


def test_what_lies_as_far_above_as_below_is_one_machine_whose_strength_comes_and_goes() -> None:
    """One side alone is a second machine, both are a modulation."""
    upper = {order * 1.0035: 400.0 for order in MESHES}
    lower = {order * 0.9965: 400.0 for order in MESHES}
    assert len(speeds(own() | upper)) == 1
    assert speeds(own() | upper | lower) == []


def test_a_skirt_of_a_line_whose_speed_was_not_followed_is_no_second_machine() -> None:
    """Power that falls off to both sides of every multiple, the wider the higher it is; a line that stands out of it is
    one."""
    skirt = {}
    for order in MESHES:
        width = 4e-4 * order
        for place in np.arange(-4 * width, 4 * width, STEP):
            skirt[order + float(place)] = 2000.0 * float(np.exp(-abs(place) / width))
    assert speeds(own() | skirt) == []
    assert len(speeds(own() | skirt | {order * 1.003: 3000.0 for order in MESHES})) == 1


def test_lines_of_the_machines_own_explain_what_is_as_high_as_they_are_and_no_more() -> None:
    """Side lines of an output that makes one turn in 29 stand all along; a second machine that lies on four of them is
    detected where it stands above."""
    turn = 1 / 29
    sides = [order + sign * k * turn for order in MESHES for k in (1, 2, 3, 4) for sign in (-1, 1)]
    kind = lines("output off a mesh", sides)
    fifth = {order + k * turn for k, order in enumerate(MESHES, 1)}
    plain = dict.fromkeys(sides, 100.0)
    assert speeds(own() | plain, kind) == []
    assert speeds(own() | plain | dict.fromkeys(fifth, 200.0), kind) == []
    assert len(speeds(own() | plain | dict.fromkeys(fifth, 2000.0 * 10), kind)) == 1


def test_a_few_lines_of_a_kind_do_not_explain_a_machine_that_lies_on_all_of_them() -> None:
    """Four side lines are listed, and a second machine stands on each: they are not held against themselves. Where all
    eight of the kind stand, they are the machine's own."""
    fast = {order: order * 1.004 for order in MESHES}
    more = [order * (1 - 0.0071 * k) for k, order in enumerate(MESHES, 1)]
    kind = lines("side lines", [*fast.values(), *more])
    assert speeds(own() | dict.fromkeys(fast.values(), 3000.0), kind) == pytest.approx([1.004], abs=2e-4)
    assert speeds(own() | dict.fromkeys([*fast.values(), *more], 3000.0), kind) == []


def test_what_is_averaged_next_to_own_lines_has_no_part_of_them() -> None:
    """Own lines half a per mille off every place of a machine 0.4 % faster: its speed varies, and power is averaged,
    but not theirs."""
    near = [order * 1.004 + sign * 0.02 for order in MESHES[1:] for sign in (-1, 1)]
    kind = lines("side lines", [*near, *(order * 0.987 + 0.1 * k for k, order in enumerate(MESHES))])
    assert speeds(own() | dict.fromkeys(kind.orders, 3e4), kind) == []


def test_a_declared_machine_is_likelier_there_and_needs_lines_too() -> None:
    """Nine in ten that are declared run, one in ten drives has one that is not: 81 times the odds."""
    faint = own() | {order * 1.006: 20.0 for order in MESHES[1:3]}
    plain, declared = (
        similar_machines(spectrum(faint), INPUT_HZ, FAMILY, always(), declared=one) for one in (False, True)
    )
    assert [one.speed for one in plain] == [one.speed for one in declared] == pytest.approx([1.006], abs=2e-4)
    odds = [one.probability / (1 - one.probability) for one in (plain[0], declared[0])]
    assert odds[1] / odds[0] == pytest.approx((0.9 / 0.1) ** 2)
    assert similar_machines(spectrum(own()), INPUT_HZ, FAMILY, always(), declared=True) == ()


def test_multiples_of_a_bearings_impacts_are_no_second_mesh() -> None:
    """Five impacts of a bearing per mesh, 0.6 % off, stand next to every multiple of it, spread by slip; a mesh
    elsewhere stays a second machine's."""
    order = 30.0 * 1.006 / 5
    impacts = {k * order: 300.0 for k in range(1, 25)}
    kind = OwnLines(what="race", orders=tuple(impacts), spread=tuple(1e-3 * one for one in impacts))
    assert speeds(own() | impacts, kind) == []
    (found,) = speeds(own() | impacts | {mesh * 0.9985: 300.0 for mesh in MESHES}, kind)
    assert found == pytest.approx(0.9985, abs=2e-4)


def test_of_a_machine_whose_speed_is_known_only_its_loudness_is_asked() -> None:
    """It needs no evidence of its own, and is not found a second time."""
    there = own() | {order * 1.004: 300.0 for order in MESHES}
    (found,) = similar_machines(spectrum(there), INPUT_HZ, FAMILY, always(), known=(1.00401,))
    assert found.speed == 1.00401
    assert found.fainter_db == pytest.approx(10.0, abs=1.5)
    (silent,) = similar_machines(spectrum(own()), INPUT_HZ, FAMILY, always(), known=(1.00401,))
    assert silent.fainter_db == 15.0


@pytest.mark.parametrize("width", [1e-4, 2.5e-4])
def test_mesh_lines_that_a_varying_speed_smears_still_show_a_second_machine(width: float) -> None:
    """Each smeared over several bins, as two motors' speeds vary against each other."""
    rng = np.random.default_rng(3)
    smeared: dict[float, float] = {}
    for order in MESHES:
        for off in rng.uniform(-width, width, max(3, round(2 * width * order / STEP))):
            smeared[order * (1.004 + float(off))] = 150.0 * float(rng.exponential())
    (found,) = speeds(own() | smeared)
    assert found == pytest.approx(1.004, abs=4e-4)


@pytest.mark.parametrize(("db", "detected"), [(-26.0, True), (-33.0, False)])
def test_a_machine_too_faint_to_matter_is_not_named(db: float, detected: bool) -> None:
    there = dict.fromkeys((*SHAFT, *MESHES), 1e6) | {order * 1.006: 1e6 * 10 ** (db / 10) for order in MESHES}
    assert bool(speeds(there)) is detected


def test_a_mesh_so_much_louder_is_the_machines_own() -> None:
    """Then the speed found is a little wrong."""
    for db, detected in ((13.0, True), (17.0, False)):
        louder = {order * 1.006: 1e3 * 10 ** (db / 10) for order in MESHES}
        assert bool(speeds(dict.fromkeys((*SHAFT, *MESHES), 1e3) | louder)) is detected


def test_three_like_machines_are_named_at_most() -> None:
    """Of four, two of them known."""
    four = own() | {order * speed: 1000.0 for order in MESHES for speed in (1.0035, 1.0093, 0.9875, 1.0175)}
    assert len(speeds(four)) >= 2
    found = speeds(four, known=(1.0035, 1.0093))
    assert found[:2] == [1.0035, 1.0093]
    assert len(found) == 3


def test_strays_that_come_together_no_more_often_than_by_chance_are_nobodys() -> None:
    """Spectra full of lines at random places, one in two hundred bins: one in fifty showed a machine that is not there,
    all fifty the one that is."""
    false = true = 0
    for seed in range(100, 108):
        rng = np.random.default_rng(seed)
        strays = {float(order): 300.0 for order in rng.uniform(20, 240, 220)}
        false += bool(speeds(own() | strays))
        true += bool(speeds(own() | strays | {order * 1.0023: 1500.0 for order in MESHES}))
    assert false <= 1
    assert true >= 7


def test_a_mesh_too_slow_for_the_capture_says_nothing() -> None:
    """Of seven parts, 0.3 orders a bin."""
    rng = np.random.default_rng(12)
    coarse = ChannelSpectrum(channel="p1", power=rng.exponential(1.0, 2000), bin_hz=0.3 * INPUT_HZ)
    assert similar_machines([coarse], INPUT_HZ, Family(count=7, unit=1.0, difference=1), ()) == ()


def test_the_foot_of_a_line_that_slips_is_its_own_as_far_as_it_falls() -> None:
    """Power falls as one over the square of the distance; a second line on the foot ends it, and so does the floor."""
    distance = np.abs(np.arange(1000) - 500.0)
    strong, faint = (height / (1 + (distance / 2) ** 2) + 1.0 for height in (3000.0, 30.0))
    foot = _with_foot
    assert foot(strong, 490, 511) == (480, 521)
    assert foot(faint, 490, 511) == (490, 511)
    beside = strong + np.where(np.abs(np.arange(1000) - 518) <= 1, 300.0, 0.0)
    low, high = foot(beside, 490, 511)
    assert low == 480
    assert high <= 516
    assert foot(strong, 0, 2)[0] == 0
