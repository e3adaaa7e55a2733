"""Where a comb lies, how surely, and which group of bands gives the size of its impacts."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.spectra.test_comb_scores import spectra
from tests.spectra.test_decoy_limits import reading_of
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence import impact_amplitude
from vibe.spectra.evidence.comb import CombRequest

STEP = 0.05
Row = NDArray[np.float32]


def row(places: dict[float, float], groups: int = 1) -> Row:
    """Lines as a Hann window spreads them, each ``power`` high at a place in bins."""
    power = np.full((groups, 900), 1e-3, dtype=np.float32)
    bins = np.arange(900)
    for place, height in places.items():
        off = bins - place
        with np.errstate(divide="ignore", invalid="ignore"):
            amplitude = np.where(np.abs(np.abs(off) - 1) < 1e-9, 0.5, np.sinc(off) / (1 - off**2))
        near = np.abs(off) < 2
        power[:, near] += (height * amplitude[near] ** 2).astype(np.float32)
    return power


def placed(*places: float, order_bins: float = 50.0) -> tuple[float, float]:
    """Place and its standard error, in bins, of a comb whose lines lie there."""
    reading = replace(reading_of(CombRequest(name="a", order=order_bins * STEP)), harmonics=len(places))
    at, error = impact_amplitude.placed(spectra(row(dict.fromkeys(places, 100.0))), reading)
    assert at is not None
    assert error is not None
    return at / STEP, error * at / STEP


def test_a_lone_line_is_known_to_half_a_bin() -> None:
    assert placed(50.2)[1] == pytest.approx(0.5, rel=0.05)


def test_lines_that_all_lie_where_they_should_are_known_to_a_tenth_of_a_bin_each() -> None:
    """The bound of a line 15 dB over the floor is sqrt(3 / (2 pi² 31)) of the resolution, and windows cost a little."""
    assert np.sqrt(3 / (2 * np.pi**2 * 31)) == pytest.approx(0.07, abs=0.001)
    at, error = placed(50.0, 100.0, 150.0)
    assert at == pytest.approx(50.0, abs=0.02)
    assert error == pytest.approx(0.1 / np.sqrt(1 + 4 + 9), rel=0.05)


@pytest.mark.parametrize(("off", "counts"), [(0.8, True), (1.4, False)])
def test_a_line_a_bin_off_where_all_the_others_put_it_is_somebody_elses(off: float, counts: bool) -> None:
    """The third of eight: least squares weigh a line by its number."""
    at, _ = placed(*(50.0 * k + off * (k == 3) for k in range(1, 9)))
    squares = sum(k**2 for k in range(1, 9))
    assert at == pytest.approx(50.0 + (3 * off / squares if counts else 0.0), abs=2e-3)


def sized(other: float) -> int:
    """Which of two groups gives the size: one that shows a comb best, or one with deeper impacts whose lines stand,
    in decibels, at that share of the first one's."""
    power = row({50.0: 1000.0, 100.0: 1000.0, 150.0: 1000.0}, 2)
    power[1] = power[1] ** other
    some = replace(spectra(power), squared=np.array([power[0], 50 * power[0]]), floor=np.full_like(power, 1e-6))
    bands: Any = [SimpleNamespace(band_rms=np.ones(1))]
    reading = replace(reading_of(CombRequest(name="a", order=50.0 * STEP)), harmonics=3)
    return impact_amplitude._sizes(_members(some), bands, reading).deepest


def _members(some: EnvelopeSpectra) -> EnvelopeSpectra:
    return replace(some, members=(((0, 0),), ((0, 0),)))


@pytest.mark.parametrize(("share", "group"), [(0.8, 1), (0.6, 0), (0.4, 0)])
def test_a_group_that_shows_seven_tenths_of_the_best_ones_lines_may_give_the_size(share: float, group: int) -> None:
    assert sized(share) == group


@pytest.mark.parametrize(("false_alarm", "share"), [(0.0, 1.0), (1e-3, 0.5), (1.0, 0.0)])
def test_the_limit_of_a_comb_that_is_half_there_lies_half_way(false_alarm: float, share: float) -> None:
    """A false alarm in a thousand, for which limits are stated: then its own group counts half, in decibels."""
    power = np.ones((2, 900), dtype=np.float32)
    some = _members(replace(spectra(power), floor=np.array([power[0], 100 * power[0]])))
    bands: Any = [SimpleNamespace(band_rms=np.ones(1))]
    floor, _ = impact_amplitude._floor_and_rms(some, bands, 1, false_alarm)
    # Amplitudes 1 and 10; the mean in decibels is the root of 10.
    assert np.log10(floor) == pytest.approx(0.5 + 0.5 * share, abs=1e-2)
