from __future__ import annotations

import numpy as np
import pytest

from tests.spectra.spectra_signals import enveloped, noise, repeats, ringing
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import envelopes, whitened
from vibe.spectra.envelope.envelope_spectrum import envelope_spectra, line_floor
from vibe.spectra.evidence.comb import HARMONIC_SETS, Combs, CombScorer, owned

RATE, SPEED, DURATION = 12_800.0, 25.0, 6.0
N = int(RATE * DURATION)
TURNS = SPEED * DURATION


def test_in_noise_every_envelope_line_is_exponential_with_mean_one() -> None:
    """Sums of many independent terms: real and imaginary part Gaussian, power exponential (chi-square, 2 degrees).

    Quantiles of the exponential law: -ln(1 - q). The few thousand lines of each of 15 groups hang together, so the
    bounds are a few times the scatter of a thousand free ones.
    """
    lines = np.concatenate([enveloped(noise(seed, N), RATE, SPEED)[1].power[:, 20:-20].ravel() for seed in range(4)])
    assert float(lines.mean()) == pytest.approx(1.0, abs=0.02)
    for q, near in ((0.1, 0.05), (0.5, 0.03), (0.9, 0.03), (0.99, 0.06), (0.999, 0.12)):
        assert np.quantile(lines, q) == pytest.approx(-np.log1p(-q), rel=near)


def test_groups_are_dyadic_runs_of_bands() -> None:
    bands, spectra = enveloped(noise(1, N), RATE, SPEED)
    count = bands.centre_hz.size
    assert count == 8
    assert spectra.power.shape[0] == 2 * count - 1 == len(spectra.members)
    assert spectra.step == pytest.approx(1 / TURNS, rel=1e-4)
    widths = (spectra.high_hz - spectra.low_hz) / bands.width_hz
    np.testing.assert_allclose(sorted(widths), [1] * 8 + [2] * 4 + [4] * 2 + [8], rtol=1e-6)
    assert spectra.orders[-1] <= spectra.top_order < RATE / SPEED


def test_depth_of_a_line_is_kept_in_every_group() -> None:
    time = np.arange(N) / RATE
    bands, spectra = enveloped((1 + 0.3 * np.cos(2 * np.pi * 5.0 * SPEED * time)) * noise(2, N), RATE, SPEED)
    # As in the bands themselves: 2 m / (1 + m²/2), less what a band of that width does not pass.
    expected = 0.6 / 1.045 * (1 - 5.0 * SPEED / bands.width_hz)
    found = np.sqrt(spectra.squared[:, round(5.0 / spectra.step)])
    widest = int((spectra.high_hz - spectra.low_hz).argmax())
    assert found[widest] == pytest.approx(expected, rel=0.08)
    assert np.all(np.abs(found / expected - 1) < 0.3)


def test_two_channels_of_one_machine_are_also_read_together() -> None:
    law = AngleLaw.steady(SPEED, DURATION)
    impacts = ringing(repeats(3.3, SPEED, DURATION), RATE, N, resonance_hz=3000.0, heights=0.8)
    both = [
        envelopes(
            whitened((impacts + noise(seed, N)).astype(np.float32), RATE, channel=name),
            law,
            band_hz=(500, 6144),
            width_hz=700,
        )
        for seed, name in ((1, "a"), (2, "b"))
    ]
    spectra = envelope_spectra(both)
    assert spectra.power.shape[0] == 3 * 15
    joint = [g for g, members in enumerate(spectra.members) if {channel for channel, _ in members} == {0, 1}]
    assert len(joint) == 15
    line = round(3.3 / spectra.step)
    best_alone = max(spectra.power[g, line - 1 : line + 2].max() for g in range(30))
    # Impacts reach both at once, noise does not: amplitudes add, powers of noise do not.
    assert max(spectra.power[g, line - 1 : line + 2].max() for g in joint) > 1.2 * best_alone


def test_channels_of_unlike_rate_share_one_order_axis() -> None:
    law = AngleLaw.steady(SPEED, DURATION)
    rows = []
    for rate, name in ((12_800.0, "fast"), (5120.0, "slow")):
        n = int(rate * DURATION)
        row = noise(3, n) + ringing(repeats(4.2, SPEED, DURATION), rate, n, resonance_hz=1900.0, heights=3.0)
        rows.append(
            envelopes(
                whitened(row.astype(np.float32), rate, channel=name), law, band_hz=(500, 0.48 * rate), width_hz=700
            )
        )
    spectra = envelope_spectra(rows)
    line = round(4.2 / spectra.step)
    for channel in (0, 1):
        own = [g for g, members in enumerate(spectra.members) if members[0][0] == channel]
        assert max(spectra.power[g, line - 1 : line + 2].max() for g in own) > 50


def test_the_line_floor_follows_its_own_surroundings() -> None:
    rng = np.random.default_rng(3)
    slope = np.geomspace(100.0, 1.0, 6000).astype(np.float32)
    squared = (rng.exponential(1.0, (3, 6000)) * slope).astype(np.float32)
    squared[:, 300::300] *= 1e4
    ratio = line_floor(squared) / slope
    assert float(np.median(ratio)) == pytest.approx(1.0, abs=0.05)
    assert np.all(np.abs(np.log(ratio[:, 200:-200])) < np.log(1.6))


