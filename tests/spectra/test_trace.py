"""How high a comb's lines stand in each band: where a line lies it is read, where somebody else's may lie it is not."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vibe.core.comb_history import HARMONICS, PLACES, Trace, power_of
from vibe.core.evidence import CombEvidence
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.evidence.comb_trace import trace
from vibe.spectra.evidence.decoy_null import Families

STEP, BINS, GROUPS = 0.004, 6000, 5
PIN = CombRequest(name="pin", order=1.0, max_harmonic=32)
RACE = CombRequest(name="race", order=4.1, slip=(-0.02, 0.02), sidebands=(1.0,), max_harmonic=5)
BANDS: Any = [SimpleNamespace(channel="motor side")]


def spectra(power: np.ndarray) -> EnvelopeSpectra:
    edges = 500.0 * np.arange(GROUPS + 1, dtype=np.float64)
    return EnvelopeSpectra(
        power=power.astype(np.float32), squared=power.astype(np.float32), floor=power.astype(np.float32), step=STEP,
        low_hz=edges[:-1], high_hz=edges[1:], members=tuple(((0, k),) for k in range(GROUPS)), top_order=24.0,
    )  # fmt: skip


def comb(request: CombRequest) -> CombEvidence:
    return CombEvidence(
        tone=request.name, order=request.order, score=9.0, false_alarm_probability=0.5, places_searched=1, decoys=100,
        lines=(), sideband_lines=(), band_hz=(0.0, 500.0), channels=("motor side",), hit_m_s2=None,
        hit_over_floor_db=-9.0, limit_m_s2=None, limit_over_floor_db=-3.0, surest_band_hz=(1000.0, 1500.0),
        surest_channels=("motor side",),
    )  # fmt: skip


def traced(power: np.ndarray, known: np.ndarray | None = None, **families: Any) -> Trace:
    blank = np.zeros(BINS, dtype=bool) if known is None else known
    whole = Families(**({"benign": ((1.0, 10), (2.5, 10))} | families))
    found = trace([comb(PIN), comb(RACE)], [PIN, RACE], [(spectra(power), BANDS)], whole, blank)
    assert found is not None
    return found


def test_noise_stands_at_its_floor_whatever_the_width_of_the_window() -> None:
    rng = np.random.default_rng(1)
    means = [np.nanmean(power_of(traced(rng.exponential(size=(GROUPS, BINS))).levels), axis=(1, 2)) for _ in range(30)]
    assert np.mean(means, axis=0) == pytest.approx([1.2, 1.2], abs=0.2)


def test_a_line_is_read_in_its_band_and_place_and_nowhere_else() -> None:
    power = np.ones((GROUPS, BINS))
    power[3, round(3 * RACE.order / STEP)] = 50.0
    power[3, round((2 * RACE.order - 1.0) / STEP)] = 40.0
    levels = power_of(traced(power).levels)[1]
    stand = np.argwhere(levels > 10.0)
    assert stand.tolist() == [[3, 2], [3, HARMONICS + 4]]


def test_lines_of_benign_orders_tell_nothing_but_for_the_tone_s_own() -> None:
    levels = traced(np.ones((GROUPS, BINS))).levels
    own = levels[0, 0, :HARMONICS] != 255
    assert not own[4]  # 5.0 is 2 x 2.5
    assert own[:4].all()
    assert (levels[1, 0, :5] != 255).tolist() == [True, True, True, True, True]
    assert (levels[1, 0, 5:HARMONICS] == 255).all()


def test_bins_that_other_machines_own_tell_nothing() -> None:
    known = np.zeros(BINS, dtype=bool)
    known[round(2 * RACE.order / STEP) - 5 : round(2 * RACE.order / STEP) + 6] = True
    levels = traced(np.ones((GROUPS, BINS)), known).levels
    assert (levels[1, :, 1] == 255).all()
    assert (levels[1, :, 0] != 255).all()


def test_the_band_in_which_a_comb_was_weighed_is_known() -> None:
    found = traced(np.ones((GROUPS, BINS)))
    assert found.surest == (2, 2)
    assert found.levels.shape == (2, GROUPS, PLACES)
    assert found.scores == (9.0, 9.0)
