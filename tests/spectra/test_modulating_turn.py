"""Whose shaft carries a race through its load: known by line and side line together, whatever the cage's slip."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.evidence.modulating_turn import modulating_turn

TURNS, PER_TURN = 200, 64
ORDER = 5.41
BAND = (3000.0, 5000.0)


def envelope(*, turn: float, depth: float, seed: int = 3, shaft: float = 0.0) -> BandEnvelopes:
    """Impacts of a race whose cage slips at random, that grow and fade once per ``turn``; noise that swells with the
    machine's own ``shaft``."""
    rng = np.random.default_rng(seed)
    angle = np.arange(TURNS * PER_TURN) / PER_TURN
    slip = 1 + 0.006 * np.interp(angle, np.linspace(0, TURNS, 300), rng.normal(0, 1, 300))
    passed = np.cumsum(ORDER * slip) / PER_TURN
    at = np.flatnonzero(np.diff(np.floor(passed)) > 0)
    struck = np.zeros(angle.size)
    struck[at] = (1 + depth * np.cos(2 * np.pi * turn * angle[at])) * rng.lognormal(0, 0.15, at.size)
    ring = np.convolve(struck, np.exp(-np.arange(8) / 2.0))[: angle.size]
    noise = rng.exponential(1.0, angle.size) * (1 + shaft * np.cos(2 * np.pi * angle))
    power = np.stack([8.0 * ring + noise, rng.exponential(1.0, angle.size)]).astype(np.float32)
    return BandEnvelopes(
        channel="p1", power=power, per_turn=float(PER_TURN), centre_hz=np.array([4000.0, 8000.0]), width_hz=2000.0,
        band_rms=np.ones(2),
    )  # fmt: skip


@pytest.mark.parametrize("turn", [1.0, 1.004, 0.997])
@pytest.mark.parametrize("seed", [3, 4])
def test_the_turn_that_carries_a_race_is_known_to_a_part_of_a_bin(turn: float, seed: int) -> None:
    """Though slip smears the comb over ten bins, and the machine's own noise swells at its own shaft's turn."""
    found = modulating_turn([envelope(turn=turn, depth=0.8, seed=seed, shaft=0.3)], BAND, ["p1"], ORDER, 1.0, [1.0])
    assert found is not None
    assert abs(found.order / turn - 1) < 3 * found.error
    assert found.error == pytest.approx(0.06 / TURNS, rel=0.02)


def test_a_race_that_nothing_carries_through_its_load_says_nothing() -> None:
    for seed in range(4):
        even = envelope(turn=1.0, depth=0.0, seed=seed, shaft=0.5)
        assert modulating_turn([even], BAND, ["p1"], ORDER, 1.0, [1.0]) is None


def test_only_the_band_and_channel_asked_for_are_read() -> None:
    bands = [envelope(turn=1.0, depth=0.8)]
    assert modulating_turn(bands, (7000.0, 9000.0), ["p1"], ORDER, 1.0, [1.0]) is None
    assert modulating_turn(bands, BAND, ["p2"], ORDER, 1.0, [1.0]) is None
    assert modulating_turn(bands, BAND, [], ORDER, 1.0, [1.0]) is not None


def test_lines_of_the_machine_itself_are_no_carried_race() -> None:
    """Multiples of its shaft lie as far apart as line and side line; where 5 and 6 lie within the race's lines, too."""
    rng = np.random.default_rng(6)
    angle = np.arange(TURNS * PER_TURN) / PER_TURN
    swell = sum((1 + np.cos(2 * np.pi * (k * angle + rng.uniform()))) for k in range(1, 20))
    power = np.stack([rng.exponential(1.0, angle.size) + 2.0 * swell] * 2).astype(np.float32)
    bands = [replace(envelope(turn=1.0, depth=0.0), power=power)]
    order = 5.05
    assert modulating_turn(bands, BAND, ["p1"], order, 1.0, []) is not None
    assert modulating_turn(bands, BAND, ["p1"], order, 1.0, [1.0]) is None
