"""Where the noise is quiet, faint impacts stand out; where it is as loud everywhere, a second look changes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes, envelopes, whitened
from vibe.spectra.envelope.envelope_spectrum import envelope_spectra
from vibe.spectra.envelope.quiet_bands import PARTS, quiet_looks, quietened
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.evidence.decoy_null import Families
from vibe.spectra.evidence.quiet_combs import QuietCombs, quiet_combs

RATE, SECONDS, TURN_HZ, ORDER = 8192.0, 6.0, 20.0, 1.37
DIP_HZ, WIDE_HZ = 2000.0, 100.0
POINT = "motor side"
RACE = CombRequest(name="race", order=ORDER * 1.002, slip=(-0.01, 0.01), max_harmonic=12)
FAST = CombRequest(name="fast", order=17.3, slip=(-0.01, 0.01), max_harmonic=12)


@cache
def capture(*, dip_db: float, height: float, seed: int = 1) -> NDArray[np.float32]:
    """White noise of one unit with a dip of the casing's in it, and blows of any spectrum once in ``ORDER`` turns."""
    rng = np.random.default_rng(seed)
    n = int(RATE * SECONDS)
    axis_hz = np.fft.rfftfreq(n, 1 / RATE)
    gain = np.where(np.abs(axis_hz - DIP_HZ) < WIDE_HZ / 2, 10 ** (dip_db / 20), 1.0)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * gain, n)
    noise[(np.arange(0, SECONDS, 1 / (ORDER * TURN_HZ)) * RATE).astype(int)] += height
    return noise.astype(np.float32)


def bands(samples: NDArray[np.float32]) -> tuple[BandEnvelopes, ...]:
    law = AngleLaw.steady(TURN_HZ, SECONDS)
    return (envelopes(whitened(samples, RATE, channel=POINT), law, band_hz=(500.0, 3900.0), width_hz=800.0),)


def highest(power: NDArray[np.float32], step: float) -> float:
    """Mean of the first four lines in the group of bands where they stand highest."""
    middles = np.rint(np.arange(1, 5) * ORDER / step).astype(int)
    return float(np.mean([power[:, at - 1 : at + 2].max(axis=1) for at in middles], axis=0).max())


def heights(samples: NDArray[np.float32]) -> tuple[float, float]:
    """How high the lines stand in the plain bands, and in the best of the quiet looks."""
    plain = bands(samples)
    spectra = envelope_spectra(plain)
    looks = quiet_looks({POINT: (samples, RATE)}, AngleLaw.steady(TURN_HZ, SECONDS), plain)
    return highest(spectra.power, spectra.step), max(highest(one.power, one.step) for one, _ in looks)


def test_faint_blows_stand_out_where_the_noise_dips_though_a_wide_band_hides_them() -> None:
    plain, quiet = heights(capture(dip_db=-26.0, height=1.9))
    assert plain < 8.0
    assert quiet > 3.0 * plain


def test_in_even_noise_both_looks_show_alike() -> None:
    plain, quiet = heights(capture(dip_db=0.0, height=4.0))
    assert plain > 10.0
    assert quiet == pytest.approx(plain, rel=0.35)


def test_where_nothing_strikes_nothing_stands_out_of_a_dip() -> None:
    assert heights(capture(dip_db=-26.0, height=0.0))[1] < 8.0


def test_every_frequency_weighs_as_one_over_its_noise() -> None:
    white = whitened(capture(dip_db=-20.0, height=0.0), RATE, channel=POINT)
    power = np.abs(quietened(white).transform) ** 2
    bin_hz = RATE / white.padded
    dip, other = (float(power[round(a / bin_hz) : round(b / bin_hz)].mean()) for a, b in ((1980, 2020), (2500, 3500)))
    assert 10 * np.log10(dip / other) == pytest.approx(20.0, abs=1.5)


def test_bands_lie_between_the_same_edges_and_are_as_narrow_as_is_said() -> None:
    plain = bands(capture(dip_db=0.0, height=0.0))
    looks = quiet_looks(
        {POINT: (capture(dip_db=0.0, height=0.0), RATE)}, AngleLaw.steady(TURN_HZ, SECONDS), plain, (1, 2)
    )  # fmt: skip
    for parts, (spectra, own) in zip((1, 2), looks, strict=True):
        assert own[0].centre_hz.size == parts * plain[0].centre_hz.size
        assert (spectra.low_hz.min(), spectra.high_hz.max()) == pytest.approx((500.0, 3900.0))
        assert spectra.step == pytest.approx(1 / (TURN_HZ * SECONDS), rel=1e-3)


def asked(samples: NDArray[np.float32], cut: Sequence[int] = PARTS) -> QuietCombs:
    plain = bands(samples)
    looks = quiet_looks({POINT: (samples, RATE)}, AngleLaw.steady(TURN_HZ, SECONDS), plain, cut)
    free = np.zeros(looks[0][0].power.shape[1], dtype=bool)
    return quiet_combs(["fast", "race"], [RACE, FAST], looks, Families(benign=()), free)


def test_a_comb_that_may_have_grown_is_weighed_and_others_only_scored() -> None:
    shown, silent = asked(capture(dip_db=-26.0, height=1.9)), asked(capture(dip_db=-26.0, height=0.0))
    assert [comb.tone for comb in shown.combs] == ["race"]
    assert shown.combs[0].false_alarm_probability < 1e-3
    assert shown.combs[0].order == pytest.approx(ORDER, rel=0.005)
    assert silent.combs == ()
    for look, before in zip(shown.scores, silent.scores, strict=True):
        assert look[1] is not None
        assert before[1] is not None
        assert look[1] > before[1] + 10.0


def test_a_tone_whose_second_line_the_narrow_bands_do_not_pass_is_not_scored_there() -> None:
    wide, narrow = asked(capture(dip_db=0.0, height=0.0), (1, 2)).scores
    assert wide[0] is not None
    assert narrow[0] is None
    assert narrow[1] is not None
