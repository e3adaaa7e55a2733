"""What lines that are missing, or stand elsewhere, say against a drive: worked by hand."""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from tests.spectra.test_comb_scores import spectra
from vibe.spectra.presence.axes import AUDIBLE, Axis, envelope_axis
from vibe.spectra.presence.families import Family, Lines
from vibe.spectra.presence.likelihood import lines_evidence
from vibe.spectra.presence.presence import presence
from vibe.spectra.presence.shaft import CHOSEN, no_rotor, shaft_against, turns_twice
from vibe.spectra.presence.strays import EVERYWHERE, SortedColumns, Strays
from vibe.spectra.speed.line_likelihood import LOUDEST

STEP = 0.005
SPEEDS = np.ones(1)
NO_STRAYS = Strays(at=np.empty(0), whole=np.empty((0, 1)), lines=np.empty(0), places=100_000_000)
SILENT = log(1 / np.log1p(LOUDEST))
"""A line that must be seen and is not: as loud as any up to the loudest, in one factor as in the next."""


def axis(**lines: float) -> Axis:
    """Nothing but lines at orders such as ``o2``."""
    row = np.zeros(40_000)
    for order, surprise in lines.items():
        row[round(float(order[1:].replace("_", ".")) / STEP)] = surprise
    return Axis(rows=((row, STEP),), audible=AUDIBLE)


def test_lines_of_real_drives_are_seen_a_little_less_often_than_those_of_the_simulated_fleet() -> None:
    lines = Family(count=30, unit=1.0, difference=1, passes=10).lines([30])
    orders = lines.orders[0]
    fleet = {60.0: 0.7, 61.0: 0.4, 20 * 30 / 29: 0.5, 2 * 30 / 29: 0.4}
    for order, share in fleet.items():
        seen = float(lines.seen[0, int(np.nanargmin(np.abs(orders - order)))])
        assert 0.7 * share < seen < 0.95 * share


@pytest.mark.parametrize(("part", "detected"), [(0, 0.9), (1, 0.5), (2, 0.4), (3, 0.6)])
def test_of_drives_whose_lines_all_are_missing_only_those_are_left_that_are_never_detected(
    part: int, detected: float
) -> None:
    lines = Lines(
        orders=np.arange(20.3, 60.3)[None], part=np.full(40, part), seen=np.full(40, 1 - 1e-12),
    )  # fmt: skip
    found = lines_evidence([axis()], [NO_STRAYS], np.zeros(1), lines, SPEEDS)
    assert found[0, 0] == pytest.approx(log(1 - detected), rel=1e-6)


def test_three_in_ten_drives_modulate_what_rings() -> None:
    found = envelope_axis(spectra(np.ones((1, 4000), dtype=np.float32)), 25.0, [50.0])
    assert [log(1 - one) for one in found.audible] == pytest.approx([log(0.7)] * 4)


PAIR = Family(count=30, unit=1.0, difference=1)


def test_three_lines_of_the_shaft_that_are_missing() -> None:
    """Nine in ten are seen."""
    plain = Family(count=30, unit=1.0)
    found = shaft_against(axis(), NO_STRAYS, plain, SPEEDS, ())
    assert found[0] == pytest.approx(3 * log(0.1 + 0.9 / np.log1p(LOUDEST)), rel=0.01)


def test_a_lobe_where_the_shaft_should_be_is_an_alias_in_999_of_1000() -> None:
    found = shaft_against(axis(o2=50.0, o3=50.0, o1_035=50.0), NO_STRAYS, PAIR, SPEEDS, ())
    assert found[0] == pytest.approx(-log(999), rel=0.02)


def test_where_a_stronger_line_covers_the_first_and_none_of_the_others_stands_the_mesh_chose_the_speed() -> None:
    """A line in one of 150 places: 6 % of 25 orders, a hundredth of an order each."""
    found = shaft_against(axis(o1=50.0), NO_STRAYS, PAIR, SPEEDS, [1])
    assert found[0] == pytest.approx(-log(999) - log(0.06 * 25 / 0.01), rel=0.02)


@pytest.mark.parametrize(("shaft", "counts"), [(-3.9, True), (-6.0, False)])
def test_where_the_shaft_is_missing_lobes_are_no_proof(shaft: float, counts: bool) -> None:
    """As when two of its three lines are: each nine in ten, and none of them by chance."""
    assert -6 < 2 * SILENT < -3.9
    lines = Lines(orders=np.array([[20.3]]), part=np.array([2]), seen=np.array([0.3]))
    found = lines_evidence([axis(o20_3=50.0)], [NO_STRAYS], np.array([shaft]), lines, SPEEDS)
    assert bool(found[0, 0] > 1) is counts


