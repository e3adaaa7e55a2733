"""A second machine of the same kind by the high multiples of its mesh, and what is no second machine."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.identity.presence import Axis, Family
from vibe.spectra.identity.similar_machine import similar_machines, smeared_machine
from vibe.spectra.signal_analysis import ChannelSpectrum

STEP = 0.005
FAMILY = Family(count=30, unit=1.0, difference=1)
OWN = 3000.0
SHAFT, MESHES = (1.0, 2.0, 3.0), (30.0, 60.0, 90.0, 120.0)


def axis(places: dict[float, float]) -> Axis:
    row = np.zeros(30_000)
    for order, height in places.items():
        row[round(order / STEP)] = height
    return Axis(rows=((row, STEP),), audible=(0.9,))


def own() -> dict[float, float]:
    return dict.fromkeys((*SHAFT, *MESHES), OWN)


@pytest.mark.parametrize("speed", [1.0017, 0.9985, 1.006])
def test_two_speeds_that_are_one_line_of_the_shaft_are_two_of_the_mesh(speed: float) -> None:
    """At 0.17 % the shafts lie a third of a bin apart, the fourth multiples of the mesh 41."""
    there = own() | {order * speed: 300.0 for order in MESHES}
    (found,) = similar_machines(axis(there), FAMILY)
    assert found.speed == pytest.approx(speed, abs=2e-4)
    assert abs(found.speed - speed) < found.error + 1e-4
    assert found.fainter_db == pytest.approx(10.0, abs=1.0)
    assert similar_machines(axis(own()), FAMILY) == ()


@pytest.mark.parametrize(
    "off",
    [
        lambda k: 1.0,  # The pins' pitch errors, once per turn of the shaft.
        lambda k: k * 1.0,
        lambda k: 30 / 29,  # The lobes'.
        lambda k: 1 / 29,  # The output's turn.
        lambda k: k / 29,
        lambda k: 0.21,  # A slow modulation: as far off every multiple.
    ],
)
def test_side_lines_of_its_own_mesh_are_no_second_machine(off: Callable[[int], float]) -> None:
    there = own() | {order + off(k): 400.0 for k, order in enumerate(MESHES, 1)}
    assert similar_machines(axis(there), FAMILY) == ()


def test_what_lies_as_far_above_as_below_is_one_machine_whose_strength_comes_and_goes() -> None:
    """One side alone is a second machine, both are a modulation."""
    upper = {order * 1.0035: 400.0 for order in MESHES}
    lower = {order * 0.9965: 400.0 for order in MESHES}
    assert len(similar_machines(axis(own() | upper), FAMILY)) == 1
    assert similar_machines(axis(own() | upper | lower), FAMILY) == ()


def test_of_a_machine_whose_speed_is_known_only_its_loudness_is_asked() -> None:
    """It needs no evidence of its own, and is not found a second time."""
    there = own() | {order * 1.004: 300.0 for order in MESHES}
    (found,) = similar_machines(axis(there), FAMILY, known=(1.00401,))
    assert found.speed == 1.00401
    assert found.fainter_db == pytest.approx(10.0, abs=1.0)
    (silent,) = similar_machines(axis(own()), FAMILY, known=(1.00401,))
    assert silent.fainter_db == 15.0


def spectrum(rng: np.random.Generator, middles: list[float], height: float, width: float = 2e-4) -> ChannelSpectrum:
    """Noise, the machine's own mesh, and power smeared about other orders."""
    power: NDArray[np.float64] = rng.exponential(1.0, 60_000)
    for mesh in (30.0, 60.0, 90.0, 120.0):
        power[round(mesh / STEP)] = 1e4
    for middle in middles:
        reach = max(1, round(width * middle / STEP))
        power[round(middle / STEP) - reach : round(middle / STEP) + reach + 1] += height * rng.exponential(
            1.0, 2 * reach + 1
        )
    return ChannelSpectrum(channel="p1", power=power, bin_hz=STEP * 25.0)


def test_mesh_lines_that_a_wandering_speed_smears_still_tell_a_second_machine() -> None:
    """Three tenths of a per cent off, each smeared over several bins; not where they stand at one multiple only,
    nor as far off every multiple, as side lines do, nor where there is nothing."""
    rng = np.random.default_rng(11)
    there = [mesh * 1.003 for mesh in (30.0, 60.0, 90.0, 120.0)]
    found = smeared_machine([spectrum(rng, there, 30.0)], 25.0, FAMILY)
    assert found is not None
    assert found.speed == pytest.approx(1.003, abs=3e-4)
    assert found.fainter_db > 5.0
    for middles in ([], there[3:], [mesh + 0.2 for mesh in (30.0, 60.0, 90.0, 120.0)]):
        assert smeared_machine([spectrum(rng, middles, 30.0)], 25.0, FAMILY) is None


def test_a_mesh_too_slow_for_the_capture_says_nothing_of_a_smeared_machine() -> None:
    """Of seven parts, 0.3 orders a bin: the flank of its own line covers all places that are compared."""
    rng = np.random.default_rng(12)
    coarse = ChannelSpectrum(channel="p1", power=rng.exponential(1.0, 2000), bin_hz=0.3 * 25.0)
    assert smeared_machine([coarse], 25.0, Family(count=7, unit=1.0, difference=1)) is None


@pytest.mark.parametrize(("db", "detected"), [(-26.0, True), (-33.0, False)])
def test_a_machine_too_faint_to_matter_is_not_named(db: float, detected: bool) -> None:
    there = dict.fromkeys((*SHAFT, *MESHES), 1e6) | {order * 1.006: 1e6 * 10 ** (db / 10) for order in MESHES}
    assert bool(similar_machines(axis(there), FAMILY)) is detected


def test_multiples_of_a_bearings_impacts_are_no_second_mesh() -> None:
    """Five impacts of a bearing per mesh, 0.6 % off, stand next to every multiple of it, spread by slip; a mesh
    elsewhere stays a second machine's."""
    order = 30.0 * 1.006 / 5
    lines = {5 * k * order * (1 + 1e-4): 300.0 for k in range(1, 5)}
    assert similar_machines(axis(own() | lines), FAMILY)
    assert similar_machines(axis(own() | lines), FAMILY, repeats=[(order, 1e-3)]) == ()
    other = {mesh * 0.9985: 300.0 for mesh in MESHES}
    (found,) = similar_machines(axis(own() | lines | other), FAMILY, repeats=[(order, 1e-3)])
    assert found.speed == pytest.approx(0.9985, abs=2e-4)
