"""Blades of a rotor that turns more slowly than something repeats."""

from __future__ import annotations

import numpy as np

from vibe.spectra.evidence.blade_rotor import DOUBTED, blade_rotor
from vibe.spectra.signal_analysis import ChannelSpectrum

STEP, PASS = 0.004, 3.59
"""Orders a bin, and the order at which something repeats."""


def spectrum(seed: int, *lines: float, high: float = 100.0) -> ChannelSpectrum:
    """Noise about a rising floor, and lines at some orders."""
    rng = np.random.default_rng(seed)
    power = rng.exponential(size=3000) * np.linspace(1.0, 5.0, 3000)
    for order in lines:
        power[round(order / STEP)] += high * rng.uniform(1.0, 3.0)
    return ChannelSpectrum(channel="a", power=power, bin_hz=STEP * 24.0)


def found(one: ChannelSpectrum, own: tuple[float, ...] = (), none_of: int | None = None) -> int | None:
    rotor = blade_rotor([one], 24.0, PASS, own, none_of=none_of)
    return None if rotor is None else rotor.count


def test_a_rotor_is_known_by_its_turn_below_the_pass_of_its_blades() -> None:
    for count in (4, 6, 11):
        assert found(spectrum(count, *(k * PASS / count for k in (1, 2, 3)))) == count
    # The more of its lines stand, the likelier.
    row = [k * PASS / 6 for k in (1, 2, 3, 4, 5)]
    odds = [blade_rotor([spectrum(1, *row[:number])], 24.0, PASS, ()) for number in (2, 3, 5)]
    stated = [0.0 if one is None else one.odds for one in odds]
    assert stated == sorted(stated)
    assert stated[-1] > 100 > stated[0]


def test_lines_of_the_machine_itself_and_of_others_are_no_rotors() -> None:
    row = tuple(k * PASS / 6 for k in (1, 2, 3))
    assert found(spectrum(2, *row), own=row) is None
    # Elements come by as their cage turns.
    assert found(spectrum(2, *row), none_of=6) != 6
    # One line, however high, is anybody's; and nothing is said of an axis with too few places.
    assert found(spectrum(3, PASS / 6, high=1e6)) is None
    few = ChannelSpectrum(channel="a", power=spectrum(2, *row).power[:90], bin_hz=STEP * 24.0)
    assert blade_rotor([few], 24.0, 0.3, ()) is None
    assert blade_rotor([], 24.0, PASS, ()) is None


def test_noise_and_other_lines_show_a_rotor_no_oftener_than_stated() -> None:
    """Of 400 at one in twenty, 33 or more come by chance once in 500."""
    rng = np.random.default_rng(5)
    seen = sum(found(spectrum(seed, *rng.uniform(0.1, 3.5, 12))) is not None for seed in range(400))
    assert seen <= 400 * DOUBTED * 1.6
