"""The study of the past, in short: one machine, one damage; and a further sound capture of it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.studies import past
from vibe.core.comb_history import PastCapture
from vibe.spectra.envelope.bands import BandEnvelopes

TAG, SEED, RACE = "ratio-6", 1000, "bearing.input bearing.inner_race"


made = cache(past.earlier_of)


def earlier(tag: str, seed: int, *, surrounded: bool = False) -> list[PastCapture]:
    """Made once for all tests."""
    return made(tag, seed, surrounded=surrounded)


@pytest.mark.slow
def test_the_past_brings_the_limit_of_a_race_nearer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A size that is too faint to be named by one capture is named with eight earlier ones."""
    monkeypatch.setattr(past, "earlier_of", earlier)
    mixer = past.mixer_of(TAG, SEED, past.Damage(RACE, 1.0, 0))
    one = mixer.capture(-4.0)
    assert not past.study.found(past.judged(one, TAG), RACE)
    assert past.study.found(past.judged(one, TAG, past.earlier_of(TAG, SEED)), RACE)


@pytest.mark.slow
def test_further_sound_captures_of_it_are_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(past, "earlier_of", earlier)
    detected = past.listen((TAG, SEED, 1))
    assert [one.past for one in detected] == [()]
    assert all(one.tones > 10 for one in detected)


def test_the_summary_counts_what_was_never_found_as_found_at_the_largest_size() -> None:
    found = [
        past.Found(drive=TAG, kind=RACE, seed=k, alone_db=alone, past_db=-6.0, clairvoyant_db=-10.0)
        for k, alone in enumerate((None, -4.0, -2.0))
    ]
    text = past.summary(found, [])
    assert "without the past: median +8.0 dB" in text
    assert "never found 1 of 3" in text
    assert "with it: median +4.0 dB" in text


@pytest.mark.parametrize(("lines", "trials"), [(8, 1), (8, 20), (32, 20)])
def test_the_least_gap_is_that_of_lines_of_noise_over_their_own_past(lines: int, trials: int) -> None:
    """Of drawn lines: damage of the size that the closed form states is found half of the time by its growth over eight
    captures, and by one who knows the floor where it is smaller by the gap."""
    rng, chance, earlier, drawn = np.random.default_rng(lines), 0.02, 8, 40_000
    gap_db = past.least_gap_db(lines, trials, chance, earlier=earlier)
    before = rng.standard_exponential((drawn, earlier * lines)).mean(axis=1)
    quiet = rng.standard_exponential((drawn, lines)).mean(axis=1)
    limit = float(np.quantile(quiet / before, 1 - chance / trials))
    known = float(np.quantile(quiet, 1 - chance))
    # A line's power grows by 2 dB with each decibel of size.
    assert 5 * np.log10((limit - 1) / (known - 1)) == pytest.approx(gap_db, abs=0.12)


def test_what_must_be_sought_costs_more_than_eight_captures_do() -> None:
    """More than the 1 dB that is wished for, whatever the program does."""
    known_place, slips = (
        past.least_gap_db(*how, past.USUAL_CHANCE, earlier=past.EARLIER) for how in past.SOUGHT.values()
    )
    assert past.least_gap_db(12, 1, past.USUAL_CHANCE, earlier=past.EARLIER) < 0.4
    assert 1.0 < known_place < slips
    assert past.least_gap_db(12, 20_000, past.USUAL_CHANCE, earlier=1_000) > 1.0


def test_no_test_whatever_searches_for_much_less_than_a_threshold_for_each_place() -> None:
    """The averaged likelihood ratio is better than thresholds that share the false alarms, by a tenth of a decibel."""
    shared = past.least_gap_db(8, 40, 0.01, earlier=100_000)
    assert shared - 0.2 < past.best_gap_db(8, 40, 0.01) < shared
    assert past.best_gap_db(8, 1, 0.01) == pytest.approx(0.0, abs=0.1)


BINS, RATE_HZ = 8_000, 16_000.0
BANDS = BandEnvelopes(
    channel="a", power=np.zeros((8, 0), dtype=np.float32), per_turn=1.0, centre_hz=np.arange(500.0, 8000.0, 1000.0),
    width_hz=1000.0, band_rms=np.ones(8),
)  # fmt: skip


def losses(power: past.Array, noise: past.Array) -> tuple[float, float]:
    return past.filter_losses_db(power[None, :], noise[None, :], RATE_HZ, [BANDS])


def test_bands_lose_nothing_where_impacts_fill_one_or_all_and_much_where_they_ring_in_a_narrow_place() -> None:
    even, whole, tenth = np.ones(BINS), np.zeros(BINS), np.zeros(BINS)
    whole[2000:3000] = tenth[2400:2500] = 1.0
    assert losses(even, even) == pytest.approx((0.0, 0.0), abs=0.02)
    assert losses(whole, even) == pytest.approx((0.0, 0.0), abs=0.02)
    # Ten times the noise, root ten times its scatter; nor are quiet bands any narrower.
    assert losses(tenth, even) == pytest.approx((2.5, 2.5), abs=0.05)


def test_quiet_bands_lose_nothing_where_the_noise_has_a_dip_in_a_smooth_impact() -> None:
    dip = np.ones(BINS)
    dip[2400:2500] = 0.01
    plain, quiet = losses(np.ones(BINS), dip)
    assert plain == pytest.approx(5 * np.log10(np.sqrt(100.0 * 1e4) / ((100.0 * 100 + 900) / np.sqrt(1000.0))), abs=0.1)
    assert quiet < 0.3


def test_the_closed_form_of_the_filter_is_what_lines_of_a_squared_envelope_do() -> None:
    """The first line of weak bursts once in 64 samples over its floor, behind three filters: its mean grows as the
    square of the sum of w S / N over the sum of w^2."""
    rng = np.random.default_rng(5)
    n, each, size = 2**13, 64, 2.5
    axis = np.arange(n // 2)
    shape = np.exp(-(((axis - 1_250) / 250) ** 2))
    burst = np.zeros(n)
    burst[::each] = size
    struck = np.fft.fft(burst)[: n // 2] * shape
    stands, stated = [], []
    for weight in (shape**2, np.ones(n // 2), (np.abs(axis - 1_250) < 1_000).astype(float)):
        line = n // each
        means: list[float] = []
        around: list[float] = []
        for _ in range(400):
            noise = np.fft.fft(rng.standard_normal(n))[: n // 2]
            for what, kept in ((noise + struck, means), (noise, around)):
                envelope = np.abs(np.fft.ifft(what * np.sqrt(weight), n)) ** 2
                kept.append(abs(np.fft.rfft(envelope)[line]) ** 2)
        stands.append(np.mean(means) / np.mean(around) - 1.0)
        stated.append((weight * shape**2).sum() ** 2 / (weight**2).sum())
    assert np.array(stands[1:]) / stands[0] == pytest.approx(np.array(stated[1:]) / stated[0], rel=0.35)
    assert stands[0] > max(stands[1:])
