"""Kinds of machine distinguished by their lines alone: lines made here, by no formula of the program's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.kinematics.candidate_drives import mesh_lines, pair_kinds
from vibe.spectra.identity.identification import MOST_WITHOUT_MESH, Kind, WeighedKind, WeighedKinds, _Table, identify
from vibe.spectra.speed.blind_angle_law import sharpest_ramp
from vibe.spectra.speed.phase_refinement import low_passed
from vibe.spectra.speed.rotation_sense import rotation_sense

RATE_HZ, DURATION_S = 5120.0, 10.0
PAIRS = pair_kinds((1,))
KINDS = [Kind(step=float(k.past_disc), count=k.ring_pins, mesh=k.mesh, log_prior=k.log_prior) for k in PAIRS]


def turns_of(speed_hz: float, ramp: float = 0.0) -> NDArray[np.float64]:
    time = np.arange(round(RATE_HZ * DURATION_S)) / RATE_HZ
    return np.asarray(speed_hz * (time + ramp * (time**2 / DURATION_S - time) / 2))


def machine(
    turns: NDArray[np.float64], *, lobes: int, discs: int = 2, mesh: float = 3.0, second: float = 1.0, seed: int = 0
) -> NDArray[np.float32]:
    """An input shaft whose eccentrics roll round a fixed ring, each part of ring and discs in error, in white noise.

    Each disc turns back one lobe per turn. Forces are tables over the angle of the eccentric past ring and disc.
    """
    rng = np.random.default_rng([seed, *b"machine"])
    pins = lobes + 1
    out = rng.normal(size=turns.size) + 2.0 * np.cos(2 * np.pi * turns)
    ring = rng.normal(size=20) * 0.5, rng.uniform(size=20)
    for disc in range(discs):
        direction = turns + disc / discs
        past_disc = direction + turns / lobes
        force = sum(a * np.cos(2 * np.pi * (k * direction + p)) for k, (a, p) in enumerate(zip(*ring, strict=True), 1))
        force = force + mesh * np.cos(2 * np.pi * pins * direction)
        for k in range(1, 21):
            force = force + second * rng.normal() * 0.3 * np.cos(2 * np.pi * (k * past_disc + rng.uniform()))
        out += force * (0.7 + 0.5 * np.cos(2 * np.pi * direction)) / discs
    return out.astype(np.float32)


def asked(samples: NDArray[np.float32], range_hz: tuple[float, float]) -> WeighedKinds:
    found = identify([(samples, RATE_HZ)], KINDS, range_hz)
    assert found is not None
    return found


def lobes_of(found: WeighedKinds) -> dict[int, float]:
    share: dict[int, float] = {}
    for one in found.weighed:
        share[PAIRS[one.kind].lobes] = share.get(PAIRS[one.kind].lobes, 0.0) + one.probability
    return share


@pytest.mark.parametrize(("lobes", "discs"), [(11, 1), (87, 2)])
def test_counts_and_speed_are_reported_blindly(lobes: int, discs: int) -> None:
    found = asked(machine(turns_of(24.3), lobes=lobes, discs=discs), (21.0, 28.0))
    assert lobes_of(found)[lobes] > 0.95
    assert found.speed.input_hz == pytest.approx(24.3, rel=1e-4)
    assert found.weighed[0].parts == discs


def test_a_speed_that_rises_is_followed() -> None:
    found = asked(machine(turns_of(24.3, ramp=0.008), lobes=43), (23.0, 26.0))
    assert lobes_of(found)[43] > 0.95
    assert found.speed.input_hz == pytest.approx(24.3, rel=1e-4)


def test_a_shaft_that_drives_nothing_is_no_drive() -> None:
    shaft = np.random.default_rng(1).normal(size=51_200)
    shaft += sum(np.cos(2 * np.pi * k * turns_of(24.3)) for k in range(1, 7))
    found = asked(shaft.astype(np.float32), (21.0, 28.0))
    assert max(lobes_of(found).values()) < 0.9


def test_noise_alone_is_no_drive() -> None:
    found = asked(np.random.default_rng(2).normal(size=51_200).astype(np.float32), (21.0, 28.0))
    assert found.none > 0.9


def test_too_few_turns_tell_nothing() -> None:
    assert identify([(machine(turns_of(24.3), lobes=11)[:8192], RATE_HZ)], KINDS, (23.0, 26.0)) is None


def test_the_sharpest_law_is_that_of_the_machine_and_not_of_the_mains() -> None:
    time = np.arange(51_200) / RATE_HZ
    samples = machine(turns_of(24.3, ramp=-0.006), lobes=17) + 20 * np.cos(2 * np.pi * 100.0 * time)
    low = low_passed(samples.astype(np.float32), RATE_HZ, 24 * 26.0)
    drift = sharpest_ramp([low], (23.0, 26.0), 24.0).drift
    assert drift == pytest.approx(0.006 * 32 / 33, rel=0.15)


def test_mesh_lines_lie_where_equal_discs_leave_them() -> None:
    """Each disc's mesh force turns with it; summed by hand over a turn, only these orders are left."""
    for pins in (10, 11, 12, 13):
        for discs in (2, 3):
            angle = np.arange(1024) / 1024
            total = np.zeros(1024)
            for disc in range(discs):
                direction = angle + disc / discs
                # Zero mean over the discs' directions: a force that pulls all round alike, and one that turns.
                total += np.cos(2 * np.pi * pins * direction) * (1 + np.cos(2 * np.pi * direction))
            left = set(np.flatnonzero(np.abs(np.fft.rfft(total)) > 1.0).tolist())
            assert set(mesh_lines(pins, discs)[0]) <= left


