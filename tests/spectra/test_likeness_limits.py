"""When two points look exchanged, and what of their captures is compared: worked by hand or met from both sides."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from vibe.spectra.identity import point_likeness as likeness
from vibe.spectra.identity.point_likeness import Signature, distance, exchanged, signature

RATE = 2560.0
NOISE = np.random.default_rng(4).standard_normal(round(100 * RATE)).astype(np.float32)


def bands(*values: float) -> Signature:
    return Signature(level_db=np.array(values, dtype=np.float32))


def test_the_odds_of_an_exchange_by_hand() -> None:
    """24 bands, 4 dB off one way and the other, which is now turned round: eight votes, each half a logarithm of one
    and the square over 1.5 dB's; one visit in a hundred, and one repair in ten."""
    then = np.tile([4.0, -4.0], 12)
    as_it_was, repaired = -4 * np.log(1 + 8**2 / 1.5**2), -4 * np.log(1 + 4**2 / 1.5**2)
    expected = np.log(0.01) - np.logaddexp(as_it_was, np.log(0.1) + repaired)
    odds, best = likeness._odds(-then, then)
    assert odds == best == pytest.approx(expected)
    assert expected == pytest.approx(6.0, abs=0.1)


@pytest.mark.parametrize(("chance", "said"), [(0.985, False), (0.994, True)])
def test_an_exchange_is_reported_where_it_is_right_in_ninety_nine_of_a_hundred(chance: float, said: bool) -> None:
    shape = np.tile([1.0, -1.0], 12)
    wanted = float(np.log(chance / (1 - chance)))
    size = brentq(lambda one: likeness._odds(-one * shape, one * shape)[0] - wanted, 0.5, 9.0)
    flat = bands(*np.zeros(24))
    now = {"a": bands(*(-size * shape)), "b": flat}
    assert bool(exchanged(now, {"a": [bands(*(size * shape))], "b": [flat]}).exchanged) is said


def test_one_band_in_the_noise_of_a_sensor_counts_no_more_than_three_deviations_of_another_machine() -> None:
    """Levels of two places differ by 5 dB, r.m.s.; common practice."""
    off = likeness._difference(np.array([0.0, 0.0, 0.0, 60.0, -60.0], dtype=np.float32), np.zeros(5, dtype=np.float32))
    assert np.abs(off).max() == pytest.approx(3 * 5.0, rel=0.1)


@pytest.mark.parametrize(("shared", "said"), [(11, False), (13, True)])
def test_an_octave_must_be_shared(shared: int, said: bool) -> None:
    assert likeness.PER_OCTAVE == 12
    one = bands(*np.zeros(shared), *np.full(40, np.nan))
    assert (distance(one, one) is not None) is said


def test_the_latest_eight_visits_are_what_is_usual() -> None:
    """Of these five were alike; of the latest four one, and of the latest sixteen five."""
    one, other = bands(*np.tile([3.0, -3.0], 8)), bands(*np.zeros(16))
    usual = likeness._usual([*[other] * 8, *[one] * 5, *[other] * 3])
    np.testing.assert_allclose(usual, one.level_db)


@pytest.mark.parametrize(("seconds", "enough"), [(0.4, False), (0.6, True)])
def test_half_a_second_makes_a_signature(seconds: float, enough: bool) -> None:
    """Bins of 2 Hz."""
    if enough:
        signature(NOISE[: round(seconds * RATE)], RATE)
    else:
        with pytest.raises(ValueError, match="needs"):
            signature(NOISE[: round(seconds * RATE)], RATE)


def test_of_a_long_capture_thirty_seconds_count() -> None:
    """From the eighth second on it is louder: that is most of them; what is quiet from the 31st on is not detected."""
    row = NOISE.copy()
    row[round(8 * RATE) : round(31 * RATE)] *= 10
    loud = signature(row, RATE).level_db - signature(NOISE, RATE).level_db
    assert np.nanmedian(loud) > 15
