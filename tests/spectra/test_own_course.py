"""Impacts that follow the input's course of speed, and those that keep to time."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.evidence.own_course import LEAST_DRIFT, evenly_rather

SECONDS, MEAN_HZ, PER_TURN, ORDER = 10.0, 20.0, 64, 3.58
BAND_HZ = (3000.0, 5000.0)


def ramp(change: float) -> AngleLaw:
    """A speed that rises by ``change`` of its mean."""
    time_s = np.linspace(0.0, SECONDS, 33)
    return AngleLaw(time_s=time_s, turns=MEAN_HZ * (time_s + change * (time_s**2 / SECONDS - time_s) / 2))


def envelopes(law: AngleLaw, *, even: bool, high: float = 1.0, seed: int = 1, channel: str = "p1") -> BandEnvelopes:
    """Impacts at ``ORDER``, ``high`` over noise, along time or along the angle of ``law``, laid on that."""
    turns = np.arange(int(SECONDS * MEAN_HZ * PER_TURN)) / PER_TURN
    at = law.when(turns) * MEAN_HZ if even else turns
    impacts = np.exp(6.0 * (np.cos(2 * np.pi * ORDER * at) - 1.0))
    power = np.random.default_rng(seed).exponential(1.0, turns.size) + high * impacts
    return BandEnvelopes(
        channel=channel, power=power[None, :].astype(np.float32), per_turn=float(PER_TURN),
        centre_hz=np.array([4000.0]), width_hz=2000.0, band_rms=np.ones(1),
    )  # fmt: skip


def odds(law: AngleLaw, *, even: bool, high: float = 1.0, seed: int = 1) -> float | None:
    return evenly_rather([envelopes(law, even=even, high=high, seed=seed)], law, BAND_HZ, [], ORDER, range(1, 9))


@pytest.mark.parametrize("change", [0.01, -0.05])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_follows_the_input_is_distinguished_from_what_turns_evenly(change: float, seed: int) -> None:
    law = ramp(change)
    follows, keeps = odds(law, even=False, seed=seed), odds(law, even=True, seed=seed)
    assert follows is not None
    assert follows < -5.0
    assert keeps is not None
    assert keeps > 5.0


def test_of_noise_alone_neither_is_likelier() -> None:
    found = [odds(ramp(0.03), even=False, high=0.0, seed=seed) for seed in range(12)]
    assert all(one is not None and abs(one) < 5.0 for one in found)


def test_a_speed_that_hardly_moves_tells_nothing() -> None:
    assert odds(ramp(0.9 * LEAST_DRIFT), even=True) is None
    assert odds(AngleLaw.steady(MEAN_HZ, SECONDS), even=True) is None


def test_lines_so_low_that_they_are_not_smeared_tell_nothing() -> None:
    """Of 200 turns a ramp of 1 % is off by 200 x 0.01 / 8 turns in its middle: 0.25 times the order of the line."""
    law = ramp(0.01)
    bands = [envelopes(law, even=True)]
    assert evenly_rather(bands, law, BAND_HZ, [], 1.9, [1]) is None
    assert evenly_rather(bands, law, BAND_HZ, [], 2.1, [1]) is not None


def test_other_channels_and_bands_are_left_out() -> None:
    law = ramp(0.02)
    bands = [envelopes(law, even=False), envelopes(law, even=True, high=3.0, channel="p2")]
    own = evenly_rather(bands, law, BAND_HZ, ["p1"], ORDER, range(1, 9))
    assert own is not None
    assert own < -5.0
    assert evenly_rather(bands, law, (6000.0, 8000.0), [], ORDER, range(1, 9)) == 0.0


def test_no_lines_tell_nothing() -> None:
    assert evenly_rather([envelopes(ramp(0.02), even=True)], ramp(0.02), BAND_HZ, [], ORDER, []) is None
