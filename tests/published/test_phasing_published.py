"""Phasing of discs against the law of planet phasing."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from vibe.core.stages.cycloidal import CycloidalStage
from vibe.kinematics.phasing import phasing, sum_of_parts

T, R = "torque", "radial"


@pytest.mark.parametrize(
    ("discs", "pins", "harmonics"),
    [
        (2, (12, 40, 52), {1: T, 2: T, 3: T, 4: T, 6: T}),
        (2, (11, 13), {1: R, 2: T, 3: R, 4: T, 6: T}),
        (3, (12,), {1: T, 2: T, 3: T, 4: T, 6: T}),
        (3, (10, 11, 13, 40, 52), {1: R, 2: R, 3: T, 4: R, 6: T}),
    ],
)
def test_disc_tables(discs: int, pins: tuple[int, ...], harmonics: dict[int, str]) -> None:
    """Derived by carrying over Parker 2000 (J. Sound Vib. 236, 561-573) and Kahraman 1994; not published for discs."""
    for count in pins:
        stage = CycloidalStage(kind="cycloidal", lobes=count - 1, ring_pins=count, discs=discs)
        found = {p.harmonic: p.effect for p in phasing(stage)}
        assert {k: found[k] for k in harmonics} == harmonics


def test_planets_of_21_teeth() -> None:
    """Parker 2000 (after Parker & Lin 2004): sun of 21 teeth, three planets: every mesh harmonic is torsional only."""
    assert {sum_of_parts(k, 21, 3) for k in range(1, 7)} == {"torque"}
    assert [sum_of_parts(k, 22, 4) for k in (1, 2)] == ["cancels", "torque"]


@pytest.mark.parametrize("discs", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("pins", [10, 11, 12, 13, 15])
def test_law_against_the_sum_of_phasors(discs: int, pins: int) -> None:
    """Closed form: add up the discs' forces, turned and delayed as they sit, with numpy."""
    at = np.arange(discs) / discs
    for k in range(1, 7):
        delayed = np.exp(2j * np.pi * k * pins * at)
        torque = abs(delayed.sum()) > 1e-9
        radial = max(abs((delayed * np.exp(s * 2j * np.pi * at)).sum()) for s in (1, -1)) > 1e-9
        assert sum_of_parts(k, pins, discs) == ("torque" if torque else "radial" if radial else "cancels")


def test_orders_and_single_disc() -> None:
    stage = CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18, discs=2)
    assert [p.order for p in phasing(stage, "stage2", Fraction(-1, 17))][:2] == [Fraction(18, 17), Fraction(36, 17)]
    assert phasing(CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18, discs=1)) == ()
