from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.core.evidence import SpeedEstimate
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.tachometer import law_of, pulse_times, speed_from_tachometer, train_of

RATE, DURATION = 10_240.0, 6.0
TIME = np.arange(int(RATE * DURATION)) / RATE
RANGE = (24.0, 26.0)


def steady(speed_hz: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda t: speed_hz * t + 0.321


def pulses(turns: Callable[[np.ndarray], np.ndarray], per_rev: int = 1, *, width: float = 0.1) -> np.ndarray:
    """A level of 5 V for ``width`` of each pulse's period, with edges between samples."""
    phase = np.mod(turns(TIME) * per_rev, 1.0)
    step = np.gradient(turns(TIME)) * per_rev
    # The first sample of a pulse carries the share of its step for which the level was up.
    return 5.0 * (np.clip(phase / step, 0, 1) - np.clip((phase - width) / step, 0, 1))


def tachometer(level: np.ndarray, per_rev: float | None = 1.0) -> Channel:
    return Channel(
        name="key phasor", samples=level, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V",
        pulses_per_rev=per_rev,
    )  # fmt: skip


def speed(level: np.ndarray, per_rev: float | None = 1.0) -> tuple[AngleLaw, SpeedEstimate]:
    found = speed_from_tachometer(tachometer(level, per_rev), RANGE, DURATION)
    assert found is not None
    return found


@pytest.mark.parametrize("per_rev", [1, 4, 60])
@pytest.mark.parametrize("speed_hz", [24.2, 25.1234])
def test_a_steady_speed_is_exact(speed_hz: float, per_rev: int) -> None:
    law, estimate = speed(pulses(steady(speed_hz), per_rev, width=0.5), per_rev)
    assert estimate.input_hz == pytest.approx(speed_hz, rel=2e-6)
    assert estimate.uncertainty_hz is not None
    assert abs(estimate.input_hz - speed_hz) < 3 * estimate.uncertainty_hz < 1e-3 * speed_hz
    assert (estimate.method, estimate.note) == ("tachometer", "")
    assert law.is_steady
    assert law.duration_s == DURATION


def test_angles_count_from_the_first_pulse() -> None:
    turns = steady(25.0)
    law, _ = speed(pulses(turns))
    at_pulses = law.at((np.arange(1, 100, dtype=np.float64) - 0.321) / 25.0)
    # Whole turns at every pulse; half a sample of the edge is 0.0012 turns.
    np.testing.assert_allclose(at_pulses - np.round(at_pulses), 0.0, atol=2e-3)


@pytest.mark.parametrize("lost", [(10,), (3, 4, 50, 97)])
def test_missed_pulses_are_mended_and_said(lost: tuple[int, ...]) -> None:
    level = pulses(steady(25.0))
    edges = np.flatnonzero(np.diff(level) > 0.5)
    starts = edges[np.diff(edges, prepend=-100) > 5]
    for number in lost:
        level[starts[number] - 1 : starts[number] + 60] = 0.0
    law, estimate = speed(level)
    assert estimate.input_hz == pytest.approx(25.0, rel=1e-5)
    assert estimate.note.startswith(f"{len(lost)} missed")
    assert law.total_turns == pytest.approx(150.0, rel=1e-5)


def test_bounces_are_mended_and_said() -> None:
    level = pulses(steady(25.0))
    edges = np.flatnonzero(np.diff(level) > 0.5)
    starts = edges[np.diff(edges, prepend=-100) > 5]
    for number in (5, 60, 61):
        level[starts[number] + 60 : starts[number] + 70] = 5.0
    _, estimate = speed(level)
    assert estimate.input_hz == pytest.approx(25.0, rel=1e-4)
    assert estimate.note.startswith("3 ")


def test_noise_and_offset_on_the_line_do_not_matter() -> None:
    rng = np.random.default_rng(3)
    level = -2.0 - 0.4 * pulses(steady(25.05)) + rng.normal(0.0, 0.05, TIME.size)
    assert speed(level)[1].input_hz == pytest.approx(25.05, rel=1e-4)


@pytest.mark.parametrize("stated", [2.0, 4.0, 0.5, 60.0])
def test_a_wrong_number_of_pulses_per_turn_is_refused(stated: float) -> None:
    assert speed_from_tachometer(tachometer(pulses(steady(25.0)), stated), RANGE, DURATION) is None


def test_a_number_that_nobody_stated_is_one() -> None:
    assert speed(pulses(steady(25.0)), None)[1].input_hz == pytest.approx(25.0, rel=1e-5)


@pytest.mark.parametrize(
    "level",
    [
        np.zeros(61_440),
        np.full(61_440, np.nan),
        np.concatenate([np.zeros(30_000), np.ones(31_440)]),
        np.random.default_rng(1).normal(size=61_440),
    ],
    ids=["dead", "missing", "one edge", "noise"],
)
def test_what_is_no_pulse_train_gives_no_speed(level: np.ndarray) -> None:
    assert speed_from_tachometer(tachometer(level), RANGE, DURATION) is None


@pytest.mark.parametrize("per_rev", [1, 8])
def test_a_ramp_is_followed(per_rev: int) -> None:
    def turns(t: np.ndarray) -> np.ndarray:
        return 24.5 * (t + 0.04 * t**2 / (2 * DURATION))

    law, estimate = speed(pulses(turns, per_rev), per_rev)
    assert estimate.input_hz == pytest.approx(24.5 * 1.02, rel=2e-4)
    assert estimate.drift == pytest.approx(0.04 / 1.02, rel=0.1)
    inside = np.linspace(0.2, DURATION - 0.2, 200)
    off = law.at(inside) - turns(inside)
    # One hundredth of a turn is half a lobe of a 50-lobe disc.
    assert np.ptp(off) < 0.01


def test_jitter_of_the_pulses_becomes_the_stated_uncertainty() -> None:
    """Least squares of a straight line: sigma = jitter · speed / (sqrt n · std of the times), by simulation."""
    errors, stated = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        edges = (np.arange(1, 150) - 0.321) / 25.0 + rng.normal(0.0, 2e-4, 149)
        level = np.zeros(TIME.size)
        for edge in edges:
            first = int(edge * RATE)
            level[first : first + 30] = 5.0
            level[first] = 5.0 * (1 - (edge * RATE - first))
        _, estimate = speed(level)
        errors.append(estimate.input_hz - 25.0)
        assert estimate.uncertainty_hz is not None
        stated.append(estimate.uncertainty_hz)
    assert 0.6 < float(np.std(errors)) / float(np.mean(stated)) < 1.6


def test_edges_are_found_between_samples() -> None:
    level = np.array([0.0, 0.0, 2.0, 5.0, 5.0, 5.0, 0.0, 0.0, 5.0, 5.0, 0.0] * 20, dtype=np.float32)
    found = pulse_times(level, 10.0)
    # 2.5 V lies a sixth of the way from 2 V (sample 2) to 5 V, and half way from sample 7 to 8.
    np.testing.assert_allclose(found[:2], [(2 + 1 / 6) / 10.0, 7.5 / 10.0], atol=2e-2)
    assert found.size == 40


def test_ripple_about_the_middle_is_one_edge() -> None:
    level = np.tile(np.concatenate([np.zeros(20), [2.4, 2.6, 2.4, 2.6], np.full(20, 5.0), [2.6, 2.4, 2.6]]), 10)
    assert pulse_times(level.astype(np.float32), 1000.0).size == 10


def test_missed_doubled_and_jittered_pulses_leave_the_stated_uncertainty_true() -> None:
    """Forty shafts whose speed changes slowly, their angle known in closed form; as many marks, jitters and lengths."""
    rng = np.random.default_rng(20)
    lost = doubled = 0.02
    within, mended = [], 0
    for _ in range(40):
        speed_hz, duration_s, per_rev = rng.uniform(12, 50), rng.uniform(4, 7), int(rng.choice([1, 1, 2, 6]))
        depth, rate_hz, jitter = 10 ** rng.uniform(-4.5, -3), rng.uniform(0.05, 0.6), 10 ** rng.uniform(-4.5, -2.7)
        time_s = np.linspace(0.0, duration_s, 20_000)
        turns = speed_hz * (time_s + depth * np.sin(2 * np.pi * rate_hz * time_s) / (2 * np.pi * rate_hz))
        number = np.arange(1, int(turns[-1] * per_rev))
        at = np.interp((number + rng.normal(0.0, jitter, number.size)) / per_rev, turns, time_s)
        at = at[rng.random(at.size) >= lost]
        again = at[rng.random(at.size) < doubled] + 0.1 / (speed_hz * per_rev)
        rate = 12_800.0
        train = train_of(np.sort(np.concatenate([at, again])), per_rev)
        assert train is not None
        mended += train.mended
        made = law_of(train, duration_s, rate)
        assert made is not None
        uncertainty_hz = made[1].uncertainty_hz
        assert uncertainty_hz is not None
        within.append(abs(made[1].input_hz - turns[-1] / duration_s) <= 2 * uncertainty_hz)
    assert mended > 100
    assert np.mean(within) >= 0.95