@pytest.mark.parametrize("slip", [False, True])
def test_scores_in_noise_promise_no_more_than_they_keep(slip: bool) -> None:
    """Each score is -ln p of the best of G groups, S harmonic sets and (with slip) two kinds of window.

    Whatever hangs together with what, P(score > s) lies between exp(-s) and G·S·kinds·exp(-s) (Boole's inequality);
    20 % are left for the tables' steps and the windows' effective width.
    """
    over = dict.fromkeys((3.0, 5.0, 7.0), 0.0)
    places = 0
    for seed in range(3):
        _, spectra = enveloped(noise(seed, N), RATE, SPEED)
        scorer = CombScorer(spectra)
        orders = scorer.half_bins(0.7, 26.0)
        scores = scorer.score([Combs(orders=orders, mask=np.zeros(spectra.power.shape[1], dtype=bool))], slip=slip)[0]
        assert scores.size == orders.size
        places += scores.size
        for s in over:
            over[s] += int((scores > s).sum())
    tries = spectra.power.shape[0] * len(HARMONIC_SETS) * (2 if slip else 1)
    for s, count in over.items():
        assert np.exp(-s) < count / places < 1.2 * tries * np.exp(-s), s


@pytest.mark.parametrize(("order", "slip_sigma"), [(3.547, 0.001), (3.547, 0.005), (5.37, 0.005)])
def test_the_score_peaks_where_the_impacts_repeat(order: float, slip_sigma: float) -> None:
    impacts = ringing(
        repeats(order, SPEED, DURATION, seed=4, slip_sigma=slip_sigma), RATE, N, resonance_hz=2970.0, heights=2.0
    )
    healthy, damaged = (enveloped(row, RATE, SPEED)[1] for row in (noise(9, N), noise(9, N) + impacts))
    nothing = np.zeros(healthy.power.shape[1], dtype=bool)
    tops = []
    for spectra in (healthy, damaged):
        scorer = CombScorer(spectra)
        tops.append(scorer.best([Combs(orders=scorer.half_bins(2.5, 7.0), mask=nothing)], slip=True)[0])
    assert tops[1].order == pytest.approx(order, rel=0.002)
    assert tops[1].score > 60 > 3 * tops[0].score
    assert damaged.low_hz[tops[1].group] < 2970.0 < damaged.high_hz[tops[1].group]


def test_sidebands_add_to_a_comb_that_has_them() -> None:
    times = repeats(5.37, SPEED, DURATION, seed=4)
    modulated = ringing(times, RATE, N, resonance_hz=2970.0, heights=0.7 * (1 + np.cos(2 * np.pi * SPEED * times)))
    _, spectra = enveloped(noise(11, N) + modulated, RATE, SPEED)
    scorer, nothing = CombScorer(spectra), np.zeros(spectra.power.shape[1], dtype=bool)
    places = scorer.half_bins(5.3, 5.45)
    wanted = [Combs(orders=places, mask=nothing, sidebands=sidebands) for sidebands in ((), (1.0,), (0.713,))]
    without, next_to, wrong = scorer.score(wanted, slip=False)
    assert next_to.max() > 1.2 * without.max() > wrong.max()


def test_masked_lines_tell_nothing() -> None:
    impacts = ringing(repeats(3.547, SPEED, DURATION), RATE, N, resonance_hz=2970.0, heights=2.0)
    _, spectra = enveloped(noise(9, N) + impacts, RATE, SPEED)
    scorer = CombScorer(spectra)
    mask = owned([(3.547, 60)], spectra.step, spectra.power.shape[1], half_width=4)
    places = scorer.half_bins(3.54, 3.555)
    masks = mask, np.ones_like(mask), np.zeros_like(mask)
    own, all_masked, free = scorer.score([Combs(orders=places, mask=one) for one in masks], slip=False)
    assert own.max() < 12
    assert all_masked.max() == 0.0
    assert free.max() > 60


def test_owned_bins_are_the_harmonics_and_no_more() -> None:
    mask = owned([(1.0, 3), (18.0, 2)], 0.01, 5000, half_width=2)
    expected = {middle + k for middle in (100, 200, 300, 1800, 3600) for k in range(-2, 3)}
    assert set(np.flatnonzero(mask)) == expected
    # Uncertain by one per mille, the second harmonic of 18 lies anywhere in seven bins.
    assert owned([(18.0, 2)], 0.01, 5000, half_width=2, spread=0.001)[3594:3607].all()
    # Where harmonics would fill the axis, or their places are not known, they own nothing: nothing could be seen.
    assert not owned([(0.05, 1000)], 0.01, 5000, half_width=2).any()
    assert owned([(1.0, 5000)], 0.01, 5000, half_width=2, spread=0.02).mean() < 0.4


def test_a_slow_comb_may_not_claim_a_fast_ones_harmonics() -> None:
    """Every ninth cage harmonic is an outer-race line; eight harmonics never reach it."""
    impacts = ringing(repeats(3.6, SPEED, DURATION), RATE, N, resonance_hz=2970.0, heights=2.0)
    _, spectra = enveloped(noise(12, N) + impacts, RATE, SPEED)
    scorer, nothing = CombScorer(spectra), np.zeros(spectra.power.shape[1], dtype=bool)
    places = scorer.half_bins(0.399, 0.401)
    held, free = scorer.best([Combs(orders=places, mask=nothing, max_harmonic=most) for most in (8, 12)], slip=False)
    assert held.score < 12 < free.score
    assert held.harmonics <= 8