@pytest.mark.parametrize(("shaft", "row", "detected"), [(0.0, True, False), (0.0, False, True), (80.0, True, True)])
def test_a_mesh_among_all_multiples_of_a_rotor_as_fast_as_the_lobes_is_no_mesh(
    shaft: float, row: bool, detected: bool
) -> None:
    """Where nothing stands at the shaft's own lines: the mesh is that rotor's line number 29."""
    past = 30 / 29
    wanted = [k * past for k in (range(1, 90) if row else (1, 2, 3, 4, 28, 29, 30, 57, 58, 59, 87))]
    strength = np.random.default_rng(2).uniform(80.0, 400.0, len(wanted))
    lines = axis(o1=shaft, o2=shaft, o3=shaft)
    lines.rows[0][0][[round(order / STEP) for order in wanted]] = strength
    found = presence([lines], [PAIR], 1e-6)
    assert found is not None
    assert found.detected is detected


@pytest.mark.parametrize(("order", "counts"), [(1, True), (2, True), (3, True), (4, False), (6, False)])
def test_of_the_shafts_lines_each_of_the_first_three_counts_by_itself(order: int, counts: bool) -> None:
    plain = Family(count=30, unit=1.0)
    none, one = (shaft_against(axis(**lines), NO_STRAYS, plain, SPEEDS, ())[0] for lines in ({}, {f"o{order}": 3.0}))
    assert bool(one > none + 0.1) is counts


@pytest.mark.parametrize(("stand", "among", "counts"), [
    ((4, 5), {}, True), ((5, 6), {}, True), ((4, 6), {}, False), ((5,), {}, False), ((4, 5), {"o2": 5.0}, False),
    ((4, 5), {"o2_07": 50.0}, False), ((4, 5), {"o1_935": 50.0}, False), ((4, 5), {"o7_2": 50.0}, True),
])  # fmt: skip
def test_two_neighbouring_multiples_are_one_turn_apart(
    stand: tuple[int, ...], among: dict[str, float], counts: bool
) -> None:
    """Where none of the first three stands, and none of the lobes' or of what would have its lobes here."""
    without, found = (
        shaft_against(axis(**among, **lines), NO_STRAYS, PAIR, SPEEDS, (), CHOSEN)[0]
        for lines in ({}, {f"o{order}": 50.0 for order in stand})
    )
    assert bool(found == 0.0) is counts
    assert bool(found == without) is not counts


def test_neighbouring_multiples_that_stand_in_a_doubtful_way_say_nothing() -> None:
    """ln 1e4: noise makes a line as high in one place of all that a spectrum has."""
    plain = Family(count=30, unit=1.0)
    least, less = (shaft_against(axis(o4=one, o5=one), NO_STRAYS, plain, SPEEDS, ())[0] for one in (9.3, 9.1))
    assert less < -4 < least


COMMON = Strays(at=np.empty(0), whole=np.empty((0, 1)), lines=np.full(400, 60.0), places=1000)
"""Lines at two places in five."""


@pytest.mark.parametrize(("strays", "covered", "least", "most"), [
    (NO_STRAYS, (), 0.0, 0.0), (COMMON, (), -3.5, -2.0), (COMMON, (1, 2), -5.0, -4.0),
])  # fmt: skip
def test_a_speed_is_one_of_150_that_the_shafts_own_lines_must_pay_for(
    strays: Strays, covered: tuple[int, ...], least: float, most: float
) -> None:
    """Where every other line is as high as the shaft's first three, these do not show the speed: what is counted was
    found at the best of many. Places that another rotor's lines cover show nothing of it."""
    lines = axis(o1=50.0, o2=50.0, o3=50.0)
    found = shaft_against(lines, strays, Family(count=30, unit=1.0), SPEEDS, covered, CHOSEN)
    assert least <= found[0] <= most


def test_the_shafts_lines_are_held_against_lines_elsewhere_and_not_against_its_own_multiples() -> None:
    """That multiples of a speed stand shows all the better that something turns at it."""
    many = Strays(
        at=np.arange(7.0, 107.0), whole=np.full((100, 1), 60.0), lines=np.empty(0), places=100_000_000,
        near={EVERYWHERE: SortedColumns.of(np.full((100, 1), 60.0))},
    )  # fmt: skip
    lines = axis(o1=50.0, o2=50.0, o3=50.0)
    assert shaft_against(lines, many, Family(count=30, unit=1.0), SPEEDS, (), CHOSEN)[0] == 0.0


@pytest.mark.parametrize(("lines", "least", "most"), [
    ({}, 3.9, 6.0),  # ln (0.7/0.1) for each of three, and a little less as noise may be a line.
    ({"o1_035": 50.0, "o2_07": 50.0, "o3_105": 50.0}, -3.4, -3.2),  # ln (0.3/0.9) for each.
])  # fmt: skip
def test_lobes_whose_own_lines_are_missing_are_no_rotors_blades(
    lines: dict[str, float], least: float, most: float
) -> None:
    """A rotor that turns as fast as the lobes come by shows its first three lines, lobes of a sound drive seldom do."""
    found = no_rotor(axis(**lines), NO_STRAYS, Family(count=30, unit=29 / 30 * 1.035, difference=1), SPEEDS)
    assert least <= found <= most


