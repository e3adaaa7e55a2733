"""The scores of combs against their definition, written out plainly, and what they cost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import gammaincc

import vibe.spectra.evidence.comb as comb
import vibe.spectra.evidence.line_significance as comb_lines
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import CombRequest, Combs, CombScorer
from vibe.spectra.evidence.decoy_null import DecoyNull, Families

BINS, GROUPS, STEP = 900, 3, 0.05
RNG = np.random.default_rng(5)
POWER = RNG.exponential(1.0, (GROUPS, BINS)).astype(np.float32)
# A comb of strong lines in one group, and a line so strong that it counts by its logarithm.
POWER[1, 97:BINS:97] += 9.0
POWER[2, 300] = 60.0
MASK = np.zeros(BINS, dtype=bool)
MASK[RNG.integers(0, BINS, 40)] = True
ORDERS = np.concatenate([np.arange(60, 420, 15) * STEP / 2, [97 * STEP, 97.2 * STEP, 400 * STEP]])


def spectra(power: NDArray[np.float32] = POWER) -> EnvelopeSpectra:
    return EnvelopeSpectra(
        power=power, squared=power, floor=np.ones_like(power), step=STEP,
        low_hz=np.zeros(len(power)), high_hz=np.ones(len(power)),
        members=(((0, 0),),) * len(power), top_order=power.shape[1] * STEP,
    )  # fmt: skip


def line(window: NDArray[np.float32], mean: bool) -> float:
    """-ln p of a window's mean or largest bin, two thirds of the bins being independent; softened above 14."""
    free = max(1.0, window.size / 1.5)
    if window.size == 1:
        surprise = float(window[0])
    elif mean:
        surprise = -np.log(gammaincc(free, free * window.mean()))
    else:
        # The chance that the largest of m exponentials exceeds x, in a form that holds for great x too.
        surprise = -np.log(-np.expm1(free * np.log1p(-np.exp(-float(window.max())))))
    return surprise if surprise <= 14 else 14 + 4 * np.log(surprise / 14)


