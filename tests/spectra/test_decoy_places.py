"""Where a tone is looked for, and how far a benign source's line reaches."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import CombRequest, CombScorer
from vibe.spectra.evidence.decoy_null import DecoyNull, Families, grown

BINS, STEP = 2000, 0.05


def null(power: np.ndarray, families: Families) -> DecoyNull:
    rows = power.astype(np.float32)[None, :]
    spectra = EnvelopeSpectra(
        power=rows, squared=rows, floor=np.ones_like(rows), step=STEP, low_hz=np.zeros(1), high_hz=np.ones(1),
        members=(((0, 0),),), top_order=BINS * STEP,
    )  # fmt: skip
    return DecoyNull(CombScorer(spectra), (), families, np.zeros(BINS, dtype=bool))


def test_spectra_in_which_the_same_is_explained_are_one_as_long_as_they_are_among_the_last() -> None:
    whole = null(np.ones(BINS), Families(benign=()))
    explained = np.zeros((4, BINS), dtype=bool)
    explained[np.arange(4), 100 + np.arange(4)] = True
    first = whole.explaining(explained[0])
    assert first is not whole
    assert whole.explaining(explained[0].copy()) is first
    others = [whole.explaining(one) for one in explained[1:]]
    assert len({id(one) for one in (first, *others)}) == 4
    assert whole.explaining(explained[3].copy()) is others[-1]
    again = whole.explaining(explained[0])
    assert again is not first
    np.testing.assert_array_equal(again.explained, first.explained)


@pytest.mark.parametrize(("spread", "reach_bins"), [(0.0, 0.1), (0.01, 0.7)])
def test_a_tone_without_slip_is_looked_for_a_tenth_of_a_bin_beyond_what_the_speed_leaves_open(
    spread: float, reach_bins: float
) -> None:
    """In steps that meet its highest harmonic within half a bin."""
    order, request = 3.0, CombRequest(name="pin", order=3.0, max_harmonic=32)
    places = null(np.ones(BINS), Families(benign=(), speed_spread=spread)).places(request, 1)
    step = STEP / (2 * 32)
    assert np.diff(places) == pytest.approx(step)
    for reach in (order - places[0], places[-1] - order):
        assert reach_bins * STEP <= reach + 1e-9 < reach_bins * STEP + step + 1e-9


@pytest.mark.parametrize(("power", "reaches"), [(6.0, 0), (10.0, 4)])
def test_bins_next_to_a_line_belong_to_it_where_noise_is_there_once_in_three_thousand(
    power: float, reaches: int
) -> None:
    """exp(-8)."""
    owned, levels = np.zeros(40, dtype=bool), np.ones(40)
    owned[20], levels[21:30] = True, power
    assert int(grown(owned, levels, 4)[21:].sum()) == reaches


def test_a_line_of_a_benign_source_reaches_six_bins_beyond_its_own_at_most() -> None:
    narrow, broad = np.ones(BINS), np.ones(BINS)
    broad[380:421] = 50.0
    narrow[400] = broad[400] = 60.0
    exact = null(narrow, Families(benign=((400 * STEP, 1),))).benign_lines(((400 * STEP, 1),))
    smeared = null(broad, Families(benign=((400 * STEP, 1),))).benign_lines(((400 * STEP, 1),))
    assert exact.sum() == 5
    assert int(smeared.sum() - exact.sum()) == 2 * 6


@pytest.mark.parametrize(("gap", "reaches"), [(0, 4), (1, 0)])
def test_a_line_beyond_a_gap_is_no_part_of_a_line_that_cannot_slip(gap: int, reaches: int) -> None:
    """Two strong families next to one another each keep their lines: what is owned grows along its own line alone."""
    owned, levels = np.zeros(40, dtype=bool), np.ones(40)
    owned[18:23], levels[23 + gap : 26 + gap] = True, 100.0
    assert int(grown(owned, levels, 6, bridged=False)[23:].sum()) == reaches
    assert int(grown(owned, levels, 6)[23:].sum()) == 4 + gap
