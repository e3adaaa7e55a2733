"""Families of lines of many drives at once, against the same families listed one by one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d

from vibe.spectra.presence.axes import _largest_near
from vibe.spectra.presence.decoys import is_near, own_by_another
from vibe.spectra.presence.families import PARTS, Family


def listed(family: Family, count: int) -> list[set[float]]:
    """Orders of mesh, pins' pass, lobes and side lines of the mesh of a drive whose ring is fixed."""
    past = family.unit * count / (count - family.difference) if family.difference else family.unit
    harmonics = range(1, min(round(3 * max(1.0, family.count / count)), 8) + 1)
    mesh = {k * count * family.unit for k in harmonics}
    spacings = {family.unit, past, *family.sides}
    sides = {k * count * family.unit + sign * s for k in (1, 2) if k in harmonics for s in spacings for sign in (-1, 1)}
    passing = {k * family.passes * past for k in (1, 2, 3) if family.passes}
    # One line is no proof of both.
    times = {one: one / (count * family.unit) for one in passing}
    passing = {one for one, of in times.items() if of < 0.5 or abs(of / round(of) - 1) > 1e-9}
    return [mesh, passing, {k * past for k in (1, 2, 3, 4) if family.difference}, sides]


@pytest.mark.parametrize(
    "family",
    [
        Family(count=30, unit=30 / 29 / 30, difference=1, passes=10),
        Family(count=40, unit=0.05, difference=2),
        Family(count=10, unit=1.0, sides=(1.0, 0.25)),
    ],
)
def test_lines_of_all_counts_are_those_of_each(family: Family) -> None:
    counts = (family.count, 4 + round(2 * family.difference), 60, 130)
    lines = family.lines(counts)
    for row, count in zip(lines.orders, counts, strict=True):
        for part, expected in zip(range(PARTS), listed(family, count), strict=True):
            own = row[lines.part == part]
            assert np.sort(own[np.isfinite(own)]) == pytest.approx(sorted(expected)), (count, part)


def test_a_ring_that_turns_keeps_the_lobes() -> None:
    family = Family(count=30, unit=1.0, difference=1, ring_turns=True)
    lobes = family.lines((30, 60)).orders[:, family.lines((30,)).part == 2]
    assert lobes[0] == pytest.approx(lobes[1])


def test_of_spacings_that_are_not_resolved_the_shafts_turn_is_kept() -> None:
    """The load goes round with the shaft where the ring stands still and where it turns: side lines lie a whole order
    off the mesh."""
    rings = Family(count=36, unit=1.0, difference=1), Family(count=36, unit=35 / 36, difference=1, ring_turns=True)
    for ring, mesh in zip(rings, (36.0, 35.0), strict=True):
        lines = ring.lines([36], 0.04)
        sides = lines.orders[0][(lines.part == 3) & np.isfinite(lines.orders[0])]
        assert np.sort(sides) == pytest.approx([k * mesh + sign for k in (1, 2) for sign in (-1, 1)])


def test_a_decoy_whose_mesh_is_a_multiple_of_the_own_one_is_asked_though_the_pins_pass_there() -> None:
    """Of 7 pins and 6 lobes 12 output pins pass at 14, as a drive of 14 pins meshes; lobes elsewhere are still left."""
    family = Family(count=7, unit=1.0, difference=1, passes=12)
    lines = family.lines([7, 7, 14, 21])
    left = own_by_another(lines, family, [], 0.02)
    assert not left[:, 0].any()
    few = Family(count=7, unit=1.0, difference=1, passes=6)
    lines = few.lines([7, 7, 14])
    lines.orders[2, 0] = 14 / 6 * 2  # The fourth of the lobes.
    assert own_by_another(lines, few, [], 0.02)[0, 0]


def test_near_is_near_the_nearest() -> None:
    rng = np.random.default_rng(1)
    orders, taken = rng.uniform(0, 10, (20, 5)), np.sort(rng.uniform(1, 9, 30))
    orders[3, 2] = np.nan
    expected = np.abs(orders[:, :, None] - taken).min(axis=2) <= 0.05
    assert expected.any()
    assert not expected.all()
    assert np.array_equal(is_near(orders, taken, 0.05), expected)
    assert not is_near(orders, np.empty(0), 0.05).any()


@pytest.mark.parametrize("size", [1, 2, 30, 1000])
@pytest.mark.parametrize("reach", [1, 10])
def test_largest_of_neighbours(size: int, reach: int) -> None:
    values = np.random.default_rng(size).random(size)
    assert np.array_equal(_largest_near(values, reach), maximum_filter1d(values, 2 * reach + 1, mode="nearest"))


def test_side_lines_on_the_skirt_of_their_mesh_show_nothing() -> None:
    """A carrier that turns once in 150 puts them a bin or two from the mesh: one strong line would stand for three."""
    wheel = Family(count=10, unit=0.9935, sides=(0.0066,))
    wide, close = (np.sort(wheel.lines([10], apart).orders[0]) for apart in (0.0, 0.02))
    mesh = 10 * 0.9935 * np.arange(1, 3)
    reach = 0.0066 * 1.01
    assert [np.count_nonzero(np.abs(wide - order) <= reach) for order in mesh] == [3, 3]
    assert [np.count_nonzero(np.abs(close - order) <= reach) for order in mesh] == [1, 1]
    # Those of the wheel's own turn are far enough.
    assert np.count_nonzero(np.abs(np.abs(close - mesh[0]) - 0.9935) < 1e-9) == 2


def test_two_side_lines_in_one_place_are_counted_once() -> None:
    """Of 120 pins the lobes turn by 1/119 faster than the shaft: a bin or two at a few hundred turns."""
    ring = Family(count=120, unit=1.0, difference=1)
    counts = [np.count_nonzero(ring.lines([120], apart).part[np.isfinite(ring.lines([120], apart).orders[0])] == 3)
              for apart in (0.008, 0.009)]  # fmt: skip
    assert counts == [8, 4]