def test_of_wheels_without_lobes_and_of_rings_that_turn_nothing_shows_that_no_rotor_is_there() -> None:
    assert no_rotor(axis(), NO_STRAYS, Family(count=30, unit=1.0), SPEEDS) == 0.0
    ring = Family(count=30, unit=29 / 30, difference=1, ring_turns=True)
    assert no_rotor(axis(), NO_STRAYS, ring, SPEEDS) == 0.0


@pytest.mark.parametrize(("count", "passes", "line", "harmonic"), [
    (30, 10, "o10_345", 1), (30, 10, "o20_69", 2),
    (30, 10, "o10_4", 0),  # Not there.
    (30, 29, "o30", 0),  # As any blades of the shaft itself.
    (400, 10, "o10_025", 0),  # A drive of 300 pins would have it there as well.
])  # fmt: skip
def test_a_rotor_seldom_turns_as_fast_as_lobes_and_has_as_many_blades_as_there_are_pins(
    count: int, passes: int, line: str, harmonic: int
) -> None:
    """Every second machine has one within 5 %, one in sixteen of these as many blades; it is read to 1.5 bins, where
    powers are not known no closer."""
    pair = Family(count=count, unit=1.0, difference=1, passes=passes)
    without, found = (
        no_rotor(axis(o1=50.0, o3=50.0, **lines), NO_STRAYS, pair, SPEEDS) for lines in ({}, {line: 50.0})
    )
    within = 1.5 * STEP / (10 * 30 / 29 * max(harmonic, 1))
    if harmonic:
        # The shaft is known no closer than its first three lines are read.
        assert log(2 * 16 * 0.05 / within) - 2.5 < found - without < log(2 * 16 * 0.05 / within)
    else:
        assert found == without
    # Where the shaft's own lines do not stand, the pass may have chosen the speed.
    shaftless = (no_rotor(axis(o1=50.0, **lines), NO_STRAYS, pair, SPEEDS) for lines in ({}, {line: 50.0}))
    assert next(shaftless) == next(shaftless)


@pytest.mark.parametrize(("shaft", "second", "detected"), [(50.0, 500.0, True), (0.0, 500.0, False), (0.0, 20.0, True)])
def test_what_a_motor_of_half_as_many_poles_makes_is_no_mesh(shaft: float, second: float, detected: bool) -> None:
    """Its second multiple and its blades stand at even orders; that the drive turns its own first line shows. Where the
    second hardly stands, the first may be as strong and not show."""
    lines = axis(o1=shaft, o2=second, o3=shaft, o14=500.0, o28=500.0, o42=500.0)
    found = presence([lines], [Family(count=14, unit=1.0)], 1e-6)
    assert found is not None
    assert found.detected is detected


@pytest.mark.parametrize(
    ("first", "second", "another"),
    [(0.0, 29.0, False), (0.0, 31.0, True), (4.0, 119.0, False), (4.0, 121.0, True), (5.0, 500.0, False)],
)
def test_a_second_multiple_is_another_rotors_where_it_is_thirty_times_the_first(
    first: float, second: float, another: bool
) -> None:
    """A first line in the noise may be as strong as the noise is; where it stands, the shaft turns."""
    assert turns_twice(axis(o1=first, o2=second), SPEEDS) is another


def beside(*spaced: tuple[float, float], middle: float = 50.0) -> float:
    """What a place at order 20 says next to lines ``spaced`` (distance, surprise), where something knocks once in
    ten turns."""
    rows = axis(o20=middle, **{f"o{20 + off:.2f}".replace(".", "_"): high for off, high in spaced}).without_rows([0.1])
    return float(rows.at(np.array([20.0]))[0])


def test_a_line_no_higher_than_those_before_and_after_it_is_one_of_a_row() -> None:
    assert np.isnan(beside((-0.1, 20.0), (0.1, 20.0)))
    assert beside((-0.1, 15.0), (0.1, 20.0)) == 50.0  # A third as high still counts as one as high.
    assert beside((0.1, 50.0)) == 50.0
    assert beside((-0.2, 50.0), (0.2, 50.0)) == 50.0
    # Noise has no rows.
    assert beside((-0.1, 4.5), (0.1, 4.5), middle=4.5) == 4.5


def test_knocks_whose_lines_run_together_have_no_row() -> None:
    row = axis(o20=50.0, o20_02=50.0, o19_98=50.0)
    assert row.without_rows([0.02]).at(np.array([20.0]))[0] == 50.0
