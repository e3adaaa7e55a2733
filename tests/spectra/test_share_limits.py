"""Where a level is split: the low band, the floor under lines, direct lines of a bearing, what stands out."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.spectra.test_variance_decomposition import comb, reading
from vibe.core.records.level_change import LOW_BAND
from vibe.spectra.attribution import modulation_depth
from vibe.spectra.attribution import variance_decomposition as split
from vibe.spectra.attribution.line_attribution import NOBODY, OwnedLines, Owner, claimed
from vibe.spectra.attribution.modulation_depth import NEIGHBOURS_ALIKE, Modulations
from vibe.spectra.signal_analysis import ChannelSpectrum

RATE, SECONDS = 12_800.0, 5.0
TIME_S = np.arange(round(RATE * SECONDS)) / RATE
NOISE = np.random.default_rng(3).standard_normal(TIME_S.size).astype(np.float32)


@pytest.mark.parametrize(("hz", "low"), [(6.4, True), (9.0, True), (12.0, False), (15.0, False)])
def test_the_low_band_ends_where_velocity_begins_to_be_judged(hz: float, low: bool) -> None:
    """ISO 20816-1 takes velocity from 10 Hz."""
    row = (NOISE + 30 * np.sin(2 * np.pi * hz * TIME_S)).astype(np.float64)
    found = {one.subject: one.value for one in split.shares(reading(row), []) if one.measure == "share"}
    assert bool((found[LOW_BAND] or 0.0) > 0.5 * 30**2 / 2) is low


@pytest.mark.parametrize(("wide", "line"), [(25, True), (33, True), (51, False), (65, False)])
def test_what_is_wider_than_half_of_eighty_bins_is_no_line(wide: int, line: bool) -> None:
    """The floor is a median over as many."""
    some = reading(NOISE.astype(np.float64))
    power = np.ones(20_000, dtype=np.float64)
    middle = 10_000
    power[middle - wide // 2 : middle + wide // 2 + 1] = 50.0
    own = Owner(name="a", lines=(OwnedLines(order=1.0),))
    bin_hz = some.law.mean_hz / middle
    spectrum = ChannelSpectrum(channel=some.spectra[0].channel, power=power, bin_hz=bin_hz)
    found = split._of_channel(spectrum, [own], some, [], cast(Any, None))["share"]["a"]
    assert bool(found > 0.5 * 7 * 50 / 1.5) is line


def test_five_lines_of_a_bearing_may_be_seen_without_demodulation() -> None:
    owner = split._with_direct_lines(Owner(name="bearing", impacts=("race",)), [comb("race", 30.0)])
    found = claimed([owner], size=400, bin_hz=1.0, input_hz=1.0, spread=0.0, drift=0.0)
    assert [bool(found[30 * k] != NOBODY) for k in range(1, 12)] == [k <= 5 for k in range(1, 12)]


def test_neighbouring_bins_of_a_hann_window_vary_together() -> None:
    """Their powers by (2/3)² with the next and (1/6)² with the one after it (Harris 1978: overlap of the windows)."""
    rng = np.random.default_rng(5)
    rows = rng.standard_normal((400, 512)) * np.hanning(513)[:512]
    power = np.abs(np.fft.rfft(rows, axis=1)[:, 20:220]) ** 2
    power /= power.mean()
    together = power.reshape(400, 10, 20).sum(axis=2).var() / 20
    assert together == pytest.approx(1 + 2 * ((2 / 3) ** 2 * 19 / 20 + (1 / 6) ** 2 * 18 / 20), rel=0.08)
    assert pytest.approx(1 + 2 * ((2 / 3) ** 2 + (1 / 6) ** 2), rel=0.01) == NEIGHBOURS_ALIKE


@pytest.mark.parametrize(("total", "kept"), [(9.5, False), (12.5, True)])
def test_lines_that_stand_three_deviations_out_are_somebodys(total: float, kept: bool) -> None:
    """Of seven bins of noise: sqrt(7 · 1.94) = 3.7."""
    excess = np.full(7, total / 7)
    split._drop_undetermined(excess, np.ones(7), np.zeros(7, dtype=np.int64), 1)
    assert bool(excess.any()) is kept


@pytest.mark.parametrize(("highest_hz", "width_hz"), [(290.0, 400.0), (310.0, 1600.0), (1150.0, 1600.0)])
def test_a_band_passes_lines_up_to_three_quarters_of_its_width(
    monkeypatch: pytest.MonkeyPatch, highest_hz: float, width_hz: float
) -> None:
    def band(width_hz: float) -> SimpleNamespace:
        return SimpleNamespace(channel="p1", width_hz=width_hz, centre_hz=np.array([2000.0, 4000.0]))

    looks = [SimpleNamespace(bands=[band(1600.0)]), SimpleNamespace(bands=[band(400.0)])]
    some = SimpleNamespace(looks=looks, law=SimpleNamespace(mean_hz=25.0), samples={"p1": (NOISE, RATE)})
    monkeypatch.setattr(modulation_depth, "_as_it_is", lambda *_: None)
    monkeypatch.setattr(modulation_depth, "envelopes", lambda row, law, *, band_hz, width_hz: width_hz)
    found: Any = Modulations(cast(Any, some))._band("p1", highest_hz)
    assert found == pytest.approx(0.999 * width_hz)


def modulated(line: int, half: int, noise: float, level: float, around: float = 1.0) -> float:
    """Square of what is found of a line at bin 100, of power ``level`` at ``line`` bins off it."""
    spectrum = np.full((1, 300), noise)
    spectrum[0, :80] = spectrum[0, 122:] = around
    spectrum[0, 100 + line] += level
    some = Modulations(cast(Any, SimpleNamespace(law=SimpleNamespace(mean_hz=25.0))))
    some._of_channel = lambda band: spectrum  # type: ignore[method-assign]
    band: Any = SimpleNamespace(turns=100.0)
    return float(some._line(band, 1.0, half)[0])


def test_a_line_over_its_half_width_is_summed_over_the_floor_and_must_stand_out() -> None:
    """Seven bins of noise at 1.44 times their median: three deviations are 3 · sqrt(7 · 1.94) floors."""
    floor: NDArray[np.float64] = np.array(np.log(2.0))
    least = 3 * np.sqrt(7 * 1.94)
    assert modulated(0, 3, float(floor), 1.15 * least + 7 * (1 - float(floor))) > 0
    assert modulated(0, 3, float(floor), 0.8 * least + 7 * (1 - float(floor))) == 0
    assert modulated(4, 3, float(floor), 100.0) == 0