@pytest.mark.parametrize(("lag_turns", "sense"), [(0.25, 1), (-0.25, -1), (0.0, 0), (0.5, 0)])
def test_the_sense_of_rotation_is_that_of_the_later_direction(lag_turns: float, sense: int) -> None:
    rng = np.random.default_rng(3)
    turns = turns_of(24.3)
    first = np.cos(2 * np.pi * turns) + 0.3 * rng.normal(size=turns.size)
    second = 0.6 * np.cos(2 * np.pi * (turns - lag_turns)) + 0.3 * rng.normal(size=turns.size)
    seen = rotation_sense(first.astype(np.float32), second.astype(np.float32), RATE_HZ, 24.3, 0.0)
    assert seen.sense == sense
    assert bool(seen.why) == (sense == 0)


def test_noise_in_two_directions_has_no_sense() -> None:
    rng = np.random.default_rng(4)
    one, other = (rng.normal(size=51_200).astype(np.float32) for _ in range(2))
    assert rotation_sense(one, other, RATE_HZ, 24.3, 0.0).sense == 0


@pytest.mark.parametrize(
    ("mesh", "margin", "claimed"), [(5.0, 20.0, 1.0), (-1.0, 200.0, 1.0), (-1.0, 20.0, MOST_WITHOUT_MESH)]
)
def test_without_a_mesh_and_with_a_narrow_margin_less_is_claimed(mesh: float, margin: float, claimed: float) -> None:
    """Counts that differ by one differ in high orders alone, which a law that is a little off smears."""
    kinds = [Kind(step=1 + 1 / lobes, count=lobes + 1, mesh={3: ((lobes + 1.0,),)}) for lobes in (42, 43, 17)]
    table = _Table(kinds, 0.0, 0.1)

    def row(kind: int, weight: float, log_odds: float) -> None:
        one = WeighedKind(
            kind=kind, parts=3, speed_hz=24.0, probability=0.0, second_comb=50.0, mesh=log_odds, arrangement=0.0
        )
        table.rows[(kind, 3, 1)] = (weight, one)

    row(0, 300.0, mesh)
    row(1, 300.0 - margin, 0.0)
    row(2, 10.0, 0.0)
    weights = np.array([300.0, 300.0 - margin, 10.0])
    before = [replace(one, probability=p) for (_, one), p in zip(table.rows.values(), (1.0, 0.0, 0.0), strict=True)]
    after = table._capped(before, weights)
    assert after[0].probability == pytest.approx(claimed)
    assert after[1].probability == pytest.approx(1.0 - claimed)
    assert sum(one.probability for one in after) == pytest.approx(1.0)
