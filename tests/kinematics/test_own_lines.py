"""All lines that a drive makes by itself: those that geometry gives are there, others are not."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from tests.studies.fleet import FLEET
from vibe.kinematics.own_lines import multiples_of, own_lines
from vibe.kinematics.tone_table import tone_table

TOP = 200.0


def nearest(tag: str, order: float) -> float:
    """By how much [orders] ``order`` lies off the nearest line of what cannot slip."""
    kinds = own_lines(tone_table(FLEET[tag]), TOP)
    return min(abs(one - order) for kind in kinds for one, off in zip(kind.orders, kind.spread, strict=True) if not off)


@pytest.mark.parametrize(
    ("tag", "order"),
    [
        ("ratio-29", 1.0),
        ("ratio-29", 7.0),
        ("ratio-29", 30 / 29),  # The contact past a lobe.
        ("ratio-29", 90.0),
        ("ratio-29", 60.0 - 1 / 29),  # The output's turn about a mesh.
        ("ratio-29", 90.0 + 2 / 29),
        ("ratio-29", 30.0 + 1 + 1 / 29),
        ("two-stage", 18.0),
        ("two-stage", 18.0 + 1 / 17),  # The first stage's output is the second one's eccentric.
        ("two-stage", 18.0 - 2 / 187),  # The last output turns once in 17 × 11.
        ("difference-2", 40.0),
        ("difference-2", 40.0 - 40 / 38),
    ],
)
def test_what_the_drive_makes_is_listed(tag: str, order: float) -> None:
    assert nearest(tag, order) < 1e-6


@pytest.mark.parametrize("speed", [1.0017, 0.9962, 1.011])
def test_a_mesh_at_another_speed_is_not(speed: float) -> None:
    """Not at all multiples at once."""
    assert sum(nearest("ratio-29", 30 * k * speed) > 0.01 for k in (1, 2, 3, 4)) >= 3


def test_a_cage_lies_within_its_slip_and_nothing_above_the_top() -> None:
    table = tone_table(FLEET["ratio-29"])
    cage = table.tone("bearing.input bearing.cage").order
    kinds = own_lines(table, TOP)
    (about,) = (kind for kind in kinds if kind.what == "cage off a mesh")
    off, spread = min(
        (abs(order - 30 - cage), spread) for order, spread in zip(about.orders, about.spread, strict=True)
    )
    assert off < 1e-6
    assert spread == pytest.approx(0.01 * cage)
    assert max(order for kind in kinds for order in kind.orders) < TOP


def test_multiples_of_impacts_are_listed_as_far_as_slip_leaves_gaps() -> None:
    """Spread by a thousandth of 5.4 orders, the 250th multiple fills a quarter of the way to the next."""
    plain, sides = multiples_of("race", 5.4, 1e-3, [1.0], 5000.0)
    assert plain.orders[:2] == (5.4, 10.8)
    assert plain.orders[-1] == pytest.approx(249 * 5.4)
    assert plain.spread[9] == pytest.approx(0.054)
    assert {4.4, 6.4} <= {round(order, 9) for order in sides.orders}
    assert len(multiples_of("striker", 0.4, 0.0, (), 10.0)) == 1


def test_side_lines_are_listed_about_sixteen_multiples_of_a_mesh() -> None:
    kinds = own_lines(tone_table(FLEET["ratio-29"]), 600.0)
    off = {k: min(abs(one - (30 * k - 1 / 29)) for kind in kinds for one in kind.orders) for k in (9, 16, 17)}
    assert [k for k, apart in off.items() if apart < 1e-6] == [9, 16]


def test_what_is_slow_turns_nothing_and_what_is_fast_has_side_lines() -> None:
    """A body at 0.61 of the shaft's speed, and what repeats exactly 2.5 and 4 times per turn of it."""
    table: Any = SimpleNamespace(
        bodies=[SimpleNamespace(order=order) for order in (1.0, 0.61)],
        tones=[SimpleNamespace(id="", family="mesh", slip=(0.0, 0.0), order=order) for order in (2.5, 4.0)],
    )
    lines = {round(one, 6) for kind in own_lines(table, 20.0) for one in kind.orders}
    assert {5.0, 7.5, 12.0, 4.61, 3.39} <= lines
    assert not {3.05, 3.11} & lines


def test_sums_of_two_meshes_count_three_multiples_of_the_lower_and_a_rotor_slips_three_in_a_hundred() -> None:
    tones = [SimpleNamespace(id="", family="mesh", slip=(0.0, 0.0), order=order) for order in (4.0, 7.3)]
    tones.append(SimpleNamespace(id="motor.pole_pass", family="electrical", slip=(0.0, 0.0), order=0.1))
    table: Any = SimpleNamespace(bodies=[SimpleNamespace(order=1.0)], tones=tones)
    kinds = own_lines(table, 30.0)
    exact = {round(one, 6) for kind in kinds for one, off in zip(kind.orders, kind.spread, strict=True) if not off}
    assert 7.3 + 3 * 4.0 in exact
    assert 7.3 + 4 * 4.0 not in exact
    (poles,) = (kind for kind in kinds if kind.what == "pole pass off a mesh")
    assert poles.spread == pytest.approx([0.003] * len(poles.orders))
