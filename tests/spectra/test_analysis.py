"""A whole reading: speed, combs, lines, levels and maps of one made-up machine, asked as somebody would ask."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.spectra.spectra_signals import noise, repeats, ringing
from vibe.core.capture import Channel
from vibe.spectra.analysis import group_of, read
from vibe.spectra.analysis_request import AnalysisRequest, FoldRequest
from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.signal_analysis import SignalAnalysis

RATE, DURATION, SPEED = 6400.0, 5.0, 24.37
N = int(RATE * DURATION)
TIME = np.arange(N) / RATE
LOBE, OUTER = 18 / 17, 3.585
PLACE_DEG = 130.0
FALSE_ALARM = 0.005
"""Per tone."""

QUESTION = AnalysisRequest(
    range_hz=(23.8, 25.0),
    nominal_hz=24.2,
    speed_orders=(1.0, 2.0, 3.0, LOBE, 2 * LOBE, 18.0, 36.0),
    combs=(CombRequest(name="lobe", order=LOBE), CombRequest(name="outer", order=OUTER, slip=(-0.02, 0.01))),
    folds=(FoldRequest(tone="lobe", order=LOBE, meetings=1),),
    benign=((1.0, 60), (18.0, 40), (LOBE, 40)),
    lines=(("1x", 1.0), ("2x", 2.0), ("mesh", 18.0)),
    # Twice the line, and the pole pass of four poles above it, which falls by four as the input turns faster.
    lines_hz=(("twice line", 100.0, 0.0), ("pole pass", 100.0 + 4 * 25.0, -4.0)),
)
VELOCITY = {"1x": 1.4, "2x": 0.5, "mesh": 0.9, "twice line": 0.3, "pole pass": 0.2}
"""mm/s r.m.s. of each line that the machine is given."""


def machine(*, damaged: bool, seed: int = 1, duration_s: float = DURATION) -> np.ndarray:
    """Acceleration [m/s²]: shaft and mesh lines of known velocity, a supply line, noise; impacts of one lobe."""
    row = noise(seed, N, 0.3)
    supply = (("twice line", 100.0), ("pole pass", 100.0 + 4 * (25.0 - SPEED)))
    for name, frequency in (("1x", SPEED), ("2x", 2 * SPEED), ("mesh", 18 * SPEED), *supply):
        omega = 2 * np.pi * frequency
        row += VELOCITY[name] * 1e-3 * np.sqrt(2) * omega * np.sin(omega * TIME + seed)
    if damaged:
        times = (np.arange(1, int(DURATION * SPEED * LOBE), dtype=np.float64) + PLACE_DEG / 360.0) / (LOBE * SPEED)
        row += ringing(times, RATE, N, resonance_hz=2300.0, heights=2.5)
    return row[: int(duration_s * RATE)]


def channel(samples: np.ndarray, name: str = "housing", quantity: str = "acceleration", rate: float = RATE) -> Channel:
    return Channel(name=name, samples=samples, sample_rate_hz=rate, quantity=quantity, recorded_unit="")  # type: ignore[arg-type]


def pulses() -> Channel:
    level = 5.0 * (np.mod(SPEED * TIME + 0.25, 1.0) < 0.2)
    return replace(channel(level, "pulse", "tachometer"), pulses_per_rev=1.0)


@pytest.fixture(scope="module")
def damaged() -> SignalAnalysis:
    return read([channel(machine(damaged=True))], None, QUESTION)


@pytest.fixture(scope="module")
def sound() -> SignalAnalysis:
    return read([channel(machine(damaged=False))], None, QUESTION)


def test_the_speed_comes_from_the_signal(damaged: SignalAnalysis, sound: SignalAnalysis) -> None:
    for reading in (damaged, sound):
        assert reading.speed.method == "signal"
        assert reading.speed.input_hz == pytest.approx(SPEED, rel=1e-4)
        assert not reading.absolute


def test_the_damaged_lobe_is_found_and_its_healthy_twin_is_silent(
    damaged: SignalAnalysis, sound: SignalAnalysis
) -> None:
    lobe, outer = damaged.combs
    assert (lobe.tone, outer.tone) == ("lobe", "outer")
    assert lobe.false_alarm_probability < 1e-5
    assert lobe.localisation is not None
    assert lobe.localisation.false_alarm_probability < 1e-4
    assert outer.false_alarm_probability > FALSE_ALARM
    assert outer.localisation is None
    assert all(comb.false_alarm_probability > FALSE_ALARM for comb in sound.combs)
    assert set(damaged.turns) == {"lobe"}


@pytest.mark.parametrize("name", VELOCITY)
def test_lines_are_read_with_their_velocity(damaged: SignalAnalysis, sound: SignalAnalysis, name: str) -> None:
    for reading in (damaged, sound):
        line = next(line for line in reading.lines if line.name == name)
        assert line.velocity_mm_s == pytest.approx(VELOCITY[name], rel=0.06)
        assert line.over_floor_db > 20


def test_levels_are_those_of_the_sum_of_the_lines(sound: SignalAnalysis) -> None:
    found = {level.measure: level.value for level in sound.levels}
    lines = np.sqrt(sum(v**2 for v in VELOCITY.values()))
    # Noise of 0.3 m/s² adds a tenth of a mm/s between 10 and 1000 Hz.
    assert found["velocity_rms"] == pytest.approx(lines, rel=0.03)


def test_a_pulse_gives_speed_and_absolute_places() -> None:
    reading = read([channel(machine(damaged=True))], pulses(), QUESTION)
    assert reading.speed.method == "tachometer"
    assert reading.speed.input_hz == pytest.approx(SPEED, rel=1e-5)
    assert reading.absolute
    place = reading.combs[0].localisation
    assert place is not None
    # The first pulse comes three quarters of a turn after the start; the disc frame turns 18/17 times as far.
    expected = (PLACE_DEG - 360 * 0.75 * LOBE) % 360
    off = (place.peaks_deg[0] - expected + 180) % 360 - 180
    assert abs(off) < 15


def test_pulses_without_sense_are_said_and_the_signal_is_taken() -> None:
    wrong = replace(pulses(), pulses_per_rev=4.0)
    reading = read([channel(machine(damaged=False))], wrong, QUESTION)
    assert reading.speed.method == "signal"
    assert reading.speed.input_hz == pytest.approx(SPEED, rel=1e-4)


@pytest.mark.parametrize(("noted", "speed", "word"), [(None, 24.2, "plate"), (24.6, 24.6, "noted")])
def test_without_any_speed_the_plate_is_taken_and_said(noted: float | None, speed: float, word: str) -> None:
    reading = read([channel(noise(3, N))], None, replace(QUESTION, fixed_speed_hz=noted))
    assert reading.speed.method == "nominal"
    assert reading.speed.input_hz == speed
    assert word in reading.speed.note
    assert reading.speed.uncertainty_hz is not None
    assert reading.speed.uncertainty_hz > 1e-3 * speed
    assert all(comb.false_alarm_probability > FALSE_ALARM for comb in reading.combs)


def test_gaps_are_bridged() -> None:
    torn = machine(damaged=True)
    torn[10_000:10_200] = np.nan
    torn[::4001] = np.nan
    reading = read([channel(torn)], None, QUESTION)
    assert reading.combs[0].false_alarm_probability < 1e-4
    assert all(np.isfinite(level.value) for level in reading.levels)
    assert np.isfinite(reading.samples["housing"][0]).all()


def test_a_velocity_sensor_shows_the_same_lines() -> None:
    row = sum(
        np.sqrt(2) * VELOCITY[name] * 1e-3 * np.sin(2 * np.pi * k * SPEED * TIME)
        for name, k in (("1x", 1), ("2x", 2), ("mesh", 18))
    )
    reading = read([channel(row + noise(2, N, 1e-6), "velocity pick-up", "velocity")], None, QUESTION)
    for name in ("1x", "2x", "mesh"):
        line = next(line for line in reading.lines if line.name == name)
        assert line.velocity_mm_s == pytest.approx(VELOCITY[name], rel=0.05)


def test_several_channels_each_have_their_lines_and_bands() -> None:
    reading = read(
        [channel(machine(damaged=True, seed=s), name) for s, name in ((1, "input side"), (2, "output side"))],
        None, QUESTION,
    )  # fmt: skip
    assert {line.channel for line in reading.lines} == {"input side", "output side"}
    assert [band.channel for band in reading.looks[0].bands] == ["input side", "output side"]
    assert {spectrum.channel for spectrum in reading.spectra} == {"input side", "output side"}
    assert reading.combs[0].false_alarm_probability < 1e-5
    look, group = group_of(reading.looks, reading.combs[0])
    assert {look.bands[c].channel for c, _ in look.spectra.members[group]} == set(reading.combs[0].channels)


def test_too_slow_or_too_short_for_an_envelope_gives_lines_and_levels_only() -> None:
    slow = machine(damaged=True)[::8]
    low = read([channel(slow, rate=RATE / 8)], None, QUESTION)
    assert low.looks == ()
    assert low.combs == ()
    assert any(line.name == "1x" for line in low.lines)
    short = read([channel(machine(damaged=True, duration_s=0.25))], None, QUESTION)
    assert short.looks == ()


def test_nothing_depends_on_the_unit_of_what_is_only_compared() -> None:
    large = read([channel(1e3 * machine(damaged=True))], None, QUESTION)
    small = read([channel(1e-3 * machine(damaged=True))], None, QUESTION)
    assert large.speed.input_hz == pytest.approx(small.speed.input_hz, rel=1e-6)
    for one, other in zip(large.combs, small.combs, strict=True):
        assert one.score == pytest.approx(other.score, rel=1e-2)
    assert large.lines[0].velocity_mm_s == pytest.approx(1e6 * small.lines[0].velocity_mm_s, rel=1e-3)


RACE = 6.8


def race(duration_s: float, height: float, seed: int) -> float:
    """The false-alarm probability of a slipping race that comes once per turn through its load, random slip 1.2 %."""
    n = int(RATE * duration_s)
    row = noise(seed, n, 0.3)
    for order in (1.0, 2.0, 18.0):
        row += 0.3 * np.sin(2 * np.pi * order * SPEED * np.arange(n) / RATE)
    if height:
        times = repeats(RACE, SPEED, duration_s, seed=seed, slip_sigma=0.012)
        loads = 0.5 + 0.5 * np.cos(2 * np.pi * SPEED * times)
        row += ringing(times, RATE, n, resonance_hz=2300.0, heights=height * loads)
    comb = CombRequest(name="race", order=RACE, slip=(-0.02, 0.02), sidebands=(1.0,))
    found = read([channel(row.astype(np.float32))], None, replace(QUESTION, combs=(comb,), folds=()))
    return found.combs[0].false_alarm_probability


@pytest.mark.parametrize(("height", "seed"), [(0.35, 1), (10.0, 1), (10.0, 2)])
def test_what_slips_shows_no_worse_in_a_longer_capture(height: float, seed: int) -> None:
    """Its lines are smeared over more bins of it; twice is what two looks cost. Read in one piece only, the strong ones
    come to 1e-7 and 2e-6 in 34 s, to 5e-5 in 50 s."""
    short = race(16.0, height, seed)
    assert short < 1e-7
    assert race(34.0, height, seed) <= 2.01 * short
    assert race(34.0, 0.0, seed) > 0.05
