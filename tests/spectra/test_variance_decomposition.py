"""Shares of a level against powers that are known in closed form."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.spectra.spectra_signals import Row, noise, repeats, ringing
from vibe.core.capture import Channel
from vibe.core.evidence import CombEvidence, CombLine, SpeedEstimate
from vibe.core.records.level_change import LOW_BAND
from vibe.spectra.attribution import variance_decomposition as module
from vibe.spectra.attribution.line_attribution import OwnedLines, Owner
from vibe.spectra.attribution.variance_decomposition import shares
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import fast_length, rfft
from vibe.spectra.basic.levels import levels
from vibe.spectra.envelope.bands import envelopes, whitened
from vibe.spectra.envelope.envelope_spectrum import mean_squares
from vibe.spectra.segment import _on_angle, _spectrum
from vibe.spectra.signal_analysis import BandAnalysis, SignalAnalysis

RATE, SECONDS, SPEED = 12_800.0, 8.0, 24.37
TIME = np.arange(int(RATE * SECONDS)) / RATE
SHAFT = Owner(name="shaft", lines=(OwnedLines(order=1.0, harmonics=tuple(range(1, 11))),))
MESH = Owner(name="mesh", lines=(OwnedLines(order=30.0, harmonics=(1, 2, 3), sidebands=(1.0, 2.0)),))
PIN = Owner(name="pin", lines=(OwnedLines(order=1.0, harmonics=None),), impacts=("pin",))
BEARING = Owner(name="bearing", impacts=("outer",))
OWNERS = (SHAFT, MESH, PIN, BEARING)


def sine(order: float, rms: float) -> Row:
    return rms * np.sqrt(2.0) * np.sin(2 * np.pi * order * SPEED * TIME + order)


def comb(tone: str, order: float) -> CombEvidence:
    return CombEvidence(
        tone=tone, order=order, score=90.0, false_alarm_probability=1e-6, places_searched=1, decoys=100,
        lines=(CombLine(order=order, over_floor_db=20.0),), sideband_lines=(), band_hz=(500.0, 1200.0), channels=("a",),
        hit_m_s2=1.0, hit_over_floor_db=0.0, limit_m_s2=0.1,
    )  # fmt: skip


def reading(row: Row, law: AngleLaw | None = None, combs: Sequence[CombEvidence] = ()) -> SignalAnalysis:
    law = law or AngleLaw.steady(SPEED, SECONDS)
    samples = row.astype(np.float32)
    looks: tuple[BandAnalysis, ...] = ()
    if combs:
        bands = envelopes(whitened(samples, RATE, channel="a"), law, band_hz=(500.0, 0.48 * RATE), width_hz=700.0)
        looks = (BandAnalysis(bands=(bands,), means=mean_squares([bands])),)
    return SignalAnalysis(
        speed=SpeedEstimate(input_hz=law.mean_hz, uncertainty_hz=1e-4, method="signal"), law=law, looks=looks,
        combs=tuple(combs), turns={}, lines=(), levels=(),
        spectra=(_spectrum("a", _on_angle(samples, RATE, law, rfft(samples, fast_length(samples.size))), law),),
        samples={"a": (samples, RATE)}, absolute=False,
    )  # fmt: skip


def of(
    read: SignalAnalysis, measure: str = "share", owners: Sequence[Owner] = OWNERS, **more: object
) -> dict[str, float]:
    found = shares(read, owners, **more)  # type: ignore[arg-type]
    return {value.subject: value.value for value in found if value.measure == measure}


def test_lines_go_to_their_owners_and_all_adds_up() -> None:
    row = sine(1, 0.3) + sine(2, 0.1) + sine(30, 0.5) + sine(31, 0.2) + sine(17, 0.1) + noise(1, TIME.size, 0.4)
    found = of(reading(row))
    assert found["shaft"] == pytest.approx(0.3**2 + 0.1**2, rel=0.02)
    assert found["mesh"] == pytest.approx(0.5**2 + 0.2**2, rel=0.02)
    assert found["pin"] == pytest.approx(0.1**2, rel=0.1)
    assert found["bearing"] == 0.0
    assert sum(found.values()) == pytest.approx(float(np.var(row)), rel=0.01)


def test_noise_belongs_to_nobody() -> None:
    for seed in range(4):
        found = of(reading(noise(seed, TIME.size)))
        assert sum(found[owner.name] for owner in OWNERS) < 0.004
        assert sum(found.values()) == pytest.approx(1.0, rel=0.01)


def test_the_mean_is_no_vibration_and_drift_lies_low() -> None:
    wander = 3.0 * np.exp(-TIME / 2.0)
    still, moved = (of(reading(noise(3, TIME.size) + more)) for more in (5.0, 5.0 + wander))
    assert still[LOW_BAND] < 0.01
    assert moved[LOW_BAND] == pytest.approx(float(np.var(wander)), rel=0.15)
    assert moved["10-1000 Hz"] == pytest.approx(still["10-1000 Hz"], rel=0.1)


def test_velocity_is_split_the_same_way() -> None:
    row = sine(1, 0.3) + sine(30, 0.5) + noise(5, TIME.size, 0.4)
    found = of(reading(row), "velocity_share")
    channel = Channel(
        name="a", samples=row.astype(np.float32), sample_rate_hz=RATE, quantity="acceleration", recorded_unit="m/s^2"
    )
    velocity = next(one.value for one in levels(channel, input_hz=SPEED) if one.measure == "velocity_rms")
    assert sum(found.values()) == pytest.approx(velocity**2, rel=0.02)
    assert found["shaft"] == pytest.approx((1e3 * 0.3 / (2 * np.pi * SPEED)) ** 2, rel=0.02)


@pytest.mark.parametrize(("resonance_hz", "within_db"), [(1500.0, 2.0), (3100.0, 1.0), (4500.0, 1.0)])
@pytest.mark.parametrize("height", [1.0, 4.0])
def test_loose_impacts_are_given_to_the_bearing(resonance_hz: float, within_db: float, height: float) -> None:
    times = repeats(5.2, SPEED, SECONDS, seed=4)
    impacts = ringing(times, RATE, TIME.size, resonance_hz=resonance_hz, heights=height)
    row = impacts + sine(30, 0.5) + noise(6, TIME.size)
    read = reading(row, combs=[comb("outer", 5.2)])
    found = of(read, believed={"outer"})
    assert abs(10 * np.log10(found["bearing"] / float(np.mean(impacts**2)))) < within_db
    assert sum(found.values()) == pytest.approx(float(np.var(row)), rel=0.01)
    assert of(read, believed={"pin"})["bearing"] == 0.0


def test_a_bearing_without_impacts_gets_nothing() -> None:
    read = reading(sine(30, 0.5) + noise(6, TIME.size), combs=[comb("outer", 5.2)])
    assert of(read, believed={"outer"})["bearing"] < 0.02


def test_of_a_line_that_two_share_impacts_keep_what_their_free_lines_have() -> None:
    mesh = Owner(name="mesh", lines=(OwnedLines(order=80.0, sidebands=(1.0, 2.0)),))
    impacts = ringing(np.arange(0.01, SECONDS, 1 / SPEED), RATE, TIME.size, resonance_hz=80 * SPEED, q=6)
    row = impacts + noise(7, TIME.size, 0.05)
    alone, both = (
        of(reading(x, combs=[comb("pin", 1.0)]), owners=(mesh, PIN), believed={"pin"})
        for x in (row, row + sine(80, 0.5))
    )
    assert alone["pin"] == pytest.approx(float(np.mean(impacts**2)), rel=0.1)
    assert alone["mesh"] < 0.2 * alone["pin"]
    assert both["pin"] == pytest.approx(alone["pin"], rel=0.1)
    # Phases add at the one line that both have: (0.5 ± 0.02)².
    assert both["mesh"] == pytest.approx(0.25, rel=0.1)
    # Where no impacts are believed the rule of the lowest harmonic stands.
    assert of(reading(row), owners=(mesh, PIN))["mesh"] > 1.5 * alone["mesh"]


def test_a_moving_speed_loses_no_power(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_SCALED", 0.0)
    knots = np.linspace(0.0, SECONDS, 9)
    law = AngleLaw(time_s=knots, turns=SPEED * (knots + 0.002 * knots**2))
    lines = np.fft.rfft(noise(8, TIME.size))
    lines[np.fft.rfftfreq(TIME.size, 1 / RATE) > 0.4 * RATE] = 0.0
    turning = np.sqrt(2.0) * np.sin(2 * np.pi * law.at(TIME))
    row = np.fft.irfft(lines, TIME.size) + turning
    found = of(reading(row, law))
    assert sum(found.values()) == pytest.approx(float(np.var(row)), rel=0.015)
    assert found["shaft"] == pytest.approx(1.0, rel=0.03)


def test_mains_are_no_multiple_of_the_shaft() -> None:
    mains = Owner(name="electrical", lines=(OwnedLines(hz=100.0),))
    row = sine(4, 0.2) + 0.3 * np.sqrt(2.0) * np.sin(2 * np.pi * 100.0 * TIME) + noise(9, TIME.size, 0.1)
    found = of(reading(row), owners=(SHAFT, mains))
    assert found["electrical"] == pytest.approx(0.09, rel=0.02)
    assert found["shaft"] == pytest.approx(0.04, rel=0.02)


def test_the_pole_pass_moves_with_the_slip() -> None:
    # Four poles at 50 Hz: 100 - 4 (25 - speed).
    where = 100.0 - 4 * (25.0 - SPEED)
    pole = Owner(name="electrical", lines=(OwnedLines(hz=0.0, order=4.0),))
    row = 0.3 * np.sqrt(2.0) * np.sin(2 * np.pi * where * TIME) + noise(9, TIME.size, 0.1)
    assert of(reading(row), owners=(pole,))["electrical"] == pytest.approx(0.09, rel=0.02)