def tries(
    order: float, slip: bool, sidebands: tuple[float, ...], most: int, narrower: float
) -> Iterator[tuple[float, int, int]]:
    """Score, group and harmonics of every way to read a comb: group by group, set by set, kind by kind. ``narrower``:
    how wide windows are in a capture of few turns, over those of a long one."""
    for mean in (False, True) if slip else (False,):
        for group in range(GROUPS):
            total, count = 0.0, 0
            for harmonic in range(1, min(most, 12 if slip else 32) + 1):
                half = int(narrower * (harmonic // 2)) if slip else 0
                middle = int(np.floor(harmonic * (order / STEP) + 0.5))
                shifts = [0]
                if harmonic <= 4:
                    shifts += [sign * round(side / STEP) for side in sidebands for sign in (-1, 1)]
                spots = [middle + shift for shift in shifts]
                free = [0 < spot < BINS and not MASK[max(0, spot - half) : spot + half + 1].any() for spot in spots]
                for spot, tells in zip(spots, free, strict=True):
                    if tells and free[0]:
                        # Beyond the axis it goes on as in a mirror.
                        window = np.pad(POWER[group], half, mode="symmetric")[spot : spot + 2 * half + 1]
                        total += line(window, mean)
                        count += 1
                if harmonic in (2, 3, 5, 8, 12, 20, 32) and count:
                    yield -np.log(gammaincc(float(count), total)), group, harmonic


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize(("slip", "narrower"), [(False, 1.0), (True, 1.0), (True, 0.5)])
@pytest.mark.parametrize(("sidebands", "most"), [((), 32), ((1.35,), 12), ((0.4, 2.0), 8)])
def test_scores_are_what_their_definition_says(
    slip: bool, narrower: float, sidebands: tuple[float, ...], most: int, kept: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within the steps of the tables: 0.3 % of a line, 0.05 of a sum. Whatever is worked out at once, and whether lines
    are kept or worked out anew."""
    monkeypatch.setattr(comb, "PLACES_AT_ONCE", 13)
    monkeypatch.setattr(comb, "SUMS_AT_ONCE", 30)
    monkeypatch.setattr(comb, "SMEARED_TURNS", 1 / (narrower * STEP))
    if not kept:
        monkeypatch.setattr(comb_lines, "MOST_KEPT", 0)
    scorer = CombScorer(spectra())
    wanted = [
        Combs(orders=ORDERS, mask=MASK, sidebands=sidebands, max_harmonic=most),
        Combs(orders=ORDERS[:5], mask=~MASK, sidebands=(0.7, 0.9, 1.1), max_harmonic=5),
    ]
    scores = scorer.score(wanted, slip=slip)[0]
    assert scores.any()
    alone = [replace(wanted[0], orders=ORDERS[place : place + 1]) for place in range(ORDERS.size)]
    for order, score, best in zip(ORDERS, scores, scorer.best(alone, slip=slip), strict=True):
        every = list(tries(float(order), slip, sidebands, most, narrower))
        assert bool(score) == bool(every)
        assert (best.order, best.score) == (order, score)
        if not every:
            assert (best.group, best.harmonics) == (0, 0)
        else:
            highest = float(max(every)[0])
            assert score == pytest.approx(highest, abs=0.06 + 0.003 * highest)
            # The group and the harmonics named are those of a try that is as good.
            named = [s for s, group, n in every if (group, n) == (best.group, best.harmonics)]
            assert max(named) == pytest.approx(highest, abs=0.12 + 0.003 * highest)


@pytest.mark.parametrize("long_row", [1, 1000])
def test_a_comb_scores_alike_alone_and_among_others(long_row: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever way the largest of a row is found."""
    scorer = CombScorer(spectra())
    wanted = [
        Combs(orders=ORDERS, mask=MASK),
        Combs(orders=ORDERS[::3], mask=np.zeros_like(MASK), sidebands=(1.35,), max_harmonic=8),
        Combs(orders=ORDERS[1:2], mask=MASK, sidebands=(0.5, 0.8), max_harmonic=3),
    ]
    alone = [(scorer.score([combs], slip=True)[0], scorer.best([combs], slip=True)[0]) for combs in wanted]
    monkeypatch.setattr(comb, "LONG_ROW", long_row)
    among = zip(scorer.score(wanted, slip=True), scorer.best(wanted, slip=True), strict=True)
    for (scores, best), (others, also), combs in zip(alone, among, wanted, strict=True):
        np.testing.assert_array_equal(scores, others)
        assert best == also
        spot = int(scores.argmax())
        assert (best.order, best.score) == (combs.orders[spot], scores[spot])


def test_decoys_are_scored_once_however_many_requests_share_them(monkeypatch: pytest.MonkeyPatch) -> None:
    power = np.random.default_rng(6).exponential(1.0, (2, 4000)).astype(np.float32)
    scored = []
    score = CombScorer.score

    def counted(self: CombScorer, wanted: list[Combs], *, slip: bool) -> list[NDArray[np.float32]]:
        scored.append(sum(combs.orders.size for combs in wanted))
        return score(self, wanted, slip=slip)

    monkeypatch.setattr(CombScorer, "score", counted)
    work = {}
    for count in (1, 8):
        # Orders so near one another that all look for decoys in much the same range.
        requests = [CombRequest(name=str(i), order=10.0 + 0.4 * i, slip=(-0.005, 0.005)) for i in range(count)]
        decoy_null = DecoyNull(CombScorer(spectra(power)), requests, Families(benign=()), np.zeros(4000, dtype=bool))
        readings = decoy_null.read(requests)
        scored.clear()
        assert all(decoy_null.decoys(reading).size > 100 for reading in readings)
        work[count] = sum(scored)
    assert work[1] > 1000
    assert work[8] < 1.6 * work[1]


def test_places_never_lie_beyond_the_axis() -> None:
    """The top order over the step may round up to one bin more than there are."""
    whole = spectra()
    longer = EnvelopeSpectra(
        power=whole.power, squared=whole.squared, floor=whole.floor, step=whole.step, low_hz=whole.low_hz,
        high_hz=whole.high_hz, members=whole.members, top_order=(BINS + 1) * STEP,
    )  # fmt: skip
    assert CombScorer(longer).half_bins(1.0, 1e6)[-1] < BINS * STEP


@pytest.mark.parametrize("width", [1, 3, 13])
def test_sums_of_the_strongest_lines_stay_within_their_numbers(width: int) -> None:
    strongest = int(comb_lines._tables(width).max())
    assert strongest * comb_lines.MOST_LINES <= np.iinfo(np.uint16).max


def test_combs_of_too_many_lines_are_refused() -> None:
    wanted = Combs(orders=ORDERS[:3], mask=np.zeros_like(MASK), sidebands=(0.3, 0.4), max_harmonic=32)
    assert CombScorer(spectra()).score([wanted], slip=False)[0].all()
    with pytest.raises(ValueError, match="too many"):
        CombScorer(spectra()).score([replace(wanted, sidebands=(0.3, 0.4, 0.6))], slip=False)
