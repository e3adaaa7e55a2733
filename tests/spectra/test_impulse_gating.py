"""What is detected of one damage between the impacts of another."""

from __future__ import annotations

import numpy as np
import pytest

from tests.spectra.spectra_signals import Row, enveloped, noise, repeats, ringing
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import envelope_spectra
from vibe.spectra.envelope.impulse_gating import impacts_of, joined, without
from vibe.spectra.envelope.places import localise
from vibe.spectra.envelope.synchronous_average import fold
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.evidence.comb_evidence import own_lines, weigh
from vibe.spectra.evidence.decoy_null import Families

RATE, SPEED, DURATION = 12_800.0, 25.0, 6.0
N = int(RATE * DURATION)
LOBE, OUTER = 18 / 17, 5.41
MEMBERS = ((0, 3),)
PIN = CombRequest(name="pin", order=1.0, max_harmonic=32)
RACE = CombRequest(name="race", order=3.585, slip=(-0.02, 0.01))


def bands_of(row: Row) -> list[BandEnvelopes]:
    return [enveloped(row + noise(3, N), RATE, SPEED)[0]]


def exact(order: float, height: float, place: float = 0.3) -> Row:
    turns = (np.arange(1, int(SPEED * DURATION * order), dtype=np.float64) + place) / order
    return ringing(turns / SPEED, RATE, N, resonance_hz=2970.0, heights=height)


def race(height: float, *, order: float = OUTER, slip_sigma: float = 0.002, load: float = 0.0) -> Row:
    """Impacts under a load that turns ``load`` times per turn of the input, and reaches half round."""
    times = repeats(order, SPEED, DURATION, seed=5, slip_sigma=slip_sigma)
    zone = np.maximum(np.cos(2 * np.pi * load * SPEED * times), 0.05) if load else np.ones(times.size)
    return ringing(times, RATE, N, resonance_hz=2970.0, heights=height * zone)


def line(bands: list[BandEnvelopes], order: float) -> float:
    """Amplitude of the envelope's line at ``order``, in the band where the impacts ring."""
    power = bands[0].power[MEMBERS[0][1]]
    turns = np.arange(power.size) / bands[0].per_turn
    return float(abs(np.mean((power - power.mean()) * np.exp(-2j * np.pi * order * turns))))


@pytest.mark.parametrize(
    ("row", "order", "slips"),
    [(exact(1.0, 5.0), 1.0, False), (race(5.0, slip_sigma=0.001), OUTER, True)],
    ids=["pin", "slipping race"],
)
def test_impacts_are_cut_out(row: Row, order: float, slips: bool) -> None:
    bands = bands_of(row)
    impacts = impacts_of(bands, MEMBERS, order, slips=slips)
    left = without(bands, [impacts])
    assert 0.05 < impacts[0][MEMBERS[0][1]].mean() < 0.65
    assert line(list(left), order) < 0.2 * line(bands, order)
    assert left[0].power.mean(axis=1) == pytest.approx(np.ones(left[0].power.shape[0]), abs=0.02)


def test_where_nothing_strikes_little_is_cut() -> None:
    impacts = impacts_of(bands_of(np.zeros(N)), MEMBERS, 1.0, slips=False)
    assert impacts[0].mean() < 0.25


def test_two_combs_are_cut_out_together() -> None:
    bands = bands_of(exact(1.0, 8.0) + race(8.0))
    one, other = impacts_of(bands, MEMBERS, 1.0, slips=False), impacts_of(bands, MEMBERS, OUTER, slips=True)
    both = joined([one, other])
    assert (both[0] == (one[0] | other[0])).all()
    assert without(bands, [one, other])[0].band_rms[3] < without(bands, [one])[0].band_rms[3]


@pytest.mark.parametrize(("height", "found"), [(2.0, True), (0.0, False)])
def test_a_faint_race_is_read_between_the_impacts_of_a_pin(height: float, found: bool) -> None:
    bands = bands_of(exact(1.0, 12.0) + (race(height, order=0.99 * RACE.order) if height else 0.0))
    next_to = without(bands, [impacts_of(bands, MEMBERS, 1.0, slips=False)])
    spectra = envelope_spectra(next_to)
    known = own_lines(spectra, PIN, 1.0)
    stated = weigh(spectra, next_to, (PIN, RACE), Families(benign=((1.0, 60),)), known=known, asked={"race"})
    (comb,) = stated.combs
    assert comb.tone == "race"
    assert (comb.false_alarm_probability < 1e-4) is found


@pytest.mark.parametrize(("lobe", "found"), [(6.0, True), (0.0, False)])
def test_a_lobe_has_its_place_though_a_race_under_the_same_load_rises_half_round(lobe: float, found: bool) -> None:
    row = race(4.0, load=LOBE, slip_sigma=0.001) + (exact(LOBE, lobe, 0.45) if lobe else 0.0)
    bands = bands_of(row)
    hidden = impacts_of(bands, MEMBERS, OUTER, slips=True)
    between = localise(fold(bands, MEMBERS, LOBE, hidden=hidden))
    assert (between.false_alarm_probability < 1e-3) is found
    if found:
        assert localise(fold(bands, MEMBERS, LOBE)).false_alarm_probability > 10 * between.false_alarm_probability
        assert abs(between.peaks_deg[0] - 0.45 * 360) < 15.0


def test_a_part_of_the_turn_that_is_always_hidden_says_nothing() -> None:
    bands = bands_of(exact(1.0, 8.0))
    hidden = impacts_of(bands, MEMBERS, 1.0, slips=False)
    turn = fold(bands, MEMBERS, 1.0, hidden=hidden)
    assert np.isfinite(turn.level).all()
    assert localise(turn).false_alarm_probability > 0.01
