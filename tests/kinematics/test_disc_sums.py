"""What several discs leave of the forces of a mesh, against a sum of contact forces that knows no law of phasing."""

from __future__ import annotations

from fractions import Fraction
from math import sqrt

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.kinematics.test_no_slip import table
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.kinematics.phasing import UNEQUAL, left_of_discs, phasing, share_of_sum

SAMPLES = 1 << 15
SHARP = 3000.0
"""Of a contact: the larger, the shorter a pin bears; its lines reach far above the third harmonic of 13 pins."""

Lines = NDArray[np.complex128]


def felt(pins: int, turns: list[float], eccentric: Fraction, ring: Fraction, count: int) -> Lines:
    """Lines (discs, orders in steps of 1 / ``count``) of the force of each disc on a housing, over ``count`` turns.

    A pin that turns with the ring bears while the eccentric of a disc passes it, and pushes outwards; a sensor takes
    up a part of the torque of all of them and the component in its own direction."""
    t = np.arange(SAMPLES) / SAMPLES * count
    rows = []
    for turn in turns:
        force = np.zeros(SAMPLES)
        for pin in range(pins):
            at = 2 * np.pi * (float(ring) * t + pin / pins)
            past = 2 * np.pi * (float(eccentric) * t + turn) - at
            force += np.exp(SHARP * (np.cos(past) - 1)) * (0.5 + np.cos(at))
        rows.append(np.fft.rfft(force) / SAMPLES)
    return np.array(rows)


ONE, STILL = Fraction(1), Fraction(0)


@pytest.mark.parametrize(
    ("pins", "turns", "eccentric", "ring"),
    [
        (11, [0.0, 1 / 2], ONE, STILL),
        (11, [0.0, 1 / 3, 2 / 3], ONE, STILL),
        (13, [0.0, 1 / 3, 2 / 3], ONE, Fraction(1, 13)),
        (10, [0.0, 0.25, 0.75], Fraction(-1, 4), STILL),
        (10, [0.0, 0.0], ONE, STILL),
    ],
)
def test_shares_that_discs_leave_are_those_of_a_sum_of_forces(
    pins: int, turns: list[float], eccentric: Fraction, ring: Fraction
) -> None:
    count = 4 * pins
    rows = np.abs(felt(pins, turns, eccentric, ring, count)), np.abs(felt(pins, turns, eccentric, ring, count).sum(0))
    for harmonic in (1, 2, 3):
        for side in (-1, 0, 1):
            order = abs(harmonic * pins * (eccentric - ring) + side * eccentric)
            place = round(order * count)
            assert order * count == place
            whole = float(rows[0][:, place].sum())
            assert whole > 1e-3, "each disc by itself has this line"
            assert rows[1][place] / whole == pytest.approx(share_of_sum(harmonic * pins + side, turns), abs=1e-6)


@pytest.mark.parametrize(("pins", "discs"), [(11, 2), (11, 3), (44, 3)])
def test_what_is_left_of_unequal_discs(pins: int, discs: int) -> None:
    """Root mean square of many drives: what stands stays, what cancels is 15 to 17 dB down."""
    stage = CycloidalStage(kind="cycloidal", lobes=pins - 1, ring_pins=pins, discs=discs)
    left = left_of_discs(stage)
    rows = felt(pins, [disc / discs for disc in range(discs)], ONE, STILL, 1)[:, :200]
    weights = 1 + UNEQUAL * np.random.default_rng(8).standard_normal((2000, discs))
    sums = np.sqrt(np.square(np.abs(weights @ rows)).mean(axis=0)) / np.abs(rows).sum(axis=0)
    for harmonic in (1, 2, 3):
        for side in (-1, 0, 1):
            repeats = harmonic * pins + side
            assert sums[repeats] == pytest.approx(left[repeats % len(left)], rel=0.05)
    assert min(left) == pytest.approx(UNEQUAL / sqrt(discs))
    assert 15 < -20 * np.log10(min(left)) < 17.5


@pytest.mark.parametrize(
    ("stage", "seen_at"),
    [
        ({"lobes": 43, "ring_pins": 44, "discs": 3}, [[45], [87], [132]]),
        ({"lobes": 12, "ring_pins": 13, "discs": 2}, [[12, 14], [26], [38, 40]]),
        ({"lobes": 11, "ring_pins": 12, "discs": 2}, [[12], [24], [36]]),
        ({"lobes": 9, "ring_pins": 10, "discs": 4}, [[], [20], []]),
    ],
)
def test_where_the_mesh_of_all_discs_is_seen(stage: dict[str, int], seen_at: list[list[int]]) -> None:
    """By hand: k * pins + s is a multiple of the discs, s = 0 of a torque and +1 or -1 of a radial force."""
    found = table({"kind": "cycloidal"} | stage).phasing
    assert [list(one.seen_at) for one in found[:3]] == seen_at


def test_where_the_ring_turns_the_force_goes_round_with_the_eccentric() -> None:
    """13 pins, 12 lobes, discs that do not turn: the ring turns once in 13, the eccentric passes a pin 12/13 times per
    turn of the input, and the mesh of three discs, 12 times per turn, is seen one turn of the input above."""
    stage = {"kind": "cycloidal", "lobes": 12, "ring_pins": 13, "discs": 3, "fixed": "output pins"}
    found = table(stage).phasing
    assert (found[0].order, found[0].seen_at) == (12, (11,))


def test_of_one_disc_and_of_discs_between_whole_degrees_nothing_is_known() -> None:
    stage = CycloidalStage(kind="cycloidal", lobes=9, ring_pins=10, discs=1)
    assert left_of_discs(stage) == () == phasing(stage)
    listed = {"kind": "cycloidal", "lobes": 9, "ring_pins": 10, "discs": 2}
    assert left_of_discs(CycloidalStage.model_validate(listed | {"disc_phase_deg": [0.0, 179.5]})) == ()
    whole = left_of_discs(CycloidalStage.model_validate(listed | {"disc_phase_deg": [0.0, 180.0]}))
    assert whole[:2] == pytest.approx(left_of_discs(CycloidalStage.model_validate(listed)))
    assert len(whole) == 360
